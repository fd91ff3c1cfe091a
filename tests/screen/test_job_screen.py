"""Every step and every fault of the guided job on the screen, at two sizes: pictures, and what must stand there whatever a picture says.

`python -m pytest tests/screen/test_job_screen.py --snapshot-update` draws the pictures anew; the sentences are asserted all the same.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from textual.pilot import Pilot

from tests.screen.drawing import OneState, flat, picture, text_of
from tests.screen.states import EVERY, STEPS
from tui.job_screen import words
from tui.job_screen.state import JobState

SIZES = ((80, 24), (120, 40))
Compare = Callable[..., bool]


class Seen:
    """What was drawn: the text, the key line, whether anything blinks or has no room."""

    def __init__(self) -> None:
        self.text = ""
        self.keys: list[str] = []
        self.blinking: list[str] = []
        self.overflows = False

    async def look(self, pilot: Pilot[Any]) -> None:
        app = pilot.app
        assert isinstance(app, OneState)
        # Drawn twice, as the running screen is: only then it is known how much room each part has.
        await pilot.pause()
        app.view.show(app.state)
        await pilot.pause()
        app.refresh_bindings()
        await pilot.pause()
        self.text = text_of(app.export_screenshot())
        self.keys = [
            f"{app.get_key_display(shown.binding)} {shown.binding.description}"
            for shown in app.screen.active_bindings.values()
            if shown.binding.show and shown.enabled
        ]
        self.blinking = [
            segment.text
            for strip in app.screen._compositor.render_strips()
            for segment in strip
            if segment.style is not None and (segment.style.blink or segment.style.blink2)
        ]
        self.overflows = app.view.overflows


def must_say(state: JobState) -> list[str]:
    """What nobody can do without: the next thing to do, why it cannot go on, what is needed, what went wrong last."""
    last = words.doubts(state)[-1:]
    blocked = words.blocked(state)
    needed = () if blocked else (words.needed(state),)
    return [sentence for sentence in (words.do(state), *blocked, *needed, *last) if sentence]


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("name", EVERY)
def test_a_state_is_drawn_as_it_was_and_says_what_it_must(
    name: str, size: tuple[int, int], snap_compare: Compare
) -> None:
    shown, seen = EVERY[name], Seen()
    state = shown.make()
    same = snap_compare(OneState(state), terminal_size=size, run_before=seen.look)
    read = flat(seen.text)
    for sentence in (*shown.says, *must_say(state)):
        assert flat(sentence) in read
    key_line = flat(seen.text.splitlines()[-1])
    assert seen.keys
    for key in seen.keys:
        assert key in key_line
    assert seen.blinking == []
    assert max(len(line.rstrip()) for line in seen.text.splitlines()) <= size[0]
    assert not seen.overflows or "PgDn more" in key_line
    assert same, "not drawn as before: look at snapshot_report.html, then --snapshot-update if it is meant so"


@pytest.mark.parametrize("name", [name for name in STEPS if name.startswith("adjust")])
def test_at_80_by_24_all_that_is_needed_to_set_the_points_has_room(name: str) -> None:
    seen = once(name)
    assert not seen.overflows
    for points in STEPS[name].make().snap.adjusting:
        assert words.rotor_words(points) in flat(seen.text)
        assert words.points_words(points) in flat(seen.text)


def drawn(state: JobState, size: tuple[int, int] = SIZES[0]) -> Seen:
    """What is seen of a state."""
    seen = Seen()

    async def draw() -> None:
        app = OneState(state)
        async with app.run_test(size=size) as pilot:
            await seen.look(pilot)

    asyncio.run(draw())
    return seen


@cache
def once(name: str) -> Seen:
    """What is seen of a state by name at 80 × 24, drawn once for all who ask."""
    return drawn(EVERY[name].make())


FRAME = {"#ff5f57", "#febc2e", "#28c840", "#c5c8c6"}
#: Words and shapes that carry a state, where it is to be seen.
CARRIED = {
    "neutral-from-above": ("[neutral]", "✓instrument", "◆ CLOSED", "●○ 1 (at least 2)"),
    "neutral-lifted": ("◇ OPEN",),
    "adjust-beyond": ("[adjust]", "▶ turn on", "✗ BEYOND LIMITS", "LATE: is to open earlier"),
    "adjust-within": ("✓ within limits",),
    "adjust-two-sets": ("EARLY: is to open later",),
    "verify": ("[verify]", "✓ INSIDE", "turning on"),
    "neutral-band-wide": ("? UNDECIDED", "! Friction holds"),
    "other-checks": ("✗ cannot go on: distributor timing",),
    "link-lost": ("✗ cannot go on: The board does not answer.", "Kept as found"),
    "no-opening": ("✗ cannot go on: main",),
    "rehearsal-acting": ("▶▶▶", "pulls on", "timing mark not in its window", "loose: main"),
    "rehearsal-watched": ("no pull", "timing mark IN its window"),
    "as-found": ("▲ Caution.",),
}


@pytest.mark.parametrize("name", CARRIED)
def test_without_colour_words_and_shapes_carry_the_state(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    svg = asyncio.run(picture(EVERY[name].make(), SIZES[0]))
    # The window's frame and title aside, which a picture has and a terminal has not.
    drawn_colours = {c.lower() for c in re.findall(r"#[0-9a-fA-F]{6}", svg)} - FRAME
    assert {c for c in drawn_colours if not c[1:3] == c[3:5] == c[5:7]} == set()
    read = flat(text_of(svg))
    for carried in CARRIED[name]:
        assert carried in read


@pytest.mark.parametrize("light", [False, True], ids=["dark", "light"])
def test_no_text_stands_in_the_terminals_own_colours(light: bool) -> None:
    # They are not known: light letters on a light ground, or dark ones on a dark one, could come of it.
    async def draw() -> list[str]:
        app = OneState(STEPS["adjust-two-sets"].make(), light)
        async with app.run_test(size=SIZES[0]) as pilot:
            await Seen().look(pilot)
            return [
                segment.text
                for strip in app.screen._compositor.render_strips()
                for segment in strip
                if segment.style is None or segment.style.color is None or segment.style.bgcolor is None
            ]

    assert [text for text in asyncio.run(draw()) if text.strip()] == []


@pytest.mark.parametrize("name", [name for name in EVERY if name.startswith("rehearsal")])
def test_a_rehearsal_says_at_the_top_that_it_is_not_for_record(name: str) -> None:
    first = once(name).text.splitlines()[0]
    assert first.startswith("REHEARSAL on a simulated unit – not for record")


def test_a_lost_link_leaves_nothing_that_looks_live() -> None:
    read = flat(once("link-lost").text)
    assert "◆" not in read
    assert "◇" not in read
    assert "█" not in read
    assert "10.01° ± 0.31°" in read


def test_a_failure_lists_its_causes_one_on_a_line() -> None:
    lines = [line.strip() for line in once("barely-open").text.splitlines()]
    numbered = [line for line in lines if re.match(r"\(\d\) ", line)]
    assert [line[:4] for line in numbered] == [f"({n}) " for n in range(1, 7)]


def test_a_press_is_offered_only_where_it_means_something() -> None:
    offering = {name for name in STEPS if any(key.endswith(" press") for key in once(name).keys)}
    assert offering == {
        "mark-of-lobe-1",
        "mark-of-the-manual",
        "neutral-lifted",
        "neutral-from-below",
        "neutral-from-above",
        "neutral-marked",
        "adjust-beyond",
        "adjust-within",
        "adjust-two-sets",
        "rehearsal-acting",
    }
