/* What avr_main.c needs of the hardware besides what the core needs. */
#ifndef AVR_HARDWARE_H
#define AVR_HARDWARE_H

#include <stdint.h>

/* Pins, line, timers and latches; interrupts stay off. */
void hardware_begin(void);
/* The next analogue conversion, when the last is done. */
void analogue_tend(void);
uint8_t receive_waiting(void);

#endif
