"""A wild pass, by a stated test: Grubbs' for one lobe, externally studentized deviations with the scatter of all lobes.

Model. Passes of a lobe scatter normally about its mean, independently; at most one of them per lobe is wild. Both tests are two-sided.

One lobe of n values (Grubbs, Technometrics 11 (1969) 1; ASTM E178): G = max|x - mean|/s against
(n-1)/√n · √(t²/(n-2+t²)), t the upper α/(2n) point of Student's t with n-2 degrees of freedom.

Several lobes of one variance: t = |x - mean of the others of its lobe| / (s √(1 + 1/(n-1))), s² pooled over all lobes without x,
N-L-1 degrees of freedom, against the upper α/(2N) point (Bonferroni). For a single lobe that is Grubbs' test. Of two wild values in
two lobes each hides the other in s; so the worst value of one lobe after the other is taken out, each time with a fresh s, and all
up to the last that exceeds its critical value are wild (Rosner's generalized extreme studentized deviate, Technometrics 25 (1983)
165).

Why five passes at least: |x - mean|/s cannot exceed (n-1)/√n, which is 1.789 of 5. A 3-sigma rule never rejects there,
though it looks as if it would; Grubbs' critical value at 1 % is 1.764. Of 4 the two are 1.500 and 1.496: a test by name only, and three
passes left to state a scatter from.

Limits: normal scatter; heavier tails are called wild more often. Of values that a coarse count has made alike, the next count looks
wild: what lies within `least_deg` of the others is never left out. Drift that lobes share is not seen. Where a good pass is left
out, in about α of all cases, the rest looks a little surer than it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from bench import student

SIGNIFICANCE = 0.01
LEAST_VALUES = 5
#: What a result document rounds its figures to, degrees. A smaller scatter is not believed, a smaller deviation not wild.
ROUNDING_DEG = 1e-6


@dataclass(frozen=True, slots=True)
class Finding:
    """The worst value of a lobe: where it is in the lobe, how far from the mean of the others, and what the test says."""

    index: int
    of: int
    deviation_deg: float
    test: str
    statistic: float
    critical: float
    significance: float
    wild: bool

    @property
    def text(self) -> str:
        """For the record."""
        remark = ""
        if self.wild and self.statistic <= self.critical:
            remark = ", hidden by a wild pass of another lobe until both were taken out"
        if not self.wild and self.statistic > self.critical:
            remark = ", but too near to the others to matter"
        return (
            f"pass {self.index + 1} of {self.of} {'is left out' if self.wild else 'stays'}: "
            f"{abs(self.deviation_deg):.4f}° {'above' if self.deviation_deg > 0 else 'below'} the mean of the others; "
            f"{self.test}, two-sided at {100 * self.significance:g} %: {self.statistic:.3f}, critical {self.critical:.3f}"
            f"{remark}"
        )


def grubbs_critical(n: int, significance: float = SIGNIFICANCE) -> float:
    """Critical value of Grubbs' two-sided test for one wild value among n (at least 3)."""
    t = student.quantile(1.0 - significance / (2 * n), n - 2)
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def grubbs(
    values_deg: Sequence[float], significance: float = SIGNIFICANCE, least_deg: float = ROUNDING_DEG
) -> Finding | None:
    """The worst of one lobe's values by Grubbs' test; None of fewer than five. `least_deg`: see limits above."""
    n = len(values_deg)
    if n < LEAST_VALUES:
        return None
    mean = math.fsum(values_deg) / n
    s = math.sqrt(math.fsum((v - mean) ** 2 for v in values_deg) / (n - 1))
    index = max(range(n), key=lambda i: abs(values_deg[i] - mean))
    statistic = abs(values_deg[index] - mean) / max(s, ROUNDING_DEG)
    critical = grubbs_critical(n, significance)
    deviation = (values_deg[index] - mean) * n / (n - 1)
    wild = statistic > critical and abs(deviation) > least_deg
    return Finding(index, n, deviation, "Grubbs' test", statistic, critical, significance, wild)


def pooled(
    lobes_deg: Sequence[Sequence[float]], significance: float = SIGNIFICANCE, least_deg: float = ROUNDING_DEG
) -> tuple[Finding | None, ...]:
    """The worst of each lobe's values by the scatter of all lobes; one entry per lobe, None for a lobe of fewer than five.

    Lobes of two to four values add to the scatter only. `significance` is that of one call, whatever the number of lobes.
    """
    left = [list(lobe) for lobe in lobes_deg]
    waiting = {at for at, lobe in enumerate(lobes_deg) if len(lobe) >= LEAST_VALUES}
    taken: list[tuple[int, Finding]] = []
    while waiting:
        at, finding = _worst(left, waiting, significance, least_deg)
        taken.append((at, finding))
        del left[at][finding.index]
        waiting.discard(at)
    last = max((step for step, (_, finding) in enumerate(taken) if finding.wild), default=-1)
    found: list[Finding | None] = [None] * len(left)
    for step, (at, finding) in enumerate(taken):
        found[at] = replace(finding, wild=step <= last and abs(finding.deviation_deg) > least_deg)
    return tuple(found)


def _worst(
    lobes: Sequence[Sequence[float]], waiting: set[int], significance: float, least_deg: float
) -> tuple[int, Finding]:
    """Lobe and finding of the value, among the lobes still waiting, that the others support least; `wild` by this step alone."""
    squares = [_squares(lobe) for lobe in lobes]
    freedom = sum(len(lobe) - 1 for lobe in lobes if lobe) - 1
    critical = student.quantile(1.0 - significance / (2 * sum(len(lobes[at]) for at in waiting)), freedom)
    worst: tuple[float, int, int, float] | None = None
    for at in sorted(waiting):
        lobe = lobes[at]
        n, mean = len(lobe), math.fsum(lobe) / len(lobe)
        index = max(range(n), key=lambda i: abs(lobe[i] - mean))
        others = math.fsum(s for here, s in enumerate(squares) if here != at)
        s = math.sqrt((others + _squares([*lobe[:index], *lobe[index + 1 :]])) / freedom)
        deviation = (lobe[index] - mean) * n / (n - 1)
        statistic = abs(deviation) / (max(s, ROUNDING_DEG) * math.sqrt(n / (n - 1)))
        if worst is None or statistic > worst[0]:
            worst = (statistic, at, index, deviation)
    assert worst is not None
    statistic, at, index, deviation = worst
    test = "deviation studentized by the scatter of all lobes"
    wild = statistic > critical and abs(deviation) > least_deg
    return at, Finding(index, len(lobes[at]), deviation, test, statistic, critical, significance, wild)


def _squares(values: Sequence[float]) -> float:
    """Sum of squared deviations from the mean."""
    mean = math.fsum(values) / len(values) if values else 0.0
    return math.fsum((v - mean) ** 2 for v in values)
