#include "edges.h"

#include "breakerbench_protocol.h"
#include "clock.h"
#include "contacts.h"
#include "frames.h"
#include "hardware.h"
#include "troubles.h"

/* More than this many edges at once, none of them wanted one by one, are only counted and checked. */
#define MANY 16u
/* The last of them are read one by one, as neighbours of a contact to come. */
#define NEIGHBOURS 4u
/* So many waiting to be read come too fast to be told one by one. */
#define CROWD (EDGE_RING / 2u)
/* From so many steps on a frame is sent as soon as there is room. */
#define STEPS_CLOSE (STEPS_MOST - 12u)
/* Left free in the queue for what is smaller and must not wait. */
#define SPARE 20u

static edge_t history[EDGE_HISTORY];
static uint8_t latest;
static uint8_t kept;
static uint16_t next;
static uint16_t last_count;
static uint32_t last_tick;
static uint32_t near_from;
static uint8_t near_number;

static bool wanted;
static bool suspended;
static bool after_suspension;
static uint32_t window_began;
static uint16_t in_window;
static uint8_t calm_windows;
static uint32_t suspended_at;
static uint32_t meanwhile;

static uint16_t steps[STEPS_MOST];
static uint8_t steps_number;
static bool closed; /* as soon as there is room */
static uint8_t frame_flags;
static uint32_t frame_tick;
static int32_t frame_count;
static uint32_t frame_first;

void edges_begin(void) {
    next = now.edges;
    last_count = (uint16_t)now.count;
    last_tick = now.tick;
    kept = 0;
    near_number = 0;
    edges_session(false);
}

void edges_session(bool are_wanted) {
    wanted = are_wanted;
    suspended = false;
    after_suspension = false;
    steps_number = 0;
    closed = false;
    window_began = now.tick;
    in_window = 0;
}

bool edges_suspended(void) {
    return suspended;
}

uint8_t edges_kept(void) {
    return kept;
}

const edge_t *edge_before_last(uint8_t back) {
    return &history[(uint8_t)(latest - back) % EDGE_HISTORY];
}

uint16_t edges_next(void) {
    return next;
}

/* --- the frame ----------------------------------------------------------------------------------------------------- */

static bool send_frame(void) {
    const uint8_t payload = (uint8_t)(BB_EDGES_FIXED_SIZE + 1u + 2u * steps_number);
    if (!frame_begin(BB_TYPE_EDGES, payload, SPARE)) {
        return false;
    }
    frame_u32(frame_tick);
    frame_u32((uint32_t)frame_count);
    frame_u8(frame_flags);
    frame_u8(steps_number);
    for (uint8_t n = 0; n < steps_number; n++) {
        frame_u16(steps[n]);
    }
    frame_end();
    steps_number = 0;
    return true;
}

/* What finds no room stays open for further steps as long as they fit. */
static void close_frame(void) {
    closed = steps_number != 0 && !send_frame();
}

/* The next step has to go into another frame. */
static void leave_frame(void) {
    close_frame();
    if (closed) {
        trouble_dropped();
        steps_number = 0;
        closed = false;
    }
}

static void report(uint32_t tick, uint16_t count_before, int8_t step) {
    const uint32_t since = kept != 0 ? tick - edge_before_last(0)->tick : ~0ul;
    if (steps_number == STEPS_MOST || since > LONGEST_STEP) {
        leave_frame();
    }
    uint16_t ticks = (uint16_t)since;
    if (steps_number == 0) {
        if (since > LONGEST_STEP) {
            ticks = 1;
        }
        frame_tick = tick - ticks;
        frame_count = widened_count(count_before);
        frame_flags = after_suspension ? BB_EDGES_FLAG_AFTER_SUSPENSION : 0;
        after_suspension = false;
        frame_first = tick;
    }
    steps[steps_number++] = ticks | (step < 0 ? 0x8000u : 0u);
    if (steps_number >= STEPS_CLOSE) {
        close_frame();
    }
}

/* --- suspension ---------------------------------------------------------------------------------------------------- */

static void suspend(void) {
    leave_frame();
    suspended = true;
    calm_windows = 0;
    meanwhile = 0;
    suspended_at = now.tick;
    const uint16_t edges = in_window > WINDOW_EDGES ? in_window : WINDOW_EDGES;
    trouble_tell(BB_TROUBLE_CODE_EDGES_SUSPENDED, now.tick, edges * (1000ul * TICKS_PER_MS / WINDOW_TICKS));
}

static void count_in_window(uint16_t edges) {
    in_window += edges;
    if (suspended) {
        meanwhile += edges;
    }
}

static void end_window(void) {
    if (in_window < WINDOW_EDGES / 2u) {
        calm_windows++;
    } else {
        calm_windows = 0;
    }
    in_window = 0;
    window_began = now.tick;
    if (suspended && calm_windows >= WINDOWS_TO_RESUME) {
        suspended = false;
        after_suspension = true;
        trouble_tell(BB_TROUBLE_CODE_EDGES_RESUMED, suspended_at, meanwhile);
    }
}

/* --- reading ------------------------------------------------------------------------------------------------------- */

static void near(uint32_t tick) {
    if (near_number == 0) {
        near_from = tick;
    } else if (near_number == NEAR_EDGES) {
        if (tick - near_from < NEAR_TICKS) {
            trouble_note(KEPT_NEAR, tick, NEAR_EDGES);
        }
        near_from = tick;
        near_number = 0;
    }
    near_number++;
}

static void read_one(void) {
    const volatile latched_edge_t *const place = &edge_ring[next % EDGE_RING];
    const uint16_t count = place->count;
    const uint32_t tick = widened_tick(place->tick);
    const int8_t moved = (int8_t)(count - last_count);
    const int8_t step = moved == 1 || moved == -1 ? moved : 0;
    next++;
    near(tick);
    count_in_window(1);
    if (step == 0) {
        leave_frame();
    } else if (wanted && !suspended) {
        report(tick, last_count, step);
        if (in_window > WINDOW_EDGES) {
            suspend();
        }
    }
    last_count = count;
    last_tick = tick;
    latest = (uint8_t)(latest + 1u) % EDGE_HISTORY;
    history[latest].tick = tick;
    history[latest].step = step;
    if (kept < EDGE_HISTORY) {
        kept++;
    }
    contacts_edge(tick, step);
}

/* So many edges at once: only their speed is looked at, line by line. */
static void read_many(uint16_t number) {
    count_in_window(number);
    kept = 0;
    near_number = 0;
    uint16_t line_from = edge_ring[next % EDGE_RING].tick;
    for (; number > NEAR_EDGES; number -= NEAR_EDGES) {
        next += NEAR_EDGES;
        const uint16_t tick = edge_ring[next % EDGE_RING].tick;
        if ((uint16_t)(tick - line_from) < NEAR_TICKS) {
            trouble_note(KEPT_NEAR, now.tick, NEAR_EDGES);
        }
        line_from = tick;
    }
    next += number;
    last_count = edge_ring[(uint16_t)(next - 1u) % EDGE_RING].count;
    last_tick = widened_tick(edge_ring[(uint16_t)(next - 1u) % EDGE_RING].tick);
}

/* The ring was overwritten, or is about to be: for once edges came faster than they are read. They are counted all the same, and what
 * spoils the count the interrupt itself notices; here their mean speed is looked at. */
static void overrun(uint16_t lost) {
    /* What is left in the ring is later than the last look. */
    clock_look();
    count_in_window(lost);
    next += lost;
    const volatile latched_edge_t *const last = &edge_ring[(uint16_t)(next - 1u) % EDGE_RING];
    const uint32_t tick = widened_tick(last->tick);
    if (tick - last_tick < (uint32_t)lost * (NEAR_TICKS / NEAR_EDGES)) {
        trouble_note(KEPT_NEAR, tick, lost);
    }
    last_tick = tick;
    last_count = last->count;
    near_number = 0;
    kept = 0;
    contacts_edges_lost();
    if (wanted && !suspended) {
        suspend();
    }
}

void edges_read(uint16_t until) {
    while ((int16_t)(until - next) > 0) {
        const uint16_t left = until - next;
        const uint16_t behind = latch_edges() - next;
        /* Half of the ring is left to the interrupts while the rest is read. */
        if (behind > EDGE_RING - 8u) {
            overrun(behind - EDGE_RING / 2u);
        } else if (behind > CROWD && wanted && !suspended) {
            suspend();
        } else if (left > MANY && (suspended || !wanted) && contacts_complete()) {
            read_many(left - NEIGHBOURS);
        } else {
            read_one();
        }
    }
}

void edges_tend(void) {
    if (steps_number != 0 && (closed || now.tick - frame_first >= EDGES_CLOSE_TICKS)) {
        close_frame();
    }
    if (now.tick - window_began >= WINDOW_TICKS) {
        end_window();
    }
}

void edges_end(void) {
    wanted = false;
}

bool edges_stop(void) {
    return steps_number == 0 || send_frame();
}
