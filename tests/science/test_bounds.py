"""Estimators beside the best possible, on few repeats; `python -m tests.science.table` does 2,000."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bench import swing
from tests.science import bounds, bounds_swing
from tests.science.bounds import MOST_RATIO, Passing
from tests.science.bounds_swing import COUNT_DEG, Swing

REPEATS = 400


def least_ratio(repeats: int) -> float:
    """Spread over bound of an estimator at the bound is below this once in 3,000 tables: s/σ is normal with 1/√(2n)."""
    return 1 - 3.4 / math.sqrt(2 * repeats)


def most_ratio(repeats: int) -> float:
    """The stated limit and the same chance."""
    return MOST_RATIO * (1 + 3.4 / math.sqrt(2 * repeats))


@pytest.mark.parametrize("name", ["sub-count steady", "sub-count accelerating", "zero-speed"])
def test_places_and_lines_spread_hardly_more_than_the_best_possible(name: str) -> None:
    found = bounds.measured(name, 1_000)
    assert least_ratio(1_000) < found.ratio < most_ratio(1_000)
    # Beside it, raw counts: a count's middle alone is 1/√12 off (JCGM 100:2008, F.2.2.1), and a pass has its scatter besides.
    assert found.raw_spread_deg > 2 * found.spread_deg


def test_raw_counts_are_off_by_a_count_over_the_square_root_of_twelve() -> None:
    found = bounds.measured("sub-count steady", 1_000)
    # JCGM 100:2008, F.2.2.1; four standard deviations of a spread of 1,000 even values (kurtosis 1.8).
    assert found.raw_spread_deg == pytest.approx(COUNT_DEG / math.sqrt(12), rel=4 * math.sqrt(0.8 / 4 / 1_000))


def test_a_swing_s_centre_spreads_hardly_more_than_the_best_possible() -> None:
    repeats = 150
    found = bounds.swings(9, bounds.GRADUATION_COUNTS, repeats)
    assert least_ratio(repeats) < found.ratio < most_ratio(repeats)
    assert found.raw_spread_deg > 10 * found.spread_deg


def test_every_turning_point_is_placed_to_a_thirtieth_of_a_count() -> None:
    """A wrong pull moves all turning points outwards, which the centre does not show."""
    motion = bounds_swing.halves(Swing(friction_deg=0.2), 8)
    geometry = swing.Geometry(10_000, bounds.TICK_HZ, 1, bounds_swing.POLES, bounds.NO_OFFSETS)
    for centre in (12.3, 12.31, 12.32):
        which = bounds_swing.crossings(motion, centre)
        ticks = np.round((bounds_swing.times(motion, which, centre) + 1) * bounds.TICK_HZ).astype(np.int64)
        collector = swing.TurningPoints()
        collector.feed(ticks, which.boundary, which.step)
        (found,) = swing.free_swings(collector.points, geometry)
        true = [(float(part.angle_deg[-1]) + centre) / COUNT_DEG for part in motion]
        # Nearer to where friction holds the rotor, the way in and the way out differ too much for their mean to tell: 0.08 counts.
        clear = sum(abs(t * COUNT_DEG - centre) > 3 * 0.2 for t in true)
        assert clear >= 5
        assert [e.counts for e in found[:clear]] == pytest.approx(true[:clear], abs=1 / 30)
        assert [e.counts for e in found] == pytest.approx(true[: len(found)], abs=0.08)


def test_the_bound_of_a_place_is_the_closed_one_of_a_parabola() -> None:
    # Eight even places at ±½, ±1½ … , a parabola through them: variance of the value at the middle is Σx⁴/(nΣx⁴ - (Σx²)²)
    # (any text on regression), and the contact edge's own scatter adds one.
    x = [n + 0.5 for n in range(-4, 4)]
    two, four = sum(v**2 for v in x), sum(v**4 for v in x)
    speed = 3_000.0
    expected = speed * bounds.EDGE_S * math.sqrt(1 + four / (8 * four - two**2))
    assert bounds.best_place_counts(Passing(100.5, speed, 0.0)) == pytest.approx(expected, rel=1e-4)


def test_the_integrated_swing_loses_what_friction_takes() -> None:
    # Coulomb friction alone takes 2δ off each half swing (textbook); 1° of a sine of four poles is straight to (4·1°)²/6 = 0.08 %.
    parts = bounds_swing.halves(Swing(1.0, 35.0, 0.05, 0.0), 5)
    sizes = [abs(float(p.angle_deg[-1])) for p in parts]
    assert [1.0 - s for s in sizes] == pytest.approx([0.1 * n for n in range(1, 6)], rel=3e-3)
    # π/ω, longer by (p·A)²/16 (pendulum, first term).
    first = float(parts[0].time_s[-1])
    assert first == pytest.approx(math.pi / 35.0 * (1 + math.radians(4 * 0.95) ** 2 / 16), rel=2e-4)


def test_edges_of_a_swing_are_those_that_the_estimator_finds() -> None:
    motion = bounds_swing.halves(Swing(), 7)
    which = bounds_swing.crossings(motion, 12.3)
    near = which.only(bounds_swing.near_turning(which))
    assert len(near.half) == 6 * 2 * bounds_swing.NEIGHBOURS
    assert bounds_swing.NEIGHBOURS == swing.NEIGHBOURS
