"""Statements about what is refused with a word, and about doubts that come too often: nothing of it moves an angle."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from bench.journal import Kind, Record
from bench.result import document
from bench.run import Run
from firmware_protocol.messages import Position, Trouble, TroubleCode
from tests.support.scripted import MARKING_PRESSES, Script, Sent, measure, new_run, play, records, turning, wire

READS_MORE = 0.01234
EXACT = 0.003
SCRIPT = turning(6.5)


def with_troubles(script: Script, at_s: list[float], code: TroubleCode) -> list[Sent]:
    """The board tells `code` at each of these moments, and counts them in its Positions as PROTOCOL.md wants it."""
    told = [Sent(at, Trouble(0, code, 255, 1, 0)) for at in at_s]
    counted = [
        replace(s, message=replace(s.message, troubles=sum(at < s.at_s for at in at_s)))
        if isinstance(s.message, Position)
        else s
        for s in play(script)
    ]
    return sorted([*counted, *told], key=lambda s: s.at_s)


def run_of(script: Script, sent: list[Sent]) -> Run:
    run = new_run()
    for record in records(script, wire(sent)):
        run.feed(record)
    return run


def codes(run: Run) -> list[str]:
    return [n.code for n in run.notes]


def assert_right(run: Run) -> None:
    assert run.failure is None, run.failure
    assert run.finished
    for opening in document(run, "x").breakers[0].openings:
        assert opening.angle_deg == pytest.approx(10.0 + READS_MORE, abs=EXACT)


def test_a_press_while_the_rotor_turns_is_told_and_not_used() -> None:
    # On the way to neutral the script turns 400° in a second.
    run = measure(replace(SCRIPT, presses=(1.0, *MARKING_PRESSES)))
    assert_right(run)
    assert codes(run) == ["press-moving"]
    assert "turning at 400°/s" in run.notes[0].text
    pressed = document(run, "x").neutrals[0].estimates[0]
    assert (pressed.approached_forward, pressed.approached_backward) == (2, 2)


def test_a_command_that_the_board_refuses_is_noted_and_voids_nothing() -> None:
    run = run_of(SCRIPT, with_troubles(SCRIPT, [12.0], TroubleCode.REJECTED_COMMAND))
    assert_right(run)
    assert codes(run) == ["rejected-command"]
    assert [o.passes_void for o in document(run, "x").breakers[0].openings] == [0, 0]


@pytest.mark.parametrize(("times", "ends"), [(5, False), (6, True)])
def test_a_count_that_is_lost_a_sixth_time_ends_the_run(times: int, ends: bool) -> None:
    moments = [8.0 + 2 * n for n in range(times)]
    run = run_of(SCRIPT, with_troubles(SCRIPT, moments, TroubleCode.ILLEGAL_TRANSITION))
    assert "count-doubtful" in codes(run)
    if ends:
        assert run.failure is not None
        assert run.failure.code == "count-lost"
        assert run.failure.text == "The count was lost 6 times. Check encoder, wiring and board, then start again."
    else:
        assert run.failure is None
        # Neutral is not marked again, so that nothing counts.
        assert run.lobe_counts() == {"main": [0, 0]}
        assert not run.finished


def test_a_recording_that_was_ended_before_its_time_says_what_was_lacking() -> None:
    run = measure(turning(2.2))
    assert run.failure is None
    assert not run.finished
    run.feed(Record(Kind.ENTRY, json.dumps({"kind": "end"}).encode(), 0))
    assert run.failure is not None
    assert run.failure.code == "ended"
    assert run.failure.text.startswith("The recording ends before the measurement was complete")
    assert "passes of main lobe 0: 2, main lobe 1: 3" in run.failure.text
