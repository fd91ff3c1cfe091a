#include "board.h"

#include "boot_counter.h"
#include "breakerbench_protocol.h"
#include "clock.h"
#include "contacts.h"
#include "edges.h"
#include "events.h"
#include "frames.h"
#include "hardware.h"
#include "receiver.h"
#include "reports.h"
#include "settings.h"
#include "troubles.h"

/* Bytes from the host that are looked at in one poll. */
#define RECEIVE_AT_ONCE 32u

static enum { SILENT, RUNNING, STOPPING } state;

void board_begin(uint8_t cause) {
    settings_begin();
    boot_counter_begin(cause);
    clock_begin();
    state = SILENT;
    receiver_begin();
    troubles_begin();
    edges_begin();
    contacts_begin();
    events_begin();
    supply_begin();
    frames_session(0);
    transmit_ring[transmit_head] = 0;
    transmit_head++;
    send_hello();
}

/* --- commands ------------------------------------------------------------------------------------------------------ */

void obey_identify(void) {
    send_hello();
}

void obey_start(uint8_t session, uint8_t position_hz, uint8_t level_hz, bool edges) {
    if (state == STOPPING) {
        /* The Hello that answers Stop is still due. */
        send_hello();
    }
    frames_session(session);
    troubles_session();
    edges_session(edges);
    contacts_session();
    reports_session(position_hz, level_hz);
    state = RUNNING;
}

void obey_stop(void) {
    if (state == SILENT) {
        send_hello();
    } else {
        state = STOPPING;
        edges_end();
    }
}

void obey_ping(uint16_t token) {
    send_pong(token);
}

void obey_press_request(uint16_t request) {
    if (state == RUNNING) {
        const place_t here = {now.tick, now.count};
        send_press(&here, BB_PRESS_SOURCE_REQUEST, true, request);
    }
}

void reject(uint8_t type) {
    if (state == RUNNING) {
        trouble_tell(BB_TROUBLE_CODE_REJECTED_COMMAND, now.tick, type);
    }
}

/* --- a poll -------------------------------------------------------------------------------------------------------- */

/* What the interrupts noticed themselves. */
static void take_notes(void) {
    noticed_t noticed;
    latch_take_noticed(&noticed);
    if (noticed.again != 0) {
        trouble_note(KEPT_AGAIN, now.tick, noticed.again);
    }
    if (noticed.unchanged != 0) {
        /* Two edges at least came before the first of them was seen. */
        trouble_note(KEPT_NEAR, now.tick, 2u * (uint16_t)noticed.unchanged);
    }
    if (noticed.illegal != 0) {
        trouble_note(KEPT_ILLEGAL, now.tick, noticed.illegal);
    }
}

/* Pending things leave in order: Edges, Contacts, Troubles, Hello. */
static void stop(void) {
    if (edges_stop() && contacts_tend(true) && troubles_tend(true)) {
        state = SILENT;
        send_hello();
    }
}

static void look(void) {
    clock_look();
    events_read(state == RUNNING);
}

void board_poll(void) {
    look();
    take_notes();
    supply_tend();
    /* While too many Pongs wait for room, what the host sends waits too. */
    for (uint8_t n = 0; n < RECEIVE_AT_ONCE && pong_room(); n++) {
        const int16_t byte = receive_byte();
        if (byte < 0) {
            break;
        }
        receiver_take((uint8_t)byte);
    }
    answers_tend();
    if (state == RUNNING) {
        reports_tend(events_levels(), events_pedal_down());
        troubles_tend(false);
        /* Frames take time to write: the rings are looked at again before the longest of them. */
        look();
        edges_tend();
        look();
        contacts_tend(false);
    } else {
        edges_tend();
    }
    if (state == STOPPING) {
        stop();
    }
}
