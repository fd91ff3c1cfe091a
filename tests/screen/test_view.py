"""What the view does with a state: which part gets the room, what is left out where there is none, what is drawn anew."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest
from rich.text import Text

from bench.cautions import LIVE, SNAP
from bench.snapshot import NoteState
from tests.screen.drawing import OneState, flat, picture, text_of
from tests.screen.states import (
    BEYOND,
    END,
    ON_THE_WAY,
    RETARD,
    RETARD_OPEN,
    STEPS,
    WHOLE,
    all_checked,
    session,
    state_of,
)
from tui.job_screen import drawing
from tui.job_screen.lines import Lines
from tui.job_screen.state import JobState

SIZES = ((80, 24), (120, 40))


@pytest.fixture(params=SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
def size(request: pytest.FixtureRequest) -> tuple[int, int]:
    found: tuple[int, int] = request.param
    return found


def drawn(state: JobState, size: tuple[int, int] = SIZES[0]) -> str:
    return flat(text_of(asyncio.run(picture(state, size))))


def noted(state: JobState, *texts: str) -> JobState:
    """The same with these notes."""
    return state.with_snapshot(replace(state.snap, notes=tuple(NoteState("test", text, 1) for text in texts)))


def test_cautions_stand_where_they_matter(size: tuple[int, int]) -> None:
    assert LIVE in drawn(STEPS["instrument-check"].make(), size)
    assert SNAP in drawn(STEPS["neutral-marked"].make(), size)


def test_each_set_of_points_is_told_in_shape_and_word(size: tuple[int, int]) -> None:
    # Half-way through main's opening: main is open, retard still closed; then the other way round.
    told = set()
    for seconds in (7.5, 8.0, 8.4):
        state = state_of(session(replace(WHOLE, open_over=RETARD_OPEN), seconds, tables=RETARD))
        said = drawn(state, size)
        for points in state.snap.points:
            word = "◇ OPEN" if points.is_open else "◆ CLOSED"
            assert f"{points.name} {word}" in said
            told.add((points.name, points.is_open))
    assert told == {("main", True), ("main", False), ("retard", True), ("retard", False)}


def test_the_result_gives_angle_uncertainty_target_and_verdict_of_each_set_of_points(size: tuple[int, int]) -> None:
    run = session(replace(WHOLE, open_over=RETARD_OPEN), None, *all_checked(), END, tables=RETARD)
    said = drawn(state_of(run), size)
    assert "main, degrees past neutral" in said
    assert "retard, degrees after main's own opening" in said
    assert "target 10° (8° to 12°) ✓ INSIDE" in said
    assert "target 28° (27° to 29°) ✗ OUTSIDE" in said
    assert said.index("AS FOUND") < said.index("AS LEFT")


def test_once_there_is_a_result_the_live_part_gives_it_its_room() -> None:
    assert "█" in drawn(STEPS["adjust-within"].make())
    assert "█" not in drawn(STEPS["record"].make())


def test_the_latest_note_stands_whole_and_older_ones_give_way_where_there_is_no_room() -> None:
    long = "Something happened that takes more than one line to tell, since it also says what it voided and what to do now."
    state = noted(STEPS["verify"].make(), f"First. {long}", f"Second. {long} {long}", f"Third. {long}")
    said = drawn(state)
    assert f"Third. {long}" in said
    assert "and 2 more, all in the record" in said
    assert "First." not in said
    assert drawing.alarm(noted(state, "One.", "Two."), 80).plain.splitlines() == ["! One.", "! Two."]


def test_a_low_screen_of_a_rehearsal_spares_the_caution_but_no_other_does() -> None:
    rehearsal, real = STEPS["rehearsal-acting"].make(), STEPS["adjust-beyond"].make()
    assert "Caution" not in drawing.alarm(rehearsal, 80, low=True).plain
    assert "Caution" in drawing.alarm(rehearsal, 120, low=False).plain
    assert "Caution" in drawing.alarm(real, 80, low=True).plain


def test_where_two_sets_of_points_have_no_room_what_the_last_adjustment_changed_gives_way() -> None:
    state = STEPS["adjust-two-sets"].make()
    assert drawing.panel(state, 80, 8).plain.count("since the rotor was last held") == 2
    low = drawing.panel(state, 80, 7).plain
    assert "since the rotor was last held" not in low
    assert low.count("  points  ✗ BEYOND LIMITS") == 2


def test_while_passes_are_needed_nobody_is_told_that_they_are_of_no_use() -> None:
    said = drawn(state_of(session(WHOLE, ON_THE_WAY)))
    assert "still needed: passes of" in said
    assert "those still needed show that every lobe repeats" in said
    assert "no longer help" not in said


def test_the_screen_is_drawn_for_its_new_size_at_once() -> None:
    async def run() -> tuple[str, str]:
        app = OneState(state_of(session(BEYOND)))
        async with app.run_test(size=SIZES[0]) as pilot:
            await pilot.pause()
            small = text_of(app.export_screenshot())
            await pilot.resize_terminal(*SIZES[1])
            await pilot.pause()
            return small, text_of(app.export_screenshot())

    small, large = asyncio.run(run())
    assert "✓ intake  ›" not in small
    assert "✓ intake  ›" in large


def test_only_lines_whose_text_has_changed_are_drawn_anew() -> None:
    async def run() -> list[int]:
        app = OneState(STEPS["adjust-beyond"].make())
        async with app.run_test(size=SIZES[0]) as pilot:
            await pilot.pause()
            lines = app.query_one("#beside", Lines)
            asked: list[int] = []
            refresh = lines.refresh

            def counted(*regions: object, **more: object) -> object:
                asked.append(len(regions))
                return refresh(*regions, **more)  # type: ignore[arg-type]

            lines.refresh = counted  # type: ignore[method-assign, assignment]
            said = lines.plain.splitlines()
            lines.update(Text("\n".join(said)))
            asked.clear()
            lines.update(Text("\n".join(said)))
            lines.update(Text("\n".join([said[0], "turning on 9°/s", *said[2:]])))
            return asked

    assert asyncio.run(run()) == [1]
