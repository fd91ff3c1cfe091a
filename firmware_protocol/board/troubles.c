#include "troubles.h"

#include "breakerbench_protocol.h"
#include "clock.h"
#include "config.h"
#include "frames.h"

#define KEPT (KEPT_CONTACT_OVERRUN + CHANNELS)

typedef struct {
    uint32_t first;
    uint32_t last;
    uint32_t amount; /* 0: nothing to tell */
} kept_t;

static kept_t kept[KEPT];
static uint16_t told;
static uint16_t dropped;
static uint32_t dropped_at;

void troubles_begin(void) {
    for (uint8_t n = 0; n < KEPT; n++) {
        kept[n].amount = 0;
    }
    troubles_session();
}

void troubles_session(void) {
    for (uint8_t n = KEPT_CONTACT_OVERRUN; n < KEPT; n++) {
        kept[n].amount = 0;
    }
    told = 0;
    dropped = 0;
}

uint16_t troubles_told(void) {
    return told;
}

void trouble_note(uint8_t which, uint32_t tick, uint32_t amount) {
    kept_t *const k = &kept[which];
    if (which == KEPT_INDEX_OFF) {
        /* Not a number of events: the latest stands for all that could not be told in between. */
        k->first = tick;
        k->amount = amount;
    } else if (which == KEPT_SUPPLY_DIP) {
        if (k->amount == 0 || amount < k->amount) {
            k->first = tick;
            k->amount = amount;
        }
        tick = k->first;
    } else {
        if (k->amount == 0) {
            k->first = tick;
        }
        k->amount += amount;
    }
    k->last = tick;
}

void trouble_dropped(void) {
    if (dropped == 0) {
        dropped_at = now.tick;
    }
    if (dropped < 0xFFFFu) {
        dropped++;
    }
}

static bool put(uint8_t code, uint8_t channel, const kept_t *what) {
    if (!frame_begin(BB_TYPE_TROUBLE, BB_TROUBLE_FIXED_SIZE, 0)) {
        return false;
    }
    frame_u32(what->first);
    frame_u8(code);
    frame_u8(channel);
    frame_u32(what->amount);
    frame_u32(what->last - what->first);
    frame_end();
    told++;
    return true;
}

void trouble_tell(uint8_t code, uint32_t tick, uint32_t amount) {
    const kept_t what = {tick, now.tick, amount};
    if (dropped != 0 || !put(code, NO_CHANNEL, &what)) {
        trouble_dropped();
        told++;
    }
}

static uint8_t code_of(uint8_t which) {
    switch (which) {
    case KEPT_ILLEGAL:
        return BB_TROUBLE_CODE_ILLEGAL_TRANSITION;
    case KEPT_NEAR:
        return BB_TROUBLE_CODE_EDGES_TOO_NEAR;
    case KEPT_AGAIN:
        return BB_TROUBLE_CODE_FLAG_SET_AGAIN;
    case KEPT_INDEX_OFF:
        return BB_TROUBLE_CODE_INDEX_OFF;
    case KEPT_SUPPLY_DIP:
        return BB_TROUBLE_CODE_SUPPLY_DIP;
    default:
        return BB_TROUBLE_CODE_CONTACT_OVERRUN;
    }
}

bool troubles_tend(bool everything) {
    bool all = true;
    for (uint8_t n = 0; n < KEPT; n++) {
        kept_t *const k = &kept[n];
        if (k->amount == 0) {
            continue;
        }
        const bool number = n != KEPT_INDEX_OFF && n != KEPT_SUPPLY_DIP;
        if (number && !everything && now.tick - k->first < GATHER_TICKS) {
            continue;
        }
        const uint8_t channel = n >= KEPT_CONTACT_OVERRUN ? (uint8_t)(n - KEPT_CONTACT_OVERRUN) : (uint8_t)NO_CHANNEL;
        if (put(code_of(n), channel, k)) {
            k->amount = 0;
        } else {
            all = false;
        }
    }
    /* Told any sooner than with half of the queue free, the telling itself would fill it. */
    if (dropped != 0 && (everything || frame_room() >= 128u)) {
        const kept_t what = {dropped_at, now.tick, dropped};
        if (put(BB_TROUBLE_CODE_QUEUE_OVERRUN, NO_CHANNEL, &what)) {
            dropped = 0;
        }
    }
    return all && dropped == 0;
}
