#include "events.h"

#include "breakerbench_protocol.h"
#include "clock.h"
#include "contacts.h"
#include "edges.h"
#include "hardware.h"
#include "reports.h"
#include "settings.h"
#include "troubles.h"

/* Two changes within one interrupt's latency leave a second interrupt right behind, which finds nothing new. */
#define ECHO_TICKS 12u

static uint8_t next;
static uint8_t pins;
static uint8_t changed_last;
static uint32_t last_tick;
static bool index_known;
static int32_t index_count;

void events_begin(void) {
    next = now.events;
    pins = latch_pins() & (BIT_CONTACTS | BIT_PEDAL);
    changed_last = 0;
    index_known = false;
}

uint8_t events_levels(void) {
    return (pins & BIT_CONTACTS) / BIT_CONTACT;
}

bool events_pedal_down(void) {
    return !(pins & BIT_PEDAL);
}

static void check_index(uint32_t tick, int32_t count) {
    if (index_known) {
        const int32_t apart = count - index_count;
        const uint32_t size = apart < 0 ? (uint32_t)-apart : (uint32_t)apart;
        const uint32_t turn = settings.counts_per_turn;
        if (size > 1 && size + 1 != turn && size != turn && size != turn + 1) {
            trouble_note(KEPT_INDEX_OFF, tick, size);
        }
    }
    index_known = true;
    index_count = count;
}

/* Somewhere a pulse was shorter than the latency. Where, is not known, and it may have been a first departure: so it is not given to the
 * channel that happens to bounce, but told for all. */
static void missed(uint32_t tick, uint8_t number) {
    for (uint8_t n = 0; n < CHANNELS; n++) {
        trouble_note(KEPT_CONTACT_OVERRUN + n, tick, number);
    }
}

static void read_pins(uint8_t seen, const place_t *where, bool reporting) {
    const uint32_t tick = where->tick;
    const uint8_t changed = (seen ^ pins) & (BIT_CONTACTS | BIT_PEDAL);
    pins = seen & (BIT_CONTACTS | BIT_PEDAL);
    if (changed == 0) {
        const bool one = changed_last != 0 && (changed_last & (changed_last - 1u)) == 0;
        const bool echo = !one && tick - last_tick < ECHO_TICKS;
        if (!echo && reporting) {
            missed(tick, 2);
        }
    }
    changed_last = changed;
    last_tick = tick;
    if (!reporting) {
        return;
    }
    uint8_t bit = BIT_CONTACT;
    for (uint8_t n = 0; n < CHANNELS; n++, bit <<= 1) {
        if (changed & bit) {
            contact_edge(n, (seen & bit) != 0, where);
        }
    }
    if (changed & BIT_PEDAL) {
        send_press(where, BB_PRESS_SOURCE_PEDAL, !(seen & BIT_PEDAL), 0);
    }
}

static void read_one(bool reporting) {
    const volatile latched_event_t *const place = &event_ring[next % EVENT_RING];
    const uint8_t kind = place->kind;
    const uint8_t seen = place->pins;
    const uint16_t latched_tick = place->tick;
    const uint16_t latched_count = place->count;
    edges_read(place->edges);
    next++;
    const place_t where = {widened_tick(latched_tick), widened_count(latched_count)};
    if (kind == EVENT_PINS) {
        read_pins(seen, &where, reporting);
        return;
    }
    check_index(where.tick, where.count);
    if (reporting) {
        send_index(&where, edges_kept() != 0 ? edge_before_last(0)->step : 0);
    }
}

void events_read(bool reporting) {
    while (next != now.events) {
        const uint8_t behind = latch_events() - next;
        if (behind > EVENT_RING - 2u) {
            /* Overwritten, or about to be: the older half is given up. */
            const uint8_t lost = behind - EVENT_RING / 2u;
            next += lost;
            if (reporting) {
                missed(now.tick, lost);
            }
            if ((int8_t)(now.events - next) <= 0) {
                clock_look();
            }
        } else {
            read_one(reporting);
        }
    }
    edges_read(now.edges);
}
