"""Where the magnet balances, from free swings after a release: turning points of the encoder's edges, centre of the swing.

Model. J·x'' = -k·x - c·x' - τ·sign(x'). Between two turning points this is a damped cosine about +δ or -δ, δ = τ/k, so that the
amplitudes A of successive turning points follow A' = r·A - (1 + r)·δ and every half swing takes the same time π/ω.

The magnet's torque is -T0·sin(p·x) for p poles, not -k·x. Equating the energy lost in a half swing with the fall of
T0/p·(1 - cos(p·x)) (action of the pendulum: 16·ω·(E(m) - (1 - m)·K(m)), m = sin²(p·A/2)) gives to second order that Coulomb friction
takes 1 + (p·B)²/6 times and viscous friction 1 + 11/96·(p·B)² times as much off, B being the mean of the two amplitudes. The fit
carries both; swings beyond `WIDEST_ELECTRICAL_DEG` of p·A are cut. A torque that is odd about the balance leaves the centre where it is.

What remains is torque that is not odd (`odd_torque_terms`): a cam torque that bends the curve, unequal stiffness either side.
What moves balance itself (cam torque; friction that differs between the directions, by δ times the difference) moves every other
method alike and is not told here. A hand that pushes with a constant torque all through a swing cannot be seen.

Places are in counts on the disc (`bench.encoder`) until a swing is evaluated, then degrees in the running direction.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from statistics import median

import numpy as np
from numpy.typing import NDArray

from bench.bench_file import Priors
from bench.neutral import Estimate
from bench.uncertainty import Term, coverage_factor, rectangular, type_a, welch_satterthwaite

#: Encoder edges used on each side of a turning point: at most, at least.
NEIGHBOURS = 4
LEAST_NEIGHBOURS = 3
#: Turning points kept.
MOST_KEPT = 512
#: A swing has at least so many turning points; the model is fitted from `FITTED_POINTS` on (four parameters, so four degrees of freedom).
LEAST_POINTS = 5
FITTED_POINTS = 8
#: Smallest amplitude used, counts: the neighbouring edges must still lie on the upper half of the curve.
LEAST_AMPLITUDE_COUNTS = 8.0
#: Largest amplitude used, as poles times degrees: there the rest of the series above is below 0.3 % of what a half swing takes off.
WIDEST_ELECTRICAL_DEG = 35.0
#: Successive half swings differ in time by at most this share.
PACE = 0.03
#: A half swing takes no longer than this, seconds.
LONGEST_HALF_S = 0.6
#: Each leg is at least this share of the one before.
LEG_RATIO = 0.3
#: Pull at an extreme as a share of what time and amplitude of the swing ask for. Friction δ lowers it, since the rotor is slow to
#: leave: by 3/4·(δ/A)², to 0.63 for δ/A = 0.7. A stop makes it a multiple, a hand that waits or eases off a fraction.
LEAST_PULL, MOST_PULL = 0.6, 1.2
#: Greatest root-mean-square residual of the model, degrees: friction repeats far better than this, a hand does not.
RESIDUAL_DEG = 0.003
#: The share of amplitude left after a half swing may come out above 1, and friction below 0, by no more than this.
OVER_RATIO = 0.02
UNDER_FRICTION_DEG = 0.05
#: Standard uncertainty of a latched edge, seconds (PROTOCOL.md allows a latency of some microseconds).
EDGE_S = 3e-6
#: What hysteresis of up to half a count and what is left of the phase errors do to an extreme: standard uncertainty, counts.
#: Both directions cross a boundary h apart, which makes the extreme, w counts beyond it, come out h²/(16·w) too near.
PLACE_COUNTS = 0.03

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TurningPoint:
    """A turning point as the edges show it: the last edge before and the first after cross the same `boundary`.

    `before_ticks` go back from the turning point, `after_ticks` on from it; the nth of either cross the same boundary, n below
    (`high`) or above the first. `follows` is true if the point before is the previous turning point of the same motion.
    """

    boundary: int
    high: bool
    before_ticks: tuple[int, ...]
    after_ticks: tuple[int, ...]
    follows: bool


class TurningPoints:
    """Collects turning points from blocks of encoder edges, in whatever pieces they come. Keeps the last `MOST_KEPT`."""

    def __init__(self) -> None:
        self._points: deque[TurningPoint] = deque(maxlen=MOST_KEPT)
        self._ticks: _Ints = np.empty(0, dtype=np.int64)
        self._boundaries: _Ints = np.empty(0, dtype=np.int64)
        self._steps: _Ints = np.empty(0, dtype=np.int64)
        self._follows = False

    @property
    def points(self) -> tuple[TurningPoint, ...]:
        """Those found so far, in order."""
        return tuple(self._points)

    def cut(self) -> None:
        """The next edges do not continue the last ones; a turning point in between is not known."""
        self._keep_from(len(self._ticks))
        self._follows = False

    def clear(self) -> None:
        """Counts so far are worth nothing any more: forget all."""
        self.cut()
        self._points.clear()

    def feed(self, ticks: _Ints, boundaries: _Ints, steps: _Ints) -> None:
        """The next edges: unwrapped ticks, boundaries crossed, +1 or -1 each; shape (n,). Edges that do not join cut the motion."""
        if not len(ticks):
            return
        if len(self._ticks) and not _joins(self._boundaries[-1:], self._steps[-1:], boundaries[:1], steps[:1]).all():
            self.cut()
        begin = 0
        broken = np.nonzero(~_joins(boundaries[:-1], steps[:-1], boundaries[1:], steps[1:]))[0] + 1
        for end in [*broken.tolist(), len(ticks)]:
            if begin:
                self.cut()
            self._take(ticks[begin:end], boundaries[begin:end], steps[begin:end])
            begin = end

    def _take(self, ticks: _Ints, boundaries: _Ints, steps: _Ints) -> None:
        self._ticks = np.concatenate((self._ticks, ticks))
        self._boundaries = np.concatenate((self._boundaries, boundaries))
        self._steps = np.concatenate((self._steps, steps))
        starts = [0, *(np.nonzero(np.diff(self._steps))[0] + 1).tolist(), len(self._steps)]
        kept = max(starts[-2], starts[-1] - NEIGHBOURS)
        for first, turn, end in zip(starts, starts[1:-1], starts[2:]):
            if end == starts[-1] and end - turn < NEIGHBOURS:
                # What comes next may still belong to this turning point.
                kept = max(first, turn - NEIGHBOURS)
                break
            self._found(first, turn, end)
        self._keep_from(kept)

    def _found(self, first: int, turn: int, end: int) -> None:
        number = min(turn - first, end - turn, NEIGHBOURS)
        if number < LEAST_NEIGHBOURS:
            self._follows = False
            return
        self._points.append(
            TurningPoint(
                boundary=int(self._boundaries[turn]),
                high=bool(self._steps[turn] < 0),
                before_ticks=tuple(self._ticks[turn - number : turn][::-1].tolist()),
                after_ticks=tuple(self._ticks[turn : turn + number].tolist()),
                follows=self._follows,
            )
        )
        self._follows = True

    def _keep_from(self, begin: int) -> None:
        self._ticks, self._boundaries = self._ticks[begin:].copy(), self._boundaries[begin:].copy()
        self._steps = self._steps[begin:].copy()


def _joins(boundaries: _Ints, steps: _Ints, next_boundaries: _Ints, next_steps: _Ints) -> NDArray[np.bool_]:
    """Whether each edge can follow the one before: one boundary on, or back across the same."""
    joined: NDArray[np.bool_] = next_boundaries - boundaries == (steps + next_steps) // 2
    single: NDArray[np.bool_] = (np.abs(steps) == 1) & (np.abs(next_steps) == 1)
    return np.logical_and(joined, single)


@dataclass(frozen=True, slots=True)
class Geometry:
    """What turns ticks and counts into seconds and degrees; `offsets` as learnt by `encoder.PhaseTable`."""

    counts_per_turn: int
    tick_hz: int
    sense: int
    poles: int
    offsets: tuple[float, float, float, float]

    @property
    def count_deg(self) -> float:
        """Degrees per count."""
        return 360.0 / self.counts_per_turn


@dataclass(frozen=True, slots=True)
class Extreme:
    """A turning point placed between the boundaries: place on the disc with its standard uncertainty, counts; time and pull
    (acceleration at the extreme, counts/s²)."""

    time_s: float
    counts: float
    u_counts: float
    pull: float


def extreme(point: TurningPoint, geometry: Geometry, omega: float = 0.0) -> Extreme | None:
    """Place of a turning point. None if the edges do not bend as they would about an extreme.

    Between the two crossings of a boundary w below the extreme lies the time D with w = a·(1 - cos(ω·D/2))/ω², a being the pull,
    or ½·a·(D/2)² (parabola) while ω, rad/s, is not known. A line through these, weighted by their uncertainty from the edges' times,
    gives a and the extreme. Unequal pull either side of it (friction) changes a but not the extreme.
    """
    sign = 1.0 if point.high else -1.0
    half_s = (point.after_ticks[-1] - point.before_ticks[-1]) / geometry.tick_hz / 2
    if omega * half_s > math.pi / 2:
        return None
    level, depth, u_depth = _depths(point, geometry, omega)
    # depth = fit[0] + fit[1]·level, 0 at the extreme, fit[1] = -1/a
    design = np.vander(level, 2, increasing=True) / u_depth[:, None]
    covariance = np.linalg.inv(design.T @ design)
    fit = covariance @ design.T @ (depth / u_depth)
    if fit[1] >= 0:
        return None
    beyond = -fit[0] / fit[1]
    gradient = np.array([1.0, beyond]) / -fit[1]
    u = math.hypot(math.sqrt(float(gradient @ covariance @ gradient)), PLACE_COUNTS)
    time_s = (point.before_ticks[0] + point.after_ticks[0]) / 2 / geometry.tick_hz
    return Extreme(time_s, point.boundary + sign * float(beyond), u, -sign / -float(fit[1]))


def free_swings(points: Sequence[TurningPoint], geometry: Geometry) -> list[tuple[Extreme, ...]]:
    """The stretches of turning points that can only be a rotor let go, each of `LEAST_POINTS` or more.

    Legs fall steadily, half swings keep one time, and the pull at each extreme is the one that this time and the
    distance from the middle ask for, ω²·A. A hand, a stop or a second release ends a stretch.
    """
    found = []
    for chain in _chains(points, geometry):
        placed = [extreme(p, geometry) for p in chain]
        times = [e.time_s for e in placed if e is not None]
        omega = math.pi / median(b - a for a, b in pairwise(times))
        middle = median(of_three(*three) for three in _triples([e.counts for e in placed if e is not None]))
        best: list[tuple[TurningPoint, Extreme]] = []
        run: list[tuple[TurningPoint, Extreme]] = []
        for turning in chain:
            point = extreme(turning, geometry, omega)
            if point is not None and _swings_freely(point, middle, omega, geometry):
                run = [*run, (turning, point)]
                best = max(best, run, key=len)
            else:
                run = []
        if len(best) >= LEAST_POINTS:
            found.append(_by_common_pull(best, omega, geometry))
    return found


def _by_common_pull(
    swing: Sequence[tuple[TurningPoint, Extreme]], omega: float, geometry: Geometry
) -> tuple[Extreme, ...]:
    """The same extremes, each placed again with the pull that all of them together tell.

    An extreme's own edges tell its pull badly, and what is wrong with it is carried along to the place beyond the last boundary:
    that doubles the scatter. In one swing all pulls follow from one factor: in proportion to sin(p·A), and lowered by friction, which
    makes the way in quicker than the way out, a·(1 + d) and a·(1 - d) with d = δ/A, so that half of both times together is that of
    a·(2/(1/√(1 + d) + 1/√(1 - d)))². A factor a little wrong moves all extremes outwards or all inwards, and the centre not.
    Where d is above a third the two ways differ too much for that: such a place is off by up to 0.08 counts, in or out.
    """
    placed = tuple(e for _, e in swing)
    places = np.array([e.counts for e in placed])
    fitted = fit(
        places * geometry.count_deg, np.array([e.u_counts for e in placed]) * geometry.count_deg, geometry.poles
    )
    if fitted is None:
        return placed
    amplitudes = np.abs(places * geometry.count_deg - fitted.centre_deg)
    slowed = np.clip(fitted.friction_deg / amplitudes, 0.0, 0.9)
    shape = np.sin(np.radians(amplitudes) * geometry.poles)
    shape *= (2 / (1 / np.sqrt(1 + slowed) + 1 / np.sqrt(1 - slowed))) ** 2
    factor = float(np.abs([e.pull for e in placed]) @ shape / (shape @ shape))
    return tuple(_with_pull(t, e, factor * float(s), omega, geometry) for (t, e), s in zip(swing, shape, strict=True))


def _with_pull(point: TurningPoint, found: Extreme, pull: float, omega: float, geometry: Geometry) -> Extreme:
    """The extreme placed by a known pull: the mean over its boundaries, each as sure as its edges' times and the disc allow."""
    level, depth, u_depth = _depths(point, geometry, omega)
    beyond = level + pull * depth
    weights = 1 / ((pull * u_depth) ** 2 + PLACE_COUNTS**2)
    u = math.hypot(float(weights @ (pull * u_depth) ** 2) ** 0.5 / float(weights.sum()) ** 0.5, PLACE_COUNTS)
    sign = 1.0 if point.high else -1.0
    return replace(found, counts=point.boundary + sign * float(weights @ beyond / weights.sum()), u_counts=u)


def _chains(points: Sequence[TurningPoint], geometry: Geometry) -> list[list[TurningPoint]]:
    chains: list[list[TurningPoint]] = []
    chain: list[TurningPoint] = []
    placed: list[Extreme] = []
    for point in points:
        at = extreme(point, geometry)
        if at is None or not point.follows:
            chain, placed = [], []
        if at is None:
            continue
        if len(placed) >= 2 and not _dies_out(placed[-2], placed[-1], at):
            chain, placed = chain[-1:], placed[-1:]
        chain.append(point)
        placed.append(at)
        if len(chain) == LEAST_POINTS:
            chains.append(chain)
    return chains


def _dies_out(first: Extreme, second: Extreme, third: Extreme) -> bool:
    leg, next_leg = abs(second.counts - first.counts), abs(third.counts - second.counts)
    half, next_half = second.time_s - first.time_s, third.time_s - second.time_s
    return (
        LEG_RATIO * leg <= next_leg < leg
        and abs(next_half - half) <= PACE * half
        and max(half, next_half) <= LONGEST_HALF_S
    )


def _depths(point: TurningPoint, geometry: Geometry, omega: float) -> tuple[_Floats, _Floats, _Floats]:
    """Of each boundary about a turning point: level in counts above the first, depth below the extreme over the pull, its uncertainty."""
    sign = 1.0 if point.high else -1.0
    boundaries = [point.boundary - int(sign) * n for n in range(len(point.before_ticks))]
    # Levels relative to the first boundary, towards the extreme.
    level = np.array([sign * (b - point.boundary + geometry.offsets[b % 4]) for b in boundaries])
    half_s = np.array(
        [(a - b) / geometry.tick_hz / 2 for b, a in zip(point.before_ticks, point.after_ticks, strict=True)]
    )
    depth = (1 - np.cos(omega * half_s)) / omega**2 if omega else half_s**2 / 2
    rate = np.sin(omega * half_s) / omega if omega else half_s
    u_depth = np.maximum(rate, 1e-4) * (EDGE_S / math.sqrt(2))
    return level, depth, u_depth


def _swings_freely(point: Extreme, middle: float, omega: float, geometry: Geometry) -> bool:
    amplitude = abs(point.counts - middle)
    if amplitude < LEAST_AMPLITUDE_COUNTS or amplitude * geometry.count_deg * geometry.poles > WIDEST_ELECTRICAL_DEG:
        return False
    return LEAST_PULL <= point.pull / (omega**2 * (middle - point.counts)) <= MOST_PULL


def _triples(places: Sequence[float]) -> list[tuple[float, float, float]]:
    return list(zip(places, places[1:], places[2:]))


def of_three(first: float, second: float, third: float) -> float:
    """(x1 + 2·x2 + x3)/4: free of Coulomb friction, and of viscous friction to second order."""
    return (first + 2 * second + third) / 4


def of_five(places: Sequence[float]) -> float:
    """Weights 1 4 6 4 1: free of Coulomb friction, and of viscous friction to fourth order."""
    return float(np.dot(_BINOMIAL, places))


_BINOMIAL = np.array((1.0, 4.0, 6.0, 4.0, 1.0)) / 16


class Method(StrEnum):
    """How a swing's centre was found."""

    FITTED = "fitted"
    BINOMIAL = "binomial"


@dataclass(frozen=True, slots=True)
class SwingEstimate:
    """What one swing says: its centre, degrees in the running direction, with standard uncertainty and degrees of freedom.

    `amplitude_deg` is the root mean square of the amplitudes; `friction_deg` is δ, half the band within which the rotor may rest;
    `ratio` the share of amplitude that viscous friction leaves after a half swing; `side` +1 if it began above the centre.
    `residual_deg` is the scatter about the fitted model.
    """

    centre_deg: float
    u_deg: float
    freedom: float
    method: Method
    points: int
    amplitude_deg: float
    friction_deg: float
    ratio: float
    residual_deg: float
    half_s: float
    side: int


def estimate(swing: Sequence[Extreme], geometry: Geometry) -> SwingEstimate | None:
    """The centre of one free swing, a stretch out of `free_swings`. None if it is too short or does not keep to the model.

    Rule: from `FITTED_POINTS` turning points on, the centre of the fitted model, with the scatter about it. Below, the mean of all
    runs of five with weights 1 4 6 4 1, which needs no parameters, with the uncertainty of the places, taken as
    known: the scatter has one to three degrees of freedom there and would say little.
    """
    if len(swing) < LEAST_POINTS:
        return None
    scale = geometry.sense * geometry.count_deg
    places = np.array([e.counts for e in swing]) * scale
    u = np.array([e.u_counts for e in swing]) * geometry.count_deg
    fitted = fit(places, u, geometry.poles)
    if fitted is None or fitted.residual_deg > RESIDUAL_DEG:
        return None
    if not 0 < fitted.ratio <= 1 + OVER_RATIO or fitted.friction_deg < -UNDER_FRICTION_DEG:
        return None
    centre, u_centre, freedom, method = fitted.centre_deg, fitted.u_deg, float(fitted.freedom), Method.FITTED
    if len(swing) < FITTED_POINTS:
        weights = np.convolve(np.full(len(swing) - 4, 1 / (len(swing) - 4)), _BINOMIAL)
        centre, u_centre = float(weights @ places), float(np.linalg.norm(weights * u))
        freedom, method = math.inf, Method.BINOMIAL
    return SwingEstimate(
        centre,
        u_centre,
        freedom,
        method,
        len(swing),
        float(np.sqrt(np.mean((places - centre) ** 2))),
        fitted.friction_deg,
        fitted.ratio,
        fitted.residual_deg,
        (swing[-1].time_s - swing[0].time_s) / (len(swing) - 1),
        1 if places[0] > centre else -1,
    )


@dataclass(frozen=True, slots=True)
class Fit:
    """Least squares of viscous and Coulomb friction over successive turning points."""

    centre_deg: float
    u_deg: float
    freedom: int
    ratio: float
    friction_deg: float
    residual_deg: float


def fit(places_deg: _Floats, u_deg: _Floats, poles: int) -> Fit | None:
    """Centre, first amplitude, r and δ of the module's model, by Gauss–Newton. Shapes (n,), n at least `LEAST_POINTS`.

    `u_deg` only weighs the points against each other; the scatter is taken from the residuals, with n - 4 degrees of freedom. None if
    it does not converge.
    """
    first = math.copysign(1.0, places_deg[0] - places_deg[1])
    signs = np.array([first * (-1) ** n for n in range(len(places_deg))])
    weights = float(np.sqrt(np.mean(u_deg**2))) / u_deg
    values = _start(places_deg, signs)
    for _ in range(30):
        jacobian = _slopes(values, signs, poles) * weights[:, None]
        residual = (places_deg - _model(values, signs, poles)) * weights
        change = np.linalg.lstsq(jacobian, residual, rcond=None)[0]
        values += change
        if not np.isfinite(values).all() or abs(values[2]) > 1 or abs(values[3]) > abs(values[1]):
            return None
        if float(np.abs(change).max()) < 1e-10:
            break
    else:
        return None
    residual = (places_deg - _model(values, signs, poles)) * weights
    freedom = len(places_deg) - 4
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    scatter = math.sqrt(float(residual @ residual) / freedom)
    u = scatter * math.sqrt(float(covariance[0, 0]))
    return Fit(float(values[0]), u, freedom, 1 - float(values[2]), float(values[3]), scatter)


def _start(places: _Floats, signs: _Floats) -> _Floats:
    centre = float(np.mean([of_three(*t) for t in _triples(places.tolist())]))
    amplitude = (places - centre) * signs
    loss = (amplitude[0] - amplitude[-1]) / (len(places) - 1)
    return np.array((centre, amplitude[0], loss / 2 / amplitude.mean(), loss / 4))


def _model(values: _Floats, signs: _Floats, poles: int) -> _Floats:
    """Places of the turning points. `values`: centre, first amplitude, 1 - r, δ."""
    centre, amplitude, lost, friction = values.tolist()
    electrical = (math.radians(1.0) * poles) ** 2
    amplitudes = []
    for _ in range(len(signs)):
        amplitudes.append(amplitude)
        fall = lost * amplitude + (2 - lost) * friction
        mean = amplitude - fall / 2
        bend = electrical * mean**2
        amplitude -= fall + bend * (11 / 96 * lost * mean + friction / 3)
    result: _Floats = centre + signs * np.array(amplitudes)
    return result


def _slopes(values: _Floats, signs: _Floats, poles: int) -> _Floats:
    columns = []
    for k in range(len(values)):
        step = np.zeros(len(values))
        step[k] = 1e-5
        columns.append((_model(values + step, signs, poles) - _model(values - step, signs, poles)) / 2e-5)
    return np.stack(columns, axis=1)


def combine(swings: Sequence[SwingEstimate]) -> Estimate | None:
    """One estimate out of all swings about one place, as `neutral.locate` combines them; None without any.

    Weighted by each one's 95 % half-width. If the swings scatter more than their own uncertainties allow (Birge ratio above 1;
    Birge, Phys. Rev. 40 (1932) 207), their scatter is the uncertainty, with its degrees of freedom.
    """
    if not swings:
        return None
    widths = np.array([max(s.u_deg * coverage_factor(s.freedom, 0.95), 1e-6) for s in swings])
    share = widths**-2 / (widths**-2).sum()
    places = np.array([s.centre_deg for s in swings])
    centre = float(share @ places)
    u = float(np.linalg.norm(share * [s.u_deg for s in swings]))
    freedom = welch_satterthwaite([(float(w) * s.u_deg, s.freedom) for w, s in zip(share, swings, strict=True)])
    if len(swings) > 1:
        scatter = math.sqrt(float(share @ (places - centre) ** 2) / (len(swings) - 1))
        if scatter > u:
            u, freedom = scatter, len(swings) - 1
    band = 2 * float(share @ [s.friction_deg for s in swings])
    above = sum(s.side > 0 for s in swings)
    return Estimate("swings", centre, u, freedom, band, len(swings) - above, above)


def odd_torque_terms(amplitude_deg: float, poles: int, priors: Priors) -> list[Term]:
    """What torque that is not odd about the balance may do to a swing of this (root mean square) amplitude A.

    Energy at both extremes is the same, k·x²/2 + g·x³/3 for a torque -k·x - g·x²: the middle between them lies at -g·A²/(3·k). At the
    balance against a cam torque f·T0 g = -f·T0·p²/2, which makes p·f·A²/6. With stiffness k·(1 ± ε) either side, the amplitudes go by
    1/√k, and the middle by ε·A/2; pole spacings off by ±e on either side make ε at most e divided by the spacing.
    """
    amplitude = math.radians(amplitude_deg)
    return [
        rectangular(
            "neutral, swing on a bent torque", math.degrees(poles * priors.cam_torque_fraction * amplitude**2 / 6)
        ),
        rectangular("neutral, swing on unequal poles", amplitude_deg * priors.pole_spacing_deg * poles / 360 / 2),
    ]


class About(StrEnum):
    """The place at which the magnet of a unit holds itself."""

    NEUTRAL = "neutral"
    REGISTER = "register"


def about_of(centre_deg: float, near_deg: float, poles: int) -> About:
    """Whether a swing's centre is a neutral or a full register, neutral being at `near_deg` (where the presses are) or whole pole
    spacings from it."""
    off = math.remainder(centre_deg - near_deg, 360.0 / poles)
    return About.NEUTRAL if abs(off) <= 90.0 / poles else About.REGISTER


@dataclass(frozen=True, slots=True)
class SwingNeutral:
    """The neutral near the presses as swings tell it, and the terms that are the swings' own."""

    angle_deg: float
    about: About
    terms: tuple[Term, ...]

    @property
    def standard_uncertainty_deg(self) -> float:
        """Combined standard uncertainty."""
        return math.sqrt(math.fsum(t.contribution_deg**2 for t in self.terms))


def neutral_from(
    swings: Sequence[SwingEstimate], about: About, near_deg: float, poles: int, priors: Priors
) -> SwingNeutral | None:
    """The neutral nearest to `near_deg` (the presses' middle) out of all swings that are usable for it; None if there are none.

    About neutral, swings at that very neutral are used if there are any, else those at the others, moved by whole pole spacings.
    About register, the neutrals are half a spacing to either side. Whatever was moved carries the pole-spacing term. Cam torque,
    unequal friction and the disc's own terms are common to all methods and not among these.
    """
    spacing = 360.0 / poles
    half = spacing / 2 if about is About.REGISTER else 0.0
    places = [round((s.centre_deg - half - near_deg) / spacing) for s in swings]
    nearest = [s for s, place in zip(swings, places, strict=True) if place in ((0, -1) if half else (0,))]
    used = nearest or list(swings)
    moved = [
        replace(s, centre_deg=s.centre_deg - half - spacing * round((s.centre_deg - half - near_deg) / spacing))
        for s in used
    ]
    combined = combine(moved)
    if combined is None:
        return None
    amplitude = max(s.amplitude_deg for s in used)
    terms = [type_a(f"neutral, scatter of {combined.method}", combined.u_deg, combined.freedom)]
    terms += odd_torque_terms(amplitude, poles, priors)
    if half or not nearest:
        terms.append(rectangular("neutral, pole spacing", priors.pole_spacing_deg))
    return SwingNeutral(combined.angle_deg, about, tuple(terms))
