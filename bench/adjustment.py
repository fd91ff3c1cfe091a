"""How far an opening has to move, and by how much this unit's own adjustment moves it.

Sensitivity. Each adjustment gives a pair: what the user moved, in his own unit (millimetres of clearance, turns of a screw), and
the change of angle. Model: change = s · moved, a line through the origin. Where a change begins with the measurement that the one
before it ended with, both hold that measurement's error, with opposite signs; so generalised least squares with the covariances V
of the changes: s = xᵀV⁻¹y / xᵀV⁻¹x, u²(s) = 1 / xᵀV⁻¹x (Aitken, Proc. Roy. Soc. Edinburgh 55 (1935) 42). An uncertainty u(x) of
what was moved adds s²·u²(x) to a change's variance (effective variance). Where the pairs lie further from the line than V
explains (chi-square beyond its 95 % point), u(s) is raised by the root of chi-square over its degrees of freedom (Birge, Phys. Rev. 40
(1932) 207), which are then all that is known of it.

Needed move m = (target - angle) / s. Its interval is Fieller's (J. Roy. Statist. Soc. B 16 (1954) 175), which is exact for a ratio of
two normal values; it has no ends where s cannot be told from 0, and then nothing is predicted.

Limits: small moves (a line), play taken up in the same direction, errors of angle and s independent. Angles are degrees in the running
direction; a positive move of an opening is later.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.job import Tolerance
from bench.uncertainty import coverage_factor, welch_satterthwaite

#: Steps in which the effective variance follows the slope; a few suffice, since it is small beside the changes' own.
_STEPS = 20
#: Normal quantile of 0.95.
_NORMAL_95 = 1.6449


@dataclass(frozen=True, slots=True)
class Adjust:
    """How far one opening is from its target. `move_deg` is positive where it has to open later."""

    move_deg: float
    expanded_uncertainty_deg: float
    #: "later", "earlier", or "none" where the target lies within the uncertainty.
    direction: str
    #: "lower" or "upper" limit that the opening lies beyond, else None.
    beyond: str | None
    text: str


@dataclass(frozen=True, slots=True)
class Adjustment:
    """What was moved, in the user's unit, and the change of angle that came of it.

    `u_shared_deg` is the standard uncertainty of the measurement that this change began with, where that is the one that the pair
    before ended with; 0 where the two have none in common.
    """

    moved: float
    change_deg: float
    u_change_deg: float
    freedom: float = math.inf
    u_moved: float = 0.0
    u_shared_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """Degrees later per unit moved. `scattered` if the pairs lie further from the line than their uncertainties explain."""

    deg_per_unit: float
    u_deg_per_unit: float
    freedom: float
    unit: str
    pairs: int
    scattered: bool

    def expanded(self, confidence: float) -> float:
        """Half-width of the interval, degrees per unit."""
        return coverage_factor(self.freedom, confidence) * self.u_deg_per_unit

    def known(self, confidence: float) -> bool:
        """True if it can be told from 0."""
        return abs(self.deg_per_unit) > self.expanded(confidence)

    def text(self, confidence: float) -> str:
        """As the operator reads it."""
        way = "later" if self.deg_per_unit > 0 else "earlier"
        half = self.expanded(confidence)
        places = max(0, min(6, 1 - math.floor(math.log10(half))))
        told = f"{abs(self.deg_per_unit):.{places}f}° ± {half:.{places}f}° {way} per {self.unit} more, from {_adjustments(self.pairs)}"
        if not self.known(confidence):
            told += ": it cannot be told from 0"
        if self.scattered:
            told += "; the adjustments agree less well than their uncertainties say, which is allowed for"
        return told


@dataclass(frozen=True, slots=True)
class NeededMove:
    """What to move, in the user's unit, with the ends of its interval."""

    move: float
    low: float
    high: float
    unit: str

    @property
    def text(self) -> str:
        """As the operator reads it."""
        return f"move by {self.move:+.3g} {self.unit} (between {self.low:+.3g} and {self.high:+.3g} {self.unit})"


@dataclass(frozen=True, slots=True)
class NotKnown:
    """Why no figure can be given."""

    reason: str


def adjust(name: str, value_deg: float, expanded_uncertainty_deg: float, tolerance: Tolerance) -> Adjust:
    """How far and which way the opening called `name` has to move to its target, and beyond which limit it lies by its value."""
    move = tolerance.target_deg - value_deg
    beyond, by = None, 0.0
    if value_deg < tolerance.lower_deg:
        beyond, by = "lower", tolerance.lower_deg - value_deg
    elif value_deg > tolerance.upper_deg:
        beyond, by = "upper", value_deg - tolerance.upper_deg
    told = f"{name} opens at {value_deg:.2f}° ± {expanded_uncertainty_deg:.2f}°"
    if beyond is not None:
        limit = tolerance.lower_deg if beyond == "lower" else tolerance.upper_deg
        told += f", {by:.2f}° beyond the {beyond} limit of {limit:.2f}°"
    if beyond is None and abs(move) <= expanded_uncertainty_deg:
        text = f"{told}. That is at the target of {tolerance.target_deg:g}° as far as can be told."
        return Adjust(move, expanded_uncertainty_deg, "none", None, text)
    direction = "later" if move > 0 else "earlier"
    text = (
        f"{told}. To be at the target of {tolerance.target_deg:g}° it has to open {abs(move):.2f}° ± {expanded_uncertainty_deg:.2f}° "
        f"{direction} in the running direction."
    )
    return Adjust(move, expanded_uncertainty_deg, direction, beyond, text)


def sensitivity(adjustments: Sequence[Adjustment], unit: str) -> Sensitivity | NotKnown:
    """The line through the origin, adjustments in the order in which they were made; NotKnown where there is none.

    Raises ValueError for figures that are no numbers, uncertainties that are not positive, and a shared measurement that is
    more uncertain than a change that holds it.
    """
    for at, pair in enumerate(adjustments):
        figures = (pair.moved, pair.change_deg, pair.u_change_deg, pair.u_moved, pair.u_shared_deg)
        if not all(math.isfinite(f) for f in figures) or pair.u_change_deg <= 0 or pair.u_moved < 0:
            raise ValueError("finite figures with positive uncertainties were expected")
        before = adjustments[at - 1].u_change_deg if at else 0.0
        if not 0 <= pair.u_shared_deg < min(pair.u_change_deg, before or math.inf) or (pair.u_shared_deg and not at):
            raise ValueError("what two changes have in common is less uncertain than either of them")
    moved = np.array([a.moved for a in adjustments])
    if not np.any(moved):
        return NotKnown("nothing was moved, so nothing tells how much the angle follows")
    change = np.array([a.change_deg for a in adjustments])
    slope, squares, weights = 0.0, 1.0, moved
    inverse = np.eye(len(moved))
    for _ in range(_STEPS):
        inverse = np.linalg.inv(_covariance(adjustments, slope))
        weights = inverse @ moved
        squares = float(moved @ weights)
        slope = float(weights @ change) / squares
    u = 1 / math.sqrt(squares)
    # Each change's part in u(s); of shared measurements it holds approximately, since they are counted with both.
    parts = [
        (abs(w) / squares * math.hypot(a.u_change_deg, slope * a.u_moved), a.freedom)
        for w, a in zip(weights, adjustments, strict=True)
    ]
    freedom = welch_satterthwaite(parts)
    spare = len(adjustments) - 1
    off = change - slope * moved
    squares_off = float(off @ inverse @ off)
    scattered = spare > 0 and squares_off > chi_square_95(spare)
    if scattered:
        u, freedom = u * math.sqrt(squares_off / spare), min(freedom, spare)
    return Sensitivity(slope, u, freedom, unit, len(adjustments), scattered)


def _covariance(adjustments: Sequence[Adjustment], slope: float) -> np.ndarray:
    """Covariances of the changes about the line, shape (n, n), degrees squared."""
    found = np.diag([a.u_change_deg**2 + (slope * a.u_moved) ** 2 for a in adjustments])
    for at, pair in enumerate(adjustments[1:], start=1):
        found[at, at - 1] = found[at - 1, at] = -(pair.u_shared_deg**2)
    return found


def chi_square_95(freedom: int) -> float:
    """What chi-square exceeds by chance once in twenty: Wilson & Hilferty, Proc. Nat. Acad. Sci. 17 (1931) 684; to 3 %."""
    part = 2 / (9 * freedom)
    return freedom * (1 - part + _NORMAL_95 * math.sqrt(part)) ** 3


def needed_move(
    learnt: Sensitivity, move_deg: float, u_move_deg: float, freedom: float = math.inf, confidence: float = 0.95
) -> NeededMove | NotKnown:
    """What to move for the opening to move by `move_deg`, standard uncertainty `u_move_deg` with `freedom` degrees of freedom."""
    slope = learnt.deg_per_unit
    if not learnt.known(confidence):
        return NotKnown(
            f"{learnt.text(confidence)}. Move it by more, or measure more surely, before anything can be predicted."
        )
    # One k for the ratio, with degrees of freedom by Welch-Satterthwaite at the fitted ratio.
    parts = [(u_move_deg, freedom), (learnt.u_deg_per_unit * move_deg / slope, learnt.freedom)]
    k = coverage_factor(welch_satterthwaite(parts), confidence)
    square = slope**2 - (k * learnt.u_deg_per_unit) ** 2
    if square <= 0:
        return NotKnown(f"{learnt.text(confidence)}, and too little beside this move to predict it.")
    root = k * math.sqrt((move_deg * learnt.u_deg_per_unit) ** 2 + square * u_move_deg**2)
    ends = sorted(((move_deg * slope - root) / square, (move_deg * slope + root) / square))
    return NeededMove(move_deg / slope, ends[0], ends[1], learnt.unit)


def _adjustments(number: int) -> str:
    return "one adjustment" if number == 1 else f"{number} adjustments"
