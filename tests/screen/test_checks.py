"""The other checks and the adjustment's form by keyboard alone at 80 × 24: what they say, and what they give to the journal."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from datetime import date
from typing import Any

import pytest
from textual.app import App
from textual.pilot import Pilot
from textual.screen import Screen

from bench import check_list
from bench.check_list import DEFAULT, CheckList
from bench.records.model import Tool
from tests.screen.drawing import text_of
from tui.check_form import AdjustmentForm
from tui.checks import Checks, checks_text
from tui.intake_fields import Choice, Field

TODAY = date(2026, 3, 1)
LIST = check_list.parse(
    {
        "check": [
            {"name": "end play", "unit": "mm", "upper": 0.1, "needs_tool": True, "hint": "Before timing."},
            {"name": "brush", "hint": "Free and long enough."},
        ],
        "tool": [
            {"name": "dial gauge", "serial_number": "D-1", "calibration_due": "2026-03-01"},
            {"name": "ohmmeter", "calibration_due": "2026-02-28"},
        ],
    },
    "list",
)
DIAL = {"name": "dial gauge", "serial_number": "D-1", "calibration_due": "2026-03-01"}


class OneScreen(App[None]):
    """Nothing but the screen."""

    ENABLE_COMMAND_PALETTE = False

    def __init__(self, shown: Screen[Any]) -> None:
        super().__init__()
        self._shown = shown
        self.results: list[Any] = []

    def on_mount(self) -> None:
        self.push_screen(self._shown, self.results.append)


class Hand:
    """A person at the keyboard, who reads the screen."""

    def __init__(self, pilot: Pilot[None], app: OneScreen) -> None:
        self.pilot = pilot
        self.app = app

    async def press(self, *keys: str) -> None:
        await self.pilot.press(*keys)
        await self.pilot.pause()

    def field(self, label: str) -> Field:
        return next(f for f in self.app.screen.query(Field) if f.label == label)

    async def fill(self, label: str, text: str) -> None:
        self.field(label).control.focus()
        await self.pilot.pause()
        await self.press("end", "ctrl+u", *text)

    async def choose(self, label: str, word: str) -> None:
        control = self.field(label).control
        assert isinstance(control, Choice)
        control.focus()
        await self.pilot.pause()
        for _ in range(9):
            if control.word == word:
                return
            await self.press("right")
        raise AssertionError(f"{label} cannot be {word!r}.")

    def screen(self) -> str:
        return " ".join(text_of(self.app.export_screenshot()).split())


def at(shown: Screen[Any], act: Callable[[Hand], Awaitable[None]], size: tuple[int, int] = (80, 24)) -> list[Any]:
    async def run() -> list[Any]:
        app = OneScreen(shown)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            await act(Hand(pilot, app))
        return app.results

    return asyncio.run(run())


def at_the_list(
    act: Callable[[Hand], Awaitable[None]], entered: Sequence[dict[str, Any]] = (), found: CheckList = LIST
) -> list[dict[str, Any]]:
    """The entries that come of it, without the first ones of the lines that stop the job."""
    given: list[dict[str, Any]] = []
    at(Checks(found, entered, given.append, TODAY), act)
    return given[len(check_list.first_entries(found, entered)) :]


async def nothing(_: Hand) -> None:
    return


def test_opening_the_list_enters_the_lines_that_stop_the_job_as_not_done_and_only_once() -> None:
    given: list[dict[str, Any]] = []
    at(Checks(LIST, [], given.append, TODAY), nothing)
    assert [(e["name"], e["verdict"], e["stops_job"]) for e in given] == [
        ("distributor timing", "not done", True),
        ("timing mark in window at closing", "not done", True),
    ]
    again: list[dict[str, Any]] = []
    at(Checks(LIST, given, again.append, TODAY), nothing)
    assert again == []


def test_it_says_in_shapes_and_words_what_is_open_and_what_stops_the_job() -> None:
    async def act(hand: Hand) -> None:
        text = hand.screen()
        assert "■ distributor timing: not done yet, and the job cannot end without it." in text
        assert "▸ – not done end play" in text
        assert text.count("■ stops the job") == 2
        assert "esc leave" in text

    at_the_list(act)


def test_a_line_is_filled_by_keyboard_alone_and_entered_with_its_tool() -> None:
    async def act(hand: Hand) -> None:
        await hand.press("enter")
        assert "Before timing." in hand.screen()
        await hand.press(*"0,05")
        await hand.choose("tool", "dial gauge D-1")
        assert "✓ inside. F2 keeps it." in hand.screen()
        await hand.press("f2")
        assert "✓ inside end play" in hand.screen()

    assert at_the_list(act) == [
        {
            "kind": "check",
            "name": "end play",
            "value": 0.05,
            "unit": "mm",
            "lower_limit": None,
            "upper_limit": 0.1,
            "verdict": "inside",
            "stops_job": False,
            "tool": DIAL,
            "note": None,
        }
    ]


def test_a_figure_beyond_its_limit_is_outside_whatever_is_said_and_can_be_entered_again() -> None:
    async def act(hand: Hand) -> None:
        for figure, words in (("0.11", "✗ outside end play"), ("0.1", "✓ inside end play")):
            await hand.press("enter")
            await hand.fill("figure", figure)
            await hand.choose("result", "as it should be")
            await hand.choose("tool", "dial gauge D-1")
            await hand.press("f2")
            assert words in hand.screen()

    assert [(e["value"], e["verdict"]) for e in at_the_list(act)] == [(0.11, "outside"), (0.1, "inside")]


def test_where_a_tool_is_asked_for_it_has_to_be_named() -> None:
    async def act(hand: Hand) -> None:
        await hand.press("enter", *"0.05", "f2")
        text = hand.screen()
        assert "▸ tool" in text
        assert "✗ say which tool was used" in text
        await hand.press("escape")

    assert at_the_list(act) == []


def test_a_tool_overdue_is_told_before_it_is_kept() -> None:
    async def act(hand: Hand) -> None:
        await hand.press("enter", *"0.05")
        await hand.choose("tool", "dial gauge D-1")
        assert "was due" not in hand.screen()
        await hand.choose("tool", "ohmmeter")
        assert "▲ its calibration was due on 2026-02-28: the record will be NOT FOR RECORD" in hand.screen()

    at_the_list(act)


def test_another_tool_is_typed_and_offered_with_the_next_line() -> None:
    async def act(hand: Hand) -> None:
        await hand.press("enter", *"0.05")
        await hand.choose("tool", "another")
        await hand.fill("its name", "feeler gauge")
        await hand.fill("calibration due", "soon")
        await hand.press("f2")
        assert "a day was expected, written 2026-03-01" in hand.screen()
        await hand.fill("calibration due", "2027-01-01")
        await hand.press("f2")
        await hand.press("down", "enter")
        assert "○ feeler gauge" in hand.screen()
        await hand.press("escape")

    (entry,) = at_the_list(act)
    assert entry["tool"] == {"name": "feeler gauge", "serial_number": None, "calibration_due": "2027-01-01"}


def test_when_the_stop_lines_are_done_nothing_stops_the_job() -> None:
    async def act(hand: Hand) -> None:
        for _ in range(2):
            await hand.press("down", "down", "enter")
            assert "■ This stops the job until it is as it should be." in hand.screen()
            # No figure belongs to it, so that the keyboard is at the result at once.
            await hand.press("right", "f2", "up")
        assert "✓ Nothing here stops the job." in hand.screen()

    entered = at_the_list(act)
    assert [(e["name"], e["verdict"], e["stops_job"]) for e in entered] == [
        ("distributor timing", "done", True),
        ("timing mark in window at closing", "done", True),
    ]
    assert check_list.open_lines(LIST, entered) == ()


def test_a_stop_line_that_is_wrong_goes_on_stopping_the_job() -> None:
    async def act(hand: Hand) -> None:
        await hand.press("down", "down", "enter")
        await hand.choose("result", "not as it should be")
        assert "✗ outside ■ stops the job" in hand.screen()
        await hand.press("f2")
        assert "■ distributor timing: not as it should be. Put it right, then enter it again." in hand.screen()

    at_the_list(act)


def test_a_check_of_ones_own_is_added_and_stands_in_the_list() -> None:
    async def act(hand: Hand) -> None:
        await hand.press("a", *"seal", "f2")
        assert "✓ done seal" in hand.screen()

    (entry,) = at_the_list(act)
    assert (entry["name"], entry["verdict"], entry["stops_job"]) == ("seal", "done", False)


def test_a_figure_needs_its_unit_and_limits_their_order() -> None:
    async def act(hand: Hand) -> None:
        await hand.press("down", "enter")
        for label, text in (("figure", "5"), ("at least", "4"), ("at most", "3")):
            await hand.fill(label, text)
        await hand.press("f2")
        text = hand.screen()
        assert "✗ a figure needs its unit; 1 for a plain number" in text
        assert "✗ the higher limit lies below the lower one" in text
        await hand.fill("figure", "five")
        assert "✗ a figure was expected, not five" in hand.screen()

    assert at_the_list(act) == []


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (1, 1)])
def test_the_list_that_comes_along_fits_and_no_size_breaks_it(size: tuple[int, int]) -> None:
    async def act(hand: Hand) -> None:
        text = hand.screen()
        if size[0] >= 80:
            assert all(line.name in text for line in DEFAULT.check)
            assert "[ add a check ]" in text
        await hand.press("enter", "escape")

    at(Checks(DEFAULT, [], lambda _: None, TODAY), act, size)


def test_the_list_can_be_shown_in_a_few_lines_elsewhere() -> None:
    done = {"kind": "check", "name": "end play", "value": 0.2, "unit": "mm", "upper_limit": 0.1}
    lines = checks_text(LIST, [done]).plain.split("\n")
    assert lines[0].split() == ["✗", "outside", "end", "play", "0.2", "mm,", "at", "most", "0.1", "mm"]
    assert lines[2].split() == ["–", "not", "done", "distributor", "timing", "■", "stops", "the", "job"]


def test_an_adjustment_is_entered_with_figure_limits_and_tool() -> None:
    async def act(hand: Hand) -> None:
        await hand.choose("set of points", "retard")
        await hand.choose("what", "spring tension")
        await hand.press("f2")
        assert "✗ the spring tension as it is now" in hand.screen()
        for label, text in (("figure", "5.5"), ("its unit", "N"), ("at least", "5"), ("at most", "6")):
            await hand.fill(label, text)
        assert "✓ inside. F2 keeps it." in hand.screen()
        await hand.fill("note", "cold")
        await hand.press("f2")

    assert at(AdjustmentForm(("main", "retard"), (Tool("spring scale"),), TODAY), act) == [
        {
            "kind": "adjustment",
            "breaker": "retard",
            "what": "spring tension",
            "value": 5.5,
            "unit": "N",
            "lower_limit": 5.0,
            "upper_limit": 6.0,
            "tool": None,
            "note": "cold",
        }
    ]


def test_points_that_were_moved_need_no_figure_and_something_else_needs_words() -> None:
    async def act(hand: Hand) -> None:
        await hand.choose("what", "other")
        await hand.press("f2")
        assert "✗ say what it was" in hand.screen()
        await hand.choose("what", "points moved")
        await hand.press("f2")

    (entry,) = at(AdjustmentForm(("main",), (), TODAY), act)
    assert (entry["what"], entry["value"]) == ("points moved", None)
