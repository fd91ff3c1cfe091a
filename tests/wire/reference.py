"""COBS and CRC written a second time, plainly, so that the tests have another side to compare with."""

from __future__ import annotations


class CobsError(ValueError):
    """The bytes are no COBS encoding."""


def cobs_encode(data: bytes) -> bytes:
    """Cheshire & Baker 1999, section III: each group is a code byte and up to 254 bytes that are not zero."""
    out = bytearray()
    group = bytearray()
    ended_full = False
    for byte in data:
        ended_full = False
        if byte:
            group.append(byte)
            if len(group) == 254:
                out += b"\xff" + group
                group.clear()
                ended_full = True
        else:
            out += bytes((len(group) + 1,)) + group
            group.clear()
    if not ended_full:
        out += bytes((len(group) + 1,)) + group
    return bytes(out)


def cobs_decode(data: bytes) -> bytes:
    """The inverse of `cobs_encode`. Raises CobsError."""
    out = bytearray()
    at = 0
    while at < len(data):
        code = data[at]
        if code == 0:
            raise CobsError("zero where a code byte belongs")
        group = data[at + 1 : at + code]
        if len(group) != code - 1:
            raise CobsError("a code byte points past the end")
        if 0 in group:
            raise CobsError("zero inside a group")
        out += group
        at += code
        if code < 0xFF and at < len(data):
            out.append(0)
    return bytes(out)


def crc16(data: bytes, start: int) -> int:
    """Polynomial 0x1021, most significant bit first, bit by bit."""
    crc = start
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def crc32(data: bytes) -> int:
    """ISO-HDLC: reflected polynomial 0xEDB88320, start and final exclusive-or all ones, bit by bit."""
    crc = 0xFFFF_FFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xEDB8_8320 if crc & 1 else crc >> 1
    return crc ^ 0xFFFF_FFFF
