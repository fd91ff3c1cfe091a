"""Statements about setting the points: what is shown while the rotor is held, and how far each opening lies from its target."""

from __future__ import annotations

import gc
import weakref
from dataclasses import replace
from typing import Any

import pytest

from bench.holding import Holding
from bench.procedure import Step
from bench.run import Run
from bench.snapshot import Snapshot, snapshot
from tests.statements.test_guided import READS_MORE, feed, guided_run, job_script
from tests.support.scripted import MARKING, MARKING_PRESSES, Script, job, play, records, wire

HZ = 2_000_000
PER_TURN = 2_000
TWO = {
    "breaker": [
        {"name": "main", "channel": 0, "opens_at_deg": 10, "minus_deg": 2, "plus_deg": 2, "from": "neutral"},
        {"name": "retard", "channel": 1, "opens_at_deg": 25, "minus_deg": 2, "plus_deg": 2, "from": "main"},
    ]
}


def seen(run: Run) -> Snapshot:
    return snapshot(run)


def test_after_the_points_were_moved_the_change_is_told_and_how_late_they_open() -> None:
    main = seen(feed(guided_run(), job_script(moved_deg=1.5, presses=0))).adjusting[0]
    assert main.moved_deg == pytest.approx(1.5, abs=0.001)
    assert main.mean_deg == pytest.approx(11.5 + READS_MORE, abs=0.003)
    assert main.off_deg == pytest.approx(1.5 + READS_MORE, abs=0.003)


def test_the_distance_to_the_target_is_what_the_rotor_still_has_to_be_turned_on() -> None:
    """The rotor stands 0.2° past neutral at the end (the marking's last place), half a count of it unseen."""
    main = seen(feed(guided_run(), job_script(presses=0))).adjusting[0]
    assert main.distance_deg == pytest.approx(9.8, abs=0.1)


def test_the_opening_that_ends_marking_is_the_first_that_is_followed() -> None:
    """From the first pass on the screen shows each opening as it happens."""
    run = guided_run()
    seen_first = None
    script = job_script(presses=0)
    for record in records(script, wire(play(script))):
        run.feed(record)
        trace = run.epoch.traces[0]
        if trace.passes:
            seen_first = [f.change.edge.tick for f in trace.recent]
            break
    assert seen_first == [trace.passes[0].opening.edge.tick]


def test_a_run_that_nobody_needs_any_more_is_forgotten_with_all_that_its_screen_worked_out() -> None:
    run = feed(guided_run(), job_script(presses=0))
    assert seen(run).adjusting
    watched = weakref.ref(run)
    del run
    gc.collect()
    assert watched() is None


def two_breakers(tables: dict[str, Any]) -> Snapshot:
    script = replace(
        job_script(moved_deg=0.0, presses=0),
        open_over=(((10.0, 80.0), (190.0, 260.0)), ((34.0, 95.0), (214.0, 275.0))),
    )
    return seen(feed(guided_run({**job(), **tables}), script))


def test_an_angle_from_another_opening_counts_from_where_that_one_opens_now() -> None:
    view = two_breakers(TWO)
    assert view.step is Step.ADJUST
    retard = view.adjusting[1]
    assert retard.counts_from == "main"
    assert retard.mean_deg == pytest.approx(24.0, abs=0.003)
    assert retard.off_deg == pytest.approx(-1.0, abs=0.003)


def test_an_angle_from_another_target_counts_from_that_figure() -> None:
    retard = two_breakers({"breaker": [TWO["breaker"][0], {**TWO["breaker"][1], "from": "main.target"}]}).adjusting[1]
    # A tenth of the script's coarse count: where between two edges it opens differs from main's.
    assert retard.mean_deg == pytest.approx(24.0, abs=0.018)


def test_live_angles_and_the_result_count_from_the_same_neutral() -> None:
    from bench.evaluation import evaluate_as_found

    run = feed(guided_run(), job_script(moved_deg=0.0, presses=0))
    found = evaluate_as_found(run)
    assert found is not None
    angle = found.breakers[0].openings[0].angle
    assert angle is not None
    assert seen(run).adjusting[0].mean_deg == pytest.approx(angle.value_deg, abs=0.002)


def holding(*path: tuple[float, float]) -> Holding:
    """Positions each 10 ms along straight lines of (seconds, degrees)."""
    held = Holding(PER_TURN, HZ)
    for (t0, a0), (t1, a1) in zip(path, path[1:], strict=False):
        steps = round((t1 - t0) * 100)
        for n in range(steps):
            t, a = t0 + n / 100, a0 + (a1 - a0) * n / steps
            held.position(round(t * HZ), round(a * PER_TURN / 360))
    return held


def test_a_rotor_that_stands_for_two_seconds_is_held_and_one_that_stops_for_one_is_not() -> None:
    assert holding((0, 0), (1, 90), (3.2, 90)).at_count == 500
    assert holding((0, 0), (1, 90), (2.0, 90)).at_count is None


def test_creep_while_it_is_held_is_told_and_turning_on_ends_the_holding() -> None:
    # 10° and 9.6° are counts 56 and 53 of 2,000 to a turn.
    assert holding((0, 10), (3, 10), (6, 9.6), (7, 9.6)).crept_counts == -3
    assert holding((0, 10), (3, 10), (4, 30)).at_count is None


def test_each_holding_begins_another_setting() -> None:
    assert holding((0, 0), (3, 0), (4, 90), (7, 90), (8, 180)).number == 2


def test_points_that_open_while_the_rotor_is_held_were_moved() -> None:
    held = holding((0, 10), (3, 10))
    held.edge(0, 7_000_000, 56, True)
    assert held.changes[0].opened
    turning = holding((0, 10), (3, 200))
    turning.edge(0, 7_000_000, 56, True)
    assert not turning.changes


def test_what_the_points_did_while_the_rotor_was_held_stands_on_the_screen_with_its_angle() -> None:
    t, a = MARKING[-1]
    found = t + 7 * 6.0
    path = (*MARKING, (found, a + 7 * 360), (found + 1.0, a + 7 * 360 + 9.0), (found + 6.0, a + 7 * 360 + 9.0))
    run = feed(guided_run(), Script(path, MARKING_PRESSES))
    assert run.step is Step.ADJUST
    assert run.holding is not None
    run.holding.edge(0, run.tick, run.count, True)
    held = seen(run).adjusting[0].held
    assert held is not None
    assert held.opened
    assert held.angle_deg == pytest.approx(9.2, abs=0.1)
