/* Registers that belong to the interrupts, in C and in assembly alike. The compiler is told to keep off r2 to r14.
 *
 * r2 saved status · r4 r5 count · r7 r13 number of the next edge · r8 r9, r10 r11 saved r24 r25, r26 r27 · r12 number of the next
 * event · r14 overflows of the 16-bit tick. r3 and r6 are free.
 *
 * Pins: A on PD4, B on PD5 (PCINT2); contacts on PB1, PB2, PB3 and the pedal on PB4 (PCINT0, the highest vector in use); index on
 * PB0 (ICP1, below the encoder's vector, so that the edge that comes with the index is counted first).
 */
#ifndef AVR_LATCH_H
#define AVR_LATCH_H

#define PAGE_EDGES 0x01
#define PAGE_TRANSMIT 0x02
#define PAGE_EVENTS 0x03

#endif
