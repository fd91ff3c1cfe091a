"""The gauge study against the manual's worked example, certified analyses of variance, and simulated studies of known truth."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate, stats

from bench import gauge_study
from bench.gauge_study import GaugeReadings
from tests.studies import tables


def _readings(angle_deg: NDArray[np.float64]) -> GaugeReadings:
    operators, units, _ = angle_deg.shape
    return GaugeReadings(
        tuple(f"operator {n}" for n in range(operators)), tuple(f"unit {n}" for n in range(units)), angle_deg
    )


def _simulated(
    draw: np.random.Generator, size: tuple[int, int, int], operator: float, unit: float, both: float, repeat: float
) -> GaugeReadings:
    operators, units, trials = size
    return _readings(
        7.0
        + draw.normal(0, operator, (operators, 1, 1))
        + draw.normal(0, unit, (1, units, 1))
        + draw.normal(0, both, (operators, units, 1))
        + draw.normal(0, repeat, (operators, units, trials))
    )


# --- the manual's example --------------------------------------------------------------------------------------------


def test_average_and_range_of_the_manuals_example() -> None:
    # AIAG MSA manual's worked example, recomputed with K1 .5908, K2 .5231, K3 .3146.
    result = gauge_study.average_range(tables.gauge_readings())
    parts = result.components
    assert parts.repeatability.standard_deviation_deg == pytest.approx(0.20186, abs=5e-6)
    assert parts.reproducibility.standard_deviation_deg == pytest.approx(0.22967, abs=5e-6)
    assert parts.gauge.standard_deviation_deg == pytest.approx(0.30577, abs=5e-6)
    assert parts.unit_to_unit.standard_deviation_deg == pytest.approx(1.10460, abs=5e-6)
    assert parts.total.standard_deviation_deg == pytest.approx(1.14613, abs=5e-6)
    assert parts.whole_categories == 5
    assert not result.few_ranges


def test_analysis_of_variance_of_the_manuals_example() -> None:
    # Same data, recomputed.
    result = gauge_study.analysis_of_variance(tables.gauge_readings())
    parts = result.components
    assert result.pooled
    assert parts.interaction is None
    assert parts.repeatability.standard_deviation_deg == pytest.approx(0.19993, abs=5e-6)
    assert parts.reproducibility.standard_deviation_deg == pytest.approx(0.22684, abs=5e-6)
    assert parts.gauge.standard_deviation_deg == pytest.approx(0.30237, abs=5e-6)
    assert parts.unit_to_unit.standard_deviation_deg == pytest.approx(1.04233, abs=5e-6)
    assert parts.categories == pytest.approx(4.86, abs=5e-3)
    assert parts.whole_categories == 4


def test_the_interaction_of_the_manuals_example_in_exact_fractions() -> None:
    # The data are decimals, so that F = 0.433721 comes out without any rounding.
    x = {}
    for line in tables.GAUGE.split("\n"):
        for unit, value in enumerate(line.split()[1:]):
            x[line[0], unit, line[1]] = Fraction(value)

    def mean(*wanted: tuple[int, object]) -> Fraction:
        chosen = [value for key, value in x.items() if all(key[place] == what for place, what in wanted)]
        return sum(chosen, Fraction(0)) / len(chosen)

    inner = 3 * sum(
        (mean((0, o), (1, u)) - mean((0, o)) - mean((1, u)) + mean()) ** 2 for o in "ABC" for u in range(10)
    )
    repeats = sum((value - mean((0, key[0]), (1, key[1]))) ** 2 for key, value in x.items())
    exact = float((inner / 18) / (repeats / 60))
    assert exact == pytest.approx(0.433721, abs=5e-7)
    row = gauge_study.analysis_of_variance(tables.gauge_readings()).rows[2]
    assert (row.source, row.freedom) == ("operators × units", 18)
    assert row.f == pytest.approx(exact, rel=1e-12)
    # scipy.stats.f, second implementation.
    assert row.p == pytest.approx(stats.f.sf(exact, 18, 60), rel=1e-9)


def test_operators_and_units_of_the_manuals_example_are_tested_against_the_pooled_repeats() -> None:
    operators, units, both, repeats, pooled = gauge_study.analysis_of_variance(tables.gauge_readings()).rows
    assert [row.freedom for row in (operators, units, both, repeats, pooled)] == [2, 9, 18, 60, 78]
    assert pooled.sum_of_squares == pytest.approx(both.sum_of_squares + repeats.sum_of_squares, rel=1e-12)
    assert operators.f == pytest.approx(operators.mean_square / pooled.mean_square, rel=1e-12)
    assert units.f == pytest.approx(units.mean_square / pooled.mean_square, rel=1e-12)


def test_percentages_are_of_total_variance_and_tolerance() -> None:
    # AIAG MSA manual: %EV = 100 EV/TV, contribution 100 (EV/TV)², and 6 deviations against a tolerance.
    parts = gauge_study.evaluate(tables.gauge_readings(), tolerance_deg=8.0).average_range
    assert parts is not None
    gauge = parts.components.gauge
    assert gauge.percent_of_total == pytest.approx(26.68, abs=0.005)
    assert gauge.percent_of_variance == pytest.approx(7.12, abs=0.005)
    assert gauge.percent_of_tolerance == pytest.approx(100 * 6 * 0.305766 / 8, abs=0.001)
    assert parts.components.total.percent_of_total == 100.0


def test_readings_of_one_cell_too_far_apart_are_named() -> None:
    # Mean range .34167 × D4 2.574 = .8795; in the example only B's unit 4 (.01, 1.03, .20) goes beyond.
    large = gauge_study.average_range(tables.gauge_readings()).large_ranges
    assert [(one.operator, one.unit) for one in large] == [("B", "4")]
    assert large[0].range_deg == pytest.approx(1.02)


# --- the constants ---------------------------------------------------------------------------------------------------


def _range_moments(size: int) -> tuple[float, float]:
    """Mean d2 and standard deviation d3 of the range of `size` standard normal values, by integration over the lowest value."""
    low, width = np.linspace(-9, 9, 601), np.linspace(0, 14, 701)
    inside = stats.norm.cdf(low[None, :] + width[:, None]) - stats.norm.cdf(low)[None, :]
    beyond = 1 - integrate.simpson(size * stats.norm.pdf(low)[None, :] * inside ** (size - 1), x=low, axis=1)
    first = float(integrate.simpson(beyond, x=width))
    second = float(integrate.simpson(2 * width * beyond, x=width))
    return first, math.sqrt(second - first**2)


@pytest.mark.parametrize("size", range(2, 11))
def test_constants_are_those_of_the_normal_distributions_range(size: int) -> None:
    # K = 1/d2*, d2* = √(d2² + d3²/g), g = 1 but for K1; D4 = 1 + 3 d3/d2. Half a unit of the last digit, and what d2* was rounded by.
    d2, d3 = _range_moments(size)
    assert gauge_study.K3[size] == pytest.approx(1 / math.hypot(d2, d3), abs=6e-5)
    if size <= 3:
        assert gauge_study.K2[size] == pytest.approx(1 / math.hypot(d2, d3), abs=6e-5)
        assert gauge_study.K1[size] == pytest.approx(1 / d2, abs=6e-5)
        assert gauge_study.D4[size] == pytest.approx(1 + 3 * d3 / d2, abs=1e-3)


# --- distributions and sums of squares ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "f"), [("SmLs01", 21.0000000000000), ("AtmWtAg", 15.9467335677930)])
def test_one_way_analysis_has_the_certified_f(name: str, f: float) -> None:
    # NIST StRD, certified values; seven constant leading digits in AtmWtAg leave about nine digits of the figures as read.
    assert gauge_study.one_way(tables.certified_groups(name)).f == pytest.approx(f, rel=1e-9)


def test_one_way_analysis_has_the_certified_squares() -> None:
    # NIST StRD SmLs01: between 1.68 with 8, within 1.80 with 180 degrees of freedom.
    result = gauge_study.one_way(tables.certified_groups("SmLs01"))
    assert (result.freedom_between, result.freedom_within) == (8, 180)
    assert result.squares_between == pytest.approx(1.68, rel=1e-12)
    assert result.squares_within == pytest.approx(1.80, rel=1e-12)


def test_one_way_analysis_of_unequal_groups_is_scipys() -> None:
    groups = [[1.0, 2.5, 2.0], [4.0, 3.0], [2.0, 2.2, 2.9, 5.0]]
    assert gauge_study.one_way(groups).f == pytest.approx(float(stats.f_oneway(*groups).statistic), rel=1e-12)


@pytest.mark.parametrize(("above", "below"), [(1, 2), (2, 78), (18, 60), (9, 18), (40, 1)])
@pytest.mark.parametrize("f", [0.0, 0.1, 1.0, 4.2, 250.0])
def test_tail_of_f_is_scipys(f: float, above: int, below: int) -> None:
    # scipy.stats.f, second implementation.
    assert gauge_study.f_tail(f, above, below) == pytest.approx(stats.f.sf(f, above, below), rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("freedom", [1, 2, 3, 18, 77, 2000])
@pytest.mark.parametrize("probability", [0.025, 0.5, 0.975])
def test_quantile_of_chi_square_is_scipys(probability: float, freedom: int) -> None:
    # scipy.stats.chi2, second implementation.
    value = gauge_study.chi_square_quantile(probability, freedom)
    assert value == pytest.approx(stats.chi2.ppf(probability, freedom), rel=1e-9)
    assert gauge_study.chi_square_tail(value, freedom) == pytest.approx(1 - probability, abs=1e-9)


def test_chi_square_of_nothing_is_always_exceeded() -> None:
    assert gauge_study.chi_square_tail(0.0, 4) == 1.0
    assert gauge_study.chi_square_tail(0.0, 5) == 1.0


def test_squares_are_those_of_nested_least_squares_models() -> None:
    # Second way: fit ever larger models with numpy and take the differences of their residual squares.
    draw = np.random.default_rng(3)
    readings = _simulated(draw, (3, 4, 2), 0.3, 1.0, 0.5, 0.2)
    y = readings.angle_deg.ravel()
    o, u, _ = (place.ravel() for place in np.indices(readings.angle_deg.shape))
    models = [
        np.ones((len(y), 1)),
        np.eye(3)[o],
        np.hstack([np.eye(3)[o], np.eye(4)[u]]),
        np.eye(12)[4 * o + u],
    ]
    left = [float(((y - m @ np.linalg.lstsq(m, y, rcond=None)[0]) ** 2).sum()) for m in models]
    rows = gauge_study.analysis_of_variance(readings).rows
    expected = [left[0] - left[1], left[1] - left[2], left[2] - left[3], left[3]]
    assert [row.sum_of_squares for row in rows[:4]] == pytest.approx(expected, rel=1e-9)
    assert [row.freedom for row in rows[:4]] == [2, 3, 6, 12]


# --- components and intervals against known truth ------------------------------------------------------------------------

STUDIES = 1000


def test_components_are_right_on_average_when_the_interaction_is_kept() -> None:
    draw = np.random.default_rng(5)
    found = []
    for _ in range(STUDIES):
        result = gauge_study.analysis_of_variance(_simulated(draw, (4, 6, 2), 0.6, 0.8, 0.7, 0.1))
        assert not result.pooled
        parts = result.components
        assert parts.interaction is not None
        found.append(
            [
                parts.repeatability.standard_deviation_deg**2,
                parts.interaction.standard_deviation_deg**2,
                parts.reproducibility.standard_deviation_deg**2,
                parts.unit_to_unit.standard_deviation_deg**2,
            ]
        )
        assert parts.gauge.standard_deviation_deg**2 == pytest.approx(found[-1][0] + found[-1][2])
    truth = np.array([0.1**2, 0.7**2, 0.6**2 + 0.7**2, 0.8**2])
    # Setting negative components to 0 lifts means by less than a standard deviation of the mean here.
    spread = np.std(found, axis=0) / math.sqrt(STUDIES)
    assert (np.abs(np.mean(found, axis=0) - truth) < 4 * spread).all()


def _holds(interval: tuple[float, float] | None, truth: float) -> bool:
    assert interval is not None
    return interval[0] <= truth <= interval[1]


@pytest.mark.parametrize("both", [0.0, 0.5])
def test_intervals_hold_the_truth_in_19_of_20_studies(both: float) -> None:
    draw = np.random.default_rng(11)
    repeatability = gauge = 0
    for _ in range(STUDIES):
        parts = gauge_study.analysis_of_variance(_simulated(draw, (3, 8, 2), 0.3, 1.0, both, 0.2)).components
        repeatability += _holds(parts.repeatability.interval_deg, 0.2)
        gauge += _holds(parts.gauge.interval_deg, math.sqrt(0.3**2 + both**2 + 0.2**2))
    # Three standard deviations of a binomial count; the pooling by a test costs a little of the exact coverage of repeatability.
    margin = 3 * math.sqrt(0.95 * 0.05 / STUDIES)
    assert repeatability / STUDIES == pytest.approx(0.95, abs=margin + 0.01)
    assert 0.95 - margin <= gauge / STUDIES <= 0.985


def test_the_interval_of_repeatability_is_the_exact_one_of_a_mean_square() -> None:
    # √(ν s²/χ²) with 78 degrees of freedom, scipy.stats.chi2.
    part = gauge_study.analysis_of_variance(tables.gauge_readings()).components.repeatability
    expected = [part.standard_deviation_deg * math.sqrt(78 / stats.chi2.ppf(p, 78)) for p in (0.975, 0.025)]
    assert part.interval_deg == pytest.approx(expected, rel=1e-9)


def _graybill_wang(parts: list[tuple[float, float, int]]) -> list[float]:
    """Ends of the interval of √(Σ c MS) for (c, MS, degrees of freedom), written anew with scipy.stats.f."""
    total = sum(c * mean for c, mean, _ in parts)
    lower = sum(((1 - 1 / stats.f.ppf(0.975, v, 1e12)) * c * mean) ** 2 for c, mean, v in parts)
    upper = sum(((1 / stats.f.ppf(0.025, v, 1e12) - 1) * c * mean) ** 2 for c, mean, v in parts)
    return [math.sqrt(total - math.sqrt(lower)), math.sqrt(total + math.sqrt(upper))]


def test_the_interval_of_the_gauge_with_the_interaction_pooled() -> None:
    # Burdick, Borror & Montgomery 2003: (MS_operators + (units × trials - 1) MS_pooled)/(units × trials).
    result = gauge_study.analysis_of_variance(tables.gauge_readings())
    operators, pooled = result.rows[0], result.rows[4]
    expected = _graybill_wang([(1 / 30, operators.mean_square, 2), (29 / 30, pooled.mean_square, 78)])
    assert result.components.gauge.interval_deg == pytest.approx(expected, rel=1e-6)


def test_the_interval_of_the_gauge_with_the_interaction_kept() -> None:
    # The same: (MS_operators + (units - 1) MS_both + units (trials - 1) MS_repeats)/(units × trials).
    result = gauge_study.analysis_of_variance(_simulated(np.random.default_rng(1), (4, 5, 3), 0.5, 1.0, 0.6, 0.2))
    assert not result.pooled
    operators, _, both, repeats = result.rows
    expected = _graybill_wang(
        [(1 / 15, operators.mean_square, 3), (4 / 15, both.mean_square, 12), (10 / 15, repeats.mean_square, 40)]
    )
    assert result.components.gauge.interval_deg == pytest.approx(expected, rel=1e-6)


def test_average_and_range_agrees_with_the_analysis_of_variance_on_average() -> None:
    draw = np.random.default_rng(2)
    found = []
    for _ in range(300):
        study = gauge_study.evaluate(_simulated(draw, (3, 10, 3), 0.3, 1.0, 0.0, 0.2))
        assert study.average_range is not None
        found.append(study.average_range.components.repeatability.standard_deviation_deg)
    assert np.mean(found) == pytest.approx(0.2, abs=4 * float(np.std(found)) / math.sqrt(300))


# --- pooling -------------------------------------------------------------------------------------------------------------


def test_the_interaction_is_pooled_just_where_its_chance_exceeds_a_quarter() -> None:
    draw = np.random.default_rng(8)
    seen = set()
    for _ in range(100):
        result = gauge_study.analysis_of_variance(_simulated(draw, (3, 5, 2), 0.1, 1.0, 0.05, 0.2))
        p = result.rows[2].p
        assert p is not None
        assert result.pooled == (p > 0.25)
        assert (result.components.interaction is None) == result.pooled
        assert len(result.rows) == (5 if result.pooled else 4)
        seen.add(result.pooled)
    assert seen == {True, False}


def test_operators_who_scatter_less_than_chance_add_nothing() -> None:
    angle = np.zeros((2, 3, 2))
    angle[:, :, 1] = 1.0
    angle += np.arange(3)[None, :, None]
    study = gauge_study.evaluate(_readings(angle))
    assert study.variance.components.reproducibility.standard_deviation_deg == 0.0
    assert study.average_range is not None
    assert study.average_range.components.reproducibility.standard_deviation_deg == 0.0


# --- the edges -----------------------------------------------------------------------------------------------------------


def test_readings_that_never_scatter_have_no_categories() -> None:
    angle = np.full((3, 4, 2), 10.1) + np.array([0.1, 0.2, 0.3, 0.7])[None, :, None]
    study = gauge_study.evaluate(_readings(angle), 1.0)
    assert study.average_range is not None
    for parts in (study.variance.components, study.average_range.components):
        assert parts.gauge.standard_deviation_deg == 0.0
        assert parts.gauge.percent_of_tolerance == 0.0
        assert parts.categories is None
        assert parts.whole_categories is None
    assert study.variance.rows[1].p == 0.0
    assert study.variance.rows[0].p is None


def test_binary_noise_is_no_interaction() -> None:
    # Each operator repeats exactly and differs by a constant: in decimals nothing is left for the interaction.
    operator, unit = np.array([0.0, 0.1, 0.3]), np.array([10.1, 10.7, 11.3, 12.9])
    angle = np.round(operator[:, None, None] + unit[None, :, None] + np.zeros((3, 4, 2)), 1)
    result = gauge_study.analysis_of_variance(_readings(angle))
    assert result.rows[2].sum_of_squares > 0
    assert result.rows[2].mean_square == 0.0
    assert result.pooled


def test_binary_noise_is_no_difference_of_operators() -> None:
    # The same three angles in another order: the operators' means are equal in decimals, not in binary.
    angle = np.repeat(np.array([[10.1, 10.2, 12.3], [12.3, 10.2, 10.1]])[:, :, None], 2, axis=2)
    means = angle.mean(axis=(1, 2))
    assert means[0] != means[1]
    parts = gauge_study.average_range(_readings(angle)).components
    assert parts.gauge.standard_deviation_deg == 0.0
    assert parts.categories is None


def test_readings_that_are_all_the_same_have_no_percentages() -> None:
    parts = gauge_study.evaluate(_readings(np.full((2, 2, 2), 10.1))).variance.components
    assert parts.total.standard_deviation_deg == 0.0
    assert parts.total.percent_of_total is None
    assert parts.gauge.percent_of_variance is None


def test_operators_who_each_repeat_exactly_but_disagree_by_unit_keep_the_interaction() -> None:
    angle = np.zeros((2, 2, 2))
    angle[1, 1] = 1.0
    result = gauge_study.analysis_of_variance(_readings(angle))
    assert not result.pooled
    assert result.rows[2].f is None
    assert result.rows[2].p == 0.0


@pytest.mark.parametrize("size", [(4, 10, 3), (3, 11, 3), (3, 10, 4)])
def test_a_study_beyond_the_constants_has_only_the_analysis_of_variance(size: tuple[int, int, int]) -> None:
    study = gauge_study.evaluate(_simulated(np.random.default_rng(1), size, 0.1, 1.0, 0.1, 0.1))
    assert study.average_range is None
    assert study.variance.components.gauge.standard_deviation_deg > 0


@pytest.mark.parametrize(("size", "few"), [((2, 7, 2), True), ((2, 8, 2), False)])
def test_few_ranges_are_told(size: tuple[int, int, int], few: bool) -> None:
    study = gauge_study.evaluate(_simulated(np.random.default_rng(1), size, 0.1, 1.0, 0.1, 0.1))
    assert study.average_range is not None
    assert study.average_range.few_ranges == few
