"""Statements about the guided job: as found, adjust, verify, other checks. Presses and entries lead on; what they make void is void."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from bench.journal import Kind, Record
from bench.procedure import Step
from bench.result import document
from bench.run import MOST_VOIDS, Run
from bench.settings import header, read_header
from tests.support.scripted import MARKING, MARKING_PRESSES, Script, new_run, play, records, wire

READS_MORE = 0.01234
TURNS = 7
#: Seconds of a turn at 60°/s.
TURN_S = 6.0


def guided_run(tables: dict[str, Any] | None = None) -> Run:
    plain = new_run(tables).settings
    head = header(plain.job_file, plain.bench, 5, plain.run_date, plain.software, None, guided=True)
    return Run(read_header(head, "test"))


def job_script(moved_deg: float = 1.5, presses: int = 1) -> Script:
    """As found in seven turns, a pause in which the points are moved, a press, seven turns more."""
    t, a = MARKING[-1]
    found = t + TURNS * TURN_S
    turned = a + TURNS * 360
    path = (*MARKING, (found, turned), (found + 2, turned), (found + 2 + TURNS * TURN_S, turned + TURNS * 360))
    path += ((path[-1][0] + 2, path[-1][1]),)
    script = Script(path, (*MARKING_PRESSES, *(found + 1.0 + 0.3 * n for n in range(presses))))
    later = range(TURNS, 3 * TURNS)
    return replace(script, wild=tuple((turn, moved_deg) for turn in later))


def entry(what: dict[str, Any]) -> Record:
    return Record(Kind.ENTRY, json.dumps(what).encode(), 0)


def feed(run: Run, script: Script, *entries: dict[str, Any]) -> Run:
    for record in [*records(script, wire(play(script))), *map(entry, entries)]:
        run.feed(record)
    return run


def test_passes_before_and_after_the_adjustment_are_told_apart() -> None:
    run = feed(guided_run(), job_script(), {"kind": "step", "to": "done"})
    assert run.failure is None
    assert run.step is Step.DONE
    found = document(run, "x")
    assert found.as_found is not None
    assert found.as_found.breakers[0].openings[0].angle_deg == pytest.approx(10.0 + READS_MORE, abs=0.003)
    assert found.breakers[0].openings[0].angle_deg == pytest.approx(11.5 + READS_MORE, abs=0.003)


def test_the_pedal_alone_leads_from_connected_to_verified_with_one_press_per_mark_and_one_for_tight() -> None:
    run = feed(guided_run(), job_script())
    assert run.step is Step.CHECKS
    assert run.as_left is not None
    assert len(job_script().presses) == len(MARKING_PRESSES) + 1


def test_without_the_press_the_job_waits_at_adjusting_and_shows_the_last_openings() -> None:
    run = feed(guided_run(), job_script(presses=0))
    assert run.failure is None
    assert run.step is Step.ADJUST
    assert run.as_left is None
    assert len(run.epoch.traces[0].recent) > 2 * TURNS


def test_a_change_after_the_verification_voids_it() -> None:
    run = feed(guided_run(), job_script(), {"kind": "step", "to": "adjust"})
    assert run.step is Step.ADJUST
    assert run.as_left is None
    assert run.as_found is not None


def test_the_job_cannot_be_ended_before_it_is_verified() -> None:
    run = feed(guided_run(), job_script(presses=0), {"kind": "step", "to": "done"})
    assert run.step is Step.ADJUST


def test_a_link_that_is_lost_again_and_again_does_not_end_the_job() -> None:
    """What ends it is for the person to say, who has seen each loss."""
    run = feed(guided_run(), job_script(presses=0))
    losses = 3 * MOST_VOIDS
    for _ in range(losses):
        run.feed(entry({"kind": "link", "state": "lost", "text": "The port went away."}))
    assert run.failure is None
    assert run.link_lost
    assert sum(note.times for note in run.notes if note.code == "link-lost") == losses


def test_neutral_can_be_taken_anew_and_what_was_found_stays() -> None:
    run = feed(guided_run(), job_script(presses=0), {"kind": "step", "to": "neutral"})
    assert run.step is Step.NEUTRAL
    assert run.as_found is not None
    assert run.procedure is not None
    assert run.procedure.after_neutral is Step.ADJUST


def test_entries_are_kept_in_their_order() -> None:
    checks = [{"kind": "check", "name": f"check {n}", "result": "passed"} for n in range(3)]
    run = feed(guided_run(), job_script(), *checks, {"kind": "step", "to": "done"})
    assert [e["name"] for e in document(run, "x").entries] == ["check 0", "check 1", "check 2"]


def test_a_job_that_is_not_guided_knows_no_steps_of_a_person() -> None:
    run = new_run()
    feed(run, job_script(presses=0), {"kind": "step", "to": "adjust"})
    assert run.step is Step.DONE
    assert run.as_found is None


def test_an_entry_that_could_never_be_stored_is_left_out_and_harms_nothing() -> None:
    entries = [{"kind": "check", "name": "\ud800"}, {"kind": ["check"]}, {"kind": "check", "name": "end play"}]
    run = feed(guided_run(), job_script(), *entries, {"kind": "step", "to": "done"})
    assert [e["name"] for e in json.loads(document(run, "x").to_json())["entries"]] == ["end play"]
