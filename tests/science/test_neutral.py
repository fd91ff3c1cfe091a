"""Neutral from presses and rests."""

from __future__ import annotations

import math
import random

import pytest
from scipy import stats

from bench.bench_file import Priors
from bench.neutral import CAM_TORQUE, SWINGS, Estimate, Finer, Mark, Neutral, both_sides, fold, locate, with_lifted
from bench.uncertainty import Budget, rectangular, type_a

PRIORS = Priors()
PRESSES = ([-0.4, -0.1, -0.2, -0.3], [0.1, 0.4, 0.2, 0.3])
RESTS = ([-0.06, 0.0, -0.03], [0.03, 0.12, 0.06])


def marks(below: list[float], above: list[float]) -> list[Mark]:
    return [Mark(a, 1) for a in below] + [Mark(a, -1) for a in above]


def middle(sides: tuple[list[float], list[float]]) -> tuple[float, float, float]:
    """Midpoint of the sides' means, its standard uncertainty and degrees of freedom by scipy's pooled t test."""
    below, above = sides
    t = stats.ttest_ind(above, below)
    difference = sum(above) / len(above) - sum(below) / len(below)
    return (sum(below) / len(below) + sum(above) / len(above)) / 2, difference / t.statistic / 2, float(t.df)


def weighted(*estimates: tuple[float, float, float]) -> tuple[float, list[float]]:
    """Mean of (place, u, freedom) by the inverse square of each one's 95 % half-width (METHOD.md), and the shares."""
    weights = [(stats.t.ppf(0.975, freedom) * u) ** -2 for _, u, freedom in estimates]
    share = [float(w / sum(weights)) for w in weights]
    return sum(s * place for s, (place, _, _) in zip(share, estimates, strict=True)), share


def contributions(neutral: Neutral) -> dict[str, float]:
    assert len({t.source for t in neutral.terms}) == len(neutral.terms)
    return {t.source: t.contribution_deg for t in neutral.terms}


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
    # Less than half a spacing, 45°, is not another pole.
    assert fold(54.0, 10.0, 90.0) == (54.0, 0)
    assert fold(56.0, 10.0, 90.0) == (-34.0, 1)
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


def test_presses_and_rests_count_by_their_half_widths_and_every_term_with_its_share() -> None:
    pressed, rested = middle(PRESSES), middle(RESTS)
    angle, (of_presses, of_rests) = weighted(pressed, rested)
    neutral = locate(marks(*PRESSES), marks(*RESTS), 4, PRIORS, 0.036)
    assert neutral is not None
    assert neutral.angle_deg == pytest.approx(angle, rel=1e-9)
    # Bands: 0.5° of the presses, 0.1° of the rests. GUM 4.3.7: a bound is divided by √3.
    assert contributions(neutral) == pytest.approx(
        {
            "neutral, scatter of presses": of_presses * pressed[1],
            "neutral, scatter of rests": of_rests * rested[1],
            "neutral, cam torque": math.degrees(PRIORS.cam_torque_fraction) / 4 / math.sqrt(3),
            "neutral, unequal friction": PRIORS.friction_asymmetry * 0.25 / math.sqrt(3),
            "neutral, count": 0.018 / math.sqrt(3),
        },
        rel=1e-9,
    )
    assert neutral.standard_uncertainty_deg == pytest.approx(math.hypot(*contributions(neutral).values()))
    assert [(e.method, e.from_below, e.from_above) for e in neutral.estimates] == [("presses", 4, 4), ("rests", 3, 3)]


def test_the_wider_band_of_the_two_methods_bounds_unequal_friction() -> None:
    wide = marks([-0.61, -0.59, -0.6], [0.6, 0.61, 0.59])
    neutral = locate(marks(*PRESSES), wide, 4, PRIORS, 0.036)
    assert neutral is not None
    assert neutral.method == "presses and rests"
    assert contributions(neutral)["neutral, unequal friction"] == pytest.approx(
        PRIORS.friction_asymmetry * 0.6 / math.sqrt(3)
    )
    # What is told of the hand is the presses' own band.
    assert neutral.band_deg == pytest.approx(0.5)


def test_a_negative_band_tells_of_no_friction() -> None:
    # Presses from either side have passed each other: scatter, since friction cannot push.
    neutral = locate(marks([0.1, 0.2], [-0.1, -0.2]), [], 4, PRIORS, 0.036)
    assert neutral is not None
    assert contributions(neutral)["neutral, unequal friction"] == 0.0


def test_rests_at_another_neutral_are_not_used() -> None:
    neutral = locate(marks(*PRESSES), marks(*([90 + a for a in side] for side in RESTS)), 4, PRIORS, 0.036)
    assert neutral is not None
    assert neutral.method == "presses"
    assert [e.method for e in neutral.estimates] == ["presses"]


def finer(angle_deg: float) -> Finer:
    return Finer(
        Estimate(SWINGS, angle_deg, 0.01, 20, 0.0, 12, 12), (type_a("swings", 0.01, 20), rectangular("turned", 0.004))
    )


def test_swings_stand_in_for_rests_and_know_no_count() -> None:
    pressed = middle(PRESSES)
    angle, (of_presses, of_swings) = weighted(pressed, (0.05, 0.01, 20))
    neutral = locate(marks(*PRESSES), marks(*RESTS), 4, PRIORS, 0.036, finer(0.05))
    assert neutral is not None
    assert neutral.method == "presses and swings"
    assert neutral.angle_deg == pytest.approx(angle, rel=1e-9)
    found = contributions(neutral)
    assert found["swings"] == pytest.approx(of_swings * 0.01)
    assert found["turned"] == pytest.approx(of_swings * 0.004 / math.sqrt(3))
    assert "neutral, scatter of rests" not in found
    assert found["neutral, count"] == pytest.approx(of_presses * 0.018 / math.sqrt(3))
    # All three are told.
    assert [e.method for e in neutral.estimates] == ["presses", "rests", "swings"]


@pytest.mark.parametrize(("beyond", "agree"), [(0.999, True), (1.001, False), (-0.999, True), (-1.001, False)])
def test_methods_agree_within_the_99_percent_interval_of_their_difference(beyond: float, agree: bool) -> None:
    presses = [3.0 + a for a in PRESSES[0]], [3.0 + a for a in PRESSES[1]]
    place, u, freedom = middle(presses)
    # Welch and Satterthwaite, GUM G.2b; degrees of freedom cut to a whole number, G.4.1.
    effective = math.floor((u**2 + 0.01**2) ** 2 / (u**4 / freedom + 0.01**4 / 20))
    limit = float(stats.t.ppf(0.995, effective)) * math.hypot(u, 0.01)
    neutral = locate(marks(*presses), [], 4, PRIORS, 0.036, finer(place + beyond * limit))
    assert neutral is not None
    assert neutral.agree == agree
    assert ("swings" in contributions(neutral)) == agree


def test_with_as_few_as_one_press_from_a_side_scatter_must_be_known_from_the_other() -> None:
    one_each, one_more = marks([1.0], [2.0]), marks([1.0, 1.2], [2.0])
    assert both_sides("presses", one_each, least_per_side=1) is None
    estimate = both_sides("presses", one_more, least_per_side=1)
    assert estimate is not None
    assert estimate.freedom == 1
    # s = 0.2/√2 from one degree of freedom; half of the difference's √(1/2 + 1).
    assert estimate.u_deg == pytest.approx(0.2 / math.sqrt(2) / 2 * math.sqrt(1.5))


# --- followers lifted ----------------------------------------------------------------------------------------------------

CAM_BOUND = 0.1432


def felt(angle_deg: float, u_deg: float, friction_deg: float, band_deg: float = 0.5, agree: bool = True) -> Neutral:
    terms = (
        type_a("neutral, scatter of presses", u_deg, 6),
        rectangular(CAM_TORQUE, CAM_BOUND),
        rectangular("neutral, unequal friction", friction_deg / 0.2, sensitivity=0.2),
        rectangular("neutral, count", 0.018),
    )
    estimate = Estimate("presses", angle_deg, u_deg, 6, band_deg, 4, 4)
    return Neutral(angle_deg, "presses", terms, (estimate,), band_deg, agree)


def test_lifted_and_down_are_joined_by_their_variances_and_what_they_share_adds() -> None:
    # GUM 5.2.2: with the correlation +1 contributions add with their sign.
    lifted, down = felt(0.10, 0.03, 0.05, 0.5), felt(0.20, 0.04, 0.06, 0.7)
    free = 0.03**2 + (0.05**2 + 0.018**2) / 3
    whole = 0.04**2 + (CAM_BOUND**2 + 0.06**2 + 0.018**2) / 3
    a, b = whole / (free + whole), free / (free + whole)
    found = with_lifted(lifted, down, 4)
    assert found.within_bound
    assert found.cam_pull_deg == pytest.approx(0.10)
    assert found.u_cam_pull_deg == pytest.approx(0.05)
    assert found.neutral.angle_deg == pytest.approx(a * 0.10 + b * 0.20)
    assert contributions(found.neutral) == pytest.approx(
        {
            "neutral, scatter of presses, followers lifted": a * 0.03,
            "neutral, scatter of presses": b * 0.04,
            "neutral, cam torque": b * CAM_BOUND / math.sqrt(3),
            "neutral, unequal friction": (a * 0.05 + b * 0.06) / math.sqrt(3),
            "neutral, count": 0.018 / math.sqrt(3),
        }
    )
    assert found.neutral.band_deg == 0.7
    assert found.neutral.agree
    assert [e.method for e in found.neutral.estimates] == ["presses, followers lifted", "presses"]


@pytest.mark.parametrize("which", ["lifted", "down"])
def test_what_only_one_of_the_two_has_stays_with_its_share(which: str) -> None:
    lifted, down = felt(0.10, 0.03, 0.0), felt(0.10, 0.03, 0.06)
    if which == "lifted":
        lifted, down = felt(0.10, 0.03, 0.06), felt(0.10, 0.03, 0.0)
    free, whole = (
        math.fsum(t.contribution_deg**2 for t in n.terms if n is down or t.source != CAM_TORQUE) for n in (lifted, down)
    )
    share = (whole if which == "lifted" else free) / (free + whole)
    found = contributions(with_lifted(lifted, down, 4).neutral)
    assert found["neutral, unequal friction"] == pytest.approx(share * 0.06 / math.sqrt(3))


@pytest.mark.parametrize(("pull", "within"), [(0.298, True), (-0.298, True), (0.299, False), (-0.299, False)])
def test_the_pull_is_judged_by_the_bound_and_the_99_percent_interval_of_its_scatter(pull: float, within: bool) -> None:
    # u = 0.05°, effective degrees of freedom 11 (GUM G.2b): 0.1432 + 3.11·0.05 (t of 99 %: JCGM 100:2008, Table G.2).
    found = with_lifted(felt(0.10, 0.03, 0.05, 0.8), felt(0.10 + pull, 0.04, 0.06, 0.7), 4)
    assert found.within_bound == within
    assert found.cam_pull_deg == pytest.approx(pull)
    assert found.u_cam_pull_deg == pytest.approx(0.05)
    if not within:
        assert found.neutral.angle_deg == pytest.approx(0.10)
        assert contributions(found.neutral) == pytest.approx(
            {
                "neutral, scatter of presses, followers lifted": 0.03,
                "neutral, unequal friction": 0.05 / math.sqrt(3),
                "neutral, count": 0.018 / math.sqrt(3),
            }
        )
        assert found.neutral.band_deg == 0.8


@pytest.mark.parametrize("pull", [0.1, 1.0])
def test_lifted_a_turn_away_is_the_same_neutral_and_is_told_at_the_place_of_the_other(pull: float) -> None:
    found = with_lifted(felt(360.10, 0.03, 0.05), felt(0.10 + pull, 0.04, 0.06), 4)
    assert found.cam_pull_deg == pytest.approx(pull)
    assert 0.09 < found.neutral.angle_deg < 0.2
    assert [e.angle_deg for e in found.neutral.estimates] == pytest.approx([0.10, 0.10 + pull])


@pytest.mark.parametrize("pole", [1, 2, 3, -1])
def test_lifted_at_another_pole_tells_nothing_of_this_one(pole: int) -> None:
    down = felt(0.20, 0.04, 0.06)
    found = with_lifted(felt(0.10 + 90 * pole, 0.03, 0.05), down, 4)
    assert found.neutral == down
    assert (found.cam_pull_deg, found.u_cam_pull_deg, found.within_bound) == (None, None, True)


def test_felt_with_the_followers_lifted_alone_no_cam_pulls() -> None:
    found = with_lifted(felt(0.10, 0.03, 0.05), None, 4)
    assert "neutral, cam torque" not in contributions(found.neutral)
    assert found.neutral.angle_deg == 0.10
    assert [e.angle_deg for e in found.neutral.estimates] == [0.10]
    assert (found.cam_pull_deg, found.within_bound) == (None, True)


@pytest.mark.parametrize(("lifted", "down"), [(True, False), (False, True)])
def test_joined_methods_agree_only_if_they_did_both_times(lifted: bool, down: bool) -> None:
    found = with_lifted(felt(0.10, 0.03, 0.05, agree=lifted), felt(0.20, 0.04, 0.06, agree=down), 4)
    assert not found.neutral.agree


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
        covered += abs(neutral.angle_deg) <= Budget(neutral.terms, 0.95).expanded_uncertainty_deg
    assert covered / n >= 0.94
