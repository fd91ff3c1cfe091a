#include "settings.h"

#include "crc.h"
#include "hardware.h"

#ifndef BOARD_ID
#define BOARD_ID "BBBOARD1"
#endif
#ifndef COUNTS_PER_TURN
#define COUNTS_PER_TURN 10000ul
#endif
#define SIZE 13u
#define MOST_COUNTS 10000000ul

settings_t settings;

void settings_begin(void) {
    static const char built[9] = BOARD_ID;
    uint8_t bytes[SIZE];
    uint16_t crc = 0xFFFF;
    for (uint8_t n = 0; n < SIZE; n++) {
        bytes[n] = eeprom_read(EEPROM_SETTINGS + n);
        crc = crc_next(crc, bytes[n]);
    }
    crc = crc_next(crc, eeprom_read(EEPROM_SETTINGS + SIZE));
    crc = crc_next(crc, eeprom_read(EEPROM_SETTINGS + SIZE + 1u));
    const uint32_t counts =
        bytes[8] | (uint32_t)bytes[9] << 8 | (uint32_t)bytes[10] << 16 | (uint32_t)bytes[11] << 24;
    const bool good = crc == 0 && counts >= 4 && counts <= MOST_COUNTS && bytes[12] <= 1;
    for (uint8_t n = 0; n < 8; n++) {
        settings.board_id[n] = good ? bytes[n] : (uint8_t)built[n];
    }
    settings.counts_per_turn = good ? counts : COUNTS_PER_TURN;
    settings.simulated = good ? bytes[12] : 0;
}
