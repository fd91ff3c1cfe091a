/* Writes frames straight into the transmit ring; CRC and COBS are done in place at the end. */
#ifndef FRAMES_H
#define FRAMES_H

#include <stdbool.h>
#include <stdint.h>

/* Header and CRC, COBS' one byte and the delimiter. */
#define FRAME_AROUND 8u

uint8_t frame_room(void);
/* Begins a frame if its payload of that length finds room, with so many bytes to spare. */
bool frame_begin(uint8_t type, uint8_t payload, uint8_t spare);
void frame_u8(uint8_t value);
void frame_u16(uint16_t value);
void frame_u32(uint32_t value);
void frame_end(void);

/* A session begins, number 0 after a reset: sequence to 0, and frames that still wait are dropped but for Hello and Pong. */
void frames_session(uint8_t number);

#endif
