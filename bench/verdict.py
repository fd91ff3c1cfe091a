"""Inside, outside, or undecided: the decision rule and the probability behind it."""

from __future__ import annotations

from enum import StrEnum

from bench import monte_carlo, student
from bench.bench_file import Decision
from bench.job import Tolerance
from bench.uncertainty import Budget


class Verdict(StrEnum):
    """What can be said of one opening."""

    INSIDE = "inside"
    OUTSIDE = "outside"
    UNDECIDED = "undecided"
    NONE = "none"


def decide(value_deg: float, budget: Budget, tolerance: Tolerance | None, decision: Decision) -> Verdict:
    """Verdict on a value by the bench's rule.

    "guarded": inside only if the whole interval value ± U lies within the limits, outside only if it lies wholly beyond one of
    them (guard bands as in JCGM 106:2012, 8.3, as wide as U). "risk": inside only if the probability of being truly outside is at
    most the stated risk, outside only if the probability of being truly inside is (guard band for a stated specific risk, JCGM
    106:2012, 7.3 and 9.3.2). "simple": the value alone decides (8.2, simple acceptance).
    """
    if tolerance is None:
        return Verdict.NONE
    if decision.rule == "risk":
        inside = probability_inside(value_deg, budget, tolerance)
        if 1.0 - inside <= decision.risk:
            return Verdict.INSIDE
        return Verdict.OUTSIDE if inside <= decision.risk else Verdict.UNDECIDED
    guard = budget.expanded_uncertainty_deg if decision.rule == "guarded" else 0.0
    if tolerance.lower_deg + guard <= value_deg <= tolerance.upper_deg - guard:
        return Verdict.INSIDE
    if value_deg < tolerance.lower_deg - guard or value_deg > tolerance.upper_deg + guard:
        return Verdict.OUTSIDE
    return Verdict.UNDECIDED


def probability_inside(value_deg: float, budget: Budget, tolerance: Tolerance) -> float:
    """Probability that the true angle lies within the limits (JCGM 106:2012, 7).

    By t scaled with u and the effective degrees of freedom; by the propagated distribution where a bound rules the budget.
    """
    u = budget.standard_uncertainty_deg
    if u == 0:
        return float(tolerance.lower_deg <= value_deg <= tolerance.upper_deg)
    if budget.propagated_deg is not None:
        return monte_carlo.probability_between(budget, value_deg - tolerance.upper_deg, value_deg - tolerance.lower_deg)
    upper = student.distribution((tolerance.upper_deg - value_deg) / u, budget.freedom)
    lower = student.distribution((tolerance.lower_deg - value_deg) / u, budget.freedom)
    return upper - lower
