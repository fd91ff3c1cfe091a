"""The board's encoder interrupt: from edges on the wires to what the board latches and counts.

Times are ticks of the board's timer since the clock began. An edge is latched 1 to 5 µs after it came. While a handler runs
(`service_us`), a further edge only sets a flag; the handler then runs again and sees the encoder's state as it is by then, not
what it missed: two edges look like an illegal transition, three like one backwards, four like none.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from firmware_protocol.messages import TroubleCode
from firmware_protocol.quadrature import step_between_places
from sim.encoder import Crossings

_Ints = NDArray[np.int64]
LATENCY_S = (1e-6, 5e-6)


def _none() -> _Ints:
    return np.empty(0, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Latched:
    """Encoder edges as the board sees them: tick, step, count after. Step 0 is an illegal transition (the count moved by 2)."""

    tick: _Ints = field(default_factory=_none)
    step: _Ints = field(default_factory=_none)
    count: _Ints = field(default_factory=_none)

    def __len__(self) -> int:
        return len(self.tick)

    def part(self, begin: int, end: int) -> Latched:
        """Edges `begin` to before `end`."""
        return Latched(self.tick[begin:end], self.step[begin:end], self.count[begin:end])

    def then(self, more: Latched) -> Latched:
        """These edges, then those."""
        if not len(self):
            return more
        if not len(more):
            return self
        return Latched(
            np.concatenate((self.tick, more.tick)),
            np.concatenate((self.step, more.step)),
            np.concatenate((self.count, more.count)),
        )


@dataclass(frozen=True, slots=True)
class IndexSeen:
    """The index went active: tick, count, step of the latest edge."""

    tick: int
    count: int
    step: int


@dataclass(frozen=True, slots=True)
class Noted:
    """Something for a Trouble message."""

    tick: int
    code: TroubleCode
    amount: int
    channel: int = 255


class EncoderInterrupt:
    """Latches crossings and keeps the count."""

    def __init__(
        self,
        tick_hz: int,
        rated_edge_hz: int,
        service_us: float,
        counts_per_turn: int,
        disc_count: int,
        rng: np.random.Generator,
    ) -> None:
        self._hz = tick_hz
        self._rated_s = 1.0 / rated_edge_hz
        self._service_s = service_us * 1e-6
        self._near_s = max(self._rated_s, self._service_s)
        self._turn = counts_per_turn
        self._rng = rng
        self._to_lose = 0
        self._disc_count = disc_count
        self.reset()

    def reset(self) -> None:
        """The board starts: the count is the place of the encoder's state."""
        self.count = self._disc_count % 4
        self._offset = self.count - self._disc_count
        self._last_s = -1.0
        self._busy_s = -1.0
        self._last_tick = -1
        self._last_step = 0
        self._index_count: int | None = None

    def lose(self, counts: int) -> None:
        """The next so many edges, four at a time and one way, will never be seen (a fault)."""
        self._to_lose += counts

    def run(self, crossings: Crossings) -> tuple[Latched, list[IndexSeen], list[Noted]]:
        """What the board makes of the next edges."""
        if self._to_lose:
            crossings = self._lost(crossings)
        if not len(crossings.time_s):
            return Latched(), [], []
        self._disc_count = int(crossings.count[-1])
        gaps = np.empty_like(crossings.time_s)
        gaps[0] = crossings.time_s[0] - self._last_s
        np.subtract(crossings.time_s[1:], crossings.time_s[:-1], out=gaps[1:])
        near = gaps < self._near_s
        self._last_s = float(crossings.time_s[-1])
        if near.any():
            latched, indexes, noted = self._crowded(crossings, gaps)
        else:
            latched, indexes, noted = self._calm(crossings)
        self.count = int(latched.count[-1]) if len(latched) else self.count
        return latched, indexes, self._checked(indexes, noted)

    def _lost(self, crossings: Crossings) -> Crossings:
        number = min(len(crossings.step), self._to_lose) // 4 * 4
        if not number or abs(int(crossings.step[:number].sum())) != number:
            return crossings
        self._to_lose -= number
        self._offset -= int(crossings.step[:number].sum())
        rest = slice(number, None)
        self._disc_count = int(crossings.count[number - 1])
        return Crossings(crossings.time_s[rest], crossings.step[rest], crossings.count[rest], crossings.index[rest])

    def _calm(self, crossings: Crossings) -> tuple[Latched, list[IndexSeen], list[Noted]]:
        latency = self._rng.uniform(LATENCY_S[0], LATENCY_S[1], len(crossings.time_s))
        tick = ((crossings.time_s + latency) * self._hz).astype(np.int64)
        tick = np.maximum.accumulate(np.maximum(tick, self._last_tick))
        self._last_tick = int(tick[-1])
        self._last_step = int(crossings.step[-1])
        count = crossings.count + self._offset
        indexes = [
            IndexSeen(int(tick[k]), int(count[k]), int(crossings.step[k]))
            for k in np.nonzero(crossings.index)[0].tolist()
        ]
        return Latched(tick, crossings.step, count), indexes, []

    def _crowded(self, crossings: Crossings, gaps: NDArray[np.float64]) -> tuple[Latched, list[IndexSeen], list[Noted]]:
        times, counts = crossings.time_s.tolist(), crossings.count.tolist()
        at_index = crossings.index.tolist()
        latency = self._rng.uniform(LATENCY_S[0], LATENCY_S[1], len(times)).tolist()
        noted = [
            Noted(int(times[k] * self._hz), TroubleCode.EDGES_TOO_NEAR, 1)
            for k in np.nonzero(gaps < self._rated_s)[0].tolist()
        ]
        ticks: list[int] = []
        steps: list[int] = []
        after: list[int] = []
        indexes: list[IndexSeen] = []
        count = self.count
        k, n = 0, len(times)
        while k < n:
            start = max(times[k], self._busy_s)
            tick = max(int((start + latency[k]) * self._hz), self._last_tick)
            self._last_tick = tick
            if start > times[k]:
                noted.append(Noted(tick, TroubleCode.FLAG_SET_AGAIN, 1))
            indexed = False
            while k < n and times[k] <= start:
                indexed = indexed or at_index[k]
                k += 1
            self._busy_s = start + self._service_s
            seen = counts[k - 1]
            step = step_between_places(count % 4, (seen + self._offset) % 4)
            if step is None:
                count += 2 if self._last_step >= 0 else -2
                noted.append(Noted(tick, TroubleCode.ILLEGAL_TRANSITION, 1))
            elif step:
                self._last_step = step
                count += step
            self._offset = count - seen
            if step != 0:
                ticks.append(tick)
                steps.append(step or 0)
                after.append(count)
            if indexed:
                indexes.append(IndexSeen(tick, count, self._last_step))
        self.count = count
        made = Latched(
            np.array(ticks, dtype=np.int64), np.array(steps, dtype=np.int64), np.array(after, dtype=np.int64)
        )
        return made, indexes, noted

    def _checked(self, indexes: list[IndexSeen], noted: list[Noted]) -> list[Noted]:
        for seen in indexes:
            if self._index_count is not None:
                apart = abs(seen.count - self._index_count)
                if min(apart, abs(apart - self._turn)) > 1:
                    noted.append(Noted(seen.tick, TroubleCode.INDEX_OFF, apart))
            self._index_count = seen.count
        return noted
