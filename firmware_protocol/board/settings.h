/* What differs from board to board, kept in the EEPROM and checked. */
#ifndef SETTINGS_H
#define SETTINGS_H

#include <stdint.h>

/* Places in the EEPROM. */
#define EEPROM_SETTINGS 0u
#define EEPROM_BOOTS 32u

typedef struct {
    uint8_t board_id[8];
    uint32_t counts_per_turn;
    uint8_t simulated; /* 1 only where a simulator runs this firmware */
} settings_t;

extern settings_t settings;

/* Reads them: eight bytes of identity, counts per turn (four, lowest first), simulated, CRC-16 (high byte first) of all before
 * it. Where that does not fit, what the firmware was built with. */
void settings_begin(void);

#endif
