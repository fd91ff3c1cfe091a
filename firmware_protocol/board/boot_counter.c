#include "boot_counter.h"

#include "crc.h"
#include "hardware.h"
#include "settings.h"

#define SLOT 6u

static uint32_t counter;
static uint8_t why;

/* The counter in a slot, 0 if its CRC does not fit; `mixed` takes in what is there in any case. */
static uint32_t read_slot(uint8_t slot, uint16_t *mixed) {
    const uint16_t place = EEPROM_BOOTS + slot * SLOT;
    uint16_t crc = 0xFFFF;
    uint32_t value = 0;
    for (uint8_t n = 0; n < SLOT; n++) {
        const uint8_t byte = eeprom_read(place + n);
        crc = crc_next(crc, byte);
        *mixed = crc_next(*mixed, byte);
        if (n < 4) {
            value |= (uint32_t)byte << (8u * n);
        }
    }
    return crc == 0 ? value : 0;
}

static void write_slot(uint8_t slot, uint32_t value) {
    const uint16_t place = EEPROM_BOOTS + slot * SLOT;
    uint16_t crc = 0xFFFF;
    for (uint8_t n = 0; n < 4; n++) {
        const uint8_t byte = (uint8_t)(value >> (8u * n));
        eeprom_write(place + n, byte);
        crc = crc_next(crc, byte);
    }
    eeprom_write(place + 4u, (uint8_t)(crc >> 8));
    eeprom_write(place + 5u, (uint8_t)crc);
}

static bool blank(void) {
    for (uint8_t n = 0; n < 2 * SLOT; n++) {
        if (eeprom_read(EEPROM_BOOTS + n) != 0xFF) {
            return false;
        }
    }
    return true;
}

void boot_counter_begin(uint8_t cause) {
    uint16_t mixed = 0xFFFF;
    const uint32_t even = read_slot(0, &mixed);
    const uint32_t odd = read_slot(1, &mixed);
    const uint32_t last = even > odd ? even : odd;
    counter = last + 1u;
    if (last == 0 && !blank()) {
        /* Both are spoilt: a number that is unlikely to come again. */
        counter = 0x80000000ul | (uint32_t)mixed << 8;
    }
    /* The newer slot stays as it is until the other is whole. */
    write_slot(even > odd ? 1 : 0, counter);
    why = cause;
}

uint32_t boot_counter(void) {
    return counter;
}

uint8_t reset_cause(void) {
    return why;
}
