/* Number of starts so far, kept in two checked slots of the EEPROM: a supply that fails while one is written spoils only that. */
#ifndef BOOT_COUNTER_H
#define BOOT_COUNTER_H

#include <stdint.h>

/* Counts this start, whose cause is that of the wire's ResetCause. */
void boot_counter_begin(uint8_t cause);
uint32_t boot_counter(void);
uint8_t reset_cause(void);

#endif
