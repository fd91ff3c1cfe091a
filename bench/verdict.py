"""Inside, outside, or undecided: the decision rule and the probability behind it."""

from __future__ import annotations

from enum import StrEnum

from bench import student
from bench.job import Tolerance
from bench.uncertainty import Budget


class Verdict(StrEnum):
    """What can be said of one opening."""

    INSIDE = "inside"
    OUTSIDE = "outside"
    UNDECIDED = "undecided"
    NONE = "none"


def decide(value_deg: float, budget: Budget, tolerance: Tolerance | None, rule: str) -> Verdict:
    """Verdict on a value by `rule`.

    "guarded": inside only if the whole interval value ± U lies within the limits, outside only if it lies wholly beyond one of
    them (guard bands as in JCGM 106:2012, 8.3, as wide as U). "simple": the value alone decides.
    """
    if tolerance is None:
        return Verdict.NONE
    guard = budget.expanded_uncertainty_deg if rule == "guarded" else 0.0
    if tolerance.lower_deg + guard <= value_deg <= tolerance.upper_deg - guard:
        return Verdict.INSIDE
    if value_deg < tolerance.lower_deg - guard or value_deg > tolerance.upper_deg + guard:
        return Verdict.OUTSIDE
    return Verdict.UNDECIDED


def probability_inside(value_deg: float, budget: Budget, tolerance: Tolerance) -> float:
    """Probability that the true angle lies within the limits (JCGM 106:2012, 7), by t with the effective degrees of freedom."""
    u = budget.standard_uncertainty_deg
    if u == 0:
        return float(tolerance.lower_deg <= value_deg <= tolerance.upper_deg)
    upper = student.distribution((tolerance.upper_deg - value_deg) / u, budget.freedom)
    lower = student.distribution((tolerance.lower_deg - value_deg) / u, budget.freedom)
    return upper - lower
