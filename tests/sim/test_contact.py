"""Points: where they open, what they do while they open, and what several sets on one wire do."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim.contact import Cam, FixedPoints, JoinedPoints, Points, Transition
from sim.mover import Track
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


def test_joined_points_are_open_only_while_both_are() -> None:
    joined = JoinedPoints([points(), FixedPoints(True)])
    alone = points()
    track = turned(-20.0, 340.0)
    assert joined.run(track) == alone.run(track)
    # The second channel on the wire asks for the same track and sees the same.
    assert joined.run(track) == joined.run(track)
    shorted = JoinedPoints([points(), FixedPoints(False)])
    assert shorted.run(track) == []
    assert not shorted.is_open


def test_joined_points_open_with_the_later_and_close_with_the_earlier() -> None:
    late = points()
    late_cam = Cam("late", 1, Neutrals((0.0, 90.2, 180.0, 269.9)), (14.0, 14.1, 13.9, 14.0), 35.0, 0.0, 0.0)
    other = Points(late_cam, table(**QUIET), -20.0, np.random.default_rng(2))
    track = turned(-20.0, 60.0)
    found = places(track, JoinedPoints([late, other]).run(track))
    # One opens at 10° and closes at 65.3°, the other at 14° and 69.3°.
    assert found == [(pytest.approx(14.0, abs=1e-3), True)]
    onward = turned(60.0, 80.0, begin_s=float(track.time_s[-1]))
    joined = JoinedPoints([points(), Points(late_cam, table(**QUIET), -20.0, np.random.default_rng(2))])
    joined.run(track)
    assert places(onward, joined.run(onward)) == [(pytest.approx(65.3, abs=1e-3), False)]
