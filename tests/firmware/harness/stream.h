/* What the test's Python side and a board in a process of its own say to each other, over stdin and stdout.
 *
 * To the board, 12 bytes each, little-endian, cycles never going back: cycle (u64), kind (u8), index (u8), value (u16).
 * Back, after each RUN: cycle (u64), number (u32), then so many times cycle (u64) and byte (u8) that left the line.
 */
#ifndef STREAM_H
#define STREAM_H

#include <stdint.h>

enum {
    TO_PIN = 0,     /* a level on pin `index` */
    TO_ANALOGUE,    /* millivolts on analogue input `index` */
    TO_BYTE,        /* a byte from the host whose first bit begins now */
    TO_SUPPLY,      /* supply in millivolts */
    TO_RESET,       /* the reset pin */
    TO_EEPROM,      /* `value` low byte into EEPROM at its high byte; before the first RUN */
    TO_RUN,         /* run until that cycle, then answer */
};

/* Pins by number. */
enum { PIN_A = 0, PIN_B, PIN_INDEX, PIN_CONTACT_0, PIN_CONTACT_1, PIN_CONTACT_2, PIN_PEDAL, PINS };

typedef struct __attribute__((packed)) {
    uint64_t cycle;
    uint8_t kind;
    uint8_t index;
    uint16_t value;
} command_t;

typedef struct __attribute__((packed)) {
    uint64_t cycle;
    uint8_t byte;
} sent_t;

#endif
