"""Speed ratio, degrees and firing order against the handbook's figures."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from bench import engine
from bench.job import Cam, Rotation, Unit


def unit(cylinders: int | None, poles: int, cam: Cam = Cam.PLAIN) -> Unit:
    return Unit("DEMO", "1", Rotation.CLOCKWISE, poles, "none", cam, cylinders)


# FAA-H-8083-32 (cam speed, magneto speed); EASA Part-66 module 16 notes.
@pytest.mark.parametrize(
    ("cylinders", "poles", "ratio"),
    [(4, 2, 1), (4, 4, 0.5), (6, 2, 1.5), (7, 4, 0.875), (9, 4, 1.125), (9, 8, 0.5625), (14, 8, 0.875), (18, 8, 1.125)],
)
def test_the_magneto_turns_as_often_as_the_handbook_says(cylinders: int, poles: int, ratio: float) -> None:
    assert engine.magneto_turns_per_crank_turn(unit(cylinders, poles)) == Fraction(ratio)


def test_a_degree_of_a_magneto_at_half_speed_is_two_of_the_crankshaft() -> None:
    assert engine.crank_deg(unit(4, 4), 1.0) == 2.0


def test_without_cylinders_nothing_is_said_of_the_engine() -> None:
    assert engine.magneto_turns_per_crank_turn(unit(None, 4)) is None
    assert engine.crank_deg(unit(None, 4), 1.0) is None
    assert engine.cylinder_of(unit(None, 4), 0) is None


def test_two_row_engines_fire_by_the_handbooks_steps() -> None:
    # FAA-H-8083-32: 14 cylinders +9 / -5, 18 cylinders +11 / -7.
    for cylinders, on, back in ((14, 9, 5), (18, 11, 7)):
        order = engine.firing_order(cylinders)
        assert order is not None
        assert order[0] == 1
        assert sorted(order) == list(range(1, cylinders + 1))
        assert {b - a for a, b in zip(order, order[1:], strict=False)} == {on, -back}


def test_one_row_fires_odd_numbers_then_even_ones() -> None:
    # FAA-H-8083-32, firing order of single-row radials, from memory.
    assert engine.firing_order(9) == (1, 3, 5, 7, 9, 2, 4, 6, 8)
    assert engine.firing_order(6) is None


def test_a_lobe_of_a_compensated_cam_fires_one_cylinder_and_of_a_plain_cam_none_alone() -> None:
    assert [engine.cylinder_of(unit(9, 4, Cam.COMPENSATED), lobe) for lobe in (0, 1, 8)] == [1, 3, 8]
    assert engine.cylinder_of(unit(9, 4), 1) is None


# CHECKS.md, geared cam: cylinders / poles turns of the magnet per turn of the cam; arithmetic from the speed ratio.
@pytest.mark.parametrize(("cylinders", "poles", "turns"), [(7, 8, 0.875), (9, 4, 2.25)])
def test_the_magnet_turns_cylinders_over_poles_times_per_turn_of_the_cam(
    cylinders: int, poles: int, turns: float
) -> None:
    assert unit(cylinders, poles, Cam.COMPENSATED).magnet_turns_per_cam_turn == turns


# Lobe and neutral pair up again only after lcm(cylinders, poles)/poles turns: arithmetic.
@pytest.mark.parametrize(("cylinders", "poles", "turns"), [(9, 4, 9), (9, 8, 9), (7, 4, 7)])
def test_lobe_and_neutral_meet_again_after_the_least_common_multiple(cylinders: int, poles: int, turns: int) -> None:
    geared = unit(cylinders, poles, Cam.COMPENSATED)
    meetings = [n for n in range(1, 200) if n % geared.lobes == 0 and n % poles == 0]
    assert meetings[0] / poles == turns == math.lcm(cylinders, poles) / poles
