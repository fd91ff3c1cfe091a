"""Worked examples of frames, good and bad, for PROTOCOL.md and vectors.json."""

from __future__ import annotations

from dataclasses import dataclass

from cobs import cobs

from firmware_protocol.framing import Framer
from firmware_protocol.messages import (
    Contact,
    Edges,
    Hello,
    Identify,
    Index,
    Level,
    Message,
    Ping,
    Pong,
    Position,
    Press,
    PressRequest,
    Start,
    Stop,
    Trouble,
)
from firmware_protocol.schema import FINGERPRINT


@dataclass(frozen=True)
class GoodFrame:
    """A message, its place on the wire, and in words what it says."""

    message: Message
    session: int
    sequence: int
    text: str


@dataclass(frozen=True)
class RefusedFrame:
    """Wire bytes, without delimiter, that no receiver may accept, and the reason's word."""

    wire: bytes
    reason: str
    text: str


GOOD = (
    GoodFrame(Identify(1), 0, 0, "the host asks who is there"),
    GoodFrame(
        Hello(1, FINGERPRINT, b"demo0001", 7, 1, 2_000_000, 10_000, 100_000, 2, 2, 0x1F, 1, 0, 1, 0, 0),
        0,
        0,
        "a simulated board with two probes, just powered on for the seventh time",
    ),
    GoodFrame(Start(1, 100, 10, 1), 0, 1, "session 1, Position at 100 Hz, Level at 10 Hz, with Edges"),
    GoodFrame(Position(4_000_000, 2_503, 0b01, 0, 0, (3, 2)), 1, 0, "two seconds after tick 0; channel 0 is open"),
    GoodFrame(
        Edges(4_000_100, 2_503, 0, (20, 700, 690, 0x8000 | 900)),
        1,
        1,
        "three edges up, at ticks 4000120, 4000820 and 4001510, then one down at 4002410: count 2505 at the end",
    ),
    GoodFrame(
        Contact(4_004_000, 2_505, 0, 1, 0, 0, 0, 0, (350, 1_050, 1_760, 2_480), (1, 1, 1, 1), (340, 1_030), (1, 1)),
        1,
        2,
        "channel 0 opened 350 ticks after boundary 2505 was crossed upwards; two edges after it came within 50 ms",
    ),
    GoodFrame(
        Contact(4_010_000, 2_530, 1, 0, 3, 12, 9_000, 1, (200,), (1,), (), ()),
        1,
        3,
        "channel 1 closed, then 12 more edges within 9000 ticks were merged and left it open; no encoder edge came after",
    ),
    GoodFrame(Index(4_012_345, 2_560, 1), 1, 4, "the index went active while turning upwards"),
    GoodFrame(Press(4_100_000, 2_561, 0, 1, 0), 1, 5, "the pedal went down"),
    GoodFrame(PressRequest(9), 0, 2, "a key was pressed at the host"),
    GoodFrame(Press(4_200_000, 2_561, 1, 1, 9), 1, 6, "the answer to request 9"),
    GoodFrame(Level(4_200_000, (4, 4_998)), 1, 7, "channel 0 closed, channel 1 open"),
    GoodFrame(Trouble(4_300_000, 2, 255, 31, 5_000), 1, 8, "31 encoder edges nearer than rated, within 2.5 ms"),
    GoodFrame(Ping(515), 0, 3, "the host asks for a sign of life"),
    GoodFrame(Pong(4_400_000, 515), 1, 9, "and gets it"),
    GoodFrame(Stop(), 0, 4, "the host ends the session"),
    GoodFrame(Position(0xFFFF_FFFF, -1, 0, 3, 0xFFFF, (0xFFFF, 0)), 255, 0xFFFF, "every counter about to wrap"),
)


def refused() -> tuple[RefusedFrame, ...]:
    """Frames that must be refused, made from a good one so that only the named thing is wrong."""
    framer = Framer()
    good = framer.encode(Position(4_000_000, 2_503, 1, 0, 0, (3, 2)), 1, 0)[:-1]
    content = cobs.decode(good)
    flipped = bytearray(content)
    flipped[6] ^= 0x10
    other = Framer(FINGERPRINT ^ 1).encode(Ping(515), 0, 3)[:-1]
    plain = Framer()
    beyond = cobs.decode(plain.encode(Start(1, 100, 0, 1), 0, 1)[:-1])[:-2]
    beyond = beyond[:4] + b"\x00" + beyond[5:]
    longer = content[:-2] + b"\x00"
    return (
        RefusedFrame(cobs.encode(bytes(flipped)), "crc", "one bit flipped in the tick"),
        RefusedFrame(good[:-1], "cobs", "last byte lost: the last length byte points past the end"),
        RefusedFrame(cobs.encode(content[:3]), "length", "shorter than a header"),
        RefusedFrame(other, "crc", "made with another fingerprint"),
        RefusedFrame(cobs.encode(_with_crc(beyond)), "payload", "Start with session 0, which is out of range"),
        RefusedFrame(cobs.encode(_with_crc(longer)), "payload", "Position with one byte too many"),
        RefusedFrame(cobs.encode(_with_crc(b"\x7f" + content[1:-2])), "type", "no message has type 0x7f"),
        RefusedFrame(b"\x01" * 300, "length", "too long for a frame"),
    )


def _with_crc(content: bytes) -> bytes:
    from binascii import crc_hqx

    from firmware_protocol.framing import crc_start

    return content + crc_hqx(content, crc_start(FINGERPRINT)).to_bytes(2, "big")
