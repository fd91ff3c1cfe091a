/* First of all, before C: why the board started, and the watchdog stopped, which after its own reset runs on at 16 ms. */
#include <avr/io.h>

    .section .init3, "ax", @progbits
    in r24, _SFR_IO_ADDR(MCUSR)
    sts reset_flags, r24
    out _SFR_IO_ADDR(MCUSR), r1
    wdr
    lds r24, WDTCSR
    ori r24, (1 << WDCE) | (1 << WDE)
    sts WDTCSR, r24
    sts WDTCSR, r1

    .section .noinit, "aw", @nobits
    .global reset_flags
reset_flags:
    .skip 1
