"""Frames on the wire: COBS between zero bytes, a header, and a CRC-16 that knows the fingerprint.

Content of a frame before COBS: type u8, session u8, sequence u16, payload, CRC-16 high byte first.
The CRC (poly 0x1021, no reflection) starts at 0xFFFF for frozen messages; for all others it starts
at the CRC of the fingerprint's four little-endian bytes.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from cobs import cobs

from firmware_protocol.codec import PayloadError, decoder_of, encoder_of
from firmware_protocol.messages import MESSAGES, Message
from firmware_protocol.schema import FINGERPRINT

HEADER_SIZE = 4
CRC_SIZE = 2
MOST_CONTENT = 250
#: COBS adds one byte to content this short; the delimiter is not counted.
MOST_WIRE = MOST_CONTENT + 1

#: Start value of the frame CRC of frozen messages, whatever the fingerprint.
FROZEN_CRC_START = 0xFFFF

_HEADER = struct.Struct("<BBH")


class FrameError(ValueError):
    """A frame that must not be read. `reason` is one word for counting."""

    def __init__(self, reason: str, text: str) -> None:
        super().__init__(text)
        self.reason = reason


class Frame(NamedTuple):
    """A checked frame: who sent it in which session, its place in the sequence, and the message."""

    message: Message
    session: int
    sequence: int
    wire: bytes


@dataclass(frozen=True, slots=True)
class BadFrame:
    """Bytes between two delimiters that are no valid frame, and why."""

    reason: str
    text: str
    wire: bytes
    length: int


def crc_start(fingerprint: int) -> int:
    """Start value of the frame CRC for all but the frozen messages."""
    return crc_hqx(struct.pack("<I", fingerprint), FROZEN_CRC_START)


def _too_long(length: int) -> str:
    return f"{length} bytes without a delimiter, at most {MOST_WIRE}"


class Framer:
    """Encodes and checks frames for one fingerprint (by default that of these definitions)."""

    def __init__(self, fingerprint: int = FINGERPRINT) -> None:
        start = crc_start(fingerprint)
        self._by_type = {cls.TYPE: (FROZEN_CRC_START if cls.FROZEN else start, decoder_of(cls)) for cls in MESSAGES}
        self._encoders: dict[int, Callable[[Message], bytes]] = {}

    def encode(self, message: Message, session: int, sequence: int) -> bytes:
        """The frame's bytes for the wire, with the delimiter at the end."""
        kind = message.TYPE
        encode = self._encoders.get(kind)
        if encode is None:
            encode = self._encoders[kind] = encoder_of(type(message))
        content = _HEADER.pack(kind, session, sequence) + encode(message)
        crc = crc_hqx(content, self._by_type[kind][0])
        stuffed: bytes = cobs.encode(content + crc.to_bytes(2, "big"))
        return stuffed + b"\0"

    def decode(self, wire: bytes) -> Frame:
        """The frame in `wire` (one frame without its delimiter). Raises FrameError."""
        if len(wire) > MOST_WIRE:
            raise FrameError("length", _too_long(len(wire)))
        try:
            content = cobs.decode(wire)
        except cobs.DecodeError as error:
            raise FrameError("cobs", str(error)) from None
        if len(content) < HEADER_SIZE + CRC_SIZE:
            raise FrameError("length", f"{len(content)} bytes, at least {HEADER_SIZE + CRC_SIZE}")
        known = self._by_type.get(content[0])
        if known is None:
            raise FrameError("type", f"no message has type 0x{content[0]:02x}")
        start, decode = known
        # With the CRC sent high byte first, the CRC over everything including itself is zero.
        if crc_hqx(content, start):
            raise FrameError("crc", "the frame's CRC does not match")
        _, session, sequence = _HEADER.unpack_from(content)
        try:
            message = decode(content[HEADER_SIZE:-CRC_SIZE])
        except PayloadError as error:
            raise FrameError("payload", str(error)) from None
        return Frame(message, session, sequence, wire)


class FrameReader:
    """Cuts a byte stream into frames. Any split of the stream gives the same list, in order."""

    def __init__(self, framer: Framer | None = None) -> None:
        self._framer = framer or Framer()
        self._tail = b""
        self._tail_length = 0

    def feed(self, data: bytes) -> list[Frame | BadFrame]:
        """All frames that end within `data`, good and bad. Never raises."""
        pieces = data.split(b"\0")
        found: list[Frame | BadFrame] = []
        decode = self._framer.decode
        last = pieces.pop()
        for piece in pieces:
            length = len(piece)
            if self._tail_length:
                length += self._tail_length
                piece = self._tail + piece[: MOST_WIRE + 1 - len(self._tail)]
                self._tail, self._tail_length = b"", 0
            if not length:
                continue
            if length > MOST_WIRE:
                found.append(BadFrame("length", _too_long(length), piece[: MOST_WIRE + 1], length))
                continue
            try:
                found.append(decode(piece))
            except FrameError as error:
                found.append(BadFrame(error.reason, str(error), piece, length))
        if last:
            # Only what a longest frame needs is kept, however long the stream stays without delimiter.
            self._tail += last[: MOST_WIRE + 1 - len(self._tail)]
            self._tail_length += len(last)
        return found
