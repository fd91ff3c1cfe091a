"""The messages that a board sends of one motion: Position, Contact with its neighbouring encoder edges, Index, Press, and Edges."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from bench.journal import Kind, Record
from firmware_protocol.framing import Framer
from firmware_protocol.messages import (
    Capability,
    Contact,
    ContactFlag,
    DeviceMessage,
    Edges,
    Hello,
    Index,
    Position,
    Press,
    PressSource,
    Start,
)
from firmware_protocol.schema import FINGERPRINT
from tests.science.families_encoder import Encoder, EncoderEdges
from tests.science.families_motion import Track
from tests.science.families_points import PinEdges

TICK_HZ = 2_000_000
POSITION_HZ = 50
#: The board waits so long for the encoder edges after a contact edge.
WAIT_S = 0.05
#: Records of about so many frames.
_PIECE = 40
_MOST_IN_MESSAGE, _LONGEST_S = 100, 0.015


class Board:
    """Latches everything on one motion. `latch_s`: how much later than encoder edges it latches a contact edge."""

    def __init__(
        self, encoder: Encoder, track: Track, channels: Sequence[PinEdges], tick0: int, latch_s: float
    ) -> None:
        self._encoder = encoder
        self._track = track
        self._channels = [(c.time_s + latch_s, c.opened, c.first_open) for c in channels]
        self._tick0 = tick0
        self._sent: list[tuple[float, DeviceMessage]] = []

    def records(self, presses_s: Sequence[float], index_count: int, edges_until_s: float = 0.0) -> list[Record]:
        """The journal's records, greeting and Start included. Edges are sent up to a time; 0 for none."""
        self._contacts()
        self._positions()
        for at in presses_s:
            count = int(self._encoder.counts[np.searchsorted(self._track.time_s, at - 1e-6)])
            self._sent.append((at, Press(self._tick(at), count, PressSource.PEDAL, 1, 0)))
            self._sent.append((at + 0.1, Press(self._tick(at + 0.1), count, PressSource.PEDAL, 0, 0)))
        self._indexes(index_count)
        if edges_until_s:
            self._edges(self._encoder.edges(self._track.time_s[1:] <= edges_until_s))
        framer = Framer()
        self._sent.sort(key=lambda sent: sent[0])
        frames = [framer.encode(message, 1, n & 0xFFFF) for n, (_, message) in enumerate(self._sent)]
        greeting = b"\0" + framer.encode(self._hello(), 0, 0)
        start = framer.encode(Start(1, POSITION_HZ, 0, int(edges_until_s > 0)), 0, 1)
        found = [Record(Kind.FROM_BOARD, greeting, 0), Record(Kind.TO_BOARD, start, 0)]
        for i in range(0, len(frames), _PIECE):
            found.append(Record(Kind.FROM_BOARD, b"".join(frames[i : i + _PIECE]), 0))
        return found

    def _tick(self, at: float) -> int:
        return (self._tick0 + round(at * TICK_HZ)) & 0xFFFF_FFFF

    def _hello(self) -> Hello:
        able = Capability.EDGES | Capability.PEDAL | Capability.INDEX
        counts, channels = self._encoder.disc.counts_per_turn, len(self._channels)
        return Hello(1, FINGERPRINT, b"families", 1, 1, TICK_HZ, counts, 100_000, channels, 0, able, 1, 0, 1, 0, 0)

    def _contacts(self) -> None:
        times = np.concatenate([t for t, _, _ in self._channels])
        if not len(times):
            return
        near = self._encoder.edges(self._encoder.around(times))
        ticks = np.round(near.time_s * TICK_HZ).astype(np.int64)
        for channel, (latched, opened, _) in enumerate(self._channels):
            places = np.searchsorted(near.time_s, latched, side="right")
            for at, opens, place in zip(latched.tolist(), opened, places.tolist()):
                self._sent.append(self._contact(near, ticks, channel, at, opens, place))

    def _contact(
        self,
        near: EncoderEdges,
        ticks: np.ndarray[Any, np.dtype[np.int64]],
        channel: int,
        at: float,
        opens: bool,
        place: int,
    ) -> tuple[float, Contact]:
        tick = round(at * TICK_HZ)
        before = slice(max(0, place - 4), place)
        end = min(place + 4, int(np.searchsorted(near.time_s, at + WAIT_S)))
        ages = tuple(np.maximum(tick - ticks[before][::-1], 0).tolist())
        steps = tuple(near.step[before][::-1].tolist())
        delays = tuple(np.maximum(ticks[place:end] - tick, 0).tolist())
        after = tuple(near.step[place:end].tolist())
        boundary, step = int(near.boundary[place - 1]), int(near.step[place - 1])
        count = boundary if step > 0 else boundary - 1
        flags = 0 if delays else int(ContactFlag.NO_NEXT_EDGE)
        sent_at = float(near.time_s[end - 1]) if len(delays) == 4 else at + WAIT_S
        message = Contact(self._tick(at), count, channel, int(opens), flags, 0, 0, 0, ages, steps, delays, after)
        return max(sent_at, at), message

    def _positions(self) -> None:
        beats = self._track.beats
        times = self._track.time_s[beats]
        counts = self._encoder.counts[beats].tolist()
        # By ticks, as the board compares them.
        ticks = np.round(times * TICK_HZ)
        latched = np.stack(
            [np.searchsorted(np.round(t * TICK_HZ), ticks, side="right") for t, _, _ in self._channels], axis=1
        )
        first = np.array([o for _, _, o in self._channels], dtype=np.int64)
        levels = (((latched + first) & 1) << np.arange(len(first))).sum(axis=1).tolist()
        for at, count, level, numbers in zip(times.tolist(), counts, levels, latched.tolist()):
            self._sent.append((at + 1e-9, Position(self._tick(at), count, level, 0, 0, tuple(numbers))))

    def _indexes(self, index_count: int) -> None:
        turn = self._encoder.disc.counts_per_turn
        near = self._encoder.edges(self._encoder.entering(index_count))
        entered = np.where(near.step > 0, near.boundary, near.boundary - 1)
        for n in np.nonzero(entered % turn == index_count % turn)[0].tolist():
            at = float(near.time_s[n])
            self._sent.append((at, Index(self._tick(at), int(entered[n]), int(near.step[n]))))

    def _edges(self, edges: EncoderEdges) -> None:
        if not len(edges.time_s):
            return
        ticks = np.round(edges.time_s * TICK_HZ).astype(np.int64)
        count = int(edges.boundary[0] - (edges.step[0] > 0))
        down = np.where(edges.step < 0, 0x8000, 0)
        words = (np.diff(ticks, prepend=ticks[0]) & 0x7FFF) | down
        times, steps = edges.time_s.tolist(), edges.step.tolist()
        begin = 0
        for n in range(1, len(times) + 1):
            full = n == len(times) or n - begin == _MOST_IN_MESSAGE or times[n] - times[begin] > _LONGEST_S
            if not full:
                continue
            own = words[begin:n].tolist()
            own[0] &= 0x8000
            tick = (self._tick0 + int(ticks[begin])) & 0xFFFF_FFFF
            self._sent.append((times[n - 1] + 1e-6, Edges(tick, count, 0, tuple(own))))
            count += sum(steps[begin:n])
            begin = n
