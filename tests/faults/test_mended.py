"""The smallest cases of what the matrix found and what was mended."""

from __future__ import annotations

import json
import os
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from bench.errors import CaptureError, JournalError
from bench.journal import JournalWriter, Kind, Record
from bench.replay import replay
from bench.result import document
from bench.run import Run
from tests.end_to_end.commands import COMMAND
from tests.support.scripted import Script, measure, new_run, play, records, turning, wire

READS_MORE = 0.01234
EXACT = 0.003
SCRIPT = turning(9.5)
FIRST = (10.0, 80.0)
SECOND = (190.0, 260.0)


def codes(run: Run) -> list[str]:
    return [n.code for n in run.notes]


def once(script: Script, turn: int, ranges: tuple[tuple[float, float], ...]) -> Script:
    """The first lobe's points open over other ranges in one turn only: the cam is given as one that turns once in twelve turns."""
    turns = 12
    first = tuple(
        (a + 360.0 * t, b + 360.0 * t) for t in range(turns) for a, b in (*(ranges if t == turn else (FIRST,)), SECOND)
    )
    return replace(script, open_over=(first,), cam_turn_deg=360.0 * turns)


def assert_right(run: Run) -> None:
    assert run.failure is None, run.failure
    assert run.finished
    for opening in document(run, "x").breakers[0].openings:
        assert opening.angle_deg == pytest.approx(10.0 + READS_MORE, abs=EXACT)


def test_chatter_of_settled_lengths_before_an_opening_is_no_opening() -> None:
    # Open over half a degree and closed over half a degree at 60°/s: 8 ms each, which is long enough to be settled; from 4° before on.
    chattering = tuple((6.0 + n, 6.5 + n) for n in range(4))
    run = measure(once(SCRIPT, 2, (*chattering, FIRST)))
    assert "chatter" in codes(run)
    assert_right(run)


def test_chatter_too_long_for_bounce_is_no_opening() -> None:
    # 1.5 ms open, 1.5 ms closed, over 3° (50 ms): nothing between is settled, and its first edge is not where the points part.
    chattering = tuple((7.0 + 0.18 * n, 7.09 + 0.18 * n) for n in range(16))
    run = measure(once(SCRIPT, 2, (*chattering, FIRST)))
    assert codes(run) == ["chatter"]
    assert_right(run)
    assert document(run, "x").breakers[0].openings[0].passes_void == 1


def test_a_clip_that_comes_off_well_before_an_opening_makes_no_pass() -> None:
    run = measure(once(SCRIPT, 2, ((-15.0, 80.0),)))
    assert "out-of-place" in codes(run)
    assert_right(run)


def test_passes_of_one_lobe_that_lie_apart_are_told() -> None:
    assert codes(measure(replace(SCRIPT, wild=((2, 1.5),)))) == ["passes-apart"] * 2
    assert codes(measure(replace(SCRIPT, wild=((2, 0.9),)))) == []


def test_points_that_open_anywhere_end_the_run() -> None:
    turns = 40
    anywhere = tuple((360.0 * t + 10.0 + 25.0 * (t % 2), 360.0 * t + 80.0) for t in range(turns))
    run = measure(replace(turning(30.0), open_over=(anywhere,), cam_turn_deg=360.0 * turns))
    assert run.failure is not None
    assert run.failure.code == "out-of-place"


@pytest.mark.parametrize("kind", [{"a": []}, [1], None, 5])
def test_an_entry_of_no_kind_is_passed_over(kind: object) -> None:
    run = new_run()
    run.feed(Record(Kind.ENTRY, json.dumps({"kind": kind}).encode(), 0))
    for record in records(SCRIPT, wire(play(SCRIPT))):
        run.feed(record)
    assert_right(run)


def test_a_journal_that_is_removed_while_it_is_written_secures_nothing(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "run.capture", {})
    (tmp_path / "run.capture").unlink()
    writer.append(Kind.FROM_BOARD, b"x")
    with pytest.raises(JournalError, match="removed"):
        writer.sync()
    with pytest.raises(JournalError, match="removed"):
        writer.close()


def test_what_is_no_file_is_no_capture(tmp_path: Path) -> None:
    others = [tmp_path, tmp_path / "none", tmp_path / "\x1b[2J"]
    if os.name == "posix":
        os.mkfifo(tmp_path / "pipe")
        others.append(tmp_path / "pipe")
    for path in others:
        with pytest.raises(CaptureError) as refused:
            replay(path)
        assert str(refused.value).isprintable()


@pytest.mark.skipif(os.name != "posix", reason="a shell closes the stream")
def test_what_is_meant_for_a_closed_standard_error_does_not_go_into_the_document(tmp_path: Path) -> None:
    command = ["sh", "-c", 'exec "$@" 2>&-', "x", *COMMAND, "replay", str(tmp_path / "none"), "--json"]
    done = subprocess.run(command, stdout=subprocess.PIPE, check=False)
    assert done.returncode == 2
    assert json.loads(done.stdout)["error"]["code"] == "capture"
