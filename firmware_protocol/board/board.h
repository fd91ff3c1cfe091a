/* The board: one session after another. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

/* After a reset with that cause; interrupts already latch. */
void board_begin(uint8_t cause);
/* Reads what was latched, obeys the host, queues what is due. To be called at least every 20 ms, wanted every millisecond. */
void board_poll(void);

/* From the receiver. */
void obey_identify(void);
void obey_start(uint8_t session, uint8_t position_hz, uint8_t level_hz, bool edges);
void obey_stop(void);
void obey_ping(uint16_t token);
void obey_press_request(uint16_t request);
void reject(uint8_t type);

#endif
