"""How fast bytes become typed messages: against the line, against `construct`, and against a plain loop over bytes."""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Callable, Iterator
from typing import Any

import construct  # type: ignore[import-untyped]
from cobs import cobs

from firmware_protocol.codec import decoder_of, message_fields
from firmware_protocol.fields import Array, Octets
from firmware_protocol.framing import Frame, FrameReader, crc_start
from firmware_protocol.messages import MESSAGES, Message
from firmware_protocol.schema import FINGERPRINT
from tests.performance import stream
from tests.performance.figures import Figure, best_of

CHUNK = 4096
START = crc_start(FINGERPRINT)


def measure() -> Iterator[Figure]:
    """Figures of decoding."""
    messages = stream.busy(20.0)
    data = stream.wire(messages)
    assert [f.message for f in FrameReader().feed(data) if isinstance(f, Frame)] == messages

    ours = best_of(5, lambda: _ours(data))
    rate = len(data) / ours
    line = f"a busy board sends {len(data) / 20 / 1000:.0f} kB/s, {len(messages) / 20:.0f} frames/s"
    yield Figure("decoding", rate / 1e6, "MB/s", note=line)
    yield Figure("decoding / line at 1 Mbaud", rate / stream.LINE_BYTES_PER_S, "times", least=100)

    structs = _construct_structs()
    _check_construct(structs, data, messages)
    yield Figure("decoding / construct", best_of(2, lambda: _by_construct(structs, data)) / ours, "times as fast")
    assert _by_bytes(data) == messages
    yield Figure("decoding / loop over bytes", best_of(2, lambda: _by_bytes(data)) / ours, "times as fast")


def _ours(data: bytes) -> int:
    reader = FrameReader()
    found = 0
    for at in range(0, len(data), CHUNK):
        found += len(reader.feed(data[at : at + CHUNK]))
    return found


# --- the same by construct ------------------------------------------------------------------------------------------

_CONSTRUCT = {
    "u8": construct.Int8ul,
    "i8": construct.Int8sl,
    "u16": construct.Int16ul,
    "u32": construct.Int32ul,
    "i32": construct.Int32sl,
}


def _construct_structs() -> dict[int, tuple[int, Any]]:
    """Per message type: start of the CRC, and the whole content as a Struct."""
    structs = {}
    for cls in MESSAGES:
        parts = [
            "type" / construct.Int8ul,
            "session" / construct.Int8ul,
            "sequence" / construct.Int16ul,
        ]
        for name, spec in message_fields(cls):
            if isinstance(spec, Octets):
                parts.append(name / construct.Bytes(spec.size))
            elif isinstance(spec, Array):
                parts.append(name / construct.PrefixedArray(construct.Int8ul, _CONSTRUCT[spec.kind.name]))
            else:
                parts.append(name / _CONSTRUCT[spec.kind.name])
        structs[cls.TYPE] = (0xFFFF if cls.FROZEN else START, construct.Struct(*parts))
    return structs


def _by_construct(structs: dict[int, tuple[int, Any]], data: bytes) -> list[Any]:
    parsed = []
    for piece in data.split(b"\0"):
        if piece:
            content = cobs.decode(piece)
            start, struct = structs[content[0]]
            if crc_hqx(content, start) == 0:
                parsed.append(struct.parse(content[:-2]))
    return parsed


def _check_construct(structs: dict[int, tuple[int, Any]], data: bytes, messages: list[Message]) -> None:
    parsed = _by_construct(structs, data)
    assert len(parsed) == len(messages)
    for theirs, message in zip(parsed[:500], messages, strict=False):
        for name, spec in message_fields(type(message)):
            value = getattr(message, name)
            assert (tuple(theirs[name]) if isinstance(spec, Array) else theirs[name]) == value


# --- the same byte by byte ------------------------------------------------------------------------------------------


def _crc_table() -> list[int]:
    table = []
    for byte in range(256):
        crc = byte << 8
        for _ in range(8):
            crc = crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1
        table.append(crc & 0xFFFF)
    return table


_TABLE = _crc_table()
_DECODERS: dict[int, tuple[int, Callable[[bytes], Message]]] = {
    cls.TYPE: (0xFFFF if cls.FROZEN else START, decoder_of(cls)) for cls in MESSAGES
}


def _by_bytes(data: bytes) -> list[Message]:
    """A decoder as one writes it for a small processor: one state machine step per byte."""
    found = []
    content = bytearray()
    left, code = 0, 0xFF
    for byte in data:
        if byte == 0:
            if len(content) >= 6 and left == 0:
                start, decode = _DECODERS[content[0]]
                crc = start
                for value in content:
                    crc = (crc << 8 & 0xFFFF) ^ _TABLE[crc >> 8 ^ value]
                if crc == 0:
                    found.append(decode(bytes(content[4:-2])))
            content.clear()
            left, code = 0, 0xFF
        elif left:
            content.append(byte)
            left -= 1
        else:
            if code != 0xFF:
                content.append(0)
            code = byte
            left = byte - 1
    return found
