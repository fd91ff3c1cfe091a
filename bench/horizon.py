"""Up to which tick everything that the probes did is known.

A Contact is sent up to 50 ms after its edge, and may be lost. Each Position carries, per channel, the number of
edges latched up to its tick. As soon as as many Contacts have come, everything up to that tick is confirmed.
A Position that stays unmatched while later ones come tells that a Contact was lost.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

#: A Contact must be in the line 50 ms after its edge; twice that without it is a loss. Ticks are scaled by tick_hz.
LOST_AFTER_S = 0.1


@dataclass(frozen=True, slots=True)
class Confirmed:
    """Everything up to `tick` is known; position and probe levels at that moment. `fresh` marks the first after a loss."""

    tick: int
    count: int
    levels: int
    fresh: bool


@dataclass(frozen=True, slots=True)
class _Waiting:
    tick: int
    count: int
    levels: int
    edges: tuple[int, ...]


class Horizon:
    """Matches Positions with Contacts. `contact_lost` is set when a Contact is found missing; the caller clears it."""

    def __init__(self, watched: Sequence[int], tick_hz: int) -> None:
        """`watched` are the channels that matter; a probe on another one may chatter as it likes."""
        channels = len(watched)
        self._watched = tuple(watched)
        self._patience = int(LOST_AFTER_S * tick_hz)
        self._waiting: deque[_Waiting] = deque()
        self._received = [0] * channels
        self._recent: list[deque[tuple[int, int, int]]] = [deque() for _ in range(channels)]
        self._base: list[int] | None = [0] * channels
        self.contact_lost = False

    def restart(self) -> None:
        """Messages were lost: count anew from the first Position that is safely complete."""
        self._base = None
        self._waiting.clear()

    def contact(self, channel: int, first_tick: int, last_tick: int, edges: int) -> None:
        """A Contact came that stands for `edges` edges between two ticks."""
        if channel in self._watched:
            place = self._watched.index(channel)
            self._received[place] += edges
            self._recent[place].append((first_tick, last_tick, edges))

    def position(self, tick: int, count: int, levels: int, edges: tuple[int, ...]) -> list[Confirmed]:
        """A Position came: what is newly confirmed, in order."""
        self._waiting.append(_Waiting(tick, count, levels, tuple(edges[c] for c in self._watched)))
        for recent in self._recent:
            while recent and recent[0][1] < tick - 4 * self._patience:
                recent.popleft()
        confirmed: list[Confirmed] = []
        if self._base is None:
            first = self._waiting[0]
            if tick - first.tick <= self._patience:
                return []
            received = self._received_by(first.tick)
            if received is None:
                self._waiting.popleft()
                return []
            self._base = [(e - r) & 0xFFFF for e, r in zip(first.edges, received, strict=True)]
            self._waiting.popleft()
            confirmed.append(Confirmed(first.tick, first.count, first.levels, True))
        while self._waiting:
            head = self._waiting[0]
            received = self._received_by(head.tick)
            if received is None:
                # Its tick lies within a merged storm: no figure to compare with; the next Position will do.
                self._waiting.popleft()
                continue
            if all((r + b - e) & 0xFFFF == 0 for r, b, e in zip(received, self._base, head.edges, strict=True)):
                self._waiting.popleft()
                confirmed.append(Confirmed(head.tick, head.count, head.levels, False))
                continue
            if tick - head.tick > self._patience:
                self.contact_lost = True
                self.restart()
            break
        return confirmed

    def _received_by(self, tick: int) -> list[int] | None:
        counts = []
        for total, recent in zip(self._received, self._recent, strict=True):
            later = 0
            for first, last, edges in recent:
                if first > tick:
                    later += edges
                elif last > tick:
                    return None
            counts.append(total - later)
        return counts
