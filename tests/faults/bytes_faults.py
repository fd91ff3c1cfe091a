"""Faults of the line: bytes lost, flipped, doubled, put in, swapped; and the hole that the sequence number cannot show."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace

from firmware_protocol.framing import Frame, Framer, FrameReader
from tests.faults.fault import AtAnyTime, Fault
from tests.faults.row import BOTH, LINE, Row

TOLD = frozenset({LINE, "frames-lost", "time-lost", "contact-lost", "count-doubtful", "board-overrun", "link-silent"})
#: A line that is bad enough ends the run, and says so.
BAD_LINE = frozenset({"bad-line", "link-unreadable", "no-board", "link-silent"})


class OnLine(AtAnyTime):
    """Once: `damage` is given what comes in the piece and makes of it what it will."""

    def __init__(self, draw: random.Random, damage: Callable[[random.Random, bytes], bytes]) -> None:
        super().__init__(draw)
        self._damage = damage

    def line(self, data: bytes, now_s: float) -> bytes:
        """See Fault."""
        if len(data) < 8 or not self.due(now_s):
            return data
        return self._damage(self.draw, data)


def _lose(draw: random.Random, data: bytes, number: int) -> bytes:
    at = draw.randrange(max(len(data) - number, 1))
    return data[:at] + data[at + number :]


def _double(draw: random.Random, data: bytes) -> bytes:
    at, number = draw.randrange(len(data)), draw.randint(1, 300)
    return data[: at + number] + data[at : at + number] + data[at + number :]


def _insert(draw: random.Random, data: bytes) -> bytes:
    at = draw.randrange(len(data))
    return data[:at] + draw.randbytes(draw.randint(1, 60)) + data[at:]


def _text(draw: random.Random, data: bytes) -> bytes:
    at = draw.randrange(len(data))
    return data[:at] + b"\r\nets Jan  8 2013,rst cause:2, boot mode:(3,6)\r\nready\r\n" + data[at:]


def _swap(draw: random.Random, data: bytes) -> bytes:
    """Two neighbouring chunks change places, as a driver that mixes up its buffers would."""
    a, b, c = sorted(draw.sample(range(len(data) + 1), 3))
    return data[:a] + data[b:c] + data[a:b] + data[c:]


class Silence(AtAnyTime):
    """All bytes of so many seconds are lost."""

    def __init__(self, draw: random.Random, seconds: float) -> None:
        super().__init__(draw)
        self._seconds = seconds

    def line(self, data: bytes, now_s: float) -> bytes:
        """See Fault."""
        assert self.at_s is not None
        if self.at_s <= now_s < self.at_s + self._seconds:
            self.strike(now_s)
            return b""
        return data


class Flips(Fault):
    """Every bit of every byte may be flipped, independently."""

    def __init__(self, draw: random.Random, share: float) -> None:
        super().__init__(draw)
        self._share = share
        self._next = self._wait()

    def _wait(self) -> int:
        """Bits until the next flipped one (geometric)."""
        return int(math.log(1.0 - self.draw.random()) / math.log(1.0 - self._share))

    def line(self, data: bytes, now_s: float) -> bytes:
        """See Fault."""
        bits = 8 * len(data)
        if self._next >= bits:
            self._next -= bits
            return data
        changed = bytearray(data)
        while self._next < bits:
            changed[self._next // 8] ^= 1 << self._next % 8
            self._next += 1 + self._wait()
        self._next -= bits
        self.strike(now_s)
        return bytes(changed)


class BaudOff(Fault):
    """The receiver's clock is off so much that some bytes' late bits are sampled near or in their neighbours.

    In 8N1 the last data bit is sampled 8.5 bit times after the start bit's edge; off by the share e it is sampled 8.5·e of a bit late, and
    beyond half a bit in the next one (any UART's application note). Jitter of the start bit's detection (one sixteenth of a bit) and of
    the edges decides which bytes suffer: normal, with a standard deviation of 0.05 of a bit (assumption).
    """

    JITTER_BITS = 0.05

    def __init__(self, draw: random.Random, off: float) -> None:
        super().__init__(draw)
        self._off = off

    def line(self, data: bytes, now_s: float) -> bytes:
        """See Fault."""
        changed = bytearray(data)
        for n, byte in enumerate(data):
            late = self.draw.gauss(0.0, self.JITTER_BITS) + self.draw.random() / 16
            bits = [(byte >> k) & 1 for k in range(8)] + [1]
            read = 0
            for k in range(8):
                place = k + 1.5 + (k + 1.5) * self._off + late
                # Sampled in bit floor(place) of the frame; 0 is the start bit.
                read |= bits[min(int(place) - 1, 8)] << k
            if read != byte:
                changed[n] = read
        self.strike(now_s)
        return bytes(changed)


class Hole(AtAnyTime):
    """Frames of 0.6 s are lost, and those behind are numbered as if exactly `shown` were missing (their CRC is made anew)."""

    def __init__(self, draw: random.Random, shown: int) -> None:
        super().__init__(draw)
        self._shown = shown
        self._lost = 0
        self._reader = FrameReader()
        self._framer = Framer()

    def line(self, data: bytes, now_s: float) -> bytes:
        """See Fault."""
        assert self.at_s is not None
        out = []
        for item in self._reader.feed(data):
            if not isinstance(item, Frame) or not item.session or now_s < self.at_s:
                out.append(item.wire + b"\0")
            elif now_s < self.at_s + 0.6:
                self.strike(now_s)
                self._lost += 1
            else:
                sequence = (item.sequence - self._lost + self._shown) & 0xFFFF
                out.append(self._framer.encode(item.message, item.session, sequence))
        return b"".join(out)


def _once(damage: Callable[[random.Random, bytes], bytes]) -> Callable[[random.Random, int], Fault]:
    return lambda draw, _: OnLine(draw, damage)


def _flips(share: float) -> Callable[[random.Random, int], Fault]:
    return lambda draw, _: Flips(draw, share)


# Once a frame or a few are lost: whatever they told is measured again, and a lost report of trouble cannot be told from a harmless one.
ROWS = tuple(
    replace(row, peers=BOTH)
    for row in (
        Row("byte lost", "one byte, anywhere", _once(lambda d, b: _lose(d, b, 1)), 1.0, TOLD, tell_within_s=2.0),
        Row(
            "bytes lost in a burst",
            "2 to 400 bytes",
            _once(lambda d, b: _lose(d, b, d.randint(2, 400))),
            1.0,
            TOLD,
            tell_within_s=2.0,
        ),
        Row("bytes of 0.8 s lost", "all bytes of 0.8 s", lambda d, _: Silence(d, 0.8), 0.95, TOLD, tell_within_s=2.0),
        Row(
            "bytes of 1.2 s lost",
            "all bytes of 1.2 s: the board counts as silent",
            lambda d, _: Silence(d, 1.2),
            0.0,
            TOLD,
            BAD_LINE,
            tell_within_s=2.0,
        ),
        # 1.5 million bits: more than three flips, which end the run, come in 7 % (Poisson with a mean of 1.5).
        Row("bits flipped, 1e-6", "each bit with 1e-6", _flips(1e-6), 0.9, TOLD, BAD_LINE, tell_within_s=2.0),
        Row(
            "bits flipped, 1e-5",
            "each bit with 1e-5: some 20 frames in the job",
            _flips(1e-5),
            0.0,
            TOLD,
            BAD_LINE,
            tell_within_s=2.0,
        ),
        Row("bits flipped, 1e-4", "each bit with 1e-4", _flips(1e-4), 0.0, TOLD, BAD_LINE, tell_within_s=2.0),
        Row("bits flipped, 1e-3", "each bit with 1e-3", _flips(1e-3), 0.0, BAD_LINE, BAD_LINE, tell_within_s=2.0),
        Row("bits flipped, 1e-2", "each bit with 1e-2", _flips(1e-2), 0.0, BAD_LINE, BAD_LINE),
        Row("bytes doubled", "up to 300 bytes come twice", _once(_double), 0.9, TOLD, BAD_LINE, tell_within_s=2.0),
        Row("bytes put in", "up to 60 random bytes", _once(_insert), 1.0, TOLD, tell_within_s=2.0),
        Row(
            "chunks swapped",
            "two neighbouring chunks of a piece change places",
            _once(_swap),
            0.9,
            TOLD,
            BAD_LINE,
            tell_within_s=2.0,
        ),
        Row("boot text mid-run", "a boot loader's lines", _once(_text), 1.0, TOLD, tell_within_s=2.0),
        Row("baud 2.1 % off", "115,200 baud of a 16 MHz board", lambda d, _: BaudOff(d, 0.021), 1.0),
        Row(
            "baud 3.3 % off", "some bytes read wrongly", lambda d, _: BaudOff(d, 0.033), 0.0, TOLD | BAD_LINE, BAD_LINE
        ),
        Row(
            "baud 5 % off",
            "late bits sampled in their neighbours",
            lambda d, _: BaudOff(d, 0.05),
            0.0,
            BAD_LINE,
            BAD_LINE,
        ),
        Row(
            "hole of 256 frames",
            "the sequence shows exactly 256",
            lambda d, _: Hole(d, 256),
            1.0,
            TOLD,
            tell_within_s=2.0,
        ),
        Row(
            "hole of 65,536 frames",
            "the sequence goes on as if none was missing",
            lambda d, _: Hole(d, 65_536),
            1.0,
            frozenset({"time-lost"}),
            tell_within_s=2.0,
        ),
        # It looks like old frames come again, which is no line in order.
        Row(
            "hole of 65,400 frames",
            "the sequence goes back by 136",
            lambda d, _: Hole(d, 65_400),
            0.0,
            TOLD | BAD_LINE,
            BAD_LINE,
        ),
    )
)
