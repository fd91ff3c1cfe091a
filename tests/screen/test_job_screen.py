"""Every step and the faults of the guided job on the screen, at two sizes: the key sentence stands there, whole, with the key line."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from dataclasses import replace

import pytest
from textual.app import App, ComposeResult
from textual.widgets import Footer

from bench.journal import Kind, Record
from bench.run import Run
from tests.screen.drawing import text_of
from tests.screen.guide_pictures import state_of
from tests.statements.test_guided import feed, guided_run, job_script
from tests.support.scripted import MARKING, MARKING_PRESSES, Script, play, records, wire
from tui.job_screen import words
from tui.job_screen.state import JobState
from tui.job_screen.view import JobView

SIZES = ((80, 24), (120, 40))
LOST = {"kind": "link", "state": "lost", "text": "The port went away."}


class OneState(App[None]):
    """The view of one frozen state over a key line."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS = [("q", "quit", "leave")]  # noqa: RUF012 - the framework declares it so

    def __init__(self, state: JobState) -> None:
        super().__init__()
        self._state = state
        self.view = JobView()

    def compose(self) -> ComposeResult:
        yield self.view
        yield Footer()

    def on_mount(self) -> None:
        self.view.show(self._state)


def drawn(state: JobState, size: tuple[int, int]) -> str:
    """What can be read on the screen, line by line."""

    async def draw() -> str:
        app = OneState(state)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            app.view.show(state)
            await pilot.pause()
            return app.export_screenshot()

    return text_of(asyncio.run(draw()))


def part_of(script: Script, end_s: float) -> Script:
    path = tuple(p for p in script.path if p[0] <= end_s)
    return replace(script, path=path, presses=tuple(p for p in script.presses if p < end_s))


def broken() -> Run:
    """The journal ends in the middle of neutral, with a fault."""
    error = {"kind": "error", "code": "impulse-coupling", "text": "The rotor stopped and then snapped forward."}
    return feed(guided_run(), part_of(Script(MARKING, MARKING_PRESSES), 4.8), error)


def lost_and_back() -> Run:
    """The link was lost while adjusting, and the same board began a new session."""
    script = job_script(presses=0)
    run = feed(guided_run(), script, LOST)
    for record in records(replace(script, path=script.path[:2]), wire(play(part_of(script, 0.6)))):
        run.feed(record)
    return run


STATES: dict[str, tuple[Callable[[], Run], str]] = {
    "connecting": (guided_run, "Connecting to the board"),
    "instrument check": (
        lambda: feed(guided_run(), replace(Script(((0.0, 0.0), (1.0, 5.0))), presses=())),
        "Turn the rotor at least one whole turn in its running direction",
    ),
    "neutral from below": (
        lambda: feed(guided_run(), part_of(Script(MARKING, ()), 1.6)),
        "Feel for neutral turning up to it in the running direction",
    ),
    "neutral from above": (
        lambda: feed(guided_run(), part_of(Script(MARKING, MARKING_PRESSES), 2.7)),
        "Turn past neutral and come back to it against the running direction",
    ),
    "neutral marked": (lambda: feed(guided_run(), Script(MARKING, MARKING_PRESSES)), "Neutral is marked."),
    "as found": (
        lambda: feed(guided_run(), Script((*MARKING, (12.9, 360.2)), MARKING_PRESSES)),
        "As found: turn on through the openings, before anything is touched.",
    ),
    "adjust, beyond": (
        lambda: feed(guided_run(), job_script(moved_deg=2.6, presses=0)),
        "Hold the rotor at main's target, loosen, move the points until they just open",
    ),
    "adjust, within": (
        lambda: feed(guided_run(), job_script(moved_deg=0.5, presses=0)),
        "All openings lie within their limits.",
    ),
    "other checks": (lambda: feed(guided_run(), job_script()), "Everything that stops the job is done"),
    "record": (lambda: feed(guided_run(), job_script(), {"kind": "step", "to": "done"}), "Done. Q leaves"),
    "link lost": (lambda: feed(guided_run(), job_script(presses=0), LOST), "it is looked for until it answers"),
    "failed": (broken, "The rotor stopped and then snapped forward."),
}


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("name", STATES)
def test_the_key_sentence_stands_whole_on_the_screen(name: str, size: tuple[int, int]) -> None:
    make, key = STATES[name]
    state = state_of(make())
    text = drawn(state, size)
    seen = " ".join(text.split())
    assert key in seen
    assert " ".join(words.do(state).split()) in seen
    for sentence in words.blocked(state):
        assert " ".join(sentence.split()) in seen
    assert "q leave" in seen
    assert max(len(line) for line in text.splitlines()) <= size[0]


def test_words_and_shapes_carry_the_state_of_the_points() -> None:
    assert "main ◆ CLOSED" in drawn(state_of(feed(guided_run(), Script(MARKING, MARKING_PRESSES))), SIZES[0])


def test_after_a_lost_link_nothing_of_rotor_or_points_is_shown_as_live() -> None:
    text = drawn(state_of(feed(guided_run(), job_script(presses=0), LOST)), SIZES[0])
    assert "CLOSED" not in text
    assert "not connected" in text
    assert "neutral is marked anew once it is back" in " ".join(text.split())


def test_a_regained_link_leads_to_neutral_and_keeps_what_was_found() -> None:
    run = lost_and_back()
    assert run.as_found is not None
    assert not run.link_lost
    assert "[neutral]" in drawn(state_of(run), SIZES[0])


def test_as_found_and_as_left_both_stand_at_the_end() -> None:
    text = drawn(state_of(feed(guided_run(), job_script(), {"kind": "step", "to": "done"})), SIZES[0])
    assert text.index("AS FOUND") < text.index("AS LEFT")
    assert "11.51°" in text


def test_entries_reach_a_run_as_records_of_the_journal() -> None:
    record = Record(Kind.ENTRY, json.dumps({"kind": "check", "name": "end play"}).encode(), 0)
    run = feed(guided_run(), job_script())
    run.feed(record)
    assert [e["name"] for e in run.entries] == ["end play"]
