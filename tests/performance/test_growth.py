"""Statements about growth: known laws are found, goals can be missed, and what is written down says what the points say."""

from __future__ import annotations

import json
import math
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from scipy import stats

from tests.performance.growth import Curve, Growth, fit, line, read_growth, words
from tests.performance.growth_plot import growth_svg

X = (1.0, 3.0, 10.0, 30.0, 100.0, 300.0)


def law(exponent: float, factor: float = 7.0) -> tuple[float, ...]:
    return tuple(factor * x**exponent for x in X)


def growth(*curves: Curve) -> Growth:
    return Growth("things", "thing", X, curves)


@pytest.mark.parametrize(
    ("exponent", "said"),
    [
        (0.0, "does not grow"),
        (0.7, "grows more slowly than linearly"),
        (1.0, "grows linearly"),
        (1.3, "grows faster than linearly"),
        (2.0, "grows as the square"),
        (-0.5, "falls as one over the square root"),
        (-0.25, "falls"),
    ],
)
def test_the_exponent_of_a_power_law_is_found_and_put_into_words(exponent: float, said: str) -> None:
    found = fit(X, law(exponent))
    assert found is not None
    assert found.exponent == pytest.approx(exponent, abs=1e-9)
    assert found.u_exponent == pytest.approx(0.0, abs=1e-7)
    assert words(found) == said


def test_slope_and_its_standard_error_are_those_of_scipy() -> None:
    noisy = tuple(y * math.exp(e) for y, e in zip(law(0.8), np.random.default_rng(3).normal(0, 0.2, len(X))))
    found = fit(X, noisy)
    other = stats.linregress(np.log(X), np.log(noisy))
    assert found is not None
    assert (found.exponent, found.u_exponent) == pytest.approx((other.slope, other.stderr), rel=1e-9)


def test_scatter_without_a_trend_is_not_called_growth() -> None:
    found = fit(X, (1.0, 4.0, 1.0, 3.0, 1.5, 5.0))
    assert found is not None
    assert abs(found.exponent) > 0.1
    assert words(found) == "shows no growth beyond its scatter"


def test_points_that_are_zero_take_no_part_and_one_point_is_no_law() -> None:
    assert fit(X, (0.0, *law(1.0)[1:])) == fit(X[1:], law(1.0)[1:])
    assert fit(X[:1], (5.0,)) is None
    assert fit(X, (0.0,) * len(X)) is None


def test_a_fixed_part_hides_a_linear_one_below_and_is_told_apart_from_it() -> None:
    curve = Curve("time", "s", tuple(2.0 + 0.5 * x for x in X))
    made = growth(curve)
    whole, upper = made.whole_fit(curve), made.upper_fit(curve)
    assert whole is not None
    assert upper is not None
    assert whole.exponent < 0.8
    assert upper.exponent == pytest.approx(1.0, abs=0.1)
    found = line(X, curve.y)
    assert found is not None
    assert (found.fixed, found.each) == pytest.approx((2.0, 0.5), rel=1e-9)
    assert "a fixed 2 s and 0.5 s for each thing" in made.sentence(curve)


def test_a_square_is_no_line() -> None:
    assert line(X, law(2.0)) is None


def test_growth_faster_than_its_goal_misses_it() -> None:
    curves = [Curve(f"law {e}", "s", law(e), most_exponent=1.1) for e in (1.0, 1.2)]
    assert [f.met for f in growth(*curves).goals()] == [True, False]
    (unknown,) = Growth("things", "thing", X[:1], (Curve("one", "s", (1.0,), most_exponent=1.1),)).goals()
    assert unknown.met is False


def test_a_curve_needs_a_point_for_each_place() -> None:
    with pytest.raises(ValueError, match="6 points"):
        growth(Curve("short", "s", (1.0, 2.0)))


def test_a_growth_read_back_is_the_same() -> None:
    made = growth(Curve("a", "s", law(1.0), most_exponent=1.1), Curve("limit", "s", law(0.0), peer=True))
    assert read_growth(json.loads(json.dumps(made.document()))) == made


def test_the_picture_is_well_formed_names_every_curve_and_comes_out_the_same_twice() -> None:
    made = growth(
        Curve("first", "s", law(1.0)), Curve("second", "MB", law(0.0)), Curve("limit", "s", law(0.5), peer=True)
    )
    picture = growth_svg(made)
    root = ElementTree.fromstring(picture)
    text = " ".join(t.strip() for t in root.itertext())
    assert all(word in text for word in ("first", "second", "limit", "MB", "things", "300"))
    assert growth_svg(made) == picture
