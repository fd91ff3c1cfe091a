"""Changes to bytes: blind ones, and such as keep frames, records, and trees of tables whole."""

from __future__ import annotations

import json
import tomllib
import zlib
from binascii import crc_hqx
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

import tomlkit
from cobs import cobs

from bench.journal import MAGIC, Kind, encode_record
from firmware_protocol.framing import CRC_SIZE, crc_start
from firmware_protocol.messages import MESSAGES
from firmware_protocol.schema import FINGERPRINT

EXTREMES = (0, 1, 2, 0x7F, 0x80, 0xFE, 0xFF)
_FROZEN = frozenset(m.TYPE for m in MESSAGES if m.FROZEN)
_TYPES = [m.TYPE for m in MESSAGES]
#: What a key may be given instead of its figure or text.
HOSTILE: tuple[Any, ...] = (
    0,
    -1,
    1,
    2,
    3,
    4,
    255,
    2**31,
    2**63,
    10**30,
    0.0,
    -0.0,
    0.5,
    1e-300,
    1e308,
    float("nan"),
    float("inf"),
    True,
    False,
    "",
    "\x1b[2J",
    "\u202e\x00",
    "\ud800",
    "x" * 300,
    "neutral",
    "mark",
    "main",
    "main.target",
    "all",
    [],
    [[]],
    [0, 1],
    {},
    {"a": {}},
)
#: The same for a line of a file: what no tree of tables can hold, or no writer of TOML would write.
RAW = (
    "9" * 5000,
    "0x" + "f" * 1000,
    "-inf",
    "nan",
    "1e400",
    "1979-05-27T07:32:00Z",
    "[[[[1]]]]",
    "{a.b.c = 1}",
    '"\\u001b[2J"',
    '"\\u202e\\u0000"',
    '"' + "x" * 3000 + '"',
    "\x1b",
    "\xff",
)


def blind(data: bytes, draw: Random) -> bytes:
    """One to four changes that know nothing of what the bytes mean."""
    made = bytearray(data)
    for _ in range(draw.randint(1, 4)):
        at = draw.randrange(len(made) + 1)
        length = draw.choice((1, 1, 2, 4, draw.randint(1, 60)))
        way = draw.randrange(6)
        if way == 0 and at < len(made):
            made[at] ^= 1 << draw.randrange(8)
        elif way == 1 and at < len(made):
            made[at] = draw.choice(EXTREMES)
        elif way == 2:
            del made[at : at + length]
        elif way == 3:
            made[at:at] = draw.randbytes(length)
        elif way == 4:
            made[at:at] = made[at : at + length]
        else:
            place = draw.randrange(len(made) + 1)
            made[at : at + length] = made[place : place + length]
    return bytes(made)


def _at_random(items: list[Any], draw: Random, change: Callable[[Any], list[Any]], fresh: Callable[[], Any]) -> None:
    """Change a list in place: one item dropped, doubled, moved, changed, replaced, or a new one put in."""
    if not items:
        items.append(fresh())
        return
    at = draw.randrange(len(items))
    way = draw.randrange(8)
    if way == 0:
        del items[at : at + draw.choice((1, 1, 2, 20))]
    elif way == 1:
        items[at:at] = items[at : at + draw.choice((1, 1, 3, 10))]
    elif way == 2:
        items.insert(draw.randrange(len(items)), items.pop(at))
    elif way == 3:
        items.insert(at, fresh())
    else:
        items[at : at + 1] = change(items[at])


# --- frames ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Frames:
    """Changes to a stream of frames; new ones are taken from a pool of whole ones, without delimiter."""

    pool: Sequence[bytes]

    def __call__(self, data: bytes, draw: Random) -> bytes:
        """One to three changes, each to a frame, whose check is most times right again."""
        if draw.random() < 0.1:
            return blind(data, draw)
        pieces: list[bytes] = data.split(b"\0")
        for _ in range(draw.randint(1, 3)):
            _at_random(pieces, draw, lambda piece: [self._changed(piece, draw)], lambda: draw.choice(self.pool))
        return b"\0".join(pieces)

    def _changed(self, piece: bytes, draw: Random) -> bytes:
        if draw.random() < 0.15:
            return blind(piece, draw)
        try:
            content = cobs.decode(piece)
        except cobs.DecodeError:
            return draw.choice(self.pool)
        return resealed(_other_content(content, draw))


def _other_content(content: bytes, draw: Random) -> bytes:
    """A frame's content before the CRC, with a field or a few bytes changed; the old CRC is left off."""
    body = bytearray(content[:-CRC_SIZE])
    way = draw.randrange(6)
    if len(body) < 4:
        return bytes(body) + draw.randbytes(4)
    if way == 0:
        body[0] = draw.choice(_TYPES)
    elif way == 1:
        body[1] = draw.choice((0, 1, 2, 255))
    elif way == 2:
        body[2:4] = draw.choice((b"\0\0", b"\xff\xff", draw.randbytes(2), bytes(((body[2] + 1) & 255, body[3]))))
    elif way == 3 and len(body) > 4:
        at = draw.randrange(4, len(body))
        width = draw.choice((1, 2, 4))
        value = draw.choice((b"\0" * width, b"\xff" * width, b"\xff" * (width - 1) + b"\x7f", draw.randbytes(width)))
        body[at : at + width] = value[: len(body) - at]
    elif way == 4:
        body[4:] = blind(bytes(body[4:]), draw)
    else:
        # A little more or less: neighbouring ticks, counts, lengths.
        at = draw.randrange(len(body))
        body[at] = (body[at] + draw.choice((1, -1, 2, -2, 16, -16))) & 0xFF
    return bytes(body)


def resealed(body: bytes) -> bytes:
    """A frame without its delimiter, whatever is in it, with the CRC that belongs to it."""
    start = 0xFFFF if body[:1] and body[0] in _FROZEN else crc_start(FINGERPRINT)
    sealed: bytes = cobs.encode(body + crc_hqx(body, start).to_bytes(2, "big"))
    return sealed


# --- trees of tables -----------------------------------------------------------------------------------------------------


def other_tree(tree: Any, draw: Random) -> Any:
    """Tables and lists with something in them changed, dropped, doubled or moved to another place."""
    places = list(_places(tree))
    if not places:
        return tree
    for _ in range(draw.randint(1, 2)):
        holder, key = draw.choice(places)
        _, other = draw.choice(places)
        try:
            value = holder[key]
            way = draw.randrange(8)
            if way == 0:
                del holder[key]
            elif way == 1 and isinstance(holder, list):
                holder.insert(key, value)
            elif way == 1:
                holder[draw.choice((f"{key}s", f"{key}\x1b[2J", "\u202e", "", "x" * 2000, "name", "folder"))] = value
            elif way == 2 and isinstance(holder, dict):
                holder[other] = holder.pop(key)
            elif way == 3 and isinstance(value, (int, float)) and not isinstance(value, bool):
                holder[key] = draw.choice((value * 2, -value, value + 1, value - 1, value / 3, int(value)))
            elif way == 4 and isinstance(value, str) and value:
                holder[key] = draw.choice((value * 2, value[:-1], value.upper(), value + "\n"))
            elif way == 5:
                source, from_key = draw.choice(places)
                copied = json.loads(json.dumps(source[from_key], default=str))
                holder[key] = copied
            else:
                holder[key] = json.loads(json.dumps(draw.choice(HOSTILE)))
        except (KeyError, IndexError, ValueError, OverflowError, TypeError):
            continue
    return tree


def _places(tree: Any) -> Any:
    keyed = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in keyed:
        yield tree, key
        yield from _places(value)


def toml(data: bytes, draw: Random) -> bytes:
    """A TOML file with another tree in it, or with lines changed."""
    way = draw.random()
    if way < 0.65:
        try:
            return tomlkit.dumps(other_tree(tomllib.loads(data.decode("utf-8")), draw)).encode("utf-8")
        except (ValueError, RecursionError, TypeError, AttributeError):
            return blind(data, draw)
    if way < 0.9:
        lines = data.split(b"\n")
        _at_random(lines, draw, lambda line: [_other_line(line, draw)], lambda: b"[[breaker]]")
        return b"\n".join(lines)
    return blind(data, draw)


def _other_line(line: bytes, draw: Random) -> bytes:
    key, equals, _ = line.partition(b"=")
    if not equals or draw.random() < 0.4:
        return blind(line, draw)
    return key + b"= " + draw.choice(RAW).encode("latin-1")


def json_text(data: bytes, draw: Random) -> bytes:
    """A JSON document with another tree in it, or blindly changed."""
    try:
        return json.dumps(other_tree(json.loads(data), draw)).encode("utf-8")
    except (ValueError, RecursionError):
        return blind(data, draw)


# --- journals ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Journals:
    """Changes to a journal's records; their lengths and checks are most times right again."""

    frames: Frames
    entries: Sequence[bytes]

    def __call__(self, data: bytes, draw: Random) -> bytes:
        """One change among the records, or a blind one."""
        if draw.random() < 0.08:
            return blind(data, draw)
        records = split_records(data)
        if records and draw.random() < 0.08:
            # The first record is the header: without it nothing is read, so it is changed by itself only.
            records[0] = (records[0][0], json_text(records[0][1], draw))
        else:
            rest = records[1:]
            _at_random(
                rest,
                draw,
                lambda record: self._changed(record, draw),
                lambda: (int(Kind.ENTRY), draw.choice(self.entries)),
            )
            records[1:] = rest
        return MAGIC + b"".join(sealed_record(kind, payload) for kind, payload in records)

    def _changed(self, record: tuple[int, bytes], draw: Random) -> list[tuple[int, bytes]]:
        kind, payload = record
        way = draw.random()
        if way < 0.06:
            return [(draw.choice((0, 1, 2, 3, 4, 255)), payload)]
        if way < 0.1:
            return [(kind, blind(payload, draw))]
        if way < 0.2 and payload:
            at = draw.randrange(len(payload))
            return [(kind, payload[:at]), (kind, payload[at:])]
        if kind in (Kind.FROM_BOARD, Kind.TO_BOARD):
            return [(kind, self.frames(payload, draw))]
        return [(kind, json_text(payload, draw))]


def split_records(data: bytes) -> list[tuple[int, bytes]]:
    """Kind and payload of each record, as far as lengths go; checks are not looked at."""
    found, at = [], len(MAGIC)
    while at + 9 <= len(data):
        length = int.from_bytes(data[at : at + 4], "little")
        if at + 9 + length > len(data):
            break
        found.append((data[at + 4], data[at + 5 : at + 5 + length]))
        at += 9 + length
    return found


def sealed_record(kind: int, payload: bytes) -> bytes:
    """A record of any kind, known or not, with its length and check."""
    if kind in Kind.__members__.values():
        return encode_record(Kind(kind), payload)
    body = bytes((kind,)) + payload
    return len(payload).to_bytes(4, "little") + body + zlib.crc32(body).to_bytes(4, "little")
