"""Budget, coverage factor and verdict against figures from outside."""

from __future__ import annotations

import math
import random

import GTC
import pytest
from scipy import stats

from bench import student
from bench.bench_file import Decision
from bench.job import Tolerance
from bench.uncertainty import Budget, Shape, Term, arcsine, coverage_factor, rectangular, type_a, welch_satterthwaite
from bench.verdict import Verdict, decide, probability_inside


@pytest.mark.parametrize("freedom", [1, 2, 3.7, 4, 16, 50, 1e4])
@pytest.mark.parametrize("probability", [0.001, 0.1, 0.5, 0.8, 0.975, 0.995])
def test_student_quantile_is_scipys(freedom: float, probability: float) -> None:
    # scipy.stats.t, second implementation.
    assert student.quantile(probability, freedom) == pytest.approx(
        stats.t.ppf(probability, freedom), rel=1e-9, abs=1e-9
    )


@pytest.mark.parametrize("freedom", [1, 4, 16.7, math.inf])
@pytest.mark.parametrize("t", [-40.0, -2.0, 0.0, 0.3, 5.0])
def test_student_distribution_is_scipys(freedom: float, t: float) -> None:
    assert student.distribution(t, freedom) == pytest.approx(stats.t.cdf(t, freedom), rel=1e-9, abs=1e-14)


#: JCGM 100:2008 Annex H.1, H.1.6: contributions in nm with their degrees of freedom.
GAUGE_BLOCK = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))


def test_gauge_block_of_the_gum_has_its_effective_degrees_of_freedom() -> None:
    # JCGM 100:2008 H.1.6: u = 32 nm, ν_eff = 16, k99 = t99(16) = 2.92, U99 = 93 nm.
    u = math.hypot(*(c for c, _ in GAUGE_BLOCK))
    assert u == pytest.approx(32, abs=0.5)
    freedom = welch_satterthwaite(GAUGE_BLOCK)
    assert math.floor(freedom) == 16
    k = coverage_factor(freedom, 0.99)
    assert k == pytest.approx(2.92, abs=0.005)
    assert k * u == pytest.approx(93, abs=0.5)


def test_terms_of_known_size_leave_the_freedom_infinite() -> None:
    assert welch_satterthwaite([(1.0, math.inf), (2.0, math.inf)]) == math.inf
    # 97.5 % point of the normal distribution.
    assert coverage_factor(math.inf, 0.95) == pytest.approx(1.959964, abs=1e-6)


def example_budget() -> Budget:
    return Budget(
        (
            type_a("repeatability", 0.012, 4),
            Term("neutral, scatter of presses", "A", Shape.T, 0.09, "deg", 0.7, 6),
            rectangular("cam torque", 0.1432),
            rectangular("delay", 0.0002, "s", 60.0),
            arcsine("off-centre", 0.0573, "deg", 2 * math.sin(math.radians(5))),
        ),
        0.95,
    )


def test_a_whole_budget_agrees_with_gtc() -> None:
    # GTC 1.5, Measurement Standards Laboratory of New Zealand: uncertain numbers of its own.
    budget = example_budget()
    y = GTC.ureal(10.0, 0.0)
    for term in budget.terms:
        freedom = math.inf if math.isinf(term.freedom) else term.freedom
        y = y + term.sensitivity * GTC.ureal(0.0, term.standard_uncertainty, freedom)
    assert budget.standard_uncertainty_deg == pytest.approx(y.u, rel=1e-12)
    assert budget.freedom == pytest.approx(y.df, rel=1e-9)


def test_shares_add_up() -> None:
    budget = example_budget()
    assert sum(budget.share(t) for t in budget.terms) == pytest.approx(1.0, abs=1e-12)


def test_a_rectangle_has_its_standard_deviation() -> None:
    # JCGM 100:2008 F.2.2.1: a count of width q has u = q/√12; 4.3.7: half-width a, u = a/√3. Reading a 1° scale: 0.289°.
    assert rectangular("scale", 0.5).standard_uncertainty == pytest.approx(0.2887, abs=1e-4)
    # 2,500 lines: 0.036°, u = 0.0104° (bench design's table, recomputed).
    assert rectangular("count", 0.018).standard_uncertainty == pytest.approx(0.0104, abs=5e-5)


def test_a_sine_of_unknown_phase_has_its_standard_deviation() -> None:
    draw = random.Random(1)
    sample = [3.0 * math.sin(draw.uniform(0, 2 * math.pi)) for _ in range(100_000)]
    assert arcsine("x", 3.0).standard_uncertainty == pytest.approx(
        math.sqrt(sum(v * v for v in sample) / len(sample)), rel=0.01
    )


LIMITS = Tolerance(10.0, 1.0, 2.0)


def flat(u: float) -> Budget:
    return Budget((Term("all", "B", Shape.NORMAL, u, "deg", 1.0, math.inf),), 0.95)


@pytest.mark.parametrize("value", [7.0, 8.9, 9.0, 10.3, 12.0, 13.5])
@pytest.mark.parametrize("u", [0.05, 0.4, 3.0])
def test_probability_of_being_inside_is_that_of_jcgm_106(value: float, u: float) -> None:
    # JCGM 106:2012, 7: Φ((U-y)/u) - Φ((L-y)/u), against scipy.stats.norm.
    expected = stats.norm.cdf((12.0 - value) / u) - stats.norm.cdf((9.0 - value) / u)
    assert probability_inside(value, flat(u), LIMITS) == pytest.approx(expected, abs=1e-12)


def test_few_degrees_of_freedom_widen_the_probability() -> None:
    few = Budget((type_a("scatter", 0.5, 3),), 0.95)
    expected = stats.t.cdf(2.0 / 0.5, 3) - stats.t.cdf(-1.0 / 0.5, 3)
    assert probability_inside(10.0, few, LIMITS) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (8.0, Verdict.OUTSIDE),
        (8.79, Verdict.OUTSIDE),
        (8.81, Verdict.UNDECIDED),
        (9.19, Verdict.UNDECIDED),
        (9.2, Verdict.INSIDE),
        (11.8, Verdict.INSIDE),
        (11.81, Verdict.UNDECIDED),
        (12.19, Verdict.UNDECIDED),
        (12.21, Verdict.OUTSIDE),
    ],
)
def test_a_guarded_verdict_keeps_the_whole_interval_on_one_side(value: float, expected: Verdict) -> None:
    tenth = flat(0.2 / student.quantile(0.975, math.inf))
    assert tenth.expanded_uncertainty_deg == pytest.approx(0.2)
    assert decide(value, tenth, LIMITS, Decision()) is expected


def test_a_simple_verdict_looks_at_the_value_alone() -> None:
    assert decide(9.01, flat(0.5), LIMITS, Decision(rule="simple")) is Verdict.INSIDE
    assert decide(8.99, flat(0.5), LIMITS, Decision(rule="simple")) is Verdict.OUTSIDE


def test_without_limits_there_is_no_verdict() -> None:
    assert decide(9.0, flat(0.1), None, Decision()) is Verdict.NONE


def test_at_the_limit_a_guarded_verdict_is_wrongly_inside_in_at_most_one_case_in_forty() -> None:
    # One side of a two-sided 95 % interval; binomial margin of three standard deviations at 20,000 draws.
    draw = random.Random(7)
    n, u = 20_000, 0.3
    wrong = sum(decide(draw.gauss(12.0, u), flat(u), LIMITS, Decision()) is Verdict.INSIDE for _ in range(n))
    assert wrong / n <= 0.025 + 3 * math.sqrt(0.025 * 0.975 / n)
    assert wrong / n >= 0.025 - 3 * math.sqrt(0.025 * 0.975 / n)


@pytest.mark.parametrize("risk", [0.01, 0.025, 0.1])
def test_a_stated_risk_sets_the_guard_band(risk: float) -> None:
    # JCGM 106:2012, 9.3.2: far from the other limit, the guard band that keeps the specific risk is z(1 - risk)·u; scipy as second opinion.
    u, by_risk = 0.1, Decision(rule="risk", risk=risk)
    guard = stats.norm.ppf(1 - risk) * u
    for edge, into in ((9.0, 1), (12.0, -1)):
        assert decide(edge + into * (guard + 1e-6), flat(u), LIMITS, by_risk) is Verdict.INSIDE
        assert decide(edge + into * (guard - 1e-6), flat(u), LIMITS, by_risk) is Verdict.UNDECIDED
        assert decide(edge - into * (guard - 1e-6), flat(u), LIMITS, by_risk) is Verdict.UNDECIDED
        assert decide(edge - into * (guard + 1e-6), flat(u), LIMITS, by_risk) is Verdict.OUTSIDE


def test_few_degrees_of_freedom_widen_a_guard_band_to_a_stated_risk() -> None:
    few = Budget((type_a("scatter", 0.1, 3),), 0.95)
    by_risk = Decision(rule="risk", risk=0.025)
    guard = stats.t.ppf(0.975, 3) * 0.1
    assert decide(9.0 + guard + 1e-3, few, LIMITS, by_risk) is Verdict.INSIDE
    assert decide(9.0 + guard - 1e-3, few, LIMITS, by_risk) is Verdict.UNDECIDED


def test_both_limits_share_the_risk_where_the_tolerance_is_narrow() -> None:
    # In the middle of a tolerance of ±2u: 2·(1 - Φ(2)) = 4.55 % lies outside, 2.28 % beyond each limit (scipy).
    narrow = Tolerance(0.0, 2.0, 2.0)
    assert 2 * stats.norm.sf(2) == pytest.approx(0.0455, abs=1e-4)
    assert decide(0.0, flat(1.0), narrow, Decision(rule="risk", risk=0.045)) is Verdict.UNDECIDED
    assert decide(0.0, flat(1.0), narrow, Decision(rule="risk", risk=0.046)) is Verdict.INSIDE


def test_a_bound_that_rules_gives_the_probability_by_its_own_shape() -> None:
    # A rectangle of half-width 1 alone: from the limits' middle it ends before them; 0.5 beyond one of them a quarter is left inside.
    rectangle = Budget((rectangular("bound", 1.0),), 0.95, propagated_deg=0.95)
    assert probability_inside(10.5, rectangle, LIMITS) == 1.0
    assert probability_inside(12.5, rectangle, LIMITS) == pytest.approx(0.25, abs=4 * math.sqrt(0.25 * 0.75 / 200_000))
    assert probability_inside(8.5, rectangle, LIMITS) == pytest.approx(0.25, abs=4 * math.sqrt(0.25 * 0.75 / 200_000))
    assert probability_inside(13.5, rectangle, LIMITS) == 0.0


def test_a_negative_sensitivity_contributes_as_much_as_a_positive_one() -> None:
    # GUM 5.1.2: squares are added.
    assert Term("x", "B", Shape.RECTANGULAR, 0.3, "deg", -0.5, math.inf).contribution_deg == pytest.approx(0.15)


def test_a_propagated_interval_stands_in_for_k_from_t() -> None:
    # JCGM 101:2008, 5.5.1: the coverage interval is read off the distribution; k is then only its ratio to u.
    budget = Budget((type_a("x", 0.1, 4), rectangular("y", 0.2)), 0.95, propagated_deg=0.25)
    u = math.sqrt(0.01 + 0.04 / 3)
    assert budget.coverage_factor == pytest.approx(0.25 / u)
    assert budget.expanded_uncertainty_deg == pytest.approx(0.25)
    nothing = Budget((rectangular("y", 0.0),), 0.95, propagated_deg=0.0)
    assert nothing.expanded_uncertainty_deg == 0.0
    assert nothing.share(nothing.terms[0]) == 0.0


@pytest.mark.parametrize("freedom", [1.0, 1.9, 0.6])
def test_no_fewer_than_one_degree_of_freedom_is_believed(freedom: float) -> None:
    # JCGM 100:2008, Table G.2: 12.71 for one degree of freedom at 95 %.
    assert coverage_factor(freedom, 0.95) == pytest.approx(12.71, abs=0.005)


def test_of_what_is_an_angle_itself_the_sensitivity_is_one() -> None:
    # Bounds: a/√3 (GUM 4.3.7). A sine of unknown phase: its root mean square, a/√2.
    assert rectangular("x", 0.2).contribution_deg == pytest.approx(0.2 / math.sqrt(3))
    assert arcsine("x", 0.2).contribution_deg == pytest.approx(0.2 / math.sqrt(2))
    assert type_a("x", 0.2, 4).contribution_deg == 0.2


@pytest.mark.parametrize(("value", "inside"), [(10.0, 1.0), (12.0, 1.0), (12.001, 0.0), (7.999, 0.0)])
def test_without_any_uncertainty_the_value_is_inside_or_not(value: float, inside: float) -> None:
    budget = Budget((rectangular("x", 0.0),), 0.95)
    assert probability_inside(value, budget, Tolerance(10.0, 2.0, 2.0)) == inside
