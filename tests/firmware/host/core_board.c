/* The firmware's core on this computer, spoken to as stream.h says: `core_board` takes the place of `run_board`.
 *
 * What the interrupts do on the chip is done here in C and in no time; the core is polled every millisecond of the stream's
 * clock of 16 MHz, and whenever the rings fill. So it shows what the core does, not how long it takes.
 */
#include <stdio.h>
#include <stdlib.h>

#include "board.h"
#include "breakerbench_protocol.h"
#include "hardware.h"
#include "stream.h"

#define CYCLES_PER_TICK 8u
#define POLL_CYCLES 16000u
#define BYTE_CYCLES 320u
#define BYTES_TO_WAKE 24u
#define EEPROM_BYTES 256u

volatile latched_edge_t edge_ring[EDGE_RING];
volatile latched_event_t event_ring[EVENT_RING];
volatile uint8_t transmit_ring[256];
volatile uint8_t transmit_head;
volatile uint8_t transmit_tail;

static uint64_t cycle;
static uint64_t next_poll;
static uint64_t line_free;
static uint64_t started_at;
static uint8_t levels[PINS];
static uint16_t readings[8];
static uint16_t supply = 5000;
static uint8_t eeprom[EEPROM_BYTES];
static bool running;

static uint16_t count;
static uint16_t edges;
static uint8_t events;
static noticed_t noticed;

static uint8_t received[65536];
static uint16_t received_from;
static uint16_t received_to;

static sent_t *sent;
static size_t sent_room;
static size_t sent_number;

static void die(const char *what) {
    fprintf(stderr, "core_board: %s\n", what);
    exit(2);
}

/* --- what the core needs ------------------------------------------------------------------------------------------- */

static uint64_t ticks(void) {
    return (cycle - started_at) / CYCLES_PER_TICK;
}

void latch_look(latch_t *now) {
    now->tick = (uint16_t)ticks();
    now->overflows = (uint8_t)(ticks() >> 16);
    now->count = count;
    now->edges = edges;
    now->events = events;
}

uint16_t latch_edges(void) {
    return edges;
}

uint8_t latch_events(void) {
    return events;
}

void latch_take_noticed(noticed_t *taken) {
    *taken = noticed;
    noticed = (noticed_t){0};
}

uint8_t latch_pins(void) {
    uint8_t pins = levels[PIN_PEDAL] ? BIT_PEDAL : 0;
    for (uint8_t n = 0; n < CHANNELS; n++) {
        pins |= levels[PIN_CONTACT_0 + n] ? (uint8_t)(BIT_CONTACT << n) : 0;
    }
    return pins;
}

void transmit_go(void) {
}

void transmit_hold(void) {
}

int16_t receive_byte(void) {
    return received_from == received_to ? -1 : received[received_from++];
}

uint16_t analogue(uint8_t channel) {
    const uint32_t millivolts = channel == LEVEL_CHANNELS ? 1100u : readings[channel];
    return (uint16_t)(millivolts * 1023u / supply);
}

uint8_t eeprom_read(uint16_t at) {
    return eeprom[at];
}

void eeprom_write(uint16_t at, uint8_t value) {
    eeprom[at] = value;
}

/* --- what the interrupts do ---------------------------------------------------------------------------------------- */

static uint8_t encoder_place(void) {
    const uint8_t a = levels[PIN_A];
    const uint8_t b = levels[PIN_B];
    return (uint8_t)(b << 1 | (a ^ b));
}

static void encoder_changed(void) {
    const uint8_t step = (uint8_t)(encoder_place() - count) & 3u;
    if (step == 0) {
        noticed.unchanged += noticed.unchanged != 255;
        return;
    }
    if (step == 2) {
        noticed.illegal += noticed.illegal != 255;
        const uint16_t before = edge_ring[(uint16_t)(edges - 2u) % EDGE_RING].count;
        count = (uint16_t)((int8_t)(count - before) < 0 ? count - 2u : count + 2u);
    } else {
        count = step == 1 ? count + 1u : count - 1u;
    }
    edge_ring[edges % EDGE_RING].tick = (uint16_t)ticks();
    edge_ring[edges % EDGE_RING].count = count;
    edges++;
}

static void event(uint8_t kind) {
    volatile latched_event_t *const e = &event_ring[events % EVENT_RING];
    e->tick = (uint16_t)ticks();
    e->count = count;
    e->pins = latch_pins();
    e->kind = kind;
    e->edges = edges;
    events++;
}

/* --- time ---------------------------------------------------------------------------------------------------------- */

static void transmit(void) {
    while (transmit_tail != transmit_head && line_free <= cycle) {
        if (sent_number == sent_room) {
            sent_room = sent_room != 0 ? 2 * sent_room : 4096;
            sent = realloc(sent, sent_room * sizeof *sent);
            if (sent == NULL) {
                die("no memory");
            }
        }
        line_free += BYTE_CYCLES;
        sent[sent_number].cycle = line_free;
        sent[sent_number++].byte = transmit_ring[transmit_tail++];
    }
    if (transmit_tail == transmit_head && line_free < cycle) {
        line_free = cycle;
    }
}

static void start(uint8_t cause) {
    started_at = cycle;
    count = encoder_place();
    edges = 0;
    events = 0;
    transmit_head = transmit_tail = 0;
    transmit_ring[255] = 0;
    line_free = cycle;
    received_from = received_to;
    board_begin(cause);
    next_poll = cycle + POLL_CYCLES;
    running = true;
}

static void poll(void) {
    board_poll();
    transmit();
}

static void pass_until(uint64_t until) {
    while (running && next_poll <= until) {
        /* The line empties between two polls. */
        while (line_free < next_poll && transmit_tail != transmit_head) {
            cycle = line_free > cycle ? line_free : cycle;
            transmit();
        }
        cycle = next_poll;
        poll();
        next_poll += POLL_CYCLES;
    }
    cycle = until > cycle ? until : cycle;
    transmit();
}

/* --- the stream ---------------------------------------------------------------------------------------------------- */

static void set_pin(uint8_t pin, uint8_t level) {
    if (levels[pin] == level) {
        return;
    }
    levels[pin] = level;
    if (!running) {
        return;
    }
    if (pin <= PIN_B) {
        encoder_changed();
    } else if (pin != PIN_INDEX) {
        event(EVENT_PINS);
    } else if (level) {
        event(EVENT_INDEX);
    }
    if (edges % 16u == 0 || events % 4u == 0) {
        poll();
    }
}

static void answer(void) {
    const uint32_t number = (uint32_t)sent_number;
    fwrite(&cycle, sizeof cycle, 1, stdout);
    fwrite(&number, sizeof number, 1, stdout);
    fwrite(sent, sizeof *sent, sent_number, stdout);
    fflush(stdout);
    sent_number = 0;
}

static void obey(const command_t *c) {
    switch (c->kind) {
    case TO_PIN:
        if (c->index >= PINS) {
            die("no such pin");
        }
        set_pin(c->index, c->value != 0);
        break;
    case TO_ANALOGUE:
        if (c->index >= 8) {
            die("no such analogue input");
        }
        readings[c->index] = c->value;
        break;
    case TO_BYTE:
        received[received_to++] = (uint8_t)c->value;
        if (running && (uint16_t)(received_to - received_from) >= BYTES_TO_WAKE) {
            poll();
        }
        break;
    case TO_SUPPLY:
        supply = c->value;
        break;
    case TO_RESET:
        start(BB_RESET_CAUSE_EXTERNAL);
        break;
    case TO_EEPROM:
        eeprom[c->value >> 8] = (uint8_t)c->value;
        break;
    case TO_RUN:
        if (!running) {
            start(BB_RESET_CAUSE_POWER_ON);
        }
        pass_until(c->cycle);
        answer();
        break;
    default:
        die("unknown kind of command");
    }
}

int main(void) {
    for (size_t n = 0; n < EEPROM_BYTES; n++) {
        eeprom[n] = 0xFF;
    }
    command_t c;
    while (fread(&c, sizeof c, 1, stdin) == 1) {
        if (c.kind != TO_RUN && running) {
            pass_until(c.cycle);
        }
        obey(&c);
    }
    free(sent);
    return 0;
}
