"""How fast a figure drifts, and whether that can be told at all.

In service, between two visits: what was found less what was left the time before, over the hours between. Those changes d at spans s
give the rate by least squares through nil, Σ w s d / Σ w s², with weights w = 1/u² and variance 1/Σ w s² (a straight line with known
uncertainties: JCGM 100:2008, H.3, without its constant). Adjusting between the visits does not enter. Where nobody measured before
adjusting, a weighted straight line through the figures themselves is all that is left, and what was adjusted is taken for drift.

Uncertainties of one unit's figures are mostly shared (cam torque, followers); taken as independent here, they make the rate look less
sure than it is, never surer. Where the scatter is larger than they explain, it sets the rate's uncertainty (Birge's ratio).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bench import student

CONFIDENCE = 0.95
#: Fewer points than this tell no scatter.
LEAST_POINTS = 3


@dataclass(frozen=True, slots=True)
class Point:
    """A figure at a place (hours, or days), with its standard uncertainty if known."""

    at: float
    value: float
    u: float | None


@dataclass(frozen=True, slots=True)
class Change:
    """A figure's change over a span, with its standard uncertainty if known."""

    span: float
    value: float
    u: float | None


@dataclass(frozen=True, slots=True)
class Drift:
    """A rate per unit of the place, its expanded uncertainty, how it was found ("in service" or "line") and from how many.

    `told`: the rate differs from nil at the stated confidence. `why_not` says why nothing can be told, in words; empty if it can.
    `rate` and `expanded_uncertainty` are None where there is nothing to work out.
    """

    rate: float | None
    expanded_uncertainty: float | None
    method: str
    points: int
    told: bool
    why_not: str


def in_service(changes: Sequence[Change]) -> Drift:
    """Rate from what changed between visits."""
    used = [c for c in changes if c.span > 0]
    if not used:
        return _nothing("in service", len(used), "there are no two visits with time in service between them")
    weights = _weights([c.u for c in used])
    if weights is None and len(used) < LEAST_POINTS:
        return _nothing("in service", len(used), "the uncertainty is not known, and two changes tell no scatter")
    w = weights or [1.0] * len(used)
    below = math.fsum(wi * c.span**2 for wi, c in zip(w, used))
    rate = math.fsum(wi * c.span * c.value for wi, c in zip(w, used)) / below
    squares = math.fsum(wi * (c.value - rate * c.span) ** 2 for wi, c in zip(w, used))
    return _judged(rate, 1.0 / math.sqrt(below), squares, len(used), len(used) - 1, "in service", weights is not None)


def line(points: Sequence[Point]) -> Drift:
    """Slope of a weighted straight line through figures."""
    n = len(points)
    if n < LEAST_POINTS:
        return _nothing("line", n, f"{n} measurements are too few for a line; {LEAST_POINTS} at least are needed")
    weights = _weights([p.u for p in points])
    w = weights or [1.0] * n
    whole = math.fsum(w)
    mean_at = math.fsum(wi * p.at for wi, p in zip(w, points)) / whole
    mean = math.fsum(wi * p.value for wi, p in zip(w, points)) / whole
    below = math.fsum(wi * (p.at - mean_at) ** 2 for wi, p in zip(w, points))
    if below <= 0 or len({p.at for p in points}) < 2:
        return _nothing("line", n, "all measurements are of the same hour or day")
    slope = math.fsum(wi * (p.at - mean_at) * (p.value - mean) for wi, p in zip(w, points)) / below
    squares = math.fsum(wi * (p.value - mean - slope * (p.at - mean_at)) ** 2 for wi, p in zip(w, points))
    return _judged(slope, 1.0 / math.sqrt(below), squares, n, n - 2, "line", weights is not None)


def _weights(uncertainties: Sequence[float | None]) -> list[float] | None:
    if any(u is None or u <= 0 for u in uncertainties):
        return None
    return [1.0 / (u or 1.0) ** 2 for u in uncertainties]


def _judged(rate: float, u: float, squares: float, points: int, freedom: int, method: str, known: bool) -> Drift:
    """With known uncertainties the scatter only widens; without, it is all there is."""
    ratio = math.sqrt(squares / freedom) if freedom > 0 else 0.0
    scattered = not known or ratio > 1.0
    expanded = (
        (student.quantile(0.5 + CONFIDENCE / 2, freedom if scattered else math.inf)) * u * (ratio if scattered else 1.0)
    )
    if abs(rate) > expanded:
        return Drift(rate, expanded, method, points, True, "")
    return Drift(
        rate, expanded, method, points, False, "the rate is smaller than its uncertainty: it may as well be nil"
    )


def _nothing(method: str, points: int, why: str) -> Drift:
    return Drift(None, None, method, points, False, why)
