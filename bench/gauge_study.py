"""Gauge study: how much of the scatter of readings comes from measuring, and how much from the units measured.

Crossed: every operator measures every unit equally often. Model: reading = mean + operator + unit + operator × unit + repeat,
all random and independent. Two evaluations of the same readings: average and range (with tabled constants, for small studies),
and analysis of variance. Measurement Systems Analysis Reference Manual, AIAG, 4th ed., chapter III, section B; figures are
standard deviations, 1 s, not the 5.15 s of older editions. What the manual calls parts, appraisers and trials are here units,
operators and trials; EV, AV, GRR, PV, TV are repeatability, reproducibility, gauge, unit to unit, total.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench import student

#: Fewest operators, units and trials of which a scatter can be told.
FEWEST = 2
#: 1/d2*, d2* = √(d2² + d3²/g) for the mean of g ranges of m values (Duncan, Quality Control and Industrial Statistics, 1974,
#: appendix D3; the manual's appendix C). K1: by trials, g taken as infinite. K2: by operators, g = 1. K3: by units, g = 1.
K1 = {2: 0.8862, 3: 0.5908}
K2 = {2: 0.7071, 3: 0.5231}
K3 = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}
#: From this many ranges on, K1's g may be taken as infinite (the manual's worksheet).
MANY_RANGES = 16
#: D4 = 1 + 3 d3/d2 by trials: three-sigma upper limit of a range over the mean range (ASTM manual on control charts).
D4 = {2: 3.267, 3: 2.574}
#: The interaction is kept in the model if its F is significant at this level; else pooled with the repeats (the manual's ANOVA).
POOL_ABOVE = 0.25
#: Confidence of the intervals.
CONFIDENCE = 0.95
#: Distinct categories: 1.41 unit-to-unit deviations over gauge deviations, 1.41 as the manual writes √2.
_CATEGORIES = 1.41
#: The study's spread in standard deviations, for the share of a tolerance (the manual: tolerance / 6).
_SPREAD = 6.0
#: Deviations below are binary noise of equal readings.
_NOISE_DEG = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class GaugeReadings:
    """`angle_deg` has the shape (operators, units, trials), each at least FEWEST."""

    operators: tuple[str, ...]
    units: tuple[str, ...]
    angle_deg: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Component:
    """One part of the scatter. Percentages are of the total's standard deviation, its variance, and the tolerance.

    The interval has CONFIDENCE; None where the method has none. A percentage is None where what it is of is zero or not given.
    """

    name: str
    standard_deviation_deg: float
    percent_of_total: float | None
    percent_of_variance: float | None
    percent_of_tolerance: float | None
    interval_deg: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Components:
    """The whole scatter, taken apart. `interaction` is a part of reproducibility; None if not estimated or pooled.

    `categories` (ndc) is how many groups of units the gauge can tell apart, unrounded; None if the gauge shows no scatter.
    """

    repeatability: Component
    reproducibility: Component
    interaction: Component | None
    gauge: Component
    unit_to_unit: Component
    total: Component
    categories: float | None

    @property
    def whole_categories(self) -> int | None:
        """`categories` cut to a whole number, as the manual does."""
        return None if self.categories is None else math.floor(self.categories)


@dataclass(frozen=True, slots=True)
class LargeRange:
    """An operator's readings of one unit that lie further apart than chance explains."""

    operator: str
    unit: str
    range_deg: float


@dataclass(frozen=True, slots=True)
class AverageRange:
    """Evaluation by average and range. `few_ranges`: K1 is then a little too large (at 4 ranges of 2 by 7 %)."""

    components: Components
    mean_range_deg: float
    range_limit_deg: float
    large_ranges: tuple[LargeRange, ...]
    few_ranges: bool


@dataclass(frozen=True, slots=True)
class VarianceRow:
    """One line of the table. `f` and `p` are None where nothing is tested, or where the denominator is zero."""

    source: str
    freedom: int
    sum_of_squares: float
    mean_square: float
    f: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class VarianceAnalysis:
    """Evaluation by analysis of variance. If `pooled`, operators and units are tested against the pooled repeats."""

    components: Components
    rows: tuple[VarianceRow, ...]
    pooled: bool


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Both evaluations. `average_range` is None where the study is larger than the constants' tables."""

    readings: GaugeReadings
    tolerance_deg: float | None
    average_range: AverageRange | None
    variance: VarianceAnalysis


@dataclass(frozen=True, slots=True)
class OneWay:
    """Analysis of variance between groups and within them. `f` is None where nothing varies within."""

    freedom_between: int
    freedom_within: int
    squares_between: float
    squares_within: float
    mean_square_between: float
    mean_square_within: float
    f: float | None


def evaluate(readings: GaugeReadings, tolerance_deg: float | None = None) -> GaugeStudy:
    """Both evaluations of one study. `tolerance_deg` is the whole width between the limits, > 0, degrees."""
    operators, units, trials = readings.angle_deg.shape
    tabled = operators in K2 and units in K3 and trials in K1
    return GaugeStudy(
        readings,
        tolerance_deg,
        average_range(readings, tolerance_deg) if tabled else None,
        analysis_of_variance(readings, tolerance_deg),
    )


def average_range(readings: GaugeReadings, tolerance_deg: float | None = None) -> AverageRange:
    """EV = R̄ K1; AV = √((X̄diff K2)² - EV²/(units × trials)), 0 if negative; PV = Rp K3. Sizes outside the tables: KeyError."""
    x = readings.angle_deg
    operators, units, trials = x.shape
    ranges = np.ptp(x, axis=2)
    mean_range = float(ranges.mean())
    repeatability = mean_range * K1[trials]
    between = float(np.ptp(x.mean(axis=(1, 2)))) * K2[operators]
    reproducibility = math.sqrt(max(0.0, between**2 - repeatability**2 / (units * trials)))
    unit_to_unit = float(np.ptp(x.mean(axis=(0, 2)))) * K3[units]
    limit = mean_range * D4[trials]
    large = tuple(
        LargeRange(readings.operators[o], readings.units[u], float(ranges[o, u]))
        for o, u in np.argwhere(ranges > limit)
    )
    components = _components(repeatability, reproducibility, None, unit_to_unit, tolerance_deg)
    return AverageRange(components, mean_range, limit, large, operators * units < MANY_RANGES)


def analysis_of_variance(readings: GaugeReadings, tolerance_deg: float | None = None) -> VarianceAnalysis:
    """Variance components from the mean squares of the crossed random model; negative ones are set to 0.

    Interaction not significant at POOL_ABOVE: its squares and degrees of freedom join the repeats, and it is no component.
    """
    x = readings.angle_deg - readings.angle_deg.flat[0]
    operators, units, trials = x.shape
    cells = x.mean(axis=2)
    by_operator, by_unit, grand = cells.mean(axis=1), cells.mean(axis=0), cells.mean()
    inner = cells - by_operator[:, None] - by_unit[None, :] + grand
    repeats = one_way(x.reshape(operators * units, trials).tolist())
    operator = _Squares(units * trials * float(((by_operator - grand) ** 2).sum()), operators - 1)
    unit = _Squares(operators * trials * float(((by_unit - grand) ** 2).sum()), units - 1)
    both = _Squares(trials * float((inner**2).sum()), (operators - 1) * (units - 1))
    repeat = _Squares(repeats.squares_within, repeats.freedom_within)
    f, p = _tested(both, repeat)
    pooled = not (p is not None and p <= POOL_ABOVE)
    base = _Squares(both.squares + repeat.squares, both.freedom + repeat.freedom) if pooled else both
    rows = [
        VarianceRow("operators", operator.freedom, operator.squares, operator.mean, *_tested(operator, base)),
        VarianceRow("units", unit.freedom, unit.squares, unit.mean, *_tested(unit, base)),
        VarianceRow("operators × units", both.freedom, both.squares, both.mean, f, p),
        VarianceRow("repeats", repeat.freedom, repeat.squares, repeat.mean, None, None),
    ]
    if pooled:
        rows.append(VarianceRow("repeats, pooled", base.freedom, base.squares, base.mean, None, None))
    scatter = base if pooled else repeat
    interaction = None if pooled else max(0.0, (both.mean - repeat.mean) / trials)
    operator_variance = max(0.0, (operator.mean - base.mean) / (units * trials))
    unit_variance = max(0.0, (unit.mean - base.mean) / (operators * trials))
    parts = [(1 / (units * trials), operator)]
    if pooled:
        parts.append((1 - 1 / (units * trials), base))
    else:
        parts += [((units - 1) / (units * trials), both), (1 - 1 / trials, repeat)]
    components = _components(
        math.sqrt(scatter.mean),
        math.sqrt(operator_variance + (interaction or 0.0)),
        None if interaction is None else math.sqrt(interaction),
        math.sqrt(unit_variance),
        tolerance_deg,
        repeatability_interval=_interval([(1.0, scatter)]),
        gauge_interval=_interval(parts),
    )
    return VarianceAnalysis(components, tuple(rows), pooled)


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """Between and within groups of any sizes; at least two groups and more values than groups. About a first value, exactly summed."""
    start = groups[0][0]
    centred = [[value - start for value in group] for group in groups]
    count = sum(len(group) for group in centred)
    means = [math.fsum(group) / len(group) for group in centred]
    grand = math.fsum(value for group in centred for value in group) / count
    between = _Squares(math.fsum(len(g) * (m - grand) ** 2 for g, m in zip(centred, means)), len(groups) - 1)
    within = _Squares(math.fsum((value - m) ** 2 for g, m in zip(centred, means) for value in g), count - len(groups))
    f = between.mean / within.mean if within.mean > 0 else None
    return OneWay(between.freedom, within.freedom, between.squares, within.squares, between.mean, within.mean, f)


@dataclass(frozen=True, slots=True)
class _Squares:
    """A sum of squares with its degrees of freedom."""

    squares: float
    freedom: int

    @property
    def mean(self) -> float:
        """Mean square, 0 where it is only binary noise."""
        mean = self.squares / self.freedom
        return mean if mean > _NOISE_DEG**2 else 0.0


def _tested(above: _Squares, below: _Squares) -> tuple[float | None, float | None]:
    """F and the probability of a greater one by chance. Nothing below: certain if there is anything above, else untested."""
    if below.mean > 0:
        f = above.mean / below.mean
        return f, f_tail(f, above.freedom, below.freedom)
    return None, (0.0 if above.mean > 0 else None)


def _components(
    repeatability: float,
    reproducibility: float,
    interaction: float | None,
    unit_to_unit: float,
    tolerance_deg: float | None,
    repeatability_interval: tuple[float, float] | None = None,
    gauge_interval: tuple[float, float] | None = None,
) -> Components:
    reproducibility = reproducibility if reproducibility > _NOISE_DEG else 0.0
    gauge = math.hypot(repeatability, reproducibility)
    total = math.hypot(gauge, unit_to_unit)

    def component(name: str, deg: float, interval: tuple[float, float] | None = None) -> Component:
        share = deg / total if total > 0 else None
        return Component(
            name,
            deg,
            None if share is None else 100 * share,
            None if share is None else 100 * share**2,
            None if tolerance_deg is None else 100 * _SPREAD * deg / tolerance_deg,
            interval,
        )

    return Components(
        repeatability=component("repeatability", repeatability, repeatability_interval),
        reproducibility=component("reproducibility", reproducibility),
        interaction=None if interaction is None else component("interaction", interaction),
        gauge=component("gauge", gauge, gauge_interval),
        unit_to_unit=component("unit to unit", unit_to_unit),
        total=component("total", total),
        categories=_CATEGORIES * unit_to_unit / gauge if gauge > 0 else None,
    )


def _interval(parts: Sequence[tuple[float, _Squares]]) -> tuple[float, float]:
    """Interval of a standard deviation √(Σ c MS), all c > 0, at CONFIDENCE.

    Of one mean square it is the exact one by χ². Of several: Graybill & Wang, J. Am. Stat. Assoc. 75 (1980) 869, the modified
    large-sample interval that Burdick, Borror & Montgomery, J. Qual. Technol. 35 (2003) 342, give for gauge studies.
    """
    centre = math.fsum(c * part.mean for c, part in parts)
    below = above = 0.0
    for c, part in parts:
        high = chi_square_quantile(0.5 + CONFIDENCE / 2, part.freedom) / part.freedom
        low = chi_square_quantile(0.5 - CONFIDENCE / 2, part.freedom) / part.freedom
        below += ((1 - 1 / high) * c * part.mean) ** 2
        above += ((1 / low - 1) * c * part.mean) ** 2
    return math.sqrt(max(0.0, centre - math.sqrt(below))), math.sqrt(centre + math.sqrt(above))


def f_tail(f: float, freedom_above: int, freedom_below: int) -> float:
    """Probability that F exceeds `f` ≥ 0 by chance; Abramowitz & Stegun 26.6.2 with 26.5."""
    return student.incomplete_beta(
        freedom_below / 2, freedom_above / 2, freedom_below / (freedom_below + freedom_above * f)
    )


def chi_square_tail(value: float, freedom: int) -> float:
    """Probability that χ² exceeds `value` ≥ 0; finite sums for whole degrees of freedom, Abramowitz & Stegun 26.4.4 and 26.4.5."""
    half = value / 2
    if half == 0:
        return 1.0
    odd = freedom % 2
    terms = (
        math.exp(-half + s * math.log(half) - math.lgamma(s + 1)) for s in (k + odd / 2 for k in range(freedom // 2))
    )
    return math.fsum(terms) + (math.erfc(math.sqrt(half)) if odd else 0.0)


def chi_square_quantile(probability: float, freedom: int) -> float:
    """The value below which χ² lies with `probability` (between 0 and 1, exclusive)."""
    return _root(lambda value: 1.0 - chi_square_tail(value, freedom) - probability, float(freedom))


def _root(rising: Callable[[float], float], start: float) -> float:
    """Where a rising function of a positive number crosses zero."""
    low, high = 0.0, start
    while rising(high) < 0:
        low, high = high, 2.0 * high
    for _ in range(200):
        middle = (low + high) / 2
        if rising(middle) < 0:
            low = middle
        else:
            high = middle
        if high - low <= 1e-13 * high:
            break
    return (low + high) / 2
