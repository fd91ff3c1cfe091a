"""Points and probe: where they open, what they do while they open, and when the board's pin shows it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim.contact import Cam, Points, Transition
from sim.mover import Track
from sim.probe import Probe
from sim.scenario import BreakerTable, parse
from sim.unit import Neutrals

QUIET = {"bounces": 0.0}


def table(**changes: object) -> BreakerTable:
    breaker = {"name": "main", "opens_deg": 10.0, **changes}
    return parse({"description": "d", "breaker": [breaker]}, "test", "test").breaker[0]


def points(scatter_deg: float = 0.0, backlash_deg: float = 0.0, start_deg: float = -20.0, **changes: object) -> Points:
    neutrals = Neutrals((0.0, 90.2, 180.0, 269.9))
    cam = Cam("main", 0, neutrals, (10.0, 10.1, 9.9, 10.0), 35.0, scatter_deg, backlash_deg)
    return Points(cam, table(**{**QUIET, **changes}), start_deg, np.random.default_rng(1))


def turned(start_deg: float, end_deg: float, speed_deg_s: float = 50.0, begin_s: float = 0.0) -> Track:
    steps = max(round(abs(end_deg - start_deg) / speed_deg_s * 1000), 1)
    time_s = begin_s + np.arange(steps + 1) * 0.001
    angle = np.linspace(start_deg, end_deg, steps + 1)
    speed = (end_deg - start_deg) / steps * 1000
    return Track(time_s, angle, np.full(steps + 1, speed), moved=True)


def places(track: Track, found: list[Transition]) -> list[tuple[float, bool]]:
    return [(float(np.interp(t.time_s, track.time_s, track.angle_deg)), t.is_open) for t in found]


def test_points_open_past_each_neutral_and_close_before_the_next_opening() -> None:
    track = turned(-20.0, 340.0)
    found = places(track, points().run(track))
    # Neutrals at 0, 90.2, 180, 269.9; closing 35° before the next opening.
    opened = [a for a, is_open in found if is_open]
    closed = [a for a, is_open in found if not is_open]
    assert opened == pytest.approx([10.0, 100.3, 189.9, 279.9], abs=1e-3)
    assert closed == pytest.approx([65.3, 154.9, 244.9, 335.0], abs=1e-3)


def test_scatter_from_pass_to_pass_is_what_the_scenario_says() -> None:
    cam_points = points(scatter_deg=0.03)
    opened: list[float] = []
    for turn in range(60):
        track = turned(-20.0 + 360.0 * turn, 340.0 + 360.0 * turn, 300.0, turn * 1.2)
        found = places(track, cam_points.run(track))
        opened += [a - 360.0 * turn - 10.0 for a, is_open in found if is_open and abs(a - 360.0 * turn - 10.0) < 1]
    assert len(opened) == 60
    # Standard error of a standard deviation: sd/sqrt(2n).
    assert np.std(opened) == pytest.approx(0.03, abs=3 * 0.03 / math.sqrt(120))
    assert abs(np.mean(opened)) < 3 * 0.03 / math.sqrt(60)


def test_turned_back_the_points_close_later_by_the_backlash() -> None:
    cam_points = points(backlash_deg=0.3)
    forward = turned(-20.0, 20.0)
    assert places(forward, cam_points.run(forward)) == [(pytest.approx(10.0, abs=1e-3), True)]
    back = turned(20.0, -5.0, begin_s=float(forward.time_s[-1]))
    assert places(back, cam_points.run(back)) == [(pytest.approx(9.7, abs=1e-3), False)]
    again = turned(-5.0, 20.0, begin_s=float(back.time_s[-1]))
    assert places(again, cam_points.run(again)) == [(pytest.approx(10.0, abs=1e-3), True)]


def test_bounce_ends_in_its_time_and_in_the_right_state() -> None:
    cam_points = points(bounces=4.0, bounce_opening_ms=[0.1, 3.0])
    track = turned(-20.0, 340.0, 100.0)
    found = cam_points.run(track)
    opening_s = 30.0 / 100.0
    train = [t for t in found if opening_s - 1e-6 <= t.time_s < opening_s + 0.1]
    assert len(train) > 1
    assert train[0].is_open
    assert train[-1].is_open
    assert [t.is_open for t in train] == [n % 2 == 0 for n in range(len(train))]
    assert train[-1].time_s - train[0].time_s <= 3e-3


def test_a_bounce_that_outlasts_a_chunk_goes_on_in_the_next() -> None:
    whole = points(bounces=6.0, bounce_opening_ms=[3.0, 3.0])
    cut = points(bounces=6.0, bounce_opening_ms=[3.0, 3.0])
    track = turned(9.0, 11.0, 50.0)
    a = whole.run(turned(-20.0, 9.0)) + whole.run(track)
    b = cut.run(turned(-20.0, 9.0))
    for n in range(0, 40, 4):
        b += cut.run(Track(track.time_s[n : n + 5], track.angle_deg[n : n + 5], track.speed_deg_s[n : n + 5], True))
    assert [t.time_s for t in b] == pytest.approx([t.time_s for t in a])


# --- the probe -----------------------------------------------------------------------------------------------------------


def probe(ohm: float = 10_000.0, capacitor_uf: float = 0.35, threshold: float = 0.5, is_open: bool = False) -> Probe:
    return Probe(ohm, capacitor_uf, threshold, 5000, is_open)


def test_the_capacitor_delays_the_edge_by_2_43_ms() -> None:
    # RC·ln 2 for 10 kΩ and 0.35 µF (JOB.md: 2.4 ms).
    assert 10_000 * 0.35e-6 * math.log(2) == pytest.approx(2.43e-3, abs=5e-6)
    edges = probe().run([Transition(1.0, True)], 2.0)
    assert [(e.time_s, e.is_open) for e in edges] == [(pytest.approx(1.0 + 2.426e-3, abs=1e-6), True)]


def test_a_low_ohm_probe_is_quick() -> None:
    edges = probe(1000.0, 0.2).run([Transition(0.0, True)], 1.0)
    assert edges[0].time_s == pytest.approx(1000 * 0.2e-6 * math.log(2))


def test_points_that_meet_again_too_soon_are_not_seen_and_start_the_charge_anew() -> None:
    train = [Transition(0.0, True), Transition(2.0e-3, False), Transition(2.1e-3, True)]
    edges = probe().run(train, 1.0)
    assert [e.is_open for e in edges] == [True]
    assert edges[0].time_s == pytest.approx(2.1e-3 + 2.426e-3, abs=1e-6)


def test_closing_shows_at_once() -> None:
    edges = probe(is_open=True).run([Transition(0.5, False)], 1.0)
    assert edges == [Transition(0.5, False)]


def test_an_edge_beyond_the_chunk_comes_with_the_next() -> None:
    slow = probe()
    assert slow.run([Transition(1.0, True)], 1.001) == []
    assert [e.time_s for e in slow.run([], 1.02)] == [pytest.approx(1.0 + 2.426e-3, abs=1e-6)]


def test_the_voltage_rises_as_the_capacitor_charges() -> None:
    charging = probe()
    charging.run([Transition(1.0, True)], 1.1)
    assert charging.millivolts(0.9) < 5
    # After one time constant, 1 - 1/e.
    assert charging.millivolts(1.0 + 3.5e-3) == pytest.approx(5000 * (1 - math.exp(-1)), abs=1)
    assert charging.millivolts(1.09) == 5000


def test_with_the_coil_on_the_probe_never_sees_open_points() -> None:
    blind = Probe(1000.0, 0.2, 0.5, 5000, is_open=True, coil_on=True)
    assert not blind.signal_open
    assert blind.run([Transition(0.1, False), Transition(0.2, True)], 1.0) == []
    assert blind.millivolts(0.9) == round(5000 * 0.6 / 1000.6)
