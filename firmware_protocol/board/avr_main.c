/* Start, watchdog, and the loop: sleep until there is something to do. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "avr_hardware.h"
#include "board.h"
#include "breakerbench_protocol.h"
#include "clock.h"
#include "hardware.h"

/* So much latched or received, and the loop does not wait for the millisecond to end. */
#define EDGES_TO_WAKE 16u
#define EVENTS_TO_WAKE 4u
#define BYTES_TO_WAKE 24u

/* Why the board started; avr_start.S keeps it. */
extern uint8_t reset_flags;

static uint8_t cause(void) {
    if (reset_flags & (1 << WDRF)) {
        return BB_RESET_CAUSE_WATCHDOG;
    }
    if (reset_flags & (1 << PORF)) {
        return BB_RESET_CAUSE_POWER_ON;
    }
    if (reset_flags & (1 << BORF)) {
        return BB_RESET_CAUSE_SUPPLY_DIP;
    }
    return reset_flags & (1 << EXTRF) ? BB_RESET_CAUSE_EXTERNAL : BB_RESET_CAUSE_UNKNOWN;
}

static bool work(void) {
    return (GPIOR0 & 1u) || (uint16_t)(latch_edges() - now.edges) >= EDGES_TO_WAKE ||
           (uint8_t)(latch_events() - now.events) >= EVENTS_TO_WAKE || receive_waiting() >= BYTES_TO_WAKE;
}

/* Until the next interrupt, but not through the end of a millisecond: what waits then is served after the instruction that
 * follows sei. Interrupts are held off for no longer than that. */
static void rest(void) {
    sleep_enable();
    cli();
    if (!(GPIOR0 & 1u)) {
        sei();
        sleep_cpu();
    }
    sei();
    sleep_disable();
}

int main(void) {
    hardware_begin();
    sei();
    board_begin(cause());
    wdt_enable(WDTO_60MS);
    SMCR = 0; /* idle */
    for (;;) {
        wdt_reset();
        if (GPIOR0 & 1u) {
            GPIOR0 &= (uint8_t)~1u;
            analogue_tend();
        }
        board_poll();
        while (!work()) {
            rest();
        }
    }
}
