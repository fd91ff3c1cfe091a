"""Do a breaker's lobes hold still from turn to turn, and do they stand as a round disc would show them?

What an encoder's index cannot show: a coupling that slips takes disc and index with it, and a disc off-centre errs alike in every turn.
Both leave traces in the passes themselves.

Drift. Least squares of angle over turns of the magnet with an intercept for each lobe (analysis of covariance with parallel lines;
Snedecor and Cochran, Statistical Methods, chapter 18), N - L - 1 degrees of freedom, Student's t two-sided. Where the speed changed
along with the turns, as much of the slope as the bound on the delay explains is taken off first.

Roundness. A grating e off-centre on radius r reads (e/r)·sin(ψ - φ) too much at place ψ (geometry). So a lobe's opening is off by
a·sin ψ - b·cos ψ and its dwell by the same at its opening less the same at its closing, one vector (a, b) for all. It is found by
weighted least squares, with an intercept for the openings and one for the dwells that takes up what all lobes share. Of a plain cam
every lobe has one place, and what tells is how the lobes differ: each may be off by itself, as stated for pole spacing and cam, so
that these are the noise. A compensated cam's lobe comes to other places from turn to turn: each lobe has its own intercept, and only
the passes' scatter is left as noise. The test: is there a vector no longer than the stated e/r from which the one found lies no
farther than its covariance M⁻¹ explains? For two figures that is q = d'Md ≤ 2·F(2, ν) with F's quantile in closed form,
ν/2·(α^(-2/ν) - 1); for infinite ν it is -2·ln α.

Limits: a slip that comes once is `jump.py`'s; a drift is not seen that is slower than the scatter tells. A worn cam or a bent
shaft that looks like a disc off-centre is called uneven as well; the term is then wider than it had to be, never too small.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench import student
from bench.jump import JUMP
from bench.uncertainty import Budget, Term, rectangular, welch_satterthwaite

#: Chance that scatter alone makes a drift in a job, shared by its breakers (Bonferroni).
DRIFT_SIGNIFICANCE = 0.001
#: The same of unevenness, were the lobes' errors normal. They are bounded, so that it is less: 1 in 600 at most was seen.
UNEVEN_SIGNIFICANCE = 0.01
#: A drift that is less than this share of the expanded uncertainty over all its turns is not worth a word.
MATTERS = 0.25
#: How far a lobe of a sound cam may open or close from its place, degrees; common practice, no source.
LOBE_ERROR_DEG = 0.1
#: Of the two directions of the vector, one that is told so much worse than the other (as variances) is not told.
_TOLD = 0.01
#: Directions in which the nearest vector that is allowed is looked for.
_DIRECTIONS = 360
DRIFT = "drift of the passes"

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Crossing:
    """One pass: its place on the disc, how far it lies past its lobe's place, and its dwell (None if unknown), degrees; its speed."""

    place_deg: float
    past_deg: float
    dwell_deg: float | None
    speed_deg_s: float


@dataclass(frozen=True, slots=True)
class Drift:
    """A common slope of a breaker's lobes, degrees per turn of the magnet. `significant`: neither scatter nor delay explains it."""

    slope_deg: float
    u_deg: float
    freedom: int
    statistic: float
    critical: float

    @property
    def significant(self) -> bool:
        """By Student's t at the stated level."""
        return self.statistic > self.critical

    @property
    def fastest_deg(self) -> float:
        """The slope to reckon with, per turn: as seen, and twice its standard uncertainty."""
        return abs(self.slope_deg) + 2 * self.u_deg

    def bound_deg(self, places_deg: Sequence[float], marked_deg: Sequence[float]) -> float:
        """How far passes at these places may be off a mark made at those; 0 if the drift is not significant."""
        return self.fastest_deg * _turns(places_deg, marked_deg) if self.significant else 0.0


@dataclass(frozen=True, slots=True)
class Roundness:
    """Amplitude over the turn of the disc as the lobes show it, its standard uncertainty, and what is stated for it, degrees."""

    amplitude_deg: float
    u_deg: float
    stated_deg: float
    statistic: float
    critical: float

    @property
    def uneven(self) -> bool:
        """More than what is stated, pole spacing, cam and scatter explain."""
        return self.statistic > self.critical

    @property
    def covering_deg(self) -> float:
        """The amplitude to reckon with: as seen, and twice its standard uncertainty."""
        return self.amplitude_deg + 2 * self.u_deg

    @property
    def text(self) -> str:
        """For the record."""
        return (
            f"the lobes differ over the turn as if the encoder's disc erred by ±{self.amplitude_deg:.2f}°, where ±{self.stated_deg:.2f}° "
            "is stated for it. The encoder is off-centre by more than stated, the shaft is bent, or the cam is worn: check the centring "
            "by dial gauge. `breakerbench qualify encoder` makes a map that takes an encoder's error out. The uncertainty allows for "
            "what was seen."
        )


def drift(lobes: Sequence[Sequence[Crossing]], delay_s: float, breakers: int = 1) -> Drift | None:
    """The slope common to the lobes' passes; None where there are too few to tell. `delay_s`: half-width of the delay not known."""
    kept = [lobe for lobe in lobes if len(lobe) > 1]
    freedom = sum(len(lobe) - 1 for lobe in kept) - 1
    turns = _within([[c.place_deg / 360.0 for c in lobe] for lobe in kept])
    if freedom < 1 or not (spread := float(turns @ turns)):
        return None
    past = _within([[c.past_deg for c in lobe] for lobe in kept])
    speeds = _within([[c.speed_deg_s for c in lobe] for lobe in kept])
    slope = float(turns @ past) / spread
    left = past - slope * turns
    u = math.sqrt(float(left @ left) / freedom / spread)
    by_delay = delay_s * abs(float(turns @ speeds)) / spread
    beyond = max(abs(slope) - by_delay, 0.0)
    critical = student.quantile(1.0 - DRIFT_SIGNIFICANCE / breakers / 2, freedom)
    return Drift(slope, u, freedom, beyond / u if u > 0 else math.inf if beyond > 0 else 0.0, critical)


def apart_deg(one: Drift | None, two: Drift | None, first_deg: Sequence[float], second_deg: Sequence[float]) -> float:
    """How far the distance between the mean places of two openings may be off; 0 if neither drift is significant.

    What both share acts over the turns between the two means, what they do not share over all turns of their passes.
    """
    found = [d for d in (one, two) if d is not None]
    if not any(d.significant for d in found):
        return 0.0
    slopes = [0.0 if d is None else d.slope_deg for d in (one, two)]
    apart = _turns([float(np.mean(first_deg))], [float(np.mean(second_deg))])
    places = [*first_deg, *second_deg]
    return abs(slopes[1] - slopes[0]) * _turns([max(places)], [min(places)]) + apart * max(d.fastest_deg for d in found)


def _turns(places_deg: Sequence[float], marked_deg: Sequence[float]) -> int:
    """Turns from the farthest mark to the farthest pass, a begun one as a whole one: a coupling may slip at any one place of a turn."""
    return max(1, math.ceil(max((abs(p - m) for p in places_deg for m in marked_deg), default=0.0) / 360.0))


def drift_text(drifts: Mapping[str, Drift]) -> str:
    """For the record, of all breakers that drift."""
    slopes = ", ".join(f"{name} {d.slope_deg:+.3f}°" for name, d in drifts.items() if d.significant)
    return (
        f"From turn to turn openings move in one direction by more than scatter and speed explain: {slopes} per turn. The encoder's "
        "coupling slips, a clamp is loose, or the points move. Find it, mend it and measure again from neutral on. No verdict is given on "
        "what drifts; its uncertainty allows for the whole drift."
    )


def drift_term(bound_deg: float, confidence: float) -> Term:
    """All that a drift may have done: rectangular, so wide that its interval for `confidence` reaches the whole `bound_deg`."""
    return rectangular(DRIFT, bound_deg / confidence)


def mattering(terms: Sequence[Term], budget: Budget) -> list[Term]:
    """The drifts among `terms` that are not small beside the budget without them."""
    return [t for t in terms if t.contribution_deg > MATTERS * budget.expanded_uncertainty_deg / math.sqrt(3)]


def drifts(budget: Budget) -> bool:
    """Is there a drift or a jump in the budget? Then no verdict rests on it, whatever the rule."""
    return any(t.source in (DRIFT, JUMP) for t in budget.terms)


def roundness(
    lobes: Sequence[Sequence[Crossing]], stated_deg: float, pole_spacing_deg: float, plain: bool, breakers: int = 1
) -> Roundness | None:
    """The disc's vector as one breaker's lobes show it; None where they tell nothing of it.

    `stated_deg` is the stated e/r as an angle.
    """
    found = _of_plain(lobes, pole_spacing_deg) if plain else _of_compensated(lobes)
    if found is None:
        return None
    information, vector, freedom = found
    values, directions = np.linalg.eigh(information)
    told = values > _TOLD * values[-1]
    seen = directions.T @ vector
    inverse = np.where(told, 1.0 / np.where(told, values, 1.0), 0.0)
    along = np.where(told, inverse * seen, 0.0)
    amplitude = float(np.hypot(*along))
    if not told.all():
        # Of a sine of unknown phase, one direction shows half of the square in the mean.
        amplitude *= math.sqrt(2.0)
    turned = 2 * math.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    off = along[:, None] - stated_deg * np.array([np.cos(turned), np.sin(turned)])
    inside = float(np.hypot(*along)) <= stated_deg
    statistic = 0.0 if inside else float((np.where(told, values, 0.0) @ off**2).min())
    return Roundness(amplitude, math.sqrt(float(inverse.max())), stated_deg, statistic, _critical(freedom, breakers))


def _critical(freedom: float, breakers: int) -> float:
    """2·F(2, ν)."""
    exponent = -2 * math.log(UNEVEN_SIGNIFICANCE / breakers)
    return exponent if math.isinf(freedom) else freedom * math.expm1(exponent / freedom)


def _of_plain(lobes: Sequence[Sequence[Crossing]], pole_spacing_deg: float) -> tuple[Floats, Floats, float] | None:
    """X'WX, X'Wy and degrees of freedom from the lobes' means: openings, and dwells."""
    information, vector, freedom = np.zeros((2, 2)), np.zeros(2), math.inf
    for kind, prior in (
        ("past", math.hypot(pole_spacing_deg, LOBE_ERROR_DEG)),
        ("dwell", math.sqrt(2) * LOBE_ERROR_DEG),
    ):
        rows = [[r for c in lobe if (r := _row(c, kind)) is not None] for lobe in lobes]
        rows = [r for r in rows if r]
        known = sum(len(r) - 1 for r in rows)
        if len(rows) < 2 or known < 1:
            continue
        scatter = _within([[y for *_, y in lobe] for lobe in rows])
        least = min(len(lobe) for lobe in rows)
        u_prior, u_scatter = prior / math.sqrt(3), math.sqrt(float(scatter @ scatter) / known / least)
        freedom = min(freedom, welch_satterthwaite([(u_prior, math.inf), (u_scatter, known)]))
        means = np.array([np.mean(lobe, axis=0) for lobe in rows])
        means -= means.mean(axis=0)
        weight = 1.0 / max(u_prior**2 + u_scatter**2, 1e-12)
        information += weight * means[:, :2].T @ means[:, :2]
        vector += weight * means[:, :2].T @ means[:, 2]
    return None if not information.any() else (information, vector, freedom)


def _of_compensated(lobes: Sequence[Sequence[Crossing]]) -> tuple[Floats, Floats, float] | None:
    """The same from how each lobe's openings differ from place to place, by what scatter is then left."""
    rows = [[r for c in lobe if (r := _row(c, "past")) is not None] for lobe in lobes if lobe]
    freedom = sum(len(lobe) - 1 for lobe in rows) - 2
    if freedom < 1:
        return None
    x = np.column_stack([_within([[row[k] for row in lobe] for lobe in rows]) for k in (0, 1)])
    y = _within([[row[2] for row in lobe] for lobe in rows])
    square = x.T @ x
    if float(np.trace(square)) < 1e-6:
        # The lobes come to the same places in every turn: nothing tells.
        return None
    left = y - x @ np.linalg.lstsq(x, y, rcond=_TOLD)[0]
    weight = 1.0 / max(float(left @ left) / freedom, 1e-12)
    return weight * square, weight * (x.T @ y), float(freedom)


def _row(crossing: Crossing, kind: str) -> tuple[float, float, float] | None:
    """What (a, b) do to the figure, and the figure."""
    at = math.radians(crossing.place_deg)
    if kind == "past":
        return math.sin(at), -math.cos(at), crossing.past_deg
    if crossing.dwell_deg is None:
        return None
    closed = math.radians(crossing.place_deg - crossing.dwell_deg)
    return math.sin(at) - math.sin(closed), math.cos(closed) - math.cos(at), crossing.dwell_deg


def _within(lobes: Sequence[Sequence[float]]) -> Floats:
    """All values in a row, each less the mean of its lobe."""
    parts = [np.array(lobe, dtype=float) - np.mean(lobe) for lobe in lobes]
    return np.concatenate(parts) if parts else np.zeros(0)
