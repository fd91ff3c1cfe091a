"""The encoder: from the magnet's angle to edges of the quadrature signals and the index.

Reading in counts: x = ±(θ + error(θ))·N/360 + start. Off centre by e on radius r the error is (e/r)·sin(θ - φ) radians, so
that between two angles Δ apart it is at most 2(e/r)·sin(Δ/2). The four edges of a line are not evenly spaced: boundary b lies
at b + offset[b mod 4]. Hysteresis h: after a reversal an edge comes h counts late; h/2 each side (a play operator).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.figures import Draws
from sim.hermite import crossing
from sim.mover import Track
from sim.scenario import Scenario

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Disc:
    """Resolved figures of encoder and mounting. `sense` is +1 if the reading rises in the running direction."""

    counts_per_turn: int
    sense: int
    start_counts: float
    eccentricity: float
    eccentricity_at_deg: float
    phase_offsets: tuple[float, float, float, float]
    hysteresis_counts: float
    index_count: int
    slip_counts: float = 0.0
    slip_at_deg: float = 0.0


def disc_of(scenario: Scenario, draws: Draws) -> Disc:
    """The figures of `scenario`, drawn."""
    table = scenario.encoder
    counts = 4 * table.lines
    offsets = [draws.take(f"encoder.phase_error_deg.{k}", table.phase_error_deg) / 90.0 for k in range(4)]
    sense = 1 if table.sense == scenario.unit.rotation else -1
    # Clamped further on in the running direction, the disc carries its index and its error along; both come round that much sooner.
    clamped_deg = draws.take("encoder.clamped_deg", table.clamped_deg)
    start = (draws.take("encoder.start_deg", table.start_deg) + sense * clamped_deg) / 360.0 * counts
    return Disc(
        counts_per_turn=counts,
        sense=sense,
        start_counts=start,
        eccentricity=draws.take("encoder.eccentricity_um", table.eccentricity_um) / 1000.0 / table.grating_radius_mm,
        eccentricity_at_deg=draws.take("encoder.eccentricity_at_deg", table.eccentricity_at_deg) - clamped_deg,
        phase_offsets=(offsets[0], offsets[1], offsets[2], offsets[3]),
        hysteresis_counts=draws.take("encoder.hysteresis_counts", table.hysteresis_counts),
        index_count=0,
        slip_counts=draws.take("encoder.slip_counts", table.slip_counts),
        slip_at_deg=draws.take("encoder.slip_at_deg", table.slip_at_deg),
    )


@dataclass(frozen=True, slots=True)
class Crossings:
    """Encoder edges in order: times, steps (+1, -1), the disc's count after each. `index` marks those that enter the index."""

    time_s: _Floats
    step: _Ints
    count: _Ints
    index: NDArray[np.bool_]


NO_CROSSINGS = Crossings(
    np.empty(0), np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), np.empty(0, dtype=np.bool_)
)


class _Slip:
    """A coupling that lets the shaft run ahead of the disc by `slip_deg` each time that it comes past `at_deg`, either way."""

    def __init__(self, slip_deg: float, at_deg: float, angle_deg: float, lag_deg: float = 0.0) -> None:
        self._slip = slip_deg
        self._at = at_deg
        self._angle = angle_deg
        self._left = 0.0
        self.lag_deg = lag_deg

    def disc(self, track: Track) -> tuple[_Floats, _Floats]:
        """Angle and speed of the disc over a track."""
        if self._slip == 0.0:
            return track.angle_deg - self.lag_deg, track.speed_deg_s
        angles, speeds = track.angle_deg.copy(), track.speed_deg_s.copy()
        for node, angle in enumerate(track.angle_deg.tolist()):
            before, self._angle = self._angle, angle
            if math.floor((angle - self._at) / 360.0) != math.floor((before - self._at) / 360.0):
                self._left = self._slip
            if self._left > 0.0:
                part = min(abs(angle - before), self._left)
                self._left -= part
                self.lag_deg += math.copysign(part, angle - before)
                speeds[node] = 0.0
            angles[node] -= self.lag_deg
        return angles, speeds


class Encoder:
    """Follows the motion. `count` is the disc's place: between boundaries `count` and `count` + 1."""

    def __init__(self, disc: Disc, angle_deg: float) -> None:
        self.disc = disc
        self._offsets = np.array(disc.phase_offsets)
        self._per_deg = disc.sense * disc.counts_per_turn / 360.0
        self._slipping = _Slip(disc.slip_counts * 360.0 / disc.counts_per_turn, disc.slip_at_deg, angle_deg)
        self._play = self.reading(angle_deg)
        self.count = self._place(self._play)

    def reading(self, angle_deg: float) -> float:
        """Reading in counts at an angle, before phase errors and hysteresis."""
        turned = angle_deg - self._slipping.lag_deg
        error = math.degrees(self.disc.eccentricity) * math.sin(math.radians(turned - self.disc.eccentricity_at_deg))
        return (turned + error) * self._per_deg + self.disc.start_counts

    def refit(self, disc: Disc, angle_deg: float) -> None:
        """The encoder was mounted anew, as `disc`, while the magnet stood; it reads on from the same count."""
        before = self.reading(angle_deg)
        self.disc = disc
        self._offsets = np.array(disc.phase_offsets)
        lag = self._slipping.lag_deg
        self._slipping = _Slip(disc.slip_counts * 360.0 / disc.counts_per_turn, disc.slip_at_deg, angle_deg, lag)
        shift = before - self.reading(angle_deg)
        self.disc = replace(disc, start_counts=disc.start_counts + shift)

    def run(self, track: Track) -> Crossings:
        """Edges over a track that begins where the last one ended.

        An excursion across a boundary and back within one step is not seen; at 1 ms and hand accelerations it is below a
        fiftieth of a count.
        """
        if not track.moved:
            return NO_CROSSINGS
        angle, speed = self._slipping.disc(track)
        turned = np.radians(angle - self.disc.eccentricity_at_deg)
        at = (angle + math.degrees(self.disc.eccentricity) * np.sin(turned)) * self._per_deg
        at += self.disc.start_counts
        rate = speed * self._per_deg * (1.0 + self.disc.eccentricity * np.cos(turned))
        places = self._places(at.tolist())
        before = places[:-1]
        steps = np.diff(places)
        number = np.abs(steps)
        total = int(number.sum())
        if total == 0:
            return NO_CROSSINGS
        interval = np.repeat(np.arange(len(steps)), number)
        nth = np.arange(total) - np.repeat(np.cumsum(number) - number, number)
        step = np.sign(steps)[interval]
        count = before[interval] + step * (nth + 1)
        boundary = np.where(step > 0, count, count + 1)
        level = boundary + self._offsets[boundary % 4] + step * (self.disc.hysteresis_counts / 2)
        duration = np.diff(track.time_s)[interval]
        after = crossing(at[interval], at[interval + 1], rate[interval], rate[interval + 1], duration, level)
        time_s = np.maximum.accumulate(track.time_s[interval] + after)
        index = (count % self.disc.counts_per_turn) == self.disc.index_count
        return Crossings(time_s, step, count, index)

    def _places(self, at: list[float]) -> _Ints:
        half = self.disc.hysteresis_counts / 2
        play = self._play
        played = []
        for x in at:
            if x - half > play:
                play = x - half
            elif x + half < play:
                play = x + half
            played.append(play)
        self._play = play
        values = np.array(played)
        floor = np.floor(values).astype(np.int64)
        place: _Ints = floor + (values >= floor + 1 + self._offsets[(floor + 1) % 4])
        place -= values < floor + self._offsets[floor % 4]
        # The first node is where the last track ended.
        place[0] = self.count
        self.count = int(place[-1])
        return place

    def _place(self, value: float) -> int:
        floor = math.floor(value)
        if value >= floor + 1 + self._offsets[(floor + 1) % 4]:
            return floor + 1
        if value < floor + self._offsets[floor % 4]:
            return floor - 1
        return floor
