"""How far to move, and by how much this unit's own adjustment moves it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, stats

from bench.adjustment import (
    Adjustment,
    NeededMove,
    NotKnown,
    Sensitivity,
    adjust,
    chi_square_95,
    needed_move,
    sensitivity,
)
from bench.job import Tolerance

#: Invented: a clearance moved by so many millimetres, and the change of angle.
MOVED = (0.05, -0.02, 0.03, 0.04)
CHANGES = (-0.81, 0.35, -0.47, -0.66)
UNCERTAINTIES = (0.03, 0.03, 0.05, 0.04)
LIMITS = Tolerance(10.0, 2.0, 1.0)


def learnt(*pairs: Adjustment) -> Sensitivity:
    found = sensitivity(pairs, "mm")
    assert isinstance(found, Sensitivity)
    return found


def pairs_of(u_moved: float = 0.0) -> list[Adjustment]:
    return [Adjustment(x, y, u, u_moved=u_moved) for x, y, u in zip(MOVED, CHANGES, UNCERTAINTIES, strict=True)]


# --- how far, which way ---------------------------------------------------------------------------------------------


def test_an_opening_too_late_has_to_open_earlier_and_the_limit_is_named() -> None:
    found = adjust("main lobe 0", 11.31, 0.15, LIMITS)
    assert found.move_deg == pytest.approx(-1.31)
    assert (found.direction, found.beyond) == ("earlier", "upper")
    assert "0.31° beyond the upper limit of 11.00°" in found.text
    assert "1.31° ± 0.15° earlier in the running direction" in found.text


def test_an_opening_too_early_has_to_open_later() -> None:
    found = adjust("main lobe 0", 7.9, 0.15, LIMITS)
    assert found.move_deg == pytest.approx(2.1)
    assert (found.direction, found.beyond) == ("later", "lower")
    assert "0.10° beyond the lower limit of 8.00°" in found.text


def test_inside_the_limits_no_limit_is_named_and_a_move_within_the_uncertainty_is_none() -> None:
    assert (adjust("x", 10.5, 0.15, LIMITS).direction, adjust("x", 10.5, 0.15, LIMITS).beyond) == ("earlier", None)
    assert adjust("x", 10.1, 0.15, LIMITS).direction == "none"
    # Beyond a limit there is always a way to go, however little is known.
    assert adjust("x", 11.1, 2.0, LIMITS).direction == "earlier"


# --- sensitivity ----------------------------------------------------------------------------------------------------


def test_one_adjustment_gives_its_ratio() -> None:
    found = learnt(Adjustment(0.05, -0.8, 0.04, 7.0))
    assert found.deg_per_unit == pytest.approx(-16.0)
    assert found.u_deg_per_unit == pytest.approx(0.8)
    assert found.freedom == pytest.approx(7.0)


def test_the_slope_is_that_of_scipys_weighted_fit() -> None:
    found = learnt(*pairs_of())
    best, covariance = optimize.curve_fit(lambda x, s: s * x, MOVED, CHANGES, sigma=UNCERTAINTIES, absolute_sigma=True)
    assert found.deg_per_unit == pytest.approx(best[0], rel=1e-6)
    assert found.u_deg_per_unit == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-6)
    assert not found.scattered


def test_changes_that_share_a_measurement_are_weighed_as_scipy_weighs_a_full_covariance() -> None:
    shared = 0.02
    chain = [
        Adjustment(x, y, u, u_shared_deg=shared if at else 0.0)
        for at, (x, y, u) in enumerate(zip(MOVED, CHANGES, UNCERTAINTIES, strict=True))
    ]
    covariance = np.diag(np.square(UNCERTAINTIES))
    for at in range(3):
        covariance[at, at + 1] = covariance[at + 1, at] = -(shared**2)
    best, of_best = optimize.curve_fit(lambda x, s: s * x, MOVED, CHANGES, sigma=covariance, absolute_sigma=True)
    found = learnt(*chain)
    assert found.deg_per_unit == pytest.approx(best[0], rel=1e-6)
    assert found.u_deg_per_unit == pytest.approx(math.sqrt(of_best[0, 0]), rel=1e-6)


def test_there_and_back_is_known_worse_than_two_adjustments_of_their_own() -> None:
    # y1 - y0 over x and y2 - y1 over -x: s = (2 y1 - y0 - y2) / 2x, so u = √6 u(y) / 2x; independent ones would give u(y) / x.
    u, x = 0.03, 0.05
    back = learnt(Adjustment(x, -0.8, math.sqrt(2) * u), Adjustment(-x, 0.8, math.sqrt(2) * u, u_shared_deg=u))
    assert back.u_deg_per_unit == pytest.approx(math.sqrt(6) * u / (2 * x))
    apart = learnt(Adjustment(x, -0.8, math.sqrt(2) * u), Adjustment(-x, 0.8, math.sqrt(2) * u))
    assert apart.u_deg_per_unit == pytest.approx(u / x)


def test_what_was_moved_is_not_exactly_known_either() -> None:
    u_moved = 0.002
    found = learnt(*pairs_of(u_moved))

    def residuals(unknown: np.ndarray) -> np.ndarray:
        # Slope first, then what was truly moved: maximum likelihood with errors in both.
        slope, truly = unknown[0], unknown[1:]
        return np.concatenate(
            ((np.array(CHANGES) - slope * truly) / UNCERTAINTIES, (np.array(MOVED) - truly) / u_moved)
        )

    second = optimize.least_squares(residuals, [-15.0, *MOVED], x_scale="jac", xtol=1e-14, ftol=1e-14)
    u_slope = math.sqrt(np.linalg.inv(second.jac.T @ second.jac)[0, 0])
    # Effective variance and maximum likelihood agree to second order in u(x)/x: (0.002/0.02)² at most.
    assert found.deg_per_unit == pytest.approx(second.x[0], rel=1e-2)
    assert found.u_deg_per_unit == pytest.approx(u_slope, rel=2e-2)
    assert found.u_deg_per_unit > 1.1 * learnt(*pairs_of()).u_deg_per_unit


def test_adjustments_that_disagree_raise_the_uncertainty() -> None:
    wide = learnt(Adjustment(0.05, -0.8, 0.02), Adjustment(0.05, -1.1, 0.02), Adjustment(0.05, -0.5, 0.02))
    assert wide.scattered
    # By hand: chi-square (0² + 0.3² + 0.3²)/0.02² = 450 over 2, so u is √225 = 15 times 0.02/(0.05·√3).
    assert wide.u_deg_per_unit == pytest.approx(15 * 0.02 / (0.05 * math.sqrt(3)))
    assert wide.freedom == 2
    assert "agree less well" in wide.text(0.95)


@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 10])
def test_the_limit_of_chi_square_is_scipys(freedom: int) -> None:
    assert chi_square_95(freedom) == pytest.approx(stats.chi2.ppf(0.95, freedom), rel=0.03)


def test_an_adjustment_that_did_nothing_says_so() -> None:
    found = learnt(Adjustment(0.05, -0.02, 0.04))
    assert not found.known(0.95)
    assert "cannot be told from 0" in found.text(0.95)
    told = needed_move(found, -1.0, 0.05)
    assert isinstance(told, NotKnown)
    assert "cannot be told from 0" in told.reason
    assert isinstance(sensitivity([Adjustment(0.0, -0.02, 0.04)], "mm"), NotKnown)


def test_few_degrees_of_freedom_can_be_too_few() -> None:
    # 2 standard uncertainties from 0: enough with infinitely many degrees of freedom (k 1.96), not with two (k 4.30).
    assert learnt(Adjustment(1.0, 0.2, 0.1)).known(0.95)
    assert not learnt(Adjustment(1.0, 0.2, 0.1, 2.0)).known(0.95)


@pytest.mark.parametrize(
    "pair",
    [
        Adjustment(math.nan, 1.0, 0.1),
        Adjustment(1.0, math.inf, 0.1),
        Adjustment(1.0, 1.0, 0.0),
        Adjustment(1.0, 1.0, 0.1, u_shared_deg=0.05),
        Adjustment(1.0, 1.0, 0.1, u_moved=-1.0),
    ],
)
def test_figures_that_make_no_sense_are_refused(pair: Adjustment) -> None:
    with pytest.raises(ValueError, match=r"expected|in common"):
        sensitivity([pair], "mm")


# --- what to move ---------------------------------------------------------------------------------------------------


def test_the_needed_move_is_move_over_slope() -> None:
    told = needed_move(learnt(Adjustment(0.05, -0.8, 0.04)), -1.6, 0.1)
    assert isinstance(told, NeededMove)
    assert told.move == pytest.approx(0.1)
    assert told.low < told.move < told.high
    assert "+0.1 mm" in told.text


def test_its_interval_is_fiellers_by_hand() -> None:
    # The ends m solve (Δ - s m)² = k² (u²(Δ) + m² u²(s)); Fieller 1954.
    slope = Sensitivity(-16.0, 1.5, math.inf, "mm", 1, scattered=False)
    told = needed_move(slope, -1.6, 0.1)
    assert isinstance(told, NeededMove)
    k = stats.norm.ppf(0.975)
    for end in (told.low, told.high):
        assert (-1.6 + 16.0 * end) ** 2 == pytest.approx(k**2 * (0.1**2 + (end * 1.5) ** 2), rel=1e-9)


def test_nineteen_of_twenty_intervals_hold_the_true_move() -> None:
    random = np.random.default_rng(5)
    slope, move, u_slope, u_move, jobs = -16.0, -1.6, 2.5, 0.15, 4000
    held = 0
    for s, m in zip(random.normal(slope, u_slope, jobs), random.normal(move, u_move, jobs), strict=True):
        told = needed_move(Sensitivity(s, u_slope, math.inf, "mm", 1, scattered=False), m, u_move)
        held += isinstance(told, NeededMove) and told.low <= move / slope <= told.high
    # Binomial, four standard deviations either side of 95 %.
    assert abs(held / jobs - 0.95) < 4 * math.sqrt(0.95 * 0.05 / jobs)
