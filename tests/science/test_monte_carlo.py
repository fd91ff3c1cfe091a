"""Propagation of distributions: published intervals, closed forms, a numerical convolution, and the same bits each time."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal, stats

from bench.monte_carlo import DRAWS, needed, propagate
from bench.uncertainty import Budget, Shape, Term, arcsine, rectangular, type_a

#: Four standard deviations of the half-width; each is about 0.25 % at 200,000 draws.
SCATTER = 0.01


def term(shape: Shape, u: float, freedom: float = math.inf) -> Term:
    return Term(f"{shape} {u}", "B", shape, u, "deg", 1.0, freedom)


def budget(*terms: Term, confidence: float = 0.95) -> Budget:
    return Budget(terms, confidence)


def margin(half_width: float, density: float, confidence: float = 0.95) -> float:
    """Four standard deviations of a sample quantile of |sum|: √(p(1-p)/M) / its density there, twice that of the sum."""
    return 4 * math.sqrt(confidence * (1 - confidence) / DRAWS) / (2 * density) + 1e-9 * half_width


# --- published -------------------------------------------------------------------------------------------------------


def test_four_normal_terms_are_normal() -> None:
    # JCGM 101:2008 9.2.2, Table 2: four standard normals, u = 2.00, shortest 95 % interval ±3.92.
    found = propagate(budget(*[term(Shape.NORMAL, 1.0)] * 4))
    assert found.half_width_deg == pytest.approx(3.92, abs=0.005 + margin(3.92, float(stats.norm.pdf(3.92, scale=2))))
    assert found.standard_deviation_deg == pytest.approx(2.0, rel=1e-12)


def test_four_equal_rectangles_have_the_interval_of_jcgm_101() -> None:
    # JCGM 101:2008 9.2.3, Table 3 and its note: rectangles of u = 1, u(y) = 2.00; ±2√3(2-(3/5)^¼) = ±3.88; the GUM's is ±3.92.
    exact = 2 * math.sqrt(3) * (2 - (3 / 5) ** 0.25)
    assert exact == pytest.approx(3.88, abs=0.005)
    # Density in the outermost piece: (w - y)³ / (6 (2√3)⁴), with w = 4√3.
    density = (4 * math.sqrt(3) - exact) ** 3 / (6 * (2 * math.sqrt(3)) ** 4)
    found = propagate(budget(*[term(Shape.RECTANGULAR, 1.0)] * 4))
    assert found.half_width_deg == pytest.approx(exact, abs=margin(exact, density))
    assert abs(found.half_width_deg - 3.92) > margin(exact, density)
    assert found.standard_deviation_deg == pytest.approx(2.0, rel=1e-12)


def test_a_rectangle_ten_times_as_wide_has_the_interval_of_jcgm_101() -> None:
    # JCGM 101:2008 9.2.4, Table 4: three rectangles of u = 1, one of u = 10; u(y) = 10.1, ±17.0; the GUM's is ±19.9.
    found = propagate(budget(*[term(Shape.RECTANGULAR, 1.0)] * 3, term(Shape.RECTANGULAR, 10.0)))
    assert found.half_width_deg == pytest.approx(17.0, abs=0.05 + margin(17.0, 1 / (20 * math.sqrt(3))))
    assert found.standard_deviation_deg == pytest.approx(10.1, abs=0.05)
    assert found.draws == 200_000


# --- closed forms ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("confidence", [0.6827, 0.95, 0.99])
def test_two_equal_rectangles_make_a_triangle(confidence: float) -> None:
    # Half-width a each: triangle of half-width 2a, P(|y| ≤ x) = 1 - (1 - x/2a)².
    a = 0.3
    exact = 2 * a * (1 - math.sqrt(1 - confidence))
    density = (1 - exact / (2 * a)) / (2 * a)
    found = propagate(budget(rectangular("x", a), rectangular("y", a), confidence=confidence))
    assert found.half_width_deg == pytest.approx(exact, abs=margin(exact, density, confidence))
    assert found.confidence == confidence
    assert found.standard_deviation_deg == pytest.approx(a * math.sqrt(2 / 3), rel=1e-12)


def test_one_rectangle_and_one_sine_keep_within_their_bounds() -> None:
    # Rectangle: 0.95 a. Sine of amplitude a: a·sin(0.95 π/2).
    found = propagate(budget(rectangular("x", 2.0)))
    assert found.half_width_deg == pytest.approx(1.9, abs=margin(1.9, 0.25))
    sine = propagate(budget(arcsine("x", 2.0)))
    exact = 2.0 * math.sin(0.95 * math.pi / 2)
    assert sine.half_width_deg == pytest.approx(exact, abs=margin(exact, float(stats.arcsine.pdf(exact, -2.0, 4.0))))
    assert sine.standard_deviation_deg == pytest.approx(math.sqrt(2), rel=1e-12)


@pytest.mark.parametrize("freedom", [1.0, 2.0, 2.7, 4.0, 30.0, 1e6, 1e9, math.inf])
@pytest.mark.parametrize("shape", [Shape.T, Shape.NORMAL])
@pytest.mark.parametrize("confidence", [0.6827, 0.95, 0.99])
def test_one_term_from_scatter_is_t(freedom: float, shape: Shape, confidence: float) -> None:
    # JCGM 101:2008 6.4.9.2: t with ν degrees of freedom, scaled by u. scipy.stats.t, second implementation.
    exact = 0.02 * float(stats.t.ppf(0.5 + confidence / 2, freedom))
    density = float(stats.t.pdf(exact / 0.02, freedom)) / 0.02
    found = propagate(budget(term(shape, 0.02, freedom), confidence=confidence))
    assert found.half_width_deg == pytest.approx(exact, abs=margin(exact, density, confidence))


def test_the_standard_deviation_is_that_of_t_where_it_has_one() -> None:
    # Against scipy.stats.t.std; for ν ≤ 2 it is infinite.
    rest = rectangular("x", 0.03)
    for freedom in (2.5, 4.0, 9.0):
        exact = math.hypot(0.02 * float(stats.t.std(freedom)), 0.03 / math.sqrt(3))
        assert propagate(budget(type_a("a", 0.02, freedom), rest)).standard_deviation_deg == pytest.approx(
            exact, rel=1e-9
        )
    assert propagate(budget(type_a("a", 0.02, 2), rest)).standard_deviation_deg is None
    assert propagate(budget(type_a("a", 0.02, 1), rest)).standard_deviation_deg is None


# --- a numerical convolution as second opinion ------------------------------------------------------------------------


def convolved(terms: tuple[Term, ...], confidence: float) -> tuple[float, float]:
    """Half-width by convolving scipy's distributions as histograms on a grid, and the density there."""
    u = max(t.contribution_deg for t in terms)
    edges = (np.arange(2**17 + 2) - (2**17 + 1) / 2) * (200 * u / 2**17)
    whole = None
    for t in terms:
        c = t.contribution_deg
        distribution = {
            Shape.RECTANGULAR: stats.uniform(-math.sqrt(3) * c, 2 * math.sqrt(3) * c),
            Shape.ARCSINE: stats.arcsine(-math.sqrt(2) * c, 2 * math.sqrt(2) * c),
            Shape.T: stats.t(t.freedom, scale=c),
            Shape.NORMAL: stats.norm(scale=c),
        }[t.shape]
        part = np.diff(distribution.cdf(edges))
        whole = part if whole is None else signal.fftconvolve(whole, part, mode="same")
    assert whole is not None
    centres = (edges[1:] + edges[:-1]) / 2
    upper = np.cumsum(whole[centres > 0]) + whole[centres == 0] / 2
    right = edges[1:][centres > 0]
    half_width = float(np.interp(confidence / 2, upper, right))
    density = float(np.interp(half_width, centres, whole)) / (edges[1] - edges[0])
    return half_width, density


def opening() -> Budget:
    """Like a real one: a dominating bound, scatter of few presses and passes, an encoder off-centre."""
    return budget(
        type_a("repeatability", 0.012, 4),
        Term("neutral, scatter of presses", "A", Shape.T, 0.04, "deg", 0.7, 2),
        rectangular("cam torque", 0.1432),
        rectangular("count", 0.018),
        rectangular("delay", 0.0002, "s", 60.0),
        arcsine("off-centre", 0.0573, "deg", -2 * math.sin(math.radians(5))),
        term(Shape.NORMAL, 0.008),
        rectangular("hysteresis", 0.018),
        rectangular("pole spacing", 0.02),
        rectangular("latch", 1e-5, "s", 60.0),
        rectangular("neutral, unequal friction", 0.01),
        rectangular("neutral, count", 0.018),
    )


@pytest.mark.parametrize(
    "case",
    [
        opening(),
        replace(opening(), confidence=0.99),
        budget(rectangular("x", 0.1), type_a("a", 0.05, 3)),
        budget(arcsine("x", 0.1), type_a("a", 0.01, 5), rectangular("y", 0.02)),
        budget(type_a("a", 0.05, 3), type_a("b", 0.05, 3)),
    ],
    ids=["opening", "opening at 99 %", "rectangle and t", "sine and t", "two t"],
)
def test_a_mixed_budget_agrees_with_a_convolution(case: Budget) -> None:
    half_width, density = convolved(case.terms, case.confidence)
    allowed = margin(half_width, density, case.confidence)
    assert allowed < 0.04 * half_width
    assert propagate(case).half_width_deg == pytest.approx(half_width, abs=allowed)


def test_the_convolution_itself_knows_four_rectangles() -> None:
    # So that the check above is known to look at the right thing: ±3.8794, JCGM 101:2008 9.2.3.
    exact = 2 * math.sqrt(3) * (2 - (3 / 5) ** 0.25)
    assert convolved((term(Shape.RECTANGULAR, 1.0),) * 4, 0.95)[0] == pytest.approx(exact, rel=1e-4)


def test_a_dominating_rectangle_makes_the_interval_narrower_than_by_the_gum() -> None:
    case = budget(rectangular("cam torque", 0.1432), type_a("repeatability", 0.012, 4))
    assert needed(case)
    assert propagate(case).half_width_deg < 0.9 * case.expanded_uncertainty_deg


# --- when, how often, how fast ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", [Shape.RECTANGULAR, Shape.ARCSINE])
def test_it_is_needed_when_one_bounded_term_is_more_than_half(shape: Shape) -> None:
    # Shares of the variance: 1.01² of 1 + 1.01², and 0.99² of 1 + 0.99².
    assert needed(budget(type_a("a", 1.0, 5), term(shape, 1.01)))
    assert not needed(budget(type_a("a", 1.0, 5), term(shape, 0.99)))
    assert needed(budget(type_a("a", 1.0, 5), replace(term(shape, 0.101), sensitivity=-10.0)))


@pytest.mark.parametrize("shape", [Shape.NORMAL, Shape.T])
def test_it_is_not_needed_where_scatter_dominates(shape: Shape) -> None:
    assert not needed(budget(term(shape, 3.0, 4), rectangular("x", 1.0)))
    assert not needed(budget())


def test_the_same_budget_gives_the_same_bits_in_any_order_and_under_any_names() -> None:
    one = propagate(opening())
    assert propagate(opening()) == one
    assert propagate(budget(*reversed(opening().terms))) == one
    assert propagate(budget(*(replace(t, source="other") for t in opening().terms))) == one


def test_the_last_digit_of_a_term_moves_the_interval_by_no_more_than_that() -> None:
    # A seed made of the sizes would give other draws: a change of a quarter of a per cent.
    for at, t in enumerate(opening().terms):
        terms = list(opening().terms)
        terms[at] = replace(t, standard_uncertainty=t.standard_uncertainty * (1 + 1e-12))
        assert propagate(budget(*terms)).half_width_deg == pytest.approx(propagate(opening()).half_width_deg, rel=1e-10)


def test_budgets_of_other_terms_have_other_draws() -> None:
    # Of the same draws the two would differ by a few parts in a million (t at 97.5 %, 20 and 20.001 degrees of freedom).
    one, other = (propagate(budget(term(Shape.T, 1.0, freedom))).half_width_deg for freedom in (20.0, 20.001))
    assert abs(one - other) > 1e-4


def test_a_raw_zero_is_drawn_without_harm(monkeypatch: pytest.MonkeyPatch) -> None:
    class Zeros:
        def __init__(self, seed: int) -> None:
            pass

        def random_raw(self, size: int) -> NDArray[np.uint64]:
            return np.zeros(size, np.uint64)

    monkeypatch.setattr(np.random, "PCG64", Zeros)
    found = propagate(opening())
    assert math.isfinite(found.half_width_deg)


def test_half_the_size_is_half_the_interval() -> None:
    halved = budget(*(replace(t, sensitivity=t.sensitivity / 2) for t in opening().terms))
    assert propagate(halved).half_width_deg == pytest.approx(propagate(opening()).half_width_deg / 2, rel=1e-12)


def test_terms_of_one_kind_are_drawn_independently() -> None:
    # Two sines of one phase would be one sine of twice the amplitude: 2·sin(0.95 π/2) = 1.99 instead of 1.86 (convolved).
    two = (arcsine("x", 1.0), arcsine("y", 1.0))
    half_width, density = convolved(two, 0.95)
    assert half_width < 1.9
    assert propagate(budget(*two)).half_width_deg == pytest.approx(half_width, abs=margin(half_width, density))


def test_no_terms_and_terms_of_no_size_give_no_interval() -> None:
    assert propagate(budget()).half_width_deg == 0.0
    nothing = propagate(budget(rectangular("x", 0.0), type_a("a", 0.0, 4)))
    assert (nothing.half_width_deg, nothing.standard_deviation_deg) == (0.0, 0.0)


def test_it_stays_within_its_scatter_over_many_budgets() -> None:
    # The stated 0.25 %: root mean square over 24 budgets of other seeds, against scipy; chi-squared, 24 values, to 1.6 times.
    off = []
    for freedom in range(5, 29):
        exact = float(stats.t.ppf(0.975, freedom))
        off.append(propagate(budget(term(Shape.T, 1.0, freedom))).half_width_deg / exact - 1)
    assert max(abs(o) for o in off) < SCATTER
    assert math.sqrt(sum(o * o for o in off) / len(off)) < 1.6 * SCATTER / 4
    assert len({round(o, 12) for o in off}) == len(off)
