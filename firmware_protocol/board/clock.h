/* Widens what the interrupts latched to 32 bits. */
#ifndef CLOCK_H
#define CLOCK_H

#include <stdint.h>

#include "hardware.h"

/* The moment of the last look: everything latched up to it, and nothing later, is being told. */
typedef struct {
    uint32_t tick;
    int32_t count;
    uint16_t edges;
    uint8_t events;
} moment_t;

extern moment_t now;

/* Where something happened. */
typedef struct {
    uint32_t tick;
    int32_t count;
} place_t;

void clock_begin(void);
void clock_look(void);
/* A latched tick no more than 32 ms before the last look; a latched count within 32,767 of its count. */
uint32_t widened_tick(uint16_t tick);
int32_t widened_count(uint16_t count);

#endif
