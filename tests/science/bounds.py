"""Estimators' spread on clean data over the best that any could do: the Cramér–Rao bound, by numerical Fisher information.

Beside each stands what raw counts would give: the middle of the count for each place.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from bench import speed_fit, swing
from bench.encoder import edge_place
from bench.speed_fit import SpeedFit
from firmware_protocol.messages import Contact
from tests.science import bounds_swing
from tests.science.bounds_swing import COUNT_DEG, COUNTS_PER_TURN, POLES, Swing

Floats = NDArray[np.float64]

REPEATS = 2_000
TICK_HZ = 2_000_000
#: Scatter of a latched edge, seconds (PROTOCOL.md allows a latency of some microseconds), and of a cam's opening, degrees.
EDGE_S = 3e-6
PASS_DEG = 0.004
#: Scatter of a boundary's place on the disc, counts.
GRADUATION_COUNTS = 0.02
#: A clean swing may be refused by the estimator's checks this often.
MOST_REFUSED = 0.01
NO_OFFSETS = (0.0, 0.0, 0.0, 0.0)
MOST_RATIO = 1.15
#: Weights 1 4 6 4 1 need no model of friction, and pay for that beside the bound of the model.
MOST_RATIO_BINOMIAL = 1.35


@dataclass(frozen=True)
class Bound:
    """One estimator: the bound, its own spread, and that of raw counts; degrees. Root mean squares about the truth."""

    estimator: str
    repeats: int
    bound_deg: float
    spread_deg: float
    raw_spread_deg: float
    #: Largest ratio allowed; None where the row only stands for comparison.
    limit: float | None = MOST_RATIO

    @property
    def ratio(self) -> float:
        """Spread over bound."""
        return self.spread_deg / self.bound_deg


def misses(bound: Bound) -> list[str]:
    """What is not kept, in words."""
    return (
        [f"{bound.estimator}: {bound.ratio:.3f} times the bound"]
        if bound.limit is not None and bound.ratio > bound.limit
        else []
    )


# --- sub-count angle -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Passing:
    """Motion at a contact edge: place in counts, speed and acceleration in counts and seconds."""

    place: float
    speed: float
    acceleration: float

    def times(self, boundaries: Floats) -> Floats:
        """When the boundaries are crossed, seconds from the contact edge."""
        way = boundaries - self.place
        if self.acceleration == 0:
            return way / self.speed
        found: Floats = 2 * way / (self.speed + np.sqrt(self.speed**2 + 2 * self.acceleration * way))
        return found


def _boundaries(place: float) -> Floats:
    return math.floor(place) + np.arange(-3.0, 5.0)


def best_place_counts(motion: Passing) -> float:
    """Bound of the place from four edges each side, speed and acceleration unknown, every edge's time scattered by EDGE_S."""
    at = np.array([motion.place, motion.speed, motion.acceleration])
    steps = np.array([1e-5, 1e-5 * motion.speed, 1e-3 * motion.speed**2])
    boundaries = _boundaries(motion.place)
    columns = [
        (Passing(*(at + e)).times(boundaries) - Passing(*(at - e)).times(boundaries)) / (2 * s)
        for s, e in zip(steps, np.diag(steps))
    ]
    # All times are told from the contact edge, whose own scatter is common to them.
    covariance = EDGE_S**2 * (np.eye(len(boundaries)) + 1)
    white = np.linalg.solve(np.linalg.cholesky(covariance), np.stack(columns, axis=1))
    scale = np.linalg.norm(white, axis=0)
    inverse = np.linalg.inv((white / scale).T @ (white / scale))
    return math.sqrt(float(inverse[0, 0])) / float(scale[0])


def contact_of(motion: Passing, rng: np.random.Generator) -> Contact:
    """The board's message, edges latched with scatter and rounded to ticks."""
    boundaries = _boundaries(motion.place)
    late = float(rng.normal()) * EDGE_S
    ticks = np.round((motion.times(boundaries) + rng.normal(0, EDGE_S, len(boundaries)) - late) * TICK_HZ)
    before = tuple(int(-t) for t in ticks[3::-1])
    after = tuple(int(t) for t in ticks[4:])
    return Contact(0, math.floor(motion.place), 0, 1, 0, 0, 0, 0, before, (1,) * 4, after, (1,) * 4)


def sub_count(speed_deg_s: float, acceleration_deg_s2: float, repeats: int) -> Bound:
    """Places spread evenly over a count."""
    rng = np.random.default_rng(1)
    squares = np.zeros(3)
    for _ in range(repeats):
        place = float(rng.uniform(0.02, 0.98)) + 100
        motion = Passing(place, speed_deg_s / COUNT_DEG, acceleration_deg_s2 / COUNT_DEG)
        found = edge_place(contact_of(motion, rng), NO_OFFSETS).counts
        squares += np.square([best_place_counts(motion), found - place, math.floor(place) + 0.5 - place])
    best, spread, raw = np.sqrt(squares / repeats) * COUNT_DEG
    turning = f"{acceleration_deg_s2:g}°/s²" if acceleration_deg_s2 else "steady"
    return Bound(f"sub-count angle, {speed_deg_s:g}°/s, {turning}", repeats, float(best), float(spread), float(raw))


# --- zero-speed angle ------------------------------------------------------------------------------------------------

_SPEEDS = np.array([40.0, 44.0, 48.0, 52.0, 180.0, 200.0, 220.0, 240.0])
_ZERO_DEG, _DELAY_S = 10.3, 0.0024


def best_zero_speed_deg() -> float:
    """Bound of the zero-speed angle: angle and delay unknown, each pass with its cam's scatter and that of its edges."""

    def angles(zero_deg: float, delay_s: float) -> Floats:
        return zero_deg + delay_s * _SPEEDS

    steps = (1e-4, 1e-6)
    columns = [
        (angles(_ZERO_DEG + a, _DELAY_S + b) - angles(_ZERO_DEG - a, _DELAY_S - b)) / (2 * (a + b))
        for a, b in ((steps[0], 0.0), (0.0, steps[1]))
    ]
    placed = [best_place_counts(Passing(100.5, v / COUNT_DEG, 0.0)) * COUNT_DEG for v in _SPEEDS]
    weighed = np.stack(columns, axis=1) / np.hypot(PASS_DEG, placed)[:, None]
    return math.sqrt(float(np.linalg.inv(weighed.T @ weighed)[0, 0]))


def zero_speed(repeats: int) -> Bound:
    """Eight passes at two speeds, by their encoder edges."""
    rng = np.random.default_rng(2)
    squares = np.zeros(2)
    for _ in range(repeats):
        shift = float(rng.uniform(0, 1))
        angles, raw, speeds = [], [], []
        for v in _SPEEDS.tolist():
            true = _ZERO_DEG + _DELAY_S * v + float(rng.normal()) * PASS_DEG
            place = true / COUNT_DEG + shift
            found = edge_place(contact_of(Passing(place, v / COUNT_DEG, 0.0), rng), NO_OFFSETS)
            angles.append((found.counts - shift) * COUNT_DEG)
            raw.append((math.floor(place) + 0.5 - shift) * COUNT_DEG)
            speeds.append(found.speed * TICK_HZ * COUNT_DEG)
        for n, read in enumerate((angles, raw)):
            line = speed_fit.fit(read, speeds)
            assert isinstance(line, SpeedFit)
            squares[n] += (line.zero_speed_deg - _ZERO_DEG) ** 2
    spread, raw_spread = np.sqrt(squares / repeats)
    return Bound("zero-speed angle, 4 + 4 passes", repeats, best_zero_speed_deg(), float(spread), float(raw_spread))


# --- swings ----------------------------------------------------------------------------------------------------------


def swings(points: int, graduation_counts: float, repeats: int, all_edges: bool = False) -> Bound:
    """A swing of so many turning points. Bound from the edges that the estimator looks at, or from all that there are."""
    rng = np.random.default_rng(3)
    made = Swing()
    motion = bounds_swing.halves(made, points + 1)
    geometry = swing.Geometry(COUNTS_PER_TURN, TICK_HZ, 1, POLES, NO_OFFSETS)
    squares = np.zeros(3)
    centres = 10
    refused = 0
    for n in range(centres):
        centre = 12.3 + (n + 0.5) / centres * COUNT_DEG
        which = bounds_swing.crossings(motion, centre)
        near = bounds_swing.near_turning(which)
        # Nothing after the last turning point but its neighbours.
        last = np.nonzero(which.half == points)[0][: bounds_swing.NEIGHBOURS]
        kept = which.half < points
        kept[last] = True
        looked = which.only(kept if all_edges else near & kept)
        which = which.only(kept)
        best = bounds_swing.best_possible_deg(made, points + 1, looked, centre, EDGE_S, graduation_counts)
        at = bounds_swing.times(motion, which, centre)
        slope = _by_level(motion, which, centre)
        places, own = np.unique(which.boundary, return_inverse=True)
        raw_places = bounds_swing.turning_counts(which) * COUNT_DEG
        raw = swing.fit(raw_places, np.full(points, COUNT_DEG), POLES)
        assert raw is not None
        for _ in range(repeats // centres):
            late = slope * (rng.normal(0, graduation_counts * COUNT_DEG, len(places)))[own]
            seconds = at + late + rng.normal(0, EDGE_S, len(at)) + 1.0
            ticks = np.maximum.accumulate(np.round(seconds * TICK_HZ).astype(np.int64))
            collector = swing.TurningPoints()
            collector.feed(ticks, which.boundary, which.step)
            free = swing.free_swings(collector.points, geometry)
            found = swing.estimate(free[0], geometry) if free else None
            if found is None:
                refused += 1
                continue
            # The last and smallest turning point is now and then left out by the estimator's own check; that counts against it.
            squares += np.square([best, found.centre_deg - centre, raw.centre_deg - centre])
    done = repeats // centres * centres - refused
    if refused > MOST_REFUSED * repeats:
        raise ValueError(f"{refused} of {repeats} clean swings were refused")
    bound, spread, raw_spread = np.sqrt(squares / done)
    jitter = f"disc {graduation_counts:g} counts" if graduation_counts else "perfect disc"
    told = ", bound of all edges" if all_edges else ""
    fitted = MOST_RATIO if points >= swing.FITTED_POINTS else MOST_RATIO_BINOMIAL
    limit = None if all_edges else fitted
    return Bound(f"swing, {points} points, {jitter}{told}", done, float(bound), float(spread), float(raw_spread), limit)


def _by_level(motion: list[bounds_swing.HalfSwing], which: bounds_swing.Crossings, centre: float) -> Floats:
    step = 1e-4 * COUNT_DEG
    less, more = (bounds_swing.times(motion, which, centre + s) for s in (step, -step))
    found: Floats = (more - less) / (2 * step)
    return found


_MEASURED: dict[str, Callable[[int], Bound]] = {
    "sub-count steady": lambda n: sub_count(100.0, 0.0, n),
    "sub-count accelerating": lambda n: sub_count(60.0, 3000.0, n),
    "zero-speed": zero_speed,
    "swing": lambda n: swings(9, GRADUATION_COUNTS, n),
    "swing short": lambda n: swings(6, GRADUATION_COUNTS, n),
    "swing all edges": lambda n: swings(9, GRADUATION_COUNTS, n, all_edges=True),
}
NAMES = tuple(_MEASURED)


@cache
def measured(name: str, repeats: int = REPEATS) -> Bound:
    """One estimator of NAMES."""
    return _MEASURED[name](repeats)
