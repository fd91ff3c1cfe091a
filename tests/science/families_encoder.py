"""What an encoder, off-centre, unevenly divided and with hysteresis, makes of a motion: counts at the nodes, edges in between."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.hermite import crossing
from tests.science.families_motion import Floats, Track

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Disc:
    """Figures of one encoder on its shaft. `wave_deg` is the amplitude of the error of one turn: degrees(e/r)."""

    counts_per_turn: int
    sense: int
    start_counts: float
    wave_deg: float
    wave_at_deg: float
    offsets: tuple[float, float, float, float]
    hysteresis_counts: float

    def reading(self, angle_deg: Floats) -> Floats:
        """Counts, before the division's unevenness and hysteresis."""
        error = self.wave_deg * np.sin(np.radians(angle_deg - self.wave_at_deg))
        read: Floats = self.sense * (angle_deg + error) * (self.counts_per_turn / 360) + self.start_counts
        return read


@dataclass(frozen=True)
class EncoderEdges:
    """Edges in order: seconds, boundary crossed, step; shape (n,)."""

    time_s: Floats
    boundary: Ints
    step: Ints


class Encoder:
    """One motion as the encoder sees it."""

    def __init__(self, disc: Disc, track: Track) -> None:
        self.disc = disc
        self._track = track
        self._read = disc.reading(track.angle_deg)
        turned = np.radians(track.angle_deg - disc.wave_at_deg)
        self._rate = disc.sense * track.speed_deg_s * (disc.counts_per_turn / 360)
        self._rate *= 1 + math.radians(disc.wave_deg) * np.cos(turned)
        self.counts = self._places(_played(self._read, disc.hysteresis_counts / 2))
        self._passed = np.concatenate(([0], np.cumsum(np.abs(np.diff(self.counts)))))

    def edges(self, wanted: NDArray[np.bool_]) -> EncoderEdges:
        """All edges in the intervals between nodes that are `wanted`, shape (nodes - 1,)."""
        moved = np.where(wanted, np.diff(self.counts), 0)
        number = np.abs(moved)
        interval = np.repeat(np.arange(len(moved)), number)
        nth = np.arange(len(interval)) - np.repeat(np.cumsum(number) - number, number)
        step = np.sign(moved)[interval]
        after = self.counts[interval] + step * (nth + 1)
        boundary = np.where(step > 0, after, after + 1)
        level = boundary + np.array(self.disc.offsets)[boundary % 4] + step * (self.disc.hysteresis_counts / 2)
        time = self._track.time_s
        into = crossing(
            self._read[interval],
            self._read[interval + 1],
            self._rate[interval],
            self._rate[interval + 1],
            time[interval + 1] - time[interval],
            level,
        )
        return EncoderEdges(np.maximum.accumulate(time[interval] + into), boundary, step)

    def around(self, times_s: Floats, edges: int = 6, after_s: float = 0.07) -> NDArray[np.bool_]:
        """The intervals that hold so many edges before each time, and as many after it unless they are too late to matter."""
        wanted = np.zeros(len(self.counts) - 1, dtype=bool)
        time = self._track.time_s
        at = np.searchsorted(time, times_s) - 1
        first = np.searchsorted(self._passed, self._passed[at] - edges, side="right") - 1
        last = np.searchsorted(self._passed, self._passed[np.minimum(at + 1, len(time) - 1)] + edges)
        latest = np.searchsorted(time, times_s + after_s)
        for a, b in zip(np.maximum(first, 0), np.minimum(last, latest)):
            wanted[a : b + 1] = True
        return wanted

    def entering(self, count: int) -> NDArray[np.bool_]:
        """The intervals in which a count that equals `count` modulo a turn is met."""
        low, high = np.minimum(self.counts[:-1], self.counts[1:]), np.maximum(self.counts[:-1], self.counts[1:])
        turn = self.disc.counts_per_turn
        met: NDArray[np.bool_] = ((low - count - 1) // turn != (high - count) // turn) & (low != high)
        return met

    def _places(self, played: Floats) -> Ints:
        offsets = np.array(self.disc.offsets)
        floor = np.floor(played).astype(np.int64)
        place: Ints = floor + (played >= floor + 1 + offsets[(floor + 1) % 4])
        place -= played < floor + offsets[floor % 4]
        return place


def _played(read: Floats, half: float) -> Floats:
    """The play operator: follows the reading at `half` behind it, whichever way it goes."""
    played = np.empty_like(read)
    played[0] = last = read[0]
    direction = np.sign(np.diff(read))
    starts = [0, *(np.nonzero(np.diff(direction))[0] + 1).tolist(), len(direction)]
    for start, end in zip(starts, starts[1:]):
        stretch = read[start + 1 : end + 1]
        if direction[start] > 0:
            played[start + 1 : end + 1] = np.maximum(last, stretch - half)
        elif direction[start] < 0:
            played[start + 1 : end + 1] = np.minimum(last, stretch + half)
        else:
            played[start + 1 : end + 1] = last
        last = played[end]
    return played
