"""Neutral from presses and rests."""

from __future__ import annotations

import math
import random

import pytest
from scipy import stats

from bench.bench_file import Priors
from bench.neutral import Mark, both_sides, fold, locate

PRIORS = Priors()


def marks(below: list[float], above: list[float]) -> list[Mark]:
    return [Mark(a, 1) for a in below] + [Mark(a, -1) for a in above]


def test_friction_cancels_between_the_sides() -> None:
    estimate = both_sides("presses", marks([9.6, 9.8], [10.2, 10.4]))
    assert estimate is not None
    assert estimate.angle_deg == pytest.approx(10.0)
    assert estimate.band_deg == pytest.approx(0.6)


def test_scatter_is_pooled_over_the_sides() -> None:
    below, above = [9.6, 9.8, 9.9], [10.2, 10.5, 10.1, 10.3]
    estimate = both_sides("presses", marks(below, above))
    assert estimate is not None
    # Standard error of a difference of means, equal variances (scipy's pooled t test), halved for the midpoint.
    t = stats.ttest_ind(above, below)
    error_of_difference = (sum(above) / 4 - sum(below) / 3) / t.statistic
    assert estimate.u_deg == pytest.approx(error_of_difference / 2, rel=1e-12)
    assert estimate.freedom == t.df


@pytest.mark.parametrize(("below", "above"), [([1.0, 2.0], [3.0]), ([], [1.0, 2.0]), ([1.0], [2.0])])
def test_a_side_with_too_few_presses_gives_no_neutral(below: list[float], above: list[float]) -> None:
    assert both_sides("presses", marks(below, above)) is None
    assert locate(marks(below, above), [], 4, PRIORS, 0.036) is None


def test_presses_fold_over_the_pole_spacing() -> None:
    assert fold(95.0, 3.0, 90.0) == (5.0, 1)
    assert fold(-88.0, 3.0, 90.0) == (2.0, -1)
    # Wrap: 350° and 10° are 20° apart (circular mean 0°, Zar, Biostatistical Analysis).
    assert fold(350.0, 10.0, 360.0) == (-10.0, 1)


def test_presses_at_several_neutrals_carry_their_spacing() -> None:
    one = locate(marks([-0.1, 0.0], [0.2, 0.3]), [], 4, PRIORS, 0.036)
    two = locate(marks([-0.1, 90.0], [0.2, 90.3]), [], 4, PRIORS, 0.036)
    assert one is not None
    assert two is not None
    assert two.angle_deg == pytest.approx(one.angle_deg)
    spacing = [t for t in two.terms if "pole spacing" in t.source]
    assert [t.standard_uncertainty for t in spacing] == [pytest.approx(0.25 / math.sqrt(3))]
    assert not [t for t in one.terms if "pole spacing" in t.source]


@pytest.mark.parametrize(("poles", "bound"), [(4, 0.1432), (2, 0.2865)])
def test_a_cam_torque_of_one_percent_pulls_by_what_the_magnet_gives(poles: int, bound: float) -> None:
    # Job's table of what spoils the number: 1 % of peak detent on 4 poles shifts neutral by 0.14°; torque ≈ p·T0·δ.
    neutral = locate(marks([-0.1, 0.1], [-0.1, 0.1]), [], poles, PRIORS, 0.036)
    assert neutral is not None
    (cam,) = [t for t in neutral.terms if "cam torque" in t.source]
    assert cam.standard_uncertainty * math.sqrt(3) == pytest.approx(bound, abs=5e-5)


def test_rests_that_agree_are_combined_and_lower_the_uncertainty() -> None:
    presses = marks([-0.4, -0.1, -0.2, -0.3], [0.1, 0.4, 0.2, 0.3])
    rests = marks([-0.11, -0.09, -0.1], [0.1, 0.12, 0.08])
    alone, both = locate(presses, [], 4, PRIORS, 0.036), locate(presses, rests, 4, PRIORS, 0.036)
    assert alone is not None
    assert both is not None
    assert both.agree
    assert both.method == "presses and rests"
    assert both.standard_uncertainty_deg < alone.standard_uncertainty_deg


def test_where_rests_disagree_the_presses_govern() -> None:
    presses = marks([-0.4, -0.1, -0.2, -0.3], [0.1, 0.4, 0.2, 0.3])
    rests = marks([0.89, 0.91, 0.9], [1.1, 1.12, 1.08])
    neutral = locate(presses, rests, 4, PRIORS, 0.036)
    assert neutral is not None
    assert not neutral.agree
    assert neutral.method == "presses"
    assert neutral.angle_deg == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("per_side", "rests_per_side"), [(3, 0), (4, 2), (5, 3)])
def test_the_interval_covers_as_often_as_it_says(per_side: int, rests_per_side: int) -> None:
    # Press scatter 0.2°, friction band 0.3°, cam torque and friction asymmetry drawn from the stated bounds. 4,000 draws: three
    # binomial standard deviations are 1.0 %. Bounded terms over-cover.
    draw = random.Random(11)
    covered, n = 0, 4_000
    for _ in range(n):
        bias = draw.uniform(-1, 1) * math.degrees(PRIORS.cam_torque_fraction) / 4
        uneven = 0.15 * draw.uniform(-PRIORS.friction_asymmetry, PRIORS.friction_asymmetry)
        presses = [
            Mark(bias + uneven - side * 0.15 + draw.gauss(0, 0.2), side) for side in (1, -1) for _ in range(per_side)
        ]
        rests = [
            Mark(bias + uneven + draw.uniform(-0.15, 0.15), side) for side in (1, -1) for _ in range(rests_per_side)
        ]
        neutral = locate(presses, rests, 4, PRIORS, 0.036)
        assert neutral is not None
        from bench.uncertainty import Budget

        covered += abs(neutral.angle_deg) <= Budget(neutral.terms, 0.95).expanded_uncertainty_deg
    assert covered / n >= 0.94
