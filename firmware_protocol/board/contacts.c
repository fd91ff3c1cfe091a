#include "contacts.h"

#include "breakerbench_protocol.h"
#include "clock.h"
#include "config.h"
#include "edges.h"
#include "frames.h"
#include "troubles.h"

#define NEIGHBOURS 4u
/* Ticks between neighbours are kept in 17 bits, which hold the 50 ms of waiting. */
#define LONGEST_KEPT 0x1FFFFul
#define MOST_STORM_TICKS 0xFFFFFFul
/* Left free in the queue, so that probes that chatter do not crowd out all else. */
#define SPARE 120u

enum { OPENED = 0x04, STORM_OPEN = 0x08, LONG_BEFORE = 0x10, CUT = 0x20, COMPLETE = 0x40 };

typedef struct {
    uint32_t tick;
    uint16_t count;
    uint16_t next_edge; /* number of the first edge after it */
    uint16_t storm_edges;
    uint16_t storm_ticks_low;
    uint8_t storm_ticks_high;
    uint8_t flags; /* channel in the lowest two bits */
    uint8_t before;
    uint8_t after;
    uint8_t seen_after;
    uint8_t down; /* bit n: step n is -1; before first, then after */
    uint8_t high; /* bit n: bit 16 of ticks n */
    uint16_t ticks[2 * NEIGHBOURS];
} waiting_t;

static waiting_t waiting[CONTACTS_MOST];
static uint8_t first;
static uint8_t number;
static uint8_t incomplete; /* so many, the newest */
static uint8_t of_channel[CHANNELS];
static waiting_t *newest[CHANNELS];
static uint16_t tally[CHANNELS];
static uint32_t last_edge[CHANNELS];

static waiting_t *at(uint8_t place) {
    uint8_t n = first + place;
    if (n >= CONTACTS_MOST) {
        n -= CONTACTS_MOST;
    }
    return &waiting[n];
}

void contacts_begin(void) {
    for (uint8_t n = 0; n < CHANNELS; n++) {
        last_edge[n] = now.tick - QUIET_TICKS;
    }
    contacts_session();
}

void contacts_session(void) {
    number = 0;
    incomplete = 0;
    for (uint8_t n = 0; n < CHANNELS; n++) {
        of_channel[n] = 0;
        tally[n] = 0;
    }
}

uint16_t contacts_tally(uint8_t channel) {
    return tally[channel];
}

bool contacts_complete(void) {
    return incomplete == 0;
}

static void keep_ticks(waiting_t *w, uint8_t place, uint32_t ticks, int8_t step) {
    w->ticks[place] = (uint16_t)ticks;
    if (ticks >> 16) {
        w->high |= (uint8_t)(1u << place);
    }
    if (step < 0) {
        w->down |= (uint8_t)(1u << place);
    }
}

static void keep_before(waiting_t *w) {
    uint32_t later = w->tick;
    for (uint8_t n = 0; n < NEIGHBOURS && n < edges_kept(); n++) {
        const edge_t *const edge = edge_before_last(n);
        /* Beyond a jump, steps no longer tell where they lay. */
        if (edge->step == 0) {
            return;
        }
        const uint32_t ticks = later - edge->tick;
        if (ticks > LONGEST_KEPT) {
            /* So slow that the history will still have it when this is sent. */
            w->flags |= LONG_BEFORE;
        }
        keep_ticks(w, n, ticks, edge->step);
        w->before++;
        later = edge->tick;
    }
}

void contact_edge(uint8_t channel, bool opened, const place_t *where) {
    const uint32_t tick = where->tick;
    tally[channel]++;
    const bool quiet = tick - last_edge[channel] >= QUIET_TICKS;
    last_edge[channel] = tick;
    waiting_t *w = newest[channel];
    if (of_channel[channel] >= MERGE_FROM && !quiet && w->storm_edges != 0xFFFFu && tick - w->tick <= MOST_STORM_TICKS) {
        w->storm_edges++;
        w->storm_ticks_low = (uint16_t)(tick - w->tick);
        w->storm_ticks_high = (uint8_t)((tick - w->tick) >> 16);
        w->flags = (uint8_t)((w->flags & ~STORM_OPEN) | (opened ? STORM_OPEN : 0));
        return;
    }
    if (number == CONTACTS_MOST) {
        trouble_note(KEPT_CONTACT_OVERRUN + channel, tick, 1);
        return;
    }
    w = at(number++);
    incomplete++;
    of_channel[channel]++;
    newest[channel] = w;
    w->tick = tick;
    w->count = (uint16_t)where->count;
    w->next_edge = edges_next();
    w->storm_edges = 0;
    w->storm_ticks_low = 0;
    w->storm_ticks_high = 0;
    w->flags = (uint8_t)(channel | (opened ? OPENED : 0));
    w->before = w->after = w->seen_after = w->down = w->high = 0;
    keep_before(w);
}

/* What waits longest is complete first: edges come after all that wait, and the waiting time is the same for all. */
static void complete_up_to(uint32_t tick) {
    while (incomplete != 0) {
        waiting_t *const w = at(number - incomplete);
        if (w->seen_after < NEIGHBOURS && tick - w->tick <= CONTACT_WAIT_TICKS) {
            return;
        }
        w->flags |= COMPLETE;
        incomplete--;
    }
}

void contacts_edge(uint32_t tick, int8_t step) {
    complete_up_to(tick);
    for (uint8_t n = number - incomplete; n < number; n++) {
        waiting_t *const w = at(n);
        const uint8_t seen = w->seen_after++;
        if (step == 0) {
            w->flags |= CUT;
        }
        if (!(w->flags & CUT)) {
            const uint32_t before = seen == 0 ? w->tick : edge_before_last(1)->tick;
            keep_ticks(w, NEIGHBOURS + seen, tick - before, step);
            w->after++;
        }
    }
    complete_up_to(tick);
}

void contacts_edges_lost(void) {
    for (; incomplete != 0; incomplete--) {
        at(number - incomplete)->flags |= COMPLETE;
    }
}

static uint32_t ticks_of(const waiting_t *w, uint8_t place) {
    return w->ticks[place] | ((uint32_t)(w->high >> place & 1u) << 16);
}

/* Ages of the edges before, from the history; how many it still has. */
static uint8_t long_ages(const waiting_t *w, uint32_t *ages) {
    const uint16_t since = edges_next() - w->next_edge;
    uint8_t n = 0;
    while (n < w->before && since + n < edges_kept()) {
        const uint32_t age = w->tick - edge_before_last((uint8_t)(since + n))->tick;
        if (age > 0x80000000ul) {
            break;
        }
        ages[n++] = age;
    }
    return n;
}

static uint8_t short_ages(const waiting_t *w, uint32_t *ages) {
    uint32_t sum = 0;
    for (uint8_t n = 0; n < w->before; n++) {
        sum += ticks_of(w, n);
        ages[n] = sum;
    }
    return w->before;
}

static void steps(uint8_t number_of, uint8_t down) {
    frame_u8(number_of);
    for (uint8_t n = 0; n < number_of; n++) {
        frame_u8(down >> n & 1u ? 0xFFu : 1u);
    }
}

static bool send(const waiting_t *w) {
    uint32_t ages[NEIGHBOURS];
    const uint8_t before = w->flags & LONG_BEFORE ? long_ages(w, ages) : short_ages(w, ages);
    const uint8_t payload = (uint8_t)(BB_CONTACT_FIXED_SIZE + 4u + 5u * (before + w->after));
    if (!frame_begin(BB_TYPE_CONTACT, payload, SPARE)) {
        return false;
    }
    frame_u32(w->tick);
    frame_u32((uint32_t)widened_count(w->count));
    frame_u8(w->flags & 3u);
    frame_u8(w->flags & OPENED ? 1u : 0u);
    frame_u8((uint8_t)((w->after == 0 ? BB_CONTACT_FLAG_NO_NEXT_EDGE : 0u) |
                       (w->storm_edges != 0 ? BB_CONTACT_FLAG_ONE_OF_STORM : 0u)));
    frame_u16(w->storm_edges);
    frame_u32(w->storm_ticks_low | (uint32_t)w->storm_ticks_high << 16);
    frame_u8(w->flags & STORM_OPEN ? 1u : 0u);
    frame_u8(before);
    for (uint8_t n = 0; n < before; n++) {
        frame_u32(ages[n]);
    }
    steps(before, w->down);
    frame_u8(w->after);
    uint32_t delay = 0;
    for (uint8_t n = 0; n < w->after; n++) {
        delay += ticks_of(w, NEIGHBOURS + n);
        frame_u32(delay);
    }
    steps(w->after, w->down >> NEIGHBOURS);
    frame_end();
    return true;
}

bool contacts_tend(bool everything) {
    if (everything) {
        contacts_edges_lost();
    }
    complete_up_to(now.tick);
    if (number != 0 && at(0)->flags & COMPLETE && send(at(0))) {
        of_channel[at(0)->flags & 3u]--;
        number--;
        first = first + 1u == CONTACTS_MOST ? 0 : first + 1u;
    }
    return number == 0;
}
