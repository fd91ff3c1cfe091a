"""What misalignments cost: formulae against exact geometry worked out point by point."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bench.bench_file import Mounting
from tests.hardware import misalignment as m

_PLACES = np.radians(np.arange(0.0, 360.0, 0.1))


@pytest.mark.parametrize(("apart", "degrees"), [(10, 0.0100), (40, 0.0392)])
def test_an_eccentric_grating_costs_what_the_table_of_checks_says(apart: float, degrees: float) -> None:
    # Recomputed figures for 20 µm on 20 mm; 36.0" at 10°.
    assert m.eccentric_grating(0.020, 20, apart) == pytest.approx(degrees, abs=5e-5)


@pytest.mark.parametrize(("micrometres", "seconds"), [(2, 41), (5, 103), (10, 206)])
def test_half_a_turn_apart_an_eccentric_grating_is_off_by_twice_its_peak(micrometres: float, seconds: float) -> None:
    # Peak e/r on r = 10 mm in seconds of arc: encoder makers' mounting notes give the same formula.
    assert m.eccentric_grating(micrometres / 1000, 10, 180) / 2 * 3600 == pytest.approx(seconds, abs=0.5)


@pytest.mark.parametrize("apart", [10.0, 40.0, 90.0, 180.0])
def test_an_eccentric_gratings_error_is_that_of_the_reading_heads_geometry(apart: float) -> None:
    # A head at a fixed place sees the line whose direction from the grating's own centre it is; the centre goes round the axis.
    off, radius = 0.05, 20.0
    seen = np.arctan2(off * np.sin(_PLACES), radius + off * np.cos(_PLACES))
    step = round(apart / 0.1)
    worst = np.degrees(np.abs(np.roll(seen, -step) - seen)).max()
    assert m.eccentric_grating(off, radius, apart) == pytest.approx(worst, rel=0.01)


@pytest.mark.parametrize("apart", [10.0, 40.0])
def test_a_body_carried_round_turns_as_its_link_makes_it(apart: float) -> None:
    # The body's centre goes round (cos, sin)·t/2. Its lug, at arm a, hangs on a link of length l along x: solved by bisection.
    arm, link, runout = 60.0, 60.0, 0.2
    anchor = np.array([link, arm])

    def turned(place: float) -> float:
        centre = runout / 2 * np.array([math.cos(place), math.sin(place)])
        low, high = -0.1, 0.1
        for _ in range(60):
            middle = (low + high) / 2
            lug = centre + arm * np.array([-math.sin(middle), math.cos(middle)])
            # Turning the body further (counterclockwise) carries the lug away from the anchor.
            low, high = (low, middle) if np.linalg.norm(anchor - lug) > link else (middle, high)
        return low

    angles = np.array([turned(p) for p in np.radians(np.arange(0.0, 360.0, 1.0))])
    worst = np.degrees(np.abs(np.roll(angles, -round(apart)) - angles)).max()
    assert m.wandering_body(runout, arm, apart) == pytest.approx(worst, rel=0.01)


@pytest.mark.parametrize(("tilt", "apart"), [(1.0, 10.0), (2.0, 40.0), (5.0, 90.0)])
def test_a_tilted_seat_errs_as_a_universal_joint_does(tilt: float, apart: float) -> None:
    # tan θ2 = tan θ1 cos α (any textbook on machines).
    turned = np.arctan2(np.sin(_PLACES) * math.cos(math.radians(tilt)), np.cos(_PLACES))
    error = np.angle(np.exp(1j * (turned - _PLACES)))
    worst = np.degrees(np.abs(np.roll(error, -round(apart / 0.1)) - error)).max()
    assert m.tilted_seat(tilt, apart) == pytest.approx(worst, rel=0.01)


def test_end_play_shortens_a_square_link_by_its_lean() -> None:
    link, arm, play = 60.0, 60.0, 0.2
    shorter = link - math.sqrt(link**2 - play**2)
    assert m.end_play_link_square(play, link, arm) == pytest.approx(math.degrees(shorter / arm), rel=0.001)


def test_an_askew_link_makes_end_play_cost_fifty_times_as_much() -> None:
    askew = math.radians(5)
    foot = np.array([60 * math.cos(askew), 60 * math.sin(askew)])
    longer = np.linalg.norm(foot + np.array([0.0, 0.2])) - 60
    assert m.end_play_link_askew(0.2, 5, 60) == pytest.approx(math.degrees(longer / 60), rel=0.02)
    assert m.end_play_link_askew(0.2, 5, 60) > 50 * m.end_play_link_square(0.2, 60, 60)


def test_the_wire_link_is_stiff_along_itself_and_soft_across() -> None:
    # 2 mm steel: area 3.142 mm², second moment 0.7854 mm⁴ (tables). EA/l = 10.47 kN/mm; 12 EI/l³ = 8.73 N/mm.
    assert m.wire_link_stiffness(2, 60, 60) == pytest.approx(10.47e6 * 0.06**2, rel=1e-3)
    assert m.wire_link_push(2, 60, 1.0) == pytest.approx(8.73, rel=1e-3)
    # A seat that runs out by a twentieth pushes the encoder's bearing with less than a newton.
    assert m.wire_link_push(2, 60, 0.025) < 1.0


def test_turning_through_a_flexible_coupling_costs_more_than_a_hand_setting() -> None:
    # Common practice, no source: a first hand setting is off by one to two degrees.
    assert m.wind_up(1.0, 50.0) > 1.0
    assert m.wind_up(1.0, 50.0) == pytest.approx(360 / (2 * math.pi) / 50)


def test_what_is_recommended_costs_less_than_a_count_and_what_is_warned_of_more() -> None:
    count_deg = 360 / 10_000
    for row in m.rows():
        if row.remedy == "none needed":
            assert row.at_10_deg < count_deg / 10, row
        elif row.what.startswith(("play", "key", "loose", "hand torque")):
            assert row.at_10_deg > 2 * count_deg, row


def test_the_default_bench_file_allows_for_the_recommended_mounting() -> None:
    # An encoder off by 12 µm on a seat that runs out by 0.05 mm is as much as the defaults carry.
    defaults = Mounting()
    assert defaults.grating_radius_mm == m.GRATING
    assert m.as_grating(0.012, 0.05, m.GRATING, m.ARM) * 1000 == pytest.approx(defaults.eccentricity_um, rel=0.05)
    both = m.eccentric_grating(0.02, m.GRATING, 40) + m.wandering_body(0.05, m.ARM, 40)
    assert m.eccentric_grating(m.as_grating(0.02, 0.05, m.GRATING, m.ARM), m.GRATING, 40) == pytest.approx(both)
