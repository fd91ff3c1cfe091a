/* What the core needs of the hardware. avr_*.c give it on the board; a test's own file gives it on a computer.
 *
 * Interrupts only latch: 16-bit tick, 16-bit count and state of the pins go into two rings, numbered one after another. The
 * core looks at the numbers, and reads what is new, before it is overwritten; if it comes too late, the numbers show it.
 */
#ifndef HARDWARE_H
#define HARDWARE_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

/* An encoder edge: number n lies at n modulo EDGE_RING. A count that moved by two was an illegal transition. */
typedef struct {
    uint16_t tick;
    uint16_t count;
} latched_edge_t;

enum { EVENT_PINS = 0, EVENT_INDEX = 1 };

/* A change of contacts or pedal, or the index: number n lies at n modulo EVENT_RING. `edges` is the number of the next edge. */
typedef struct {
    uint16_t tick;
    uint16_t count;
    uint8_t pins;
    uint8_t kind;
    uint16_t edges;
} latched_event_t;

extern volatile latched_edge_t edge_ring[EDGE_RING];
extern volatile latched_event_t event_ring[EVENT_RING];

/* Everything at one moment. `overflows` of the 16-bit tick go up to 255. */
typedef struct {
    uint16_t tick;
    uint16_t count;
    uint16_t edges;
    uint8_t events;
    uint8_t overflows;
} latch_t;

void latch_look(latch_t *now);
uint16_t latch_edges(void);
uint8_t latch_events(void);
/* Encoder interrupts that found the flag set again at their end, no change, or a jump; 255 stands for more. Back to 0. */
typedef struct {
    uint8_t again;
    uint8_t unchanged;
    uint8_t illegal;
} noticed_t;
void latch_take_noticed(noticed_t *noticed);
uint8_t latch_pins(void);

/* The transmit ring: the core writes at `transmit_head`, the hardware reads at `transmit_tail`. */
extern volatile uint8_t transmit_ring[256];
extern volatile uint8_t transmit_head;
extern volatile uint8_t transmit_tail;
void transmit_go(void);
void transmit_hold(void);

/* One received byte, or -1. */
int16_t receive_byte(void);

/* Last reading of an analogue channel in steps of 1/1023 of the supply; of the 1.1 V reference for channel LEVEL_CHANNELS. */
uint16_t analogue(uint8_t channel);

uint8_t eeprom_read(uint16_t at);
void eeprom_write(uint16_t at, uint8_t value);

#ifdef __AVR__
#include <avr/pgmspace.h>
#define IN_FLASH PROGMEM
#define FROM_FLASH16(place) pgm_read_word(place)
#else
#define IN_FLASH
#define FROM_FLASH16(place) (*(place))
#endif

#endif
