"""Whole jobs on the real screen by its keys, against a board whose rotor follows a script: what leads on, what goes back, what it voids."""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from bench import job_file
from bench.neutral import LEAST_PER_SIDE
from bench.procedure import Step
from firmware_protocol.messages import Press
from tests.screen.drawing import flat, text_of
from tests.screen.scripted_desk import ScriptedDesk, ScriptedSession, guided_run
from tests.screen.states import BEYOND, WHOLE, all_checked, never_open
from tests.support.scripted import MARKING, MARKING_PRESSES, Script, job, play
from tui.intake import Intake
from tui.job_screen.app import JobScreen
from tui.job_screen.dialogs import Ways

SIZE = (80, 24)
WITHIN_S = 20.0
#: The script's moments: neutral marked; as found complete and at rest; verified and at rest.
MARKED_S, TIGHTENED_S = MARKING[-1][0], 49.9
#: The same job for whoever presses by hand.
SILENT = replace(WHOLE, presses=())


class Heard(JobScreen):
    """Counts what the terminal's bell would ring."""

    rung = 0

    def bell(self) -> None:
        self.rung += 1


class Hand:
    """A person at the keyboard, who reads the screen."""

    def __init__(self, pilot: Pilot[None], app: Heard) -> None:
        self.pilot = pilot
        self.app = app

    def screen(self) -> str:
        """The whole screen; then what stands in a box laid over it, by itself."""
        text = text_of(self.app.export_screenshot())
        boxed = [line[line.index("│") + 1 : line.rindex("│")] for line in text.splitlines() if line.count("│") > 1]
        return f"{flat(text)} {flat(' '.join(boxed))}"

    async def press(self, *keys: str) -> None:
        await self.pilot.press(*keys)
        await self.pilot.pause()

    async def until(self, words: str) -> str:
        """The screen once it says so."""
        deadline = time.monotonic() + WITHIN_S
        while time.monotonic() < deadline:
            if words in (found := self.screen()):
                return found
            await self.pilot.pause(0.02)
        raise AssertionError(f"{words!r} did not come; the screen shows:\n{text_of(self.app.export_screenshot())}")

    async def drawn(self) -> None:
        """The job as it is now stands on the screen, with the room that each part has now."""
        for _ in range(2):
            self.app._draw()
            self.app.refresh_bindings()
            await self.pilot.pause()

    async def choose_until(self, words: str, key: str) -> None:
        """Press `key` until the keyboard is there."""
        for _ in range(40):
            if words in self.screen():
                return
            await self.press(key)
        raise AssertionError(f"{key} does not lead to {words!r}:\n{text_of(self.app.export_screenshot())}")


def at(
    desk: ScriptedDesk,
    act: Callable[[Hand], Awaitable[None]],
    size: tuple[int, int] = SIZE,
    ways: Ways | None = None,
) -> Heard:
    """The real application at this desk, while `act` goes on."""

    async def run() -> Heard:
        app = Heard(desk, ways=ways)  # type: ignore[arg-type]
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            await act(Hand(pilot, app))
        return app

    return asyncio.run(run())


def board(script: Script = SILENT, **tables: Any) -> ScriptedSession:
    """A board that greets, and then waits for time to pass."""
    found = ScriptedSession(guided_run(**tables), script)
    found.greet()
    return found


async def mark_neutral(hand: Hand, session: ScriptedSession) -> None:
    for at_s in MARKING_PRESSES:
        session.until(at_s)
        await hand.press("space")
    session.until(MARKED_S)


async def to_verify(hand: Hand, session: ScriptedSession) -> None:
    await hand.until("[instrument check]")
    await mark_neutral(hand, session)
    session.until(TIGHTENED_S)
    await hand.until("[adjust]")
    await hand.press("space")
    session.until(TIGHTENED_S + 0.5)
    await hand.until("[verify]")


async def to_checks(hand: Hand, session: ScriptedSession) -> None:
    await to_verify(hand, session)
    session.end_of_script()
    await hand.until("[other checks]")


# --- the whole job ---------------------------------------------------------------------------------------------------


async def fill_in(hand: Hand) -> None:
    """The intake form, filled in by the job file: cautions are acknowledged one by one, F2 begins."""
    await hand.until("Still needed: caution 1, caution 2, caution 3.")
    for n in (1, 2, 3):
        await hand.choose_until(f"▸ caution {n}", "tab")
        await hand.press("right")
        await hand.until(f"caution {n} ○ not yet ● read and understood")
    await hand.press("f2")


async def check(hand: Hand, name: str) -> None:
    """A line of the list that has no figure: it is as it should be."""
    await hand.choose_until(f"▸ – not done {name}", "down")
    await hand.press("enter")
    await hand.until(f"Check: {name}")
    await hand.press("right", "f2")
    await hand.until(f"✓ done {name}")


def test_a_whole_job_by_the_keyboard_from_the_form_to_the_record(tmp_path: Path) -> None:
    session = ScriptedSession(guided_run(), SILENT)
    file = job_file.parse(job(), "job")
    desk = ScriptedDesk(
        session, form=lambda: Intake(file, "job.toml", home=tmp_path, store=tmp_path / "none.sqlite", save=False)
    )

    async def act(hand: Hand) -> None:
        await fill_in(hand)
        await hand.until("Connecting to the board")
        session.greet()
        await to_checks(hand, session)
        assert "cannot go on: distributor timing: not done yet" in hand.screen()
        await hand.press("c")
        for name in ("distributor timing", "timing mark in window at closing"):
            await check(hand, name)
        assert "Nothing here stops the job." in hand.screen()
        await hand.press("escape")
        await hand.until("Everything that stops the job is done: E ends it")
        await hand.press("e")
        said = await hand.until("Done. Q leaves")
        assert "[record]" in said
        await hand.until("Record 20260101-0A")
        await hand.press("q")

    app = at(desk, act)
    run = session.run
    assert app.return_code == 0
    assert run.step is Step.DONE
    assert run.failure is None
    assert desk.ended == [session]
    kinds = [(e["kind"], e.get("name")) for e in run.entries if e.get("verdict") != "not done"]
    assert kinds == [
        *[("caution", None)] * 3,
        ("check", "distributor timing"),
        ("check", "timing mark in window at closing"),
    ]
    # One press for each time that neutral was marked, and one for "tight".
    assert session.presses_asked == len(MARKING_PRESSES) + 1


def test_from_connected_to_verified_the_pedal_is_enough_one_press_per_mark_and_one_for_tight() -> None:
    session = board(WHOLE)
    steps: list[str] = []

    async def act(hand: Hand) -> None:
        for at_s, step in (
            (0.4, "instrument check"),
            (2.0, "neutral"),
            (12.0, "as found"),
            (48.0, "adjust"),
            (55.0, "verify"),
        ):
            session.until(at_s)
            await hand.until(f"[{step}]")
            steps.append(step)
        session.end_of_script()
        await hand.until("[other checks]")

    at(ScriptedDesk(session), act)
    assert steps == ["instrument check", "neutral", "as found", "adjust", "verify"]
    down = [s for s in play(WHOLE) if isinstance(s.message, Press) and s.message.down]
    assert len(down) == 2 * LEAST_PER_SIDE + 1 == 5
    assert session.presses_asked == 0
    assert session.run.notes == []
    assert session.run.as_left is not None


# --- going back ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("from_checks", [False, True], ids=["while verifying", "once verified"])
def test_a_leads_back_to_adjusting_and_says_first_what_that_voids(from_checks: bool) -> None:
    session = board()

    async def act(hand: Hand) -> None:
        await (to_checks if from_checks else to_verify)(hand, session)
        await hand.press("a")
        await hand.until("what was verified since the last press is void, as found stays. Go back?")
        await hand.press("n")
        assert session.run.step is (Step.CHECKS if from_checks else Step.VERIFY)
        await hand.press("a", "y")
        await hand.until("[adjust]")

    at(ScriptedDesk(session), act)
    assert session.run.as_left is None
    assert session.run.as_found is not None


def test_n_marks_neutral_anew_and_comes_back_to_the_step_that_it_left() -> None:
    session = board()

    async def act(hand: Hand) -> None:
        await mark_neutral(hand, session)
        session.until(TIGHTENED_S)
        await hand.until("[adjust]")
        await hand.press("n")
        await hand.until("neutral, marks and the passes of this step are void, as found stays. Mark neutral anew?")
        await hand.press("escape")
        assert session.run.step is Step.ADJUST
        await hand.press("n", "y")
        said = await hand.until("[neutral]")
        assert "2 more presses at neutral turning up to it" in said

    at(ScriptedDesk(session), act)
    assert session.run.as_found is not None
    assert session.run.procedure is not None
    assert session.run.procedure.after_neutral is Step.ADJUST


def test_what_is_adjusted_after_the_verification_makes_it_void() -> None:
    session = board()

    async def act(hand: Hand) -> None:
        await to_checks(hand, session)
        assert session.run.as_left is not None
        await hand.press("k")
        await hand.until("Adjustment of the points")
        await hand.choose_until("▸ figure", "tab")
        await hand.press(*"0.45", "tab", *"mm", "f2")
        await hand.until("A change after the final press: what was verified is void. Verify again.")
        assert "[adjust]" in hand.screen()

    at(ScriptedDesk(session), act)
    assert session.run.as_left is None
    (entry,) = [e for e in session.run.entries if e["kind"] == "adjustment"]
    assert (entry["what"], entry["value"], entry["unit"]) == ("point clearance", 0.45, "mm")


def test_what_is_entered_while_adjusting_voids_nothing() -> None:
    session = board()

    async def act(hand: Hand) -> None:
        await mark_neutral(hand, session)
        session.until(TIGHTENED_S)
        await hand.until("[adjust]")
        await hand.press("k")
        await hand.choose_until("▸ figure", "tab")
        await hand.press(*"0.45", "tab", *"mm", "f2")
        await hand.until("[adjust]")
        assert "is void" not in hand.screen()

    at(ScriptedDesk(session), act)
    assert [e["kind"] for e in session.run.entries] == ["adjustment"]


# --- presses ---------------------------------------------------------------------------------------------------------


def test_the_space_bar_asks_for_no_press_where_none_is_wanted() -> None:
    session = board()

    async def act(hand: Hand) -> None:
        await to_verify(hand, session)
        asked = session.presses_asked
        assert "space press" not in hand.screen()
        await hand.press("space")
        assert session.presses_asked == asked

    at(ScriptedDesk(session), act)
    assert session.run.notes == []


def test_one_cue_sounds_at_each_opening_while_points_are_set_and_none_when_it_is_off() -> None:
    session = board(replace(BEYOND, presses=()))

    async def act(hand: Hand) -> None:
        await mark_neutral(hand, session)
        session.until(47.0)
        await hand.until("[adjust]")
        # Lobes open every three seconds of the script; the rotor turns on at 50.9 s, 0.2° past neutral.
        session.until(51.5)
        await hand.until("turning on")
        before = hand.app.rung
        session.until(53.0)
        await hand.until("since the rotor was last held")
        assert hand.app.rung == before + 1
        await hand.press("b")
        await hand.until("The bell at each opening is off.")
        session.until(56.0)
        await hand.drawn()
        assert hand.app.rung == before + 1
        # Switched on again: the verification has no cue.
        await hand.press("b", "space")
        session.until(63.0)
        await hand.until("lobe 1 1/5")
        assert hand.app.rung == before + 1

    at(ScriptedDesk(session), act)


# --- the end ---------------------------------------------------------------------------------------------------------


def test_with_lines_open_it_ends_only_after_a_question_and_the_record_knows_that_a_step_was_skipped() -> None:
    session = board()

    async def act(hand: Hand) -> None:
        await to_checks(hand, session)
        await hand.press("e")
        said = await hand.until("End all the same? The record then says that a step was skipped: not for record.")
        assert "distributor timing: not done yet" in said
        await hand.press("n")
        assert session.run.step is Step.CHECKS
        await hand.press("e", "y")
        await hand.until("[record]")

    at(ScriptedDesk(session), act)
    assert [(e.get("what"), e.get("text")) for e in session.run.entries][-1] == ("skipped", "other checks")


def test_v_begins_a_recheck_that_adjusts_nothing() -> None:
    session, second = board(), ScriptedSession(guided_run(recheck=True), SILENT)
    desk = ScriptedDesk(session, second)

    async def act(hand: Hand) -> None:
        await to_checks(hand, session)
        for entry in all_checked():
            session.enter(entry)
        await hand.press("e")
        await hand.until("v recheck")
        await hand.press("v")
        await hand.until("Connecting to the board")
        second.greet()
        await mark_neutral(hand, second)
        second.until(20.0)
        await hand.until("[verify]")

    at(desk, act)
    assert desk.asked_again == [True]
    assert second.run.as_found is None


def test_after_a_failure_r_begins_the_same_job_again() -> None:
    session, second = board(never_open()), board()
    desk = ScriptedDesk(session, second)

    async def act(hand: Hand) -> None:
        session.end_of_script()
        said = await hand.until("then begin again (R).")
        assert "never opened over two whole lobe spacings." in said
        await hand.until("r begin again")
        await hand.press("r")
        await hand.until("Turn the rotor at least one whole turn")

    at(desk, act)
    assert desk.asked_again == [False]
    assert desk.ended == [session]


@pytest.mark.parametrize("key", ["q", "ctrl+c"])
def test_leaving_a_running_job_asks_first(key: str) -> None:
    session = board()

    async def act(hand: Hand) -> None:
        await mark_neutral(hand, session)
        await hand.press(key)
        await hand.until("Leave now? What was read so far is kept, and the job can be resumed.")
        await hand.press("n")
        assert hand.app.return_code is None
        # It went on meanwhile.
        session.until(12.0)
        await hand.until("[as found]")
        await hand.press(key, "y")

    app = at(ScriptedDesk(session), act)
    assert app.return_code == 0
    assert not app.session_ended


def test_on_a_light_ground_the_same_words_stand_in_dark_letters(monkeypatch: pytest.MonkeyPatch) -> None:
    """The terminal's own word for its ground is taken first; F4 changes it."""
    monkeypatch.setenv("COLORFGBG", "0;default;15")
    seen: list[tuple[str, bool]] = []

    async def act(hand: Hand) -> None:
        for _ in range(2):
            await hand.drawn()
            style = hand.app.screen.rich_style
            assert style.color is not None
            assert style.bgcolor is not None
            letters, ground = (sum(c.get_truecolor()) for c in (style.color, style.bgcolor))
            seen.append((hand.screen(), ground > letters))
            await hand.press("f4")

    at(ScriptedDesk(board()), act)
    (light_words, light), (dark_words, dark) = seen
    assert (light, dark) == (True, False)
    assert light_words == dark_words


def test_what_does_not_fit_is_reached_by_page_down() -> None:
    lobes = tuple((10.0 + 90.0 * n, 50.0 + 90.0 * n) for n in range(4))
    session = board(replace(SILENT, open_over=(lobes, lobes)), tables=job(poles=4, breakers=2))

    async def act(hand: Hand) -> None:
        await to_checks(hand, session)
        for entry in all_checked():
            session.enter(entry)
        await hand.press("e")
        said = await hand.until("PgDn more")
        # As left, the last lobe of the second set.
        last = re.compile(r"second1, degrees past neutral .* lobe 3 11\.51°")
        assert not last.search(said)
        await hand.press("pagedown")
        await hand.drawn()
        assert last.search(hand.screen())
        await hand.press("pageup")
        await hand.until("AS FOUND")

    at(ScriptedDesk(session), act)


# --- the beginning ---------------------------------------------------------------------------------------------------


def test_a_port_in_use_is_told_and_tried_again() -> None:
    desk = ScriptedDesk()

    async def act(hand: Hand) -> None:
        await hand.until("The port is in use by another program. Close it, then try again. Try again?")
        desk._sessions.append(board())
        await hand.press("y")
        await hand.until("Turn the rotor at least one whole turn")

    at(desk, act)


def test_an_interrupted_job_is_offered_before_the_form() -> None:
    desk = ScriptedDesk(board(), waiting=(("20260101-0A", "SCRIPT-1, begun 2026-01-01"),))

    async def act(hand: Hand) -> None:
        said = await hand.until("Interrupted jobs: go on with one?")
        assert "SCRIPT-1, begun 2026-01-01" in said
        assert "None of them: a new job" in said
        await hand.press("enter")
        await hand.until("[instrument check]")

    at(desk, act)
    assert desk.resumed == "20260101-0A"
    assert desk.taken_in is None


# --- pictures of what lies over the job ------------------------------------------------------------------------------


async def _nothing(_: Hand) -> None:
    return


async def _help(hand: Hand) -> None:
    await hand.press("question_mark")
    await hand.until("Help: instrument check")


async def _leaving(hand: Hand) -> None:
    await hand.press("q")
    await hand.until("Leave now?")


async def _neutral_anew(hand: Hand) -> None:
    await hand.until("[neutral]")
    await hand.press("n")
    await hand.until("Mark neutral anew?")


LAID_OVER: dict[str, tuple[Callable[[], ScriptedDesk], Ways | None, Callable[[Hand], Awaitable[None]], str]] = {
    "help": (lambda: ScriptedDesk(board()), None, _help, "Cautions"),
    "leaving": (lambda: ScriptedDesk(board()), None, _leaving, "the job can be resumed. Y yes N no"),
    "neutral-anew": (
        lambda: ScriptedDesk(board(WHOLE).until(MARKED_S)),
        None,
        _neutral_anew,
        "as found stays. Mark neutral anew?",
    ),
    "port-in-use": (ScriptedDesk, None, _nothing, "The port is in use by another program."),
    "interrupted-jobs": (
        lambda: ScriptedDesk(board(), waiting=(("20260101-0A", "SCRIPT-1, begun 2026-01-01"),)),
        None,
        _nothing,
        "None of them: a new job",
    ),
    "which-rehearsal": (
        lambda: ScriptedDesk(board()),
        Ways("Rehearse", (("watch", "Watch the whole job"), ("act", "Act it yourself")), lambda _: None),
        _nothing,
        "Act it yourself",
    ),
}


@pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("name", LAID_OVER)
def test_what_lies_over_the_job_is_drawn_as_it_was(
    name: str, size: tuple[int, int], snap_compare: Callable[..., bool]
) -> None:
    desk, ways, act, key = LAID_OVER[name]
    app = Heard(desk(), ways=ways)  # type: ignore[arg-type]
    said: list[str] = []

    async def look(pilot: Pilot[None]) -> None:
        hand = Hand(pilot, app)
        await pilot.pause()
        await act(hand)
        said.append(await hand.until(key))
        await hand.drawn()

    assert snap_compare(app, terminal_size=size, run_before=look)
    assert key in said[0]
