"""Every row of the fault matrix holds in a few runs. `python -m tests.faults` plays a hundred of each."""

from __future__ import annotations

import os
from dataclasses import replace

import pytest

from tests.faults.matrix import ROWS, run
from tests.faults.row import Outcome, Row, Tally, misses
from tests.faults.short_job import run_row
from tests.firmware import built

JOBS = [row for row in ROWS if row.kind == "job"]
#: One of a kind of each that takes seconds; the command plays them all.
PROCESSES = (
    "unplugged at each step, pty",
    "command killed",
    "reading process killed",
    "disk full",
    "journal's folder removed",
    "output closed by its reader",
)


def assert_held(row: Row, seeds: range) -> None:
    outcomes = tuple(run(row, s) for s in seeds)
    missed = [text for o in outcomes for text in misses(row, o)]
    assert missed == []
    if row.least_valid == 1.0:
        assert all(o.valid for o in outcomes)


@pytest.mark.parametrize("row", JOBS, ids=lambda row: row.name)
def test_a_job_under_the_fault(row: Row) -> None:
    assert_held(row, range(row.seeds))


@pytest.mark.parametrize("row", [r for r in ROWS if r.kind in ("journal", "files")], ids=lambda row: row.name)
def test_files(row: Row) -> None:
    assert_held(row, range(1))


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals and signals")
@pytest.mark.parametrize("row", [r for r in ROWS if r.name in PROCESSES], ids=lambda row: row.name)
def test_whole_programs(row: Row) -> None:
    assert_held(row, range(1, 2))


@pytest.mark.parametrize(
    "name", ["counts lost silently", "edges in a burst", "reset between greeting and Start"], ids=str
)
def test_a_job_with_the_firmware_under_the_fault(name: str) -> None:
    built.or_skip("in_simavr")
    (row,) = [r for r in JOBS if r.name == name]
    outcome = run_row(row, 0, "firmware")
    assert misses(row, outcome) == []
    assert outcome.valid
    # Not 0: the firmware's ticks tell the presses whose truth is compared.
    assert outcome.off_marks_deg > 0.0


# --- the matrix can fail -------------------------------------------------------------------------------------------------

GOOD = Outcome("some row", 0, valid=True, exit_status=0, struck_s=1.0, ended_s=9.0, told=True, told_after_s=0.5)
ROW = replace(
    JOBS[0], name="some row", least_valid=1.0, told=frozenset({"x"}), failures=frozenset({"known"}), tell_within_s=2.0
)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"wrong": 1}, "wrong angles"),
        ({"off_marks_deg": 0.2}, "off the true middle"),
        ({"acknowledged_lost": 1}, "acknowledged"),
        ({"replay_differs": True}, "replay"),
        ({"valid": False, "exit_status": 4, "failure": "other"}, "ended with"),
        ({"exit_status": 2}, "exit status"),
        ({"told": False}, "told nothing"),
        ({"told_after_s": 2.1}, "told only after"),
        ({"faults": ("anything",)}, "anything"),
    ],
)
def test_each_promise_that_is_not_kept_is_a_miss(change: dict[str, object], words: str) -> None:
    assert misses(ROW, GOOD) == []
    (missed,) = misses(ROW, replace(GOOD, **change))  # type: ignore[arg-type]
    assert words in missed


def test_giving_up_too_often_is_a_miss() -> None:
    given_up = replace(GOOD, valid=False, exit_status=4, failure="known")
    assert Tally(ROW, (GOOD,) * 10).misses() == []
    assert any("at least" in text for text in Tally(ROW, (*(GOOD,) * 9, given_up)).misses())
