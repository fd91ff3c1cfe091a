"""Bytes from the board → frames → messages of a session."""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Iterable, Sequence
from random import Random

from bench.stream import OLD_FRAMES, BoardReset, FramesLost, SessionStream, StreamItem, TooManyBadFrames
from firmware_protocol.examples import GOOD
from firmware_protocol.framing import MOST_CONTENT, MOST_WIRE, BadFrame, Frame, Framer, FrameReader
from firmware_protocol.messages import DEVICE_MESSAGES, MESSAGES, Contact, Hello, Message, Start
from firmware_protocol.schema import FINGERPRINT
from tests.fuzz.mutations import Frames, resealed
from tests.fuzz.target import Target, cuts, hold
from tests.support import scripted
from tests.wire.reference import CobsError, cobs_decode

_FRAMER = Framer()
_EXAMPLES = [example.message for example in GOOD]
_PLAIN = 0xFFFF
_MIXED = crc_hqx(FINGERPRINT.to_bytes(4, "little"), _PLAIN)
_START = {m.TYPE: _PLAIN if m.FROZEN else _MIXED for m in MESSAGES}


def _sound(piece: bytes) -> bool:
    """PROTOCOL.md read a second time: is this a frame whose check is right? Fields are not looked at."""
    if len(piece) > MOST_WIRE:
        return False
    try:
        content = cobs_decode(piece)
    except CobsError:
        return False
    start = _START.get(content[0]) if len(content) >= 6 else None
    return start is not None and crc_hqx(content[:-2], start) == int.from_bytes(content[-2:], "big")


def _read(pieces: Iterable[bytes]) -> list[Frame | BadFrame]:
    reader = FrameReader()
    return [item for piece in pieces for item in reader.feed(piece)]


def _session(pieces: Iterable[bytes]) -> tuple[list[StreamItem], tuple[int, int, int]]:
    stream = SessionStream()
    hold(list(stream.received(b"\0" + _GREETING)) == [], "a message before any session")
    hold(stream.sent(_BEGIN), "a Start that begins no session")
    items = [item for piece in pieces for item in stream.received(piece)]
    return items, (stream.counts.frames, stream.counts.bad_frames, stream.counts.losses)


_GREETING = _FRAMER.encode(scripted.hello(scripted.turning(1)), 0, 0)
_BEGIN = _FRAMER.encode(Start(1, 50, 0, 1), 0, 1)


def check(data: bytes) -> None:
    """Every byte is accounted for, nothing unsound is read, any split gives the same."""
    ended = data + b"\0"
    found = _read([ended])
    pieces = [piece for piece in ended.split(b"\0") if piece]
    hold(len(found) == len(pieces), f"{len(found)} frames told of {len(pieces)} between delimiters")
    for item, piece in zip(found, pieces, strict=True):
        if isinstance(item, Frame):
            hold(item.wire == piece, "a frame's bytes are not those of the line")
            hold(_sound(piece), "a message was read from a frame whose check is wrong")
            again = _FRAMER.encode(item.message, item.session, item.sequence)
            hold(again == piece + b"\0", f"{item.message} is not what was on the line")
        else:
            hold(item.length == len(piece), f"{len(piece)} bytes rejected, {item.length} told")
            hold(len(item.wire) <= MOST_WIRE + 1, "a rejected frame is kept beyond a longest frame's length")
            hold(item.reason == "payload" or not _sound(piece), f"a sound frame was rejected: {item.text}")
    spent = sum(len(i.wire) if isinstance(i, Frame) else i.length for i in found) + ended.count(0)
    hold(spent == len(ended), f"{len(ended)} bytes came, {spent} are accounted for")
    parts = cuts(data)
    hold(_read([*parts, b"\0"]) == found, "another split of the stream gives other frames")
    items, counts = _session([data])
    hold(_session(parts) == (items, counts), "another split of the stream gives other messages")
    _in_order(items, counts)


def _in_order(items: Sequence[StreamItem], counts: tuple[int, int, int]) -> None:
    """Within a session no frame is missing untold, and none comes twice."""
    due = 0
    for item in items:
        if isinstance(item, FramesLost):
            hold(0 < item.frames < 0x10000 - OLD_FRAMES, f"{item.frames} frames lost, rather than one that came late")
            due = (due + item.frames) & 0xFFFF
        elif isinstance(item, Frame):
            hold(item.session == 1, "a message of another session")
            hold(item.sequence == due, f"frame {item.sequence} where {due} was due, and nothing told")
            due = (due + 1) & 0xFFFF
            hold(_paired(item.message), f"times without steps, or steps without times: {item.message}")
        elif isinstance(item, BoardReset):
            hold(isinstance(item.hello, Hello), "a reset without a Hello")
        else:
            hold(isinstance(item, TooManyBadFrames) and item.bad > 3, "a line called bad for three frames")
    hold(counts[2] == sum(isinstance(i, FramesLost) for i in items), "losses told and counted differ")
    hold(counts[0] >= sum(isinstance(i, Frame) for i in items), "more frames than were counted")


def _paired(message: Message) -> bool:
    return not isinstance(message, Contact) or (
        len(message.before_ages) == len(message.before_steps) and len(message.after_delays) == len(message.after_steps)
    )


def pool() -> list[bytes]:
    """A whole frame of each message of the board, of session 1 and of none, without delimiter."""
    made = []
    for n, message in enumerate(m for m in _EXAMPLES if isinstance(m, DEVICE_MESSAGES)):
        made += [_FRAMER.encode(message, session, n)[:-1] for session in (0, 1)]
    return made


def seeds() -> list[bytes]:
    """A short stretch of a session, the examples, rubbish around a frame, and the longest piece."""
    frames = scripted.wire(scripted.play(scripted.turning(1)))
    whole = [frame + b"\0" for frame in pool()]
    middle = len(frames) // 2
    uneven = Contact(1, 1, 0, 1, 0, 0, 0, 0, (1, 2), (1,), (), (1,))
    return [
        b"",
        b"".join(frames[:40]),
        b"".join(frames[:12] + frames[14:20] + frames[18:30]),
        b"".join(frames[middle : middle + 30]),
        b"".join(frames[:3] + frames[2:5]) + _FRAMER.encode(uneven, 1, 5) + frames[6],
        b"".join(whole),
        Random(1).randbytes(300) + whole[0],
        b"\1" * (MOST_WIRE + 3) + b"\0",
        # As long as a frame may be, and one more; nothing but its payload is wrong.
        *(resealed(b"\x17\1\0\0" + b"\1" * n) + b"\0" for n in (MOST_CONTENT - 6, MOST_CONTENT - 5)),
        b"boot loader 1.0\r\n\0" + _GREETING + frames[0] + _FRAMER.encode(_EXAMPLES[0], 9, 0),
    ]


TARGET = Target(
    "stream", "the board's bytes to frames and messages of a session", check, Frames(pool()), seeds, 6_000, 0.7
)
