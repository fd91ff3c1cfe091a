"""The agreement study against published examples, second implementations, and simulated studies of known truth."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from bench import agreement_study
from bench.agreement_study import Estimate, PairedReadings
from tests.studies import tables


def _once(hand: NDArray[np.float64], tool: NDArray[np.float64]) -> PairedReadings:
    return PairedReadings(tuple(f"unit {n}" for n in range(len(hand))), hand, tool)


def _names(sizes: list[int]) -> tuple[str, ...]:
    return tuple(f"unit {n}" for n, size in enumerate(sizes) for _ in range(size))


# --- the published example -------------------------------------------------------------------------------------------


def test_bias_and_limits_of_the_peak_flow_example() -> None:
    # Bland & Altman, Lancet 1986: mean difference -2.1 l/min, SD 38.8 (recomputed -2.1176, 38.7651).
    study = agreement_study.evaluate(tables.peak_flow())
    assert study.bias.value == pytest.approx(-2.1176, abs=5e-5)
    assert study.sd_deg == pytest.approx(38.7651, abs=5e-5)
    assert study.lower_limit.value == pytest.approx(-2.1176 - 1.96 * 38.7651, abs=2e-4)
    assert study.upper_limit.value == pytest.approx(-2.1176 + 1.96 * 38.7651, abs=2e-4)
    assert study.unit_count == 17
    assert study.repeats is None


def test_uncertainties_of_the_peak_flow_example() -> None:
    # Bland & Altman 1986 (memory): standard error of the bias 9.4, its 95 % interval -22.0 to 17.8, by t with 16 degrees of freedom.
    study = agreement_study.evaluate(tables.peak_flow())
    assert study.bias.standard_uncertainty == pytest.approx(9.40, abs=0.005)
    assert study.bias.freedom == 16
    assert study.bias.interval == pytest.approx((-22.0, 17.8), abs=0.05)
    # 1999: variance of a limit s² (1/n + 1.96²/(2(n-1))).
    limit = 38.7651 * math.sqrt(1 / 17 + 1.96**2 / 32)
    assert study.upper_limit.standard_uncertainty == pytest.approx(limit, rel=1e-5)
    # scipy.stats.t, second implementation.
    assert study.upper_limit.expanded_uncertainty == pytest.approx(limit * stats.t.ppf(0.975, 16), rel=1e-5)


def test_exchanging_the_methods_turns_every_difference_round() -> None:
    flow = tables.peak_flow()
    study = agreement_study.evaluate(flow)
    turned = agreement_study.evaluate(PairedReadings(flow.units, flow.tool_deg, flow.hand_deg))
    assert turned.bias.value == pytest.approx(-study.bias.value)
    assert turned.upper_limit.value == pytest.approx(-study.lower_limit.value)
    assert study.trend is not None
    assert turned.trend is not None
    assert turned.trend.slope.value == pytest.approx(-study.trend.slope.value)


# --- lines ---------------------------------------------------------------------------------------------------------------


def test_line_with_errors_in_both_of_pearsons_data() -> None:
    # Pearson, Phil. Mag. 2 (1901) 559, recomputed: slope -0.545561, intercept 5.784044.
    x, y = tables.numbers(tables.PEARSON_X), tables.numbers(tables.PEARSON_Y)
    study = agreement_study.evaluate(_once(x, y), error_ratio=1.0)
    assert study.line is not None
    assert study.line.slope.value == pytest.approx(-0.545561, abs=5e-7)
    assert study.line.intercept.value == pytest.approx(5.784044, abs=5e-7)


WEIGHT = np.array([1.0, 2, 1, 3, 1, 1, 2, 5, 1, 1])


@pytest.mark.parametrize("ratio", [0.05, 1.0, 9.0])
def test_line_with_errors_in_both_is_gtcs(ratio: float) -> None:
    # GTC 1.5, weighted total least squares (Krystek & Anton, Meas. Sci. Technol. 22 (2011) 035101).
    x, y = tables.numbers(tables.PEARSON_X), tables.numbers(tables.PEARSON_Y)
    line = agreement_study.errors_in_variables_line(x, y, ratio, WEIGHT)
    assert line is not None
    fit = GTC.type_a.line_fit_wtls(list(x), list(y), list(np.sqrt(ratio / WEIGHT)), list(np.sqrt(1 / WEIGHT)))
    intercept, slope = fit.a_b
    assert line.slope.value == pytest.approx(slope.x, rel=1e-7)
    assert line.intercept.value == pytest.approx(intercept.x, rel=1e-7)
    # Krystek & Anton take the curvature as observed in this sample: equal but for the square of the relative scatter, a percent or two.
    scale = math.sqrt(fit.ssr / 8)
    assert line.slope.standard_uncertainty == pytest.approx(slope.u * scale, rel=0.03)
    assert line.intercept.standard_uncertainty == pytest.approx(intercept.u * scale, rel=0.03)


def test_exchanging_the_axes_gives_the_same_line() -> None:
    x, y = tables.numbers(tables.PEARSON_X), tables.numbers(tables.PEARSON_Y)
    one = agreement_study.errors_in_variables_line(x, y, 4.0, WEIGHT)
    two = agreement_study.errors_in_variables_line(y, x, 0.25, WEIGHT)
    assert one is not None
    assert two is not None
    assert one.slope.value == pytest.approx(1 / two.slope.value, rel=1e-12)
    assert one.intercept.value == pytest.approx(-two.intercept.value / two.slope.value, rel=1e-12)


def test_a_hand_without_error_gives_the_least_squares_line() -> None:
    x, y = tables.numbers(tables.PEARSON_X), tables.numbers(tables.PEARSON_Y)
    line = agreement_study.errors_in_variables_line(x, y, 1e-9, np.ones(10))
    plain = stats.linregress(x, y)
    assert line is not None
    assert line.slope.value == pytest.approx(plain.slope, rel=1e-7)
    assert line.slope.standard_uncertainty == pytest.approx(plain.stderr, rel=1e-6)
    assert line.intercept.standard_uncertainty == pytest.approx(plain.intercept_stderr, rel=1e-6)


def test_straight_line_has_the_certified_coefficients() -> None:
    # NIST StRD Norris, certified: B0 -0.262323073774029 (0.232818234301152), B1 1.00211681802045 (0.429796848199937E-03).
    line = agreement_study.straight_line(*tables.certified_line())
    assert line is not None
    assert line.intercept.value == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope.value == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.intercept.standard_uncertainty == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope.standard_uncertainty == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert line.slope.freedom == 34


def test_trend_of_the_peak_flow_example_is_scipys() -> None:
    flow = tables.peak_flow()
    study = agreement_study.evaluate(flow)
    expected = stats.linregress((flow.hand_deg + flow.tool_deg) / 2, flow.tool_deg - flow.hand_deg)
    assert study.trend is not None
    assert study.trend.slope.value == pytest.approx(expected.slope, rel=1e-10)
    assert study.trend.slope.standard_uncertainty == pytest.approx(expected.stderr, rel=1e-10)
    assert study.trend.slope.p(0.0) == pytest.approx(expected.pvalue, rel=1e-9)
    assert not study.trend.slope.differs_from(0.0)


def test_a_scale_error_of_the_tool_is_seen_as_trend_and_as_slope() -> None:
    draw = np.random.default_rng(4)
    truth = np.linspace(5, 45, 30)
    readings = _once(truth + draw.normal(0, 0.05, 30), 1.02 * truth + draw.normal(0, 0.05, 30))
    study = agreement_study.evaluate(readings, 1.0)
    assert study.trend is not None
    assert study.line is not None
    assert study.trend.slope.differs_from(0.0)
    assert study.trend.slope.value == pytest.approx(0.02 / 1.01, abs=4 * study.trend.slope.standard_uncertainty)
    assert study.line.slope.differs_from(1.0)
    assert not study.line.slope.differs_from(1.02)


@pytest.mark.parametrize(("hand_error", "tool_error"), [(0.2, 0.1), (1.0, 0.5)], ids=["small errors", "large errors"])
def test_uncertainties_of_the_line_are_the_scatter_of_many_lines(hand_error: float, tool_error: float) -> None:
    # Hand twice as uncertain as the tool: ratio of variances 4. 3000 studies tell a deviation to 1.3 %; 60 units for the long run.
    draw = np.random.default_rng(6)
    truth = np.linspace(8, 14, 60)
    found = []
    for _ in range(3000):
        line = agreement_study.errors_in_variables_line(
            truth + draw.normal(0, hand_error, 60), 0.3 + 0.9 * truth + draw.normal(0, tool_error, 60), 4.0, np.ones(60)
        )
        assert line is not None
        found.append([(e.value, e.standard_uncertainty) for e in (line.slope, line.intercept)])
    for estimates, expected in zip(np.array(found).transpose(1, 2, 0), (0.9, 0.3)):
        values, uncertainties = estimates
        # The estimate is right for many points; what is left at 60 is far below its own scatter.
        assert values.mean() == pytest.approx(expected, abs=0.1 * values.std())
        assert math.sqrt((uncertainties**2).mean()) == pytest.approx(values.std(), rel=0.04)


def test_the_line_of_repeated_units_weighs_them_by_their_readings() -> None:
    # A unit that stands in the mean of four pairs counts as four points: the same line as with the point four times over.
    x, y = tables.numbers(tables.PEARSON_X), tables.numbers(tables.PEARSON_Y)
    weight = np.array([4.0, 1, 1, 1, 1, 1, 1, 1, 1, 2])
    one = agreement_study.errors_in_variables_line(x, y, 2.0, weight)
    times = weight.astype(int)
    two = agreement_study.errors_in_variables_line(np.repeat(x, times), np.repeat(y, times), 2.0, np.ones(times.sum()))
    assert one is not None
    assert two is not None
    assert one.slope.value == pytest.approx(two.slope.value, rel=1e-12)
    assert one.intercept.value == pytest.approx(two.intercept.value, rel=1e-12)
    # As many degrees of freedom as units, not as readings.
    assert one.slope.standard_uncertainty == pytest.approx(
        two.slope.standard_uncertainty * math.sqrt((times.sum() - 2) / 8), rel=1e-12
    )


def test_a_study_weighs_each_unit_by_its_pairs() -> None:
    sizes = [1, 4, 2, 1, 3]
    readings = _repeated(np.random.default_rng(7), sizes, 0.2, 0.3, 0.3)
    ends = np.cumsum(sizes)[:-1]
    hand, tool = (
        np.array([part.mean() for part in np.split(method, ends)]) for method in (readings.hand_deg, readings.tool_deg)
    )
    study = agreement_study.evaluate(readings, 1.5)
    weighed = agreement_study.errors_in_variables_line(hand, tool, 1.5, np.array(sizes, dtype=float))
    level = agreement_study.errors_in_variables_line(hand, tool, 1.5, np.ones(5))
    assert study.line is not None
    assert weighed is not None
    assert level is not None
    assert study.line.slope.value == pytest.approx(weighed.slope.value, rel=1e-9)
    assert abs(weighed.slope.value - level.slope.value) > 1e-4


# --- repeated readings ---------------------------------------------------------------------------------------------------


def _repeated(
    draw: np.random.Generator, sizes: list[int], own: float, hand_error: float, tool_error: float
) -> PairedReadings:
    """Units with true angles, a bias of 0.3, differences of their own, and both methods' errors."""
    truth, units = np.repeat(draw.uniform(8, 14, len(sizes)), sizes), len(sizes)
    count = len(truth)
    hand = truth + draw.normal(0, hand_error, count)
    tool = truth + 0.3 + np.repeat(draw.normal(0, own, units), sizes) + draw.normal(0, tool_error, count)
    return PairedReadings(_names(sizes), hand, tool)


@pytest.mark.parametrize("sizes", [[3] * 10, [1, 2, 5, 3, 1, 4, 2, 2, 1, 6]], ids=["equal", "unequal"])
def test_repeated_pairs_give_the_scatter_of_one_difference(sizes: list[int]) -> None:
    draw = np.random.default_rng(9)
    variance, bias, bias_variance, held, of_sd = [], [], [], 0, []
    for _ in range(1500):
        study = agreement_study.evaluate(_repeated(draw, sizes, 0.3, 0.4, 0.1))
        variance.append(study.sd_deg**2)
        bias.append(study.bias.value)
        bias_variance.append(study.bias.standard_uncertainty**2)
        held += not study.bias.differs_from(0.3)
        of_sd.append((study.upper_limit.standard_uncertainty**2 - study.bias.standard_uncertainty**2) / 1.96**2)
    truth = 0.3**2 + 0.4**2 + 0.1**2
    assert np.mean(variance) == pytest.approx(truth, abs=4 * float(np.std(variance)) / math.sqrt(1500))
    # Variance between units set to 0 where it comes out negative: the bias's uncertainty errs to the safe side, by a few percent.
    assert 0.96 <= math.sqrt(np.mean(bias_variance)) / np.std(bias) <= 1.08
    assert math.sqrt(np.mean(of_sd)) == pytest.approx(float(np.std(np.sqrt(variance))), rel=0.10)
    assert held / 1500 >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 1500)


def test_limits_of_repeated_pairs_hold_19_of_20_new_differences() -> None:
    # Long run: many units, so that the limits are known well; a new unit's difference has own, hand's and tool's scatter.
    study = agreement_study.evaluate(_repeated(np.random.default_rng(3), [2] * 4000, 0.3, 0.4, 0.1))
    deviation = math.sqrt(0.3**2 + 0.4**2 + 0.1**2)
    inside = stats.norm.cdf(study.upper_limit.value, 0.3, deviation) - stats.norm.cdf(
        study.lower_limit.value, 0.3, deviation
    )
    assert inside == pytest.approx(0.95, abs=0.005)
    assert study.repeats is not None
    assert study.repeats.hand_deg == pytest.approx(0.4, rel=0.04)
    assert study.repeats.tool_deg == pytest.approx(0.1, rel=0.04)
    assert study.repeats.difference_deg == pytest.approx(math.hypot(0.4, 0.1), rel=0.04)
    assert study.repeats.between_units_deg == pytest.approx(0.3, rel=0.06)
    assert study.repeats.freedom == 4000


def test_repeated_pairs_are_tested_for_differences_of_the_units_own() -> None:
    readings = _repeated(np.random.default_rng(2), [3] * 8, 0.5, 0.1, 0.1)
    study = agreement_study.evaluate(readings)
    groups = (readings.tool_deg - readings.hand_deg).reshape(8, 3)
    expected = stats.f_oneway(*groups)
    assert study.repeats is not None
    assert study.repeats.f == pytest.approx(float(expected.statistic), rel=1e-9)
    assert study.repeats.p == pytest.approx(float(expected.pvalue), rel=1e-6, abs=1e-15)


def test_units_need_not_stand_together_in_the_file() -> None:
    readings = _repeated(np.random.default_rng(2), [2, 3, 1, 2, 4], 0.2, 0.1, 0.1)
    order = np.random.default_rng(1).permutation(len(readings.units))
    mixed = PairedReadings(
        tuple(readings.units[place] for place in order), readings.hand_deg[order], readings.tool_deg[order]
    )
    one, two = agreement_study.evaluate(readings), agreement_study.evaluate(mixed)
    assert two.upper_limit.interval == pytest.approx(one.upper_limit.interval)
    assert one.line is not None
    assert two.line is not None
    assert two.line.slope.value == pytest.approx(one.line.slope.value)


def test_one_pair_repeated_hardly_changes_what_single_pairs_give() -> None:
    flow = tables.peak_flow()
    single = agreement_study.evaluate(flow)
    more = PairedReadings(
        (*flow.units, flow.units[0]),
        np.append(flow.hand_deg, flow.hand_deg[0] + 1),
        np.append(flow.tool_deg, flow.tool_deg[0]),
    )
    study = agreement_study.evaluate(more)
    # The weight of one pair among seventeen.
    assert study.sd_deg == pytest.approx(single.sd_deg, rel=1 / 17)
    assert study.upper_limit.standard_uncertainty == pytest.approx(single.upper_limit.standard_uncertainty, rel=1 / 17)


# --- the ratio of errors -------------------------------------------------------------------------------------------------


def test_the_error_ratio_is_that_given_else_from_repeats_else_1() -> None:
    flow = tables.peak_flow()
    assert agreement_study.evaluate(flow).error_ratio_source == "taken as 1"
    repeated = _repeated(np.random.default_rng(1), [2] * 3000, 0.0, 0.2, 0.1)
    study = agreement_study.evaluate(repeated)
    assert study.error_ratio_source == "repeated readings"
    # Variance of the hand's errors over that of the tool's.
    assert study.error_ratio == pytest.approx(4.0, rel=0.15)
    given = agreement_study.evaluate(repeated, 0.5)
    assert (given.error_ratio, given.error_ratio_source) == (0.5, "given")


def test_repeats_without_scatter_give_no_ratio() -> None:
    hand, tool = np.array([1.0, 1, 2, 2, 3, 3]), np.array([1.0, 1.1, 2, 2.2, 3, 3.1])
    study = agreement_study.evaluate(PairedReadings(_names([2, 2, 2]), hand, tool))
    assert study.error_ratio_source == "taken as 1"


# --- the edges -----------------------------------------------------------------------------------------------------------


def test_methods_that_agree_but_for_a_constant_differ_by_that_constant_only() -> None:
    hand = np.array([10.1, 11.3, 12.7, 9.9, 10.3])
    study = agreement_study.evaluate(_once(hand, hand + 0.1))
    assert study.bias.value == pytest.approx(0.1)
    assert study.bias.differs_from(0.0)
    assert not study.bias.differs_from(0.1)
    assert study.sd_deg == pytest.approx(0.0, abs=1e-12)
    assert study.trend is not None
    assert study.line is not None
    assert not study.trend.slope.differs_from(0.0)
    assert study.trend.slope.p(0.0) is None
    assert not study.line.slope.differs_from(1.0)


@pytest.mark.parametrize("tool", [[10.0, 10.1, 10.2, 9.9], [10.0, 10.0, 10.0, 10.0]])
def test_units_of_one_angle_by_hand_have_no_line(tool: list[float]) -> None:
    study = agreement_study.evaluate(_once(np.full(4, 10.0), np.array(tool)))
    assert study.line is None
    assert math.isfinite(study.bias.standard_uncertainty)


def test_opposite_readings_have_no_mean_that_spreads() -> None:
    hand = np.array([-1.0, 0.0, 1.0, 2.0])
    assert agreement_study.evaluate(_once(hand, -hand)).trend is None


def test_a_vertical_line_is_none_and_a_level_one_has_slope_0() -> None:
    cross = np.array([-1.0, 1.0, 0.0, 0.0])
    tall = np.array([0.0, 0.0, -3.0, 3.0])
    assert agreement_study.errors_in_variables_line(cross, tall, 1.0, np.ones(4)) is None
    level = agreement_study.errors_in_variables_line(tall, cross, 1.0, np.ones(4))
    assert level is not None
    assert level.slope.value == 0.0


def test_binary_noise_is_no_trend() -> None:
    # tool - hand is 0.1 everywhere in decimals, and not quite so in binary.
    hand = np.array([0.3, 17.7, 1.1, 250.9, 3.3, 90.3])
    tool = np.array([0.4, 17.8, 1.2, 251.0, 3.4, 90.4])
    assert len(set((tool - hand).tolist())) > 1
    study = agreement_study.evaluate(_once(hand, tool))
    assert study.trend is not None
    assert study.trend.slope.standard_uncertainty > 0
    assert study.trend.slope.p(0.0) is None
    assert not study.trend.slope.differs_from(0.0)


def test_an_estimate_by_t() -> None:
    estimate = Estimate(1.0, 0.5, 4)
    # scipy.stats.t: two-sided 95 % point 2.776445.
    assert estimate.expanded_uncertainty == pytest.approx(0.5 * 2.776445, abs=1e-6)
    assert estimate.differs_from(-0.4)
    assert not estimate.differs_from(-0.38)
    assert estimate.p(0.0) == pytest.approx(2 * stats.t.sf(2.0, 4), rel=1e-9)
    assert Estimate(1.0, 0.0, 4).p(0.0) == 0.0
