/* The hardware of an ATmega328P at 16 MHz under the core. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "avr_hardware.h"
#include "hardware.h"

#define BAUD_500K 1u

volatile uint8_t latched_again;
volatile uint8_t latched_unchanged;
volatile uint8_t latched_illegal;
volatile uint8_t transmit_head;
volatile uint8_t transmit_tail;
volatile uint8_t receive_ring[RECEIVE_RING];
volatile uint8_t receive_head;
volatile uint8_t receive_tail;

/* --- latches ------------------------------------------------------------------------------------------------------- */

static uint8_t low_of_edges(void) {
    uint8_t value;
    __asm__ volatile("mov %0, r7" : "=r"(value));
    return value;
}

static uint8_t high_of_edges(void) {
    uint8_t value;
    __asm__ volatile("mov %0, r13" : "=r"(value));
    return value;
}

uint8_t latch_events(void) {
    uint8_t value;
    __asm__ volatile("mov %0, r12" : "=r"(value));
    return value;
}

uint16_t latch_edges(void) {
    uint8_t low;
    uint8_t high;
    do {
        high = high_of_edges();
        low = low_of_edges();
    } while (high != high_of_edges());
    return (uint16_t)(low | (uint16_t)high << 8);
}

/* Interrupts are held off for the reading only: a late one is an edge latched late. */
void latch_look(latch_t *now) {
    uint16_t tick;
    uint16_t count;
    uint8_t overflows;
    uint8_t low;
    uint8_t high;
    uint8_t events;
    uint8_t flags;
    ATOMIC_BLOCK(ATOMIC_FORCEON) {
        tick = TCNT1;
        flags = TIFR1;
        __asm__ volatile("movw %0, r4" : "=r"(count));
        __asm__ volatile("mov %0, r14" : "=r"(overflows));
        low = low_of_edges();
        high = high_of_edges();
        events = latch_events();
    }
    now->tick = tick;
    now->count = count;
    now->edges = (uint16_t)(low | (uint16_t)high << 8);
    now->events = events;
    /* An overflow that waits for its interrupt came before the tick was read, if that is small. */
    if ((flags & (1 << TOV1)) && tick < 0x8000u) {
        overflows++;
    }
    now->overflows = overflows;
}

static uint8_t take(volatile uint8_t *number) {
    uint8_t value;
    ATOMIC_BLOCK(ATOMIC_FORCEON) {
        value = *number;
        *number = 0;
    }
    return value;
}

void latch_take_noticed(noticed_t *noticed) {
    noticed->again = take(&latched_again);
    noticed->unchanged = take(&latched_unchanged);
    noticed->illegal = take(&latched_illegal);
}

uint8_t latch_pins(void) {
    return PINB;
}

/* --- line ---------------------------------------------------------------------------------------------------------- */

void transmit_go(void) {
    ATOMIC_BLOCK(ATOMIC_FORCEON) {
        if (transmit_head != transmit_tail) {
            UCSR0B |= 1 << UDRIE0;
        }
    }
}

void transmit_hold(void) {
    ATOMIC_BLOCK(ATOMIC_FORCEON) {
        UCSR0B &= (uint8_t)~(1 << UDRIE0);
    }
}

int16_t receive_byte(void) {
    const uint8_t tail = receive_tail;
    if (tail == receive_head) {
        return -1;
    }
    const uint8_t byte = receive_ring[tail];
    receive_tail = (uint8_t)(tail + 1u) % RECEIVE_RING;
    return byte;
}

uint8_t receive_waiting(void) {
    return (uint8_t)(receive_head - receive_tail) % RECEIVE_RING;
}

/* --- analogue ------------------------------------------------------------------------------------------------------ */

/* The reference settles for a conversion before it is read. */
static const uint8_t inputs[] = {0, 1, 2, 14, 14};
static uint16_t readings[LEVEL_CHANNELS + 2u];
static uint8_t converting;

static void convert(uint8_t input) {
    ADMUX = (uint8_t)(1 << REFS0 | inputs[input]);
    ADCSRA |= 1 << ADSC;
}

void analogue_tend(void) {
    if (!(ADCSRA & (1 << ADSC))) {
        readings[converting] = ADC;
        converting = (uint8_t)(converting + 1u) % sizeof inputs;
        convert(converting);
    }
}

uint16_t analogue(uint8_t channel) {
    return readings[channel == LEVEL_CHANNELS ? LEVEL_CHANNELS + 1u : channel];
}

/* --- memory that stays --------------------------------------------------------------------------------------------- */

uint8_t eeprom_read(uint16_t at) {
    return eeprom_read_byte((const uint8_t *)at);
}

void eeprom_write(uint16_t at, uint8_t value) {
    eeprom_update_byte((uint8_t *)at, value);
}

/* --- start --------------------------------------------------------------------------------------------------------- */

/* The count begins at the place of the encoder's state. A change between the reading and the interrupts is seen by the first
 * of them. */
static void begin_count(void) {
    const uint8_t state = (PIND >> 4) & 3u;
    const uint8_t place = state ^ (state >> 1);
    __asm__ volatile("mov r4, %0\n\tclr r5\n\tclr r7\n\tclr r12\n\tclr r13\n\tclr r14" ::"r"(place));
}

void hardware_begin(void) {
    /* Pull-ups on index PB0, pedal PB4, unused PB5, and A and B on PD4 and PD5, so that a wire that is off is quiet. None on the
     * contacts: against a probe's 21 kohm it would hold closed points above what reads as low (HARDWARE.md). */
    PORTB = 0x31;
    PORTD = 0x30;
    DIDR0 = 1 << ADC0D | 1 << ADC1D | 1 << ADC2D;

    UBRR0H = 0;
    UCSR0C = 1 << UCSZ01 | 1 << UCSZ00;
    UCSR0B = 1 << RXCIE0 | 1 << RXEN0 | 1 << TXEN0;
    UBRR0L = BAUD_500K;

    TCCR1A = 0;
    TCCR1B = 1 << ICES1 | 1 << CS11;
    TIMSK1 = 1 << ICIE1 | 1 << TOIE1;

    TCCR2A = 1 << WGM21;
    OCR2A = 249;
    TIMSK2 = 1 << OCIE2A;
    TCCR2B = 1 << CS22;

    ADCSRA = 1 << ADEN | 1 << ADPS2 | 1 << ADPS1 | 1 << ADPS0;
    convert(0);

    begin_count();
    PCMSK0 = BIT_CONTACTS | BIT_PEDAL;
    PCMSK2 = 1 << PCINT20 | 1 << PCINT21;
    PCICR = 1 << PCIE2 | 1 << PCIE0;
}
