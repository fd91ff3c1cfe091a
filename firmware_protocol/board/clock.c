#include "clock.h"

moment_t now;
static uint16_t high;

static void take(const latch_t *seen) {
    high = (uint16_t)(high + (uint8_t)(seen->overflows - (uint8_t)high));
    now.tick = (uint32_t)high << 16 | seen->tick;
    now.edges = seen->edges;
    now.events = seen->events;
}

void clock_begin(void) {
    latch_t seen;
    latch_look(&seen);
    high = 0;
    take(&seen);
    now.count = (int16_t)seen.count;
}

void clock_look(void) {
    latch_t seen;
    latch_look(&seen);
    take(&seen);
    now.count += (int16_t)(seen.count - (uint16_t)now.count);
}

uint32_t widened_tick(uint16_t tick) {
    return now.tick - (uint16_t)((uint16_t)now.tick - tick);
}

int32_t widened_count(uint16_t count) {
    return now.count - (int16_t)((uint16_t)now.count - count);
}
