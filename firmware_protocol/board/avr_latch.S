/* The interrupts that latch. Cycles are counted from the listing by tests/firmware/listing.py. */
#include <avr/io.h>

#include "avr_latch.h"

#define IO(name) _SFR_IO_ADDR(name)

    .section .text.latch, "ax", @progbits

    .macro save
    in r2, IO(SREG)
    movw r8, r24
    movw r10, r26
    .endm

    .macro restore
    movw r26, r10
    movw r24, r8
    out IO(SREG), r2
    reti
    .endm

/* Encoder: state, then tick, at once. The place in the cycle is A ^ B, B; the count modulo 4 is always the place, so that the
 * difference of the two is the step. */
    .global PCINT2_vect
PCINT2_vect:
    save
    in r24, IO(PIND)
    mov r26, r7
    lsl r26
    lsl r26
    ldi r27, PAGE_EDGES
    lds r25, TCNT1L
    st X+, r25
    lds r25, TCNT1H
    st X+, r25
    swap r24
    mov r25, r24
    lsr r25
    andi r25, 1
    eor r24, r25
    sub r24, r4
    andi r24, 3
    dec r24
    brne .Lnot_up
    movw r24, r4
    adiw r24, 1
.Lmoved:
    movw r4, r24
    st X+, r24
    st X+, r25
    inc r7
    breq .Lcarry
.Lcarried:
    sbic IO(PCIFR), PCIF2
    rjmp .Lagain
.Lleave:
    restore

.Lnot_up:
    cpi r24, 2
    brne .Lodd
    movw r24, r4
    sbiw r24, 1
    rjmp .Lmoved

.Lcarry:
    inc r13
    rjmp .Lcarried

/* An edge came before this one was told off: 255 stands for more. */
.Lagain:
    lds r24, latched_again
    inc r24
    breq .Lleave
    sts latched_again, r24
    rjmp .Lleave

.Lodd:
    tst r24
    brmi .Lunchanged
/* Two places on: by two, the way of the edge before. X stands at the count to be written; that before the edge before stands
 * eight bytes back. */
    lds r24, latched_illegal
    inc r24
    breq 1f
    sts latched_illegal, r24
1:  subi r26, 8
    ld r24, X
    subi r26, -8
    mov r25, r4
    sub r25, r24
    brmi .Ltwo_down
    movw r24, r4
    adiw r24, 2
    rjmp .Lmoved
.Ltwo_down:
    movw r24, r4
    sbiw r24, 2
    rjmp .Lmoved

.Lunchanged:
    lds r24, latched_unchanged
    inc r24
    breq .Lcarried
    sts latched_unchanged, r24
    rjmp .Lcarried

/* Contacts and pedal. */
    .macro latch_event kind
    save
    in r24, IO(PINB)
    mov r26, r12
    lsl r26
    lsl r26
    lsl r26
    andi r26, 0x7F
    ldi r27, PAGE_EVENTS
    lds r25, TCNT1L
    st X+, r25
    lds r25, TCNT1H
    st X+, r25
    st X+, r4
    st X+, r5
    st X+, r24
    ldi r24, \kind
    st X+, r24
    st X+, r7
    st X+, r13
    inc r12
    restore
    .endm

    .global PCINT0_vect
PCINT0_vect:
    latch_event 0

/* Index, rising. */
    .global TIMER1_CAPT_vect
TIMER1_CAPT_vect:
    latch_event 1

    .global TIMER1_OVF_vect
TIMER1_OVF_vect:
    in r2, IO(SREG)
    inc r14
    out IO(SREG), r2
    reti

/* A millisecond has passed: the core wakes. */
    .global TIMER2_COMPA_vect
TIMER2_COMPA_vect:
    sbi IO(GPIOR0), 0
    reti

/* The line. Both let other interrupts in as soon as they have masked themselves. */
    .macro line_enter bit
    push r24
    in r24, IO(SREG)
    push r24
    lds r24, UCSR0B
    andi r24, ~(1 << \bit)
    sts UCSR0B, r24
    sei
    push r25
    push r30
    push r31
    .endm

    .macro line_leave
    pop r31
    pop r30
    pop r25
    pop r24
    out IO(SREG), r24
    pop r24
    reti
    .endm

    .global USART_UDRE_vect
USART_UDRE_vect:
    line_enter UDRIE0
    lds r30, transmit_tail
    ldi r31, PAGE_TRANSMIT
    ld r24, Z
    sts UDR0, r24
    inc r30
    sts transmit_tail, r30
    lds r24, transmit_head
    cp r24, r30
    breq .Lall_sent
    cli
    lds r24, UCSR0B
    ori r24, 1 << UDRIE0
    sts UCSR0B, r24
.Lall_sent:
    line_leave

    .global USART_RX_vect
USART_RX_vect:
    line_enter RXCIE0
    lds r24, UDR0
    lds r30, receive_head
    mov r25, r30
    inc r25
    andi r25, 63
    lds r31, receive_tail
    cp r25, r31
    breq .Lno_room
    sts receive_head, r25
    ldi r31, 0
    subi r30, lo8(-(receive_ring))
    sbci r31, hi8(-(receive_ring))
    st Z, r24
.Lno_room:
    cli
    lds r24, UCSR0B
    ori r24, 1 << RXCIE0
    sts UCSR0B, r24
    line_leave
