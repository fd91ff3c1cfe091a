"""What the screen says at each step, drawn from frozen snapshots."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from bench.procedure import Step
from bench.run import Failure, Run
from bench.snapshot import Snapshot, snapshot
from tests.screen.drawing import picture, text_of
from tests.support.scripted import Script, job, new_run, play, records, turning, wire

SIZES = [(80, 24), (120, 40)]
TITLE = "REHEARSAL on a simulated unit – not for record"
SCRIPT = replace(turning(6.5), open_over=(((10.0, 80.0), (190.0, 260.0)), ((38.0, 100.0), (218.0, 280.0))))
TABLES = job(breakers=2)
TABLES["breaker"][1] |= {"from": "main", "opens_at_deg": 28.0}


def until(seconds: float, script: Script = SCRIPT) -> Run:
    """The run after so many seconds of the script."""
    sent = [s for s in play(script) if s.at_s <= seconds]
    run = new_run(TABLES)
    for record in records(script, wire(sent)):
        run.feed(record)
    return run


def drawn(shot: Snapshot, size: tuple[int, int]) -> str:
    return text_of(asyncio.run(picture(shot, size, TITLE)))


@pytest.fixture(params=SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
def size(request: pytest.FixtureRequest) -> tuple[int, int]:
    found: tuple[int, int] = request.param
    return found


def test_before_the_board_answers_it_says_that_it_is_connecting(size: tuple[int, int]) -> None:
    text = drawn(snapshot(new_run(TABLES)), size)
    assert "Connecting to the board" in text
    assert "[ running direction ]" in text
    assert "unknown" in text


def test_first_the_running_direction(size: tuple[int, int]) -> None:
    text = drawn(snapshot(until(0.4)), size)
    assert "Turn the rotor in its running direction (clockwise, seen from the drive end)." in flat(text)


def test_cautions_stand_where_they_matter(size: tuple[int, int]) -> None:
    assert "A magneto is live whenever it turns" in flat(drawn(snapshot(until(0.4)), size))
    assert "An impulse coupling can snap" in flat(drawn(snapshot(until(5.5)), size))


def test_neutral_tells_how_often_it_was_pressed_from_each_side(size: tuple[int, int]) -> None:
    shot = snapshot(until(5.5))
    assert shot.step is Step.NEUTRAL
    text = drawn(shot, size)
    assert "Find neutral from both sides and press the pedal each time;" in flat(text)
    assert "neutral pressed: 2 coming up, 1 coming back (of 2) · rests 0" in flat(text)
    assert "past neutral" in text


def test_passes_show_the_points_in_shape_and_word(size: tuple[int, int]) -> None:
    shot = snapshot(until(14.0))
    assert shot.step is Step.PASSES
    text = drawn(shot, size)
    for points in shot.points:
        assert points.name in text
    assert ("◇ OPEN" in text) == any(p.is_open for p in shot.points)
    assert ("◆ CLOSED" in text) == any(not p.is_open for p in shot.points)
    assert "1/5" in text
    assert "Keep turning in the running direction." in flat(text)


def test_the_result_gives_angle_uncertainty_target_and_verdict_of_each_breaker(size: tuple[int, int]) -> None:
    shot = snapshot(until(1e9))
    assert shot.step is Step.DONE
    text = flat(drawn(shot, size))
    assert "[ result ]" in text
    assert "main, degrees from neutral" in text
    assert "10.01° ± 0.3" in text
    assert "target 10° (8° to 12°) ✓ INSIDE" in text
    assert "second1, degrees from main" in text
    assert "28.00° ± 0.0" in text


def test_a_failure_is_one_sentence(size: tuple[int, int]) -> None:
    run = until(8.0)
    run.failure = Failure(
        "link-silent", "The board on this port fell silent. Check its power and cable, then measure again."
    )
    text = flat(drawn(snapshot(run), size))
    assert "✗ No valid measurement. The board on this port fell silent." in text


def test_what_was_voided_is_told(size: tuple[int, int]) -> None:
    run = until(12.0)
    run.note("count-doubtful", "The zero and all passes are void; mark neutral again.")
    assert "! The zero and all passes are void; mark neutral again." in flat(drawn(snapshot(run), size))


def test_it_always_says_that_a_rehearsal_is_not_for_record(size: tuple[int, int]) -> None:
    for seconds in (0.0, 5.0, 1e9):
        assert TITLE in drawn(snapshot(until(seconds)), size)


def test_keys_are_always_visible(size: tuple[int, int]) -> None:
    text = drawn(snapshot(until(5.0)), size)
    assert "space press: here, now" in flat(text)
    assert "q leave" in flat(text)


def flat(text: str) -> str:
    return " ".join(text.split())
