#include "receiver.h"

#include "board.h"
#include "breakerbench_protocol.h"
#include "config.h"
#include "crc.h"

#define HEADER 4u
#define AROUND 6u

static uint8_t content[RECEIVE_MOST];
static uint8_t length;
static uint8_t left; /* bytes to come before the next length byte; 0: that byte comes now */
static bool started;
static bool whole_piece;
static bool bad;

static void over(void) {
    length = 0;
    left = 0;
    started = false;
    bad = false;
}

void receiver_begin(void) {
    over();
}

static void keep(uint8_t byte) {
    if (length == RECEIVE_MOST) {
        bad = true;
    } else {
        content[length++] = byte;
    }
}

static uint16_t u16_at(uint8_t place) {
    return (uint16_t)(content[place] | content[place + 1u] << 8);
}

static uint16_t crc_from(uint16_t crc) {
    for (uint8_t n = 0; n < length; n++) {
        crc = crc_next(crc, content[n]);
    }
    return crc;
}

static void check(void) {
    if (length < AROUND) {
        return;
    }
    const uint8_t type = content[0];
    const uint8_t payload = length - AROUND;
    const bool frozen = type == BB_TYPE_IDENTIFY || type == BB_TYPE_HELLO;
    if (crc_from(frozen ? BB_CRC_START_FROZEN : BB_CRC_START) != 0) {
        return;
    }
    switch (type) {
    case BB_TYPE_IDENTIFY:
        if (payload == BB_IDENTIFY_FIXED_SIZE) {
            obey_identify();
        }
        break;
    case BB_TYPE_START: {
        const uint8_t session = content[HEADER];
        const uint8_t position_hz = content[HEADER + 1u];
        const uint8_t level_hz = content[HEADER + 2u];
        const uint8_t edges = content[HEADER + 3u];
        if (payload == BB_START_FIXED_SIZE && session != 0 && position_hz >= 50 && position_hz <= 100 && level_hz <= 20 &&
            edges <= 1) {
            obey_start(session, position_hz, level_hz, edges != 0);
        }
        break;
    }
    case BB_TYPE_STOP:
        if (payload == BB_STOP_FIXED_SIZE) {
            obey_stop();
        }
        break;
    case BB_TYPE_PING:
        if (payload == BB_PING_FIXED_SIZE) {
            obey_ping(u16_at(HEADER));
        }
        break;
    case BB_TYPE_PRESS_REQUEST:
        if (payload == BB_PRESS_REQUEST_FIXED_SIZE && u16_at(HEADER) != 0) {
            obey_press_request(u16_at(HEADER));
        }
        break;
    default:
        reject(type);
    }
}

void receiver_take(uint8_t byte) {
    if (byte == 0) {
        if (started && left == 0 && !bad) {
            check();
        }
        over();
    } else if (left == 0) {
        /* Between two pieces stands a zero byte, but after a whole one of 254. */
        if (started && !whole_piece) {
            keep(0);
        }
        started = true;
        whole_piece = byte == 0xFF;
        left = byte - 1u;
    } else {
        keep(byte);
        left--;
    }
}
