"""The rotating magnet against closed forms."""

from __future__ import annotations

import itertools
import math

import pytest

from sim.rotor import Body, Rotor
from sim.unit import Neutrals

STEP_S = 0.001


def rotor(poles: int = 4, start_deg: float = 0.0, neutrals: tuple[float, ...] | None = None, **changes: float) -> Rotor:
    figures: dict[str, float] = {
        "detent_peak_nm": 0.25,
        "inertia_kg_m2": 8e-4,
        "coulomb_nm": 0.0,
        "coulomb_asymmetry": 0.0,
        "viscous_nm_s": 0.0,
        "cam_torque_fraction": 0.0,
        "grip_nm_per_rad": 40.0,
        "torque_limit_nm": 3.0,
        "shift_deg": 0.0,
    }
    places = neutrals or tuple(k * 360.0 / poles for k in range(poles))
    return Rotor(Neutrals(places), Body(**{**figures, **changes}), start_deg)


def let_go(body: Rotor, seconds: float) -> list[float]:
    angles = []
    for _ in range(round(seconds / STEP_S)):
        body.step(STEP_S, 0.0, 0.0, held=False)
        angles.append(body.angle_deg)
    return angles


def test_cam_torque_of_1_percent_on_4_poles_shifts_the_equilibrium_by_0_143_deg() -> None:
    # T0·sin(4θ) = 0.01·T0
    assert math.degrees(math.asin(0.01)) / 4 == pytest.approx(0.143, abs=5e-4)
    assert rotor(cam_torque_fraction=0.01).balance(0, 0) == pytest.approx(0.1433, abs=1e-3)
    assert rotor(cam_torque_fraction=-0.01).balance(0, 0) == pytest.approx(-0.1433, abs=1e-3)


def test_a_magnet_let_go_rests_where_the_cam_pulls_it() -> None:
    body = rotor(start_deg=3.0, cam_torque_fraction=0.01, viscous_nm_s=0.02)
    assert let_go(body, 3.0)[-1] == pytest.approx(math.degrees(math.asin(0.01)) / 4, abs=1e-3)


@pytest.mark.parametrize("poles", [2, 4, 8])
def test_the_friction_band_is_twice_friction_over_stiffness(poles: int) -> None:
    # Stiffness near neutral is p·T0 per radian; friction holds within ±Tc/(p·T0).
    body = rotor(poles, coulomb_nm=0.003)
    band = body.balance(0, -1) - body.balance(0, 1)
    assert band == pytest.approx(math.degrees(2 * 0.003 / (poles * 0.25)), rel=1e-3)


def test_a_hand_that_comes_from_below_feels_the_pull_vanish_below() -> None:
    body = rotor(coulomb_nm=0.003)
    assert body.balance(0, 1) < body.balance(0, 0) < body.balance(0, -1)


def test_unequal_friction_moves_the_middle_of_the_band() -> None:
    body = rotor(coulomb_nm=0.003, coulomb_asymmetry=0.1)
    middle = (body.balance(0, 1) + body.balance(0, -1)) / 2
    # -asymmetry·Tc/k: half the band times the asymmetry.
    assert middle == pytest.approx(-0.1 * math.degrees(0.003 / (4 * 0.25)), rel=0.01)


@pytest.mark.parametrize(("offset", "sticks"), [(0.9, True), (1.1, False)])
def test_within_the_friction_band_the_magnet_truly_sticks(offset: float, sticks: bool) -> None:
    start = offset * math.degrees(0.003 / (4 * 0.25))
    body = rotor(start_deg=start, coulomb_nm=0.003)
    assert (let_go(body, 0.5)[-1] == start) == sticks


def test_a_small_swing_has_the_frequency_of_stiffness_over_inertia() -> None:
    body = rotor(start_deg=1.0)
    angles = let_go(body, 4.0)
    crossings = [n for n in range(1, len(angles)) if angles[n - 1] < 0 <= angles[n]]
    period = (crossings[-1] - crossings[0]) * STEP_S / (len(crossings) - 1)
    # 2π·sqrt(J/k), k = 4·T0; (1 + φ²/16) for the amplitude φ = 4·1° of a pendulum (any textbook).
    expected = 2 * math.pi * math.sqrt(8e-4 / (4 * 0.25)) * (1 + math.radians(4.0) ** 2 / 16)
    assert period == pytest.approx(expected, rel=1e-3)


def test_dry_friction_takes_one_band_off_each_half_swing() -> None:
    # Coulomb damping: amplitude falls by 2·Tc/k per half period (den Hartog, Mechanical Vibrations).
    body = rotor(start_deg=3.0, coulomb_nm=0.003)
    # At a turning point it may stand for a step.
    angles = [angle for angle, _ in itertools.groupby([3.0, *let_go(body, 3.0)])]
    turns = [
        angles[n] for n in range(1, len(angles) - 1) if (angles[n] - angles[n - 1]) * (angles[n + 1] - angles[n]) < 0
    ]
    band = math.degrees(2 * 0.003 / (4 * 0.25))
    for one, next_one in zip(turns[:4], turns[1:5], strict=True):
        assert abs(one) - abs(next_one) == pytest.approx(band, rel=0.05)


def test_a_neutral_that_is_off_its_place_draws_the_magnet_there() -> None:
    body = rotor(neutrals=(0.0, 90.25, 180.0, 269.8))
    assert body.balance(1, 0) == pytest.approx(90.25, abs=1e-3)
    assert body.balance(3, 0) == pytest.approx(269.8, abs=1e-3)


def test_a_magnet_drawn_to_register_rests_half_a_pole_from_neutral() -> None:
    body = rotor(start_deg=44.0, shift_deg=45.0, viscous_nm_s=0.02)
    assert body.balance(0, 0) == pytest.approx(45.0, abs=1e-3)
    assert let_go(body, 3.0)[-1] == pytest.approx(45.0, abs=0.01)


def test_a_held_magnet_follows_the_hand() -> None:
    body = rotor(coulomb_nm=0.003)
    for n in range(1, 1001):
        body.step(STEP_S, 20.0 * n * STEP_S, 20.0, held=True)
    # The grip of 40 N·m/rad gives way by the pull of the magnet, at most 0.25 N·m.
    assert body.angle_deg == pytest.approx(20.0, abs=math.degrees(0.26 / 40))


def test_the_hand_is_no_stronger_than_its_limit() -> None:
    body = rotor(torque_limit_nm=0.1)
    for _ in range(2000):
        body.step(STEP_S, 40.0, 0.0, held=True)
    # It cannot turn over the magnet's greatest pull at 22.5°: it swings about asin(0.1/0.25)/4.
    assert body.angle_deg < 22.5
