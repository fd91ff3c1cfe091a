/* CRC-16/IBM-3740: polynomial 0x1021, most significant bit first. */
#ifndef CRC_H
#define CRC_H

#include <stdint.h>

#include "hardware.h"

/* CRC of each single byte, begun at 0. */
extern const uint16_t crc_table[256] IN_FLASH;

static inline uint16_t crc_next(uint16_t crc, uint8_t byte) {
    return (uint16_t)((uint16_t)(crc << 8) ^ FROM_FLASH16(&crc_table[(uint8_t)((uint8_t)(crc >> 8) ^ byte)]));
}

#endif
