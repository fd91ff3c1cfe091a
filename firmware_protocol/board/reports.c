#include "reports.h"

#include "boot_counter.h"
#include "breakerbench_protocol.h"
#include "clock.h"
#include "config.h"
#include "contacts.h"
#include "edges.h"
#include "frames.h"
#include "hardware.h"
#include "settings.h"
#include "troubles.h"

#define PONGS 4u
#define SUPPLY_MILLIVOLTS 5000ul
#define REFERENCE_MILLIVOLTS 1100ul
#define FULL_SCALE 1023u

/* --- answers ------------------------------------------------------------------------------------------------------- */

typedef struct {
    uint32_t tick;
    uint16_t token;
} pong_t;

static bool hello_due;
static pong_t pongs[PONGS];
static uint8_t pongs_due;

void send_hello(void) {
    hello_due = true;
    answers_tend();
}

static bool put_hello(void) {
    if (!frame_begin(BB_TYPE_HELLO, BB_HELLO_FIXED_SIZE, 0)) {
        return false;
    }
    frame_u8(BB_WIRE_VERSION);
    frame_u32(BB_FINGERPRINT);
    for (uint8_t n = 0; n < 8; n++) {
        frame_u8(settings.board_id[n]);
    }
    frame_u32(boot_counter());
    frame_u8(reset_cause());
    frame_u32(TICK_HZ);
    frame_u32(settings.counts_per_turn);
    frame_u32(RATED_EDGE_HZ);
    frame_u8(CHANNELS);
    frame_u8(LEVEL_CHANNELS);
    frame_u16(BB_CAPABILITY_INDEX | BB_CAPABILITY_EDGES | BB_CAPABILITY_PEDAL | BB_CAPABILITY_LEVELS |
              BB_CAPABILITY_BOOT_COUNTER_KEPT);
    frame_u8(settings.simulated);
    frame_u8(FIRMWARE_MAJOR);
    frame_u8(FIRMWARE_MINOR);
    frame_u8(FIRMWARE_PATCH);
    frame_u32(FIRMWARE_BUILD);
    frame_end();
    return true;
}

bool pong_room(void) {
    return pongs_due < PONGS;
}

void send_pong(uint16_t token) {
    pongs[pongs_due].tick = now.tick;
    pongs[pongs_due++].token = token;
    answers_tend();
}

void answers_tend(void) {
    if (hello_due && put_hello()) {
        hello_due = false;
    }
    while (pongs_due != 0 && frame_begin(BB_TYPE_PONG, BB_PONG_FIXED_SIZE, 0)) {
        frame_u32(pongs[0].tick);
        frame_u16(pongs[0].token);
        frame_end();
        pongs_due--;
        for (uint8_t n = 0; n < pongs_due; n++) {
            pongs[n] = pongs[n + 1u];
        }
    }
}

/* --- events -------------------------------------------------------------------------------------------------------- */

void send_press(const place_t *where, uint8_t source, bool down, uint16_t request) {
    if (!frame_begin(BB_TYPE_PRESS, BB_PRESS_FIXED_SIZE, 0)) {
        trouble_dropped();
        return;
    }
    frame_u32(where->tick);
    frame_u32((uint32_t)where->count);
    frame_u8(source);
    frame_u8(down);
    frame_u16(request);
    frame_end();
}

void send_index(const place_t *where, int8_t step) {
    if (!frame_begin(BB_TYPE_INDEX, BB_INDEX_FIXED_SIZE, 0)) {
        trouble_dropped();
        return;
    }
    frame_u32(where->tick);
    frame_u32((uint32_t)where->count);
    frame_u8((uint8_t)step);
    frame_end();
}

/* --- at a steady rate ---------------------------------------------------------------------------------------------- */

/* A period that need not be a whole number of ticks. */
typedef struct {
    uint32_t due;
    uint16_t rest;
    uint8_t hz; /* 0: never */
} beat_t;

static beat_t position;
static beat_t level;

static void beat_next(beat_t *beat) {
    beat->due += TICK_HZ / beat->hz;
    beat->rest += (uint16_t)(TICK_HZ % beat->hz);
    if (beat->rest >= beat->hz) {
        beat->rest -= beat->hz;
        beat->due++;
    }
}

static void beat_begin(beat_t *beat, uint8_t hz) {
    beat->hz = hz;
    beat->due = now.tick;
    beat->rest = 0;
    if (hz != 0) {
        beat_next(beat);
    }
}

static bool beats(beat_t *beat) {
    if (beat->hz == 0 || (int32_t)(now.tick - beat->due) < 0) {
        return false;
    }
    beat_next(beat);
    return true;
}

void reports_session(uint8_t position_hz, uint8_t level_hz) {
    beat_begin(&position, position_hz);
    beat_begin(&level, level_hz);
}

static void send_position(uint8_t levels, bool pedal_down) {
    if (!frame_begin(BB_TYPE_POSITION, BB_POSITION_FIXED_SIZE + 1u + 2u * CHANNELS, 0)) {
        trouble_dropped();
        return;
    }
    frame_u32(now.tick);
    frame_u32((uint32_t)now.count);
    frame_u8(levels);
    frame_u8((uint8_t)((edges_suspended() ? BB_POSITION_FLAG_EDGES_SUSPENDED : 0u) |
                       (pedal_down ? BB_POSITION_FLAG_PEDAL_DOWN : 0u)));
    frame_u16(troubles_told());
    frame_u8(CHANNELS);
    for (uint8_t n = 0; n < CHANNELS; n++) {
        frame_u16(contacts_tally(n));
    }
    frame_end();
}

static void send_level(void) {
    if (!frame_begin(BB_TYPE_LEVEL, BB_LEVEL_FIXED_SIZE + 1u + 2u * LEVEL_CHANNELS, 0)) {
        trouble_dropped();
        return;
    }
    frame_u32(now.tick);
    frame_u8(LEVEL_CHANNELS);
    for (uint8_t n = 0; n < LEVEL_CHANNELS; n++) {
        frame_u16((uint16_t)((analogue(n) * SUPPLY_MILLIVOLTS + FULL_SCALE / 2u) / FULL_SCALE));
    }
    frame_end();
}

void reports_tend(uint8_t levels, bool pedal_down) {
    if (beats(&position)) {
        send_position(levels, pedal_down);
    }
    if (beats(&level)) {
        send_level();
    }
}

/* --- supply -------------------------------------------------------------------------------------------------------- */

static uint16_t usual;
static bool low;

void supply_begin(void) {
    usual = 0;
    low = false;
}

/* The reference, read against the supply, rises as the supply falls. It is good to a tenth only, so that the supply is held
 * against what it was at the start: an eighth less is a dip. */
void supply_tend(void) {
    const uint16_t reading = analogue(LEVEL_CHANNELS);
    if (reading == 0) {
        return;
    }
    if (usual == 0) {
        usual = reading;
    }
    const bool was_low = low;
    low = reading > usual + usual / 8u;
    if (low && !was_low) {
        trouble_note(KEPT_SUPPLY_DIP, now.tick, REFERENCE_MILLIVOLTS * FULL_SCALE / reading);
    }
}
