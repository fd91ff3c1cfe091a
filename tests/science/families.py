"""Families of jobs from physics to messages: is the angle right, and does its interval say the right thing?

One random opening per job is judged, since the openings of a job share a neutral. The estimators are the real ones; of the budgets
that are propagated by draws (`bench.monte_carlo`), only that of the judged opening is drawn in full, the others by few draws, which
nobody looks at.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from bench import monte_carlo
from bench.evaluation import Angle, Evaluation, OpeningResult, evaluate
from bench.uncertainty import Shape
from tests.science.families_jobs import Done, Family, Unit, carry_out
from tests.science.hand_method import hand_error_deg

_FEW_DRAWS = 10_000
#: Largest 95 % error that a family may have, degrees, where it is stated as such.
MOST_ERROR_DEG = {"10°-swings": 0.012, "10°-rests-fine": 0.012, "40°-unmapped": 0.045}


@dataclass(frozen=True)
class Sample:
    """One random opening of one job: error, intervals, and what rules its budget; NaN where there is no valid result."""

    family: str
    seed: int
    error_deg: float
    u_deg: float
    expanded_deg: float
    #: The largest term, its share of the variance, and the share of all terms of which only bounds are known.
    ruling: str
    ruling_share: float
    bounded_share: float
    hand_error_deg: float
    why: str = ""

    @property
    def valid(self) -> bool:
        """True if there was a result."""
        return not self.why


def sample(family: Family, seed: int) -> Sample:
    """Carry out one job and judge one of its openings."""
    done = carry_out(family, seed)
    run = done.run
    if run.failure is not None or not run.finished:
        why = f"{run.step.value}, missing {run.missing()}" if run.failure is None else run.failure.text
        nan = math.nan
        return Sample(family.name, seed, nan, nan, nan, "", nan, nan, nan, why)
    evaluation = evaluate_judged(done)
    angle, true, lobe = judged(done, evaluation)
    budget = angle.budget
    if budget.propagated_deg is not None:
        budget = replace(budget, propagated_deg=monte_carlo.propagate(budget).half_width_deg)
    ruling = max(budget.terms, key=budget.share)
    bounded = sum(budget.share(t) for t in budget.terms if t.shape in (Shape.RECTANGULAR, Shape.ARCSINE))
    zero_error = 0.0 if evaluation.neutral is None else evaluation.neutral.angle_deg - done.true_zero_deg
    scatter = float(done.rng.normal()) * sum(family.pass_scatter_deg) / 2
    hand = hand_error_deg(done.unit.opens_deg[0][lobe], zero_error, scatter)
    return Sample(
        family.name,
        seed,
        angle.value_deg - true,
        budget.standard_uncertainty_deg,
        budget.expanded_uncertainty_deg,
        ruling.source,
        budget.share(ruling),
        bounded,
        hand,
    )


def evaluate_judged(done: Done) -> Evaluation:
    """The real evaluation, but with few draws for the intervals that are propagated."""
    draws = monte_carlo.DRAWS
    monte_carlo.DRAWS = _FEW_DRAWS
    try:
        return evaluate(done.run)
    finally:
        monte_carlo.DRAWS = draws


def judged(done: Done, evaluation: Evaluation) -> tuple[Angle, float, int]:
    """The opening that the seed picks: what is stated of it, the truth, and its lobe."""
    unit, family = done.unit, done.unit.family
    lobes = len(unit.opens_deg[0])
    lobe = int(done.rng.integers(lobes)) if family.lobe is None else family.lobe
    if family.judged == "difference":
        (stated,) = [d.angle for d in evaluation.differences if d.lobe == lobe]
        return stated, unit.opens_deg[1][lobe] - unit.opens_deg[0][lobe], lobe
    breaker = 0 if family.judged == "neutral" else 1
    opening = evaluation.breakers[breaker].openings[lobe]
    assert opening.angle is not None
    return opening.angle, _true_deg(unit, breaker, opening), lobe


def _true_deg(unit: Unit, breaker: int, opening: OpeningResult) -> float:
    family, lobe = unit.family, opening.mean.lobe
    own = unit.opens_deg[breaker][lobe]
    if family.judged == "main":
        return own - unit.opens_deg[0][lobe]
    if family.judged == "main.target":
        return own - sum(family.opens_deg[0]) / 2
    if family.offsets_deg:
        # A geared cam's lobe is past another neutral in every turn of the cam.
        return own - statistics.fmean(unit.neutral_error_deg(p.ordinal) for p in opening.mean.passes)
    return own


@dataclass(frozen=True)
class Row:
    """What the samples of one family say together."""

    family: str
    about: str
    jobs: int
    valid: int
    covered: int
    low: float
    high: float
    median_expanded_deg: float
    error_95_deg: float
    #: What the 95 % error is at least, with a chance of 2.5 % of saying too much.
    error_95_low_deg: float
    median_u_deg: float
    hand_error_95_deg: float
    ruling: str
    ruling_share: float
    bounded_share: float

    @property
    def coverage(self) -> float:
        """Share of valid jobs whose interval holds the truth."""
        return self.covered / self.valid

    @property
    def ratio(self) -> float:
        """Median expanded uncertainty over the empirical 95 % error."""
        return self.median_expanded_deg / self.error_95_deg

    @property
    def over_computed(self) -> float:
        """Empirical 95 % error over 1.96 times the median computed standard uncertainty."""
        return self.error_95_deg / (1.96 * self.median_u_deg)

    @property
    def hand_ratio(self) -> float:
        """How many times larger the hand method's 95 % error is."""
        return self.hand_error_95_deg / self.error_95_deg

    @property
    def ruled_by(self) -> str:
        """In words: which term rules, and whether what is known by bounds alone makes the interval wider than needed."""
        text = f"{self.ruling} ({self.ruling_share:.0%})"
        if self.bounded_share > monte_carlo.DOMINANT:
            text += f"; bounds {self.bounded_share:.0%}"
        return text


def tabulate(family: Family, samples: Sequence[Sample]) -> Row:
    """Summary of one family's samples. Raises ValueError if none is valid."""
    from scipy.stats import beta, binom

    good = [s for s in samples if s.valid]
    if not good:
        raise ValueError(f"{family.name}: no valid job; {samples[0].why}")
    n = len(good)
    covered = sum(abs(s.error_deg) <= s.expanded_deg for s in good)
    # Clopper and Pearson, Biometrika 26 (1934) 404.
    low = float(beta.ppf(0.025, covered, n - covered + 1)) if covered else 0.0
    high = float(beta.ppf(0.975, covered + 1, n - covered)) if covered < n else 1.0
    return Row(
        family.name,
        family.about,
        len(samples),
        n,
        covered,
        low,
        high,
        statistics.median(s.expanded_deg for s in good),
        error_95([s.error_deg for s in good]),
        sorted(abs(s.error_deg) for s in good)[max(0, int(binom.ppf(0.025, n, 0.95)) - 1)],
        statistics.median(s.u_deg for s in good),
        error_95([s.hand_error_deg for s in good]),
        Counter(s.ruling for s in good).most_common(1)[0][0],
        statistics.median(s.ruling_share for s in good),
        statistics.median(s.bounded_share for s in good),
    )


def error_95(errors_deg: Sequence[float]) -> float:
    """Size that 95 % of the errors do not exceed."""
    sizes = sorted(abs(e) for e in errors_deg)
    return sizes[math.ceil(0.95 * len(sizes)) - 1]


def misses(row: Row) -> list[str]:
    """What a row does not keep of the stated limits, in words; chance (the binomial interval) is allowed for."""
    found = []
    if row.valid < row.jobs:
        found.append(f"{row.jobs - row.valid} jobs without a valid result")
    if row.high < 0.93:
        found.append(f"covers {row.coverage:.1%}, less than 93 %")
    if row.low > 0.97 and row.bounded_share <= monte_carlo.DOMINANT:
        found.append(f"covers {row.coverage:.1%}, more than 97 % though terms from scatter rule")
    most = MOST_ERROR_DEG.get(row.family)
    if most is not None and row.error_95_low_deg > most:
        found.append(f"95 % error {row.error_95_deg:.4f}°, more than {most:.3f}°")
    if most is None and row.error_95_low_deg > 1.15 * 1.96 * row.median_u_deg:
        found.append(f"95 % error is {row.over_computed:.2f} times 1.96 u, more than 1.15")
    return found
