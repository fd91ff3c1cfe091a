#include "frames.h"

#include "breakerbench_protocol.h"
#include "crc.h"
#include "hardware.h"

static uint8_t session;
static uint16_t sequence;
static uint8_t type_at;
static uint8_t head;

uint8_t frame_room(void) {
    return (uint8_t)(transmit_tail - transmit_head - 1u);
}

void frame_u8(uint8_t value) {
    transmit_ring[head++] = value;
}

void frame_u16(uint16_t value) {
    uint8_t to = head;
    transmit_ring[to++] = (uint8_t)value;
    transmit_ring[to++] = (uint8_t)(value >> 8);
    head = to;
}

void frame_u32(uint32_t value) {
    frame_u16((uint16_t)value);
    frame_u16((uint16_t)(value >> 16));
}

bool frame_begin(uint8_t type, uint8_t payload, uint8_t spare) {
    if ((uint16_t)frame_room() < (uint16_t)payload + FRAME_AROUND + spare) {
        return false;
    }
    /* One place for COBS' first length. */
    type_at = transmit_head + 1u;
    head = type_at;
    frame_u8(type);
    frame_u8(session);
    frame_u16(sequence++);
    return true;
}

/* In one pass: the CRC, and each zero byte replaced by the distance to the next. The hardware sees none of it before the head is moved. */
void frame_end(void) {
    uint8_t at = type_at;
    uint8_t zero_at = at - 1u;
    const uint8_t end = head;
    uint16_t crc = transmit_ring[at] == BB_TYPE_HELLO ? BB_CRC_START_FROZEN : BB_CRC_START;
    for (; at != end; at++) {
        const uint8_t byte = transmit_ring[at];
        crc = crc_next(crc, byte);
        if (byte == 0) {
            transmit_ring[zero_at] = at - zero_at;
            zero_at = at;
        }
    }
    const uint8_t sums[2] = {(uint8_t)(crc >> 8), (uint8_t)crc};
    for (uint8_t n = 0; n < 2; n++, at++) {
        transmit_ring[at] = sums[n];
        if (sums[n] == 0) {
            transmit_ring[zero_at] = at - zero_at;
            zero_at = at;
        }
    }
    transmit_ring[zero_at] = at - zero_at;
    transmit_ring[at++] = 0;
    transmit_head = at;
    transmit_go();
}

void frames_session(uint8_t number) {
    session = number;
    sequence = 0;
    transmit_hold();
    uint8_t from = transmit_tail;
    const uint8_t end = transmit_head;
    /* A frame that has begun to leave is finished: the byte sent last was no delimiter. */
    bool keep = transmit_ring[(uint8_t)(from - 1u)] != 0;
    uint8_t to = from;
    bool first = !keep;
    while (from != end) {
        if (first) {
            const uint8_t type = transmit_ring[(uint8_t)(from + 1u)];
            /* A lone zero byte goes with what comes after it. */
            keep = transmit_ring[from] == 0 || type == BB_TYPE_HELLO || type == BB_TYPE_PONG;
        }
        const uint8_t byte = transmit_ring[from++];
        if (keep) {
            transmit_ring[to++] = byte;
        }
        first = byte == 0;
    }
    transmit_head = to;
    transmit_go();
}
