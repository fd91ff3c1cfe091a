/* Runs the board's firmware in simavr: `run_board FILE.elf`, spoken to as stream.h says.
 *
 * Where simavr 1.6 is not what the chip is, and what is done about it:
 * - it enters an interrupt in no time, the chip in 4 cycles, and in 4 more from sleep: both are added here;
 * - after `reti` and `sei` it runs two instructions before the next interrupt, the chip one: up to 2 cycles late, left so;
 * - a pin changes between two instructions, up to 3 cycles late, the chip's synchroniser takes 1 to 2 cycles: left so;
 * - it counts 11 bits for a byte on the line whatever the format: set right to 10 here;
 * - it has no transmit buffer behind the shift register, so that a byte follows another only when that has left: left so, at
 *   worst some cycles lost per byte;
 * - its receiver holds 64 bytes, the chip's 2 and the one arriving: what a chip would lose is lost here;
 * - writing a 1 to PCIFR or EIFR sets a flag instead of clearing it, and a write to TIFR1 clears all flags: the firmware
 *   writes to none of them.
 */
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#include "stream.h"

#define HERTZ 16000000u
#define BIT_CYCLES 32u
#define ENTRY_CYCLES 4u
#define WAKE_CYCLES 4u
#define RECEIVER_HOLDS 3u
#define MCUSR_ADDRESS 0x54u
#define EXTRF_BIT 0x02u

static const struct {
    char port;
    uint8_t bit;
} places[PINS] = {{'D', 4}, {'D', 5}, {'B', 0}, {'B', 1}, {'B', 2}, {'B', 3}, {'B', 4}};

static avr_t *avr;
static avr_uart_t *uart;
static avr_ioport_t *ports[128];
static avr_irq_t *received;
static uint8_t levels[PINS];
static uint16_t analogue[8];
static FILE *out;
static bool slept;
static bool restarted;
static void (*usual_reset)(struct avr_t *);

static command_t *commands;
static size_t commands_room;
static size_t commands_number;
static size_t commands_at;
static bool arrived;
static bool reset_wanted;

static sent_t *sent;
static size_t sent_room;
static size_t sent_number;

static void die(const char *what) {
    fprintf(stderr, "run_board: %s\n", what);
    exit(2);
}

static void *grown(void *old, size_t *room, size_t size) {
    *room = *room != 0 ? 2 * *room : 4096;
    void *const larger = realloc(old, *room * size);
    if (larger == NULL) {
        die("no memory");
    }
    return larger;
}

/* --- the chip's side ----------------------------------------------------------------------------------------------- */

static void on_sent(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    (void)param;
    if (sent_number == sent_room) {
        sent = grown(sent, &sent_room, sizeof *sent);
    }
    /* The byte has left when its last bit has. */
    sent[sent_number].cycle = avr->cycle + 10 * BIT_CYCLES;
    sent[sent_number++].byte = (uint8_t)value;
}

static void on_interrupt(struct avr_irq_t *irq, uint32_t running, void *param) {
    (void)irq;
    (void)param;
    if (running) {
        avr->cycle += ENTRY_CYCLES + (slept ? WAKE_CYCLES : 0);
        slept = false;
        /* So that no timer's moment is run past. */
        avr->run_cycle_count = 1;
    }
}

static void on_sleep(avr_t *chip, avr_cycle_count_t how_long) {
    (void)chip;
    (void)how_long;
    slept = true;
}

static void apply_pin(uint8_t pin, bool change) {
    avr_ioport_t *const port = ports[(uint8_t)places[pin].port];
    const uint8_t mask = (uint8_t)(1u << places[pin].bit);
    port->external.pull_mask |= mask;
    port->external.pull_value = (uint8_t)((port->external.pull_value & ~mask) | (levels[pin] ? mask : 0));
    if (change) {
        avr_raise_irq(port->io.irq + places[pin].bit, levels[pin]);
    } else {
        avr->data[port->r_pin] = (uint8_t)((avr->data[port->r_pin] & ~mask) | (levels[pin] ? mask : 0));
    }
}

static void apply_analogue(uint8_t input) {
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + input), analogue[input]);
}

/* After any reset the world outside is as it was. */
static void on_reset(struct avr_t *chip) {
    usual_reset(chip);
    restarted = true;
}

static void restore_outside(void) {
    for (uint8_t pin = 0; pin < PINS; pin++) {
        apply_pin(pin, false);
    }
}

/* --- the stream's side --------------------------------------------------------------------------------------------- */

static avr_cycle_count_t on_due(struct avr_t *chip, avr_cycle_count_t when, void *param);

static void schedule(void) {
    if (commands_at < commands_number) {
        const uint64_t due = commands[commands_at].cycle;
        avr_cycle_timer_register(avr, due > avr->cycle ? due - avr->cycle : 0, on_due, NULL);
    }
}

static void obey(const command_t *c) {
    switch (c->kind) {
    case TO_PIN:
        if (c->index >= PINS) {
            die("no such pin");
        }
        levels[c->index] = c->value != 0;
        apply_pin(c->index, true);
        break;
    case TO_ANALOGUE:
        if (c->index >= 8) {
            die("no such analogue input");
        }
        analogue[c->index] = c->value;
        apply_analogue(c->index);
        break;
    case TO_BYTE:
        if ((uart->input.write - uart->input.read + 64u) % 64u < RECEIVER_HOLDS) {
            avr_raise_irq(received, (uint8_t)c->value);
        }
        break;
    case TO_SUPPLY:
        avr->vcc = avr->avcc = c->value;
        break;
    case TO_RESET:
        /* Not here, from within a timer: a reset forgets all timers. */
        reset_wanted = true;
        break;
    case TO_EEPROM: {
        uint8_t byte = (uint8_t)c->value;
        avr_eeprom_desc_t what = {.ee = &byte, .offset = (uint16_t)(c->value >> 8), .size = 1};
        avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &what);
        break;
    }
    case TO_RUN:
        arrived = true;
        break;
    default:
        die("unknown kind of command");
    }
}

static avr_cycle_count_t on_due(struct avr_t *chip, avr_cycle_count_t when, void *param) {
    (void)when;
    (void)param;
    while (commands_at < commands_number && commands[commands_at].cycle <= chip->cycle && !arrived && !reset_wanted) {
        obey(&commands[commands_at++]);
    }
    /* Having arrived, a chip that sleeps must not sleep on to its next timer. */
    return arrived || reset_wanted || commands_at == commands_number ? chip->cycle + 1 : commands[commands_at].cycle;
}

static bool read_until_run(void) {
    commands_at = 0;
    commands_number = 0;
    command_t c;
    while (fread(&c, sizeof c, 1, stdin) == 1) {
        if (commands_number == commands_room) {
            commands = grown(commands, &commands_room, sizeof *commands);
        }
        commands[commands_number++] = c;
        if (c.kind == TO_RUN) {
            return true;
        }
    }
    return false;
}

static void answer(void) {
    const uint64_t cycle = avr->cycle;
    const uint32_t number = (uint32_t)sent_number;
    fwrite(&cycle, sizeof cycle, 1, out);
    fwrite(&number, sizeof number, 1, out);
    fwrite(sent, sizeof *sent, sent_number, out);
    fflush(out);
    sent_number = 0;
}

static void run(void) {
    arrived = false;
    schedule();
    while (!arrived) {
        const int state = avr_run(avr);
        if (uart->cycles_per_byte == 11 * BIT_CYCLES) {
            uart->cycles_per_byte = 10 * BIT_CYCLES;
        }
        if (reset_wanted) {
            reset_wanted = false;
            avr_reset(avr);
            avr->data[MCUSR_ADDRESS] = EXTRF_BIT;
        }
        if (restarted) {
            restarted = false;
            restore_outside();
            schedule();
        }
        if (state == cpu_Done || state == cpu_Crashed) {
            die("the firmware has crashed");
        }
    }
}

static void connect(void) {
    for (avr_io_t *io = avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "port") == 0) {
            ports[(uint8_t)((avr_ioport_t *)io)->name] = (avr_ioport_t *)io;
        } else if (strcmp(io->kind, "uart") == 0) {
            uart = (avr_uart_t *)io;
        }
    }
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    received = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, NULL);
    for (uint8_t vector = 1; vector < 26; vector++) {
        avr_irq_t *const irq = avr_get_interrupt_irq(avr, vector);
        if (irq != NULL) {
            avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, on_interrupt, NULL);
        }
    }
    avr->sleep = on_sleep;
    avr->run_cycle_limit = 1000;
    usual_reset = avr->reset;
    avr->reset = on_reset;
}

int main(int arguments, char **argument) {
    /* simavr prints to stdout, which is ours. */
    out = fdopen(dup(STDOUT_FILENO), "wb");
    if (out == NULL || dup2(STDERR_FILENO, STDOUT_FILENO) < 0) {
        die("no stdout");
    }
    elf_firmware_t firmware = {0};
    if (arguments != 2 || elf_read_firmware(argument[1], &firmware) != 0) {
        die("one ELF file was expected");
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (avr == NULL) {
        die("this simavr has no ATmega328P");
    }
    avr_init(avr);
    avr->log = LOG_ERROR;
    avr->frequency = HERTZ;
    avr->vcc = avr->avcc = 5000;
    avr_load_firmware(avr, &firmware);
    avr->frequency = HERTZ;
    connect();
    while (read_until_run()) {
        run();
        answer();
    }
    return 0;
}
