"""Agreement study: readings of the same units by the hand method and by this tool, and how far the two differ.

All differences are tool minus hand. Bland & Altman, Lancet 327 (1986) 307: bias and limits of agreement; Stat. Methods Med. Res. 8
(1999) 135: their uncertainty, trend; J. Biopharm. Stat. 17 (2007) 571: repeated pairs per unit, by one-way analysis of variance
of the differences. The line through both methods' readings has errors in both: Deming; York et al., Am. J. Phys. 72 (2004) 367.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bench import student
from bench.gauge_study import OneWay, f_tail, one_way
from bench.uncertainty import coverage_factor

#: Fewest units: a line through two has no scatter.
FEWEST_UNITS = 3
#: Confidence of all intervals; also 1 minus the level at which a trend is said to be there.
CONFIDENCE = 0.95
#: Limits of agreement lie this many standard deviations from the bias: 95 % of a normal distribution (Bland & Altman).
LIMITS_AT = 1.96
#: Smaller differences and uncertainties are binary noise of readings that agree exactly.
_NOISE = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class PairedReadings:
    """One pair per place in the sequences, shape (n,); a unit read repeatedly stands in `units` once per pair."""

    units: tuple[str, ...]
    hand_deg: NDArray[np.float64]
    tool_deg: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its standard uncertainty, degrees of freedom, and interval at CONFIDENCE by Student's t."""

    value: float
    standard_uncertainty: float
    freedom: int

    @property
    def expanded_uncertainty(self) -> float:
        """Half-width of the interval."""
        return coverage_factor(self.freedom, CONFIDENCE) * self.standard_uncertainty

    @property
    def interval(self) -> tuple[float, float]:
        """Ends of the interval."""
        return self.value - self.expanded_uncertainty, self.value + self.expanded_uncertainty

    def differs_from(self, value: float) -> bool:
        """Whether `value` lies outside the interval."""
        return abs(self.value - value) > self.expanded_uncertainty + _NOISE

    def p(self, value: float) -> float | None:
        """Probability of an estimate at least this far from `value` by chance; None where nothing scatters and nothing differs."""
        if self.standard_uncertainty <= _NOISE:
            return None if abs(self.value - value) <= _NOISE else 0.0
        return 2 * student.distribution(-abs(self.value - value) / self.standard_uncertainty, self.freedom)


@dataclass(frozen=True, slots=True)
class Repeats:
    """What repeated readings of the same unit tell; standard deviations of one reading, degrees.

    `between_units_deg`: of the units' own differences, beyond chance; `f`, `p` test whether there are any (None: untestable).
    Each method's own repeatability holds only if the unit was not reset between the trials.
    """

    freedom: int
    hand_deg: float
    tool_deg: float
    difference_deg: float
    between_units_deg: float
    f: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line y = intercept + slope x."""

    intercept: Estimate
    slope: Estimate


@dataclass(frozen=True, slots=True)
class AgreementStudy:
    """The whole study. Lines are None where the units' angles do not spread.

    `trend`: difference against the mean of both methods, per unit. `line`: tool against hand, errors in both, with
    `error_ratio`, the variance of the hand readings' errors over that of the tool's, and where it was taken from.
    """

    readings: PairedReadings
    unit_count: int
    bias: Estimate
    sd_deg: float
    lower_limit: Estimate
    upper_limit: Estimate
    repeats: Repeats | None
    trend: Line | None
    line: Line | None
    error_ratio: float
    error_ratio_source: str


class _PerUnit(NamedTuple):
    """Per unit, shape (units,): number of pairs, mean of the hand's and of the tool's readings, degrees."""

    pairs: NDArray[np.float64]
    hand: NDArray[np.float64]
    tool: NDArray[np.float64]


def evaluate(readings: PairedReadings, error_ratio: float | None = None) -> AgreementStudy:
    """Evaluate pairs of at least FEWEST_UNITS units.

    `error_ratio` None: estimated from repeated readings where both methods scatter, else taken as 1.
    """
    groups = _by_unit(readings.units)
    difference = readings.tool_deg - readings.hand_deg
    analysis = one_way([difference[g].tolist() for g in groups]) if len(groups) < len(difference) else None
    bias, sd, sd_u = _bias_and_sd(difference, groups, analysis)
    repeats = None if analysis is None else _repeats(readings, groups, analysis)
    limits = [
        Estimate(
            bias.value + side * LIMITS_AT * sd,
            math.hypot(bias.standard_uncertainty, LIMITS_AT * sd_u),
            bias.freedom,
        )
        for side in (-1, 1)
    ]
    ratio, source = _error_ratio(error_ratio, repeats)
    means = _PerUnit(
        np.array([float(len(g)) for g in groups]),
        np.array([readings.hand_deg[g].mean() for g in groups]),
        np.array([readings.tool_deg[g].mean() for g in groups]),
    )
    return AgreementStudy(
        readings,
        len(groups),
        bias,
        sd,
        limits[0],
        limits[1],
        repeats,
        straight_line((means.hand + means.tool) / 2, means.tool - means.hand),
        errors_in_variables_line(means.hand, means.tool, ratio, means.pairs),
        ratio,
        source,
    )


def _by_unit(units: Sequence[str]) -> list[list[int]]:
    """Places of each unit's pairs."""
    groups: dict[str, list[int]] = {}
    for place, unit in enumerate(units):
        groups.setdefault(unit, []).append(place)
    return list(groups.values())


def _bias_and_sd(
    difference: NDArray[np.float64], groups: Sequence[Sequence[int]], analysis: OneWay | None
) -> tuple[Estimate, float, float]:
    """Mean difference, standard deviation of one difference, and the latter's standard uncertainty.

    One pair per unit: s, u(bias) = s/√n, u(s) = s/√(2(n-1)). Repeated pairs: s² = MSb/m0 + (1 - 1/m0) MSw estimates the variance
    between units plus that within, m0 = (N - Σm²/N)/(n-1) (Bland & Altman 2007); u(s) from the variances 2 MS²/ν of both mean
    squares. Degrees of freedom are those between units, since repeats bring no new units.
    """
    n, total = len(groups), len(difference)
    mean = math.fsum(difference) / total
    if analysis is None:
        sd = math.sqrt(math.fsum((difference - mean) ** 2) / (n - 1))
        return Estimate(mean, sd / math.sqrt(n), n - 1), sd, sd / math.sqrt(2 * (n - 1))
    between, within = analysis.mean_square_between, analysis.mean_square_within
    squares = math.fsum(len(g) ** 2 for g in groups)
    size = _mean_size(analysis, groups)
    sd = math.sqrt(between / size + (1 - 1 / size) * within)
    of_variance = math.sqrt(
        2 * (between / size) ** 2 / analysis.freedom_between
        + 2 * ((1 - 1 / size) * within) ** 2 / analysis.freedom_within
    )
    of_mean = math.sqrt(squares * _between_variance(analysis, size) + total * within) / total
    return Estimate(mean, of_mean, n - 1), sd, of_variance / (2 * sd) if sd > 0 else 0.0


def _mean_size(analysis: OneWay, groups: Sequence[Sequence[int]]) -> float:
    """m0 of unequal groups; the common size of equal ones."""
    total = sum(len(g) for g in groups)
    return (total - math.fsum(len(g) ** 2 for g in groups) / total) / analysis.freedom_between


def _between_variance(analysis: OneWay, size: float) -> float:
    return max(0.0, (analysis.mean_square_between - analysis.mean_square_within) / size)


def _repeats(readings: PairedReadings, groups: Sequence[Sequence[int]], analysis: OneWay) -> Repeats:
    hand = one_way([readings.hand_deg[g].tolist() for g in groups])
    tool = one_way([readings.tool_deg[g].tolist() for g in groups])
    f = analysis.f
    return Repeats(
        analysis.freedom_within,
        math.sqrt(hand.mean_square_within),
        math.sqrt(tool.mean_square_within),
        math.sqrt(analysis.mean_square_within),
        math.sqrt(_between_variance(analysis, _mean_size(analysis, groups))),
        f,
        None if f is None else f_tail(f, analysis.freedom_between, analysis.freedom_within),
    )


def _error_ratio(given: float | None, repeats: Repeats | None) -> tuple[float, str]:
    if given is not None:
        return given, "given"
    if repeats is not None and repeats.hand_deg > 0 and repeats.tool_deg > 0:
        return (repeats.hand_deg / repeats.tool_deg) ** 2, "repeated readings"
    return 1.0, "taken as 1"


def straight_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> Line | None:
    """Least squares of y against an x without error, shapes (n,), n ≥ 3; n - 2 degrees of freedom. None if x does not spread."""
    n = len(x)
    x_mean, y_mean = math.fsum(x) / n, math.fsum(y) / n
    dx, dy = x - x_mean, y - y_mean
    sxx = math.fsum(dx * dx)
    if not _spreads(sxx, n):
        return None
    slope = math.fsum(dx * dy) / sxx
    residual = math.sqrt(math.fsum((dy - slope * dx) ** 2) / (n - 2))
    return Line(
        Estimate(y_mean - slope * x_mean, residual * math.sqrt(1 / n + x_mean**2 / sxx), n - 2),
        Estimate(slope, residual / math.sqrt(sxx), n - 2),
    )


def errors_in_variables_line(
    x: NDArray[np.float64], y: NDArray[np.float64], error_ratio: float, weight: NDArray[np.float64]
) -> Line | None:
    """Line with errors in x and y, `error_ratio` = var(x errors)/var(y errors) > 0; shapes (n,), n ≥ 3.

    `weight`: both variances of a point are the common ones over its weight (number of readings averaged). Closed form of the least
    weighted distances (Deming, Statistical Adjustment of Data, 1943; ratio 1: Pearson, Phil. Mag. 2 (1901) 559), which York's
    iteration reaches for such weights. u(slope) = |slope| √((1/r² - 1)/(n - 2)), r the correlation, from the scatter found: Fuller,
    Measurement Error Models (1987), theorem 1.3.1, right for many points; it does not lean on the errors' absolute size. None if
    the readings do not spread or the line is vertical.
    """
    n = len(x)
    whole = math.fsum(weight)
    x_mean, y_mean = math.fsum(weight * x) / whole, math.fsum(weight * y) / whole
    dx, dy = x - x_mean, y - y_mean
    sxx, syy, sxy = (math.fsum(weight * a * b) for a, b in ((dx, dx), (dy, dy), (dx, dy)))
    if not _spreads(sxx, n):
        return None
    # In units in which both errors are alike: y times √ratio.
    lean = error_ratio * syy - sxx
    root = math.hypot(lean, 2 * math.sqrt(error_ratio) * sxy)
    # Two forms of one root, each where it does not cancel.
    if lean <= 0:
        gain = 2 / (root - lean)
    elif sxy != 0:
        gain = (lean + root) / (2 * error_ratio * sxy**2)
    else:
        return None
    slope = gain * sxy
    # sxx syy - sxy², by residuals so that it does not cancel for a perfect line.
    determinant = sxx * math.fsum(weight * (dy - sxy / sxx * dx) ** 2)
    slope_u = gain * math.sqrt(determinant / (n - 2))
    variance = math.fsum(weight * (dy - slope * dx) ** 2) / (n - 2)
    return Line(
        Estimate(y_mean - slope * x_mean, math.sqrt(variance / whole + (x_mean * slope_u) ** 2), n - 2),
        Estimate(slope, slope_u, n - 2),
    )


def _spreads(squares: float, n: int) -> bool:
    return squares / n > _NOISE**2
