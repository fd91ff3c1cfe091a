"""The intake form by keyboard alone at 80 × 24: what it asks, refuses, offers and gives."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from textual.app import App
from textual.events import Paste
from textual.pilot import Pilot
from textual.widget import Widget
from textual.widgets import Input

from bench import cautions, job_file
from bench.journal import JournalWriter
from bench.records.store import open_store
from tests.end_to_end.commands import SCENARIOS
from tests.records.support import record
from tests.screen.drawing import text_of
from tests.support.scripted import job
from tui import job_sources
from tui.intake import Intake, IntakeResult
from tui.intake_fields import Act, Choice, Field, number, numbers
from tui.job_forms import problems

SIZE = (80, 24)


class OneForm(App[None]):
    """Nothing but the form."""

    ENABLE_COMMAND_PALETTE = False

    def __init__(self, form: Intake) -> None:
        super().__init__()
        self.form = form
        self.results: list[IntakeResult | None] = []

    def on_mount(self) -> None:
        self.push_screen(self.form, self.results.append)


class Hand:
    """A person at the keyboard, who reads the screen."""

    def __init__(self, pilot: Pilot[None], app: OneForm) -> None:
        self.pilot = pilot
        self.app = app

    async def press(self, *keys: str) -> None:
        await self.pilot.press(*keys)
        await self.pilot.pause()

    async def type(self, text: str) -> None:
        await self.press(*text)

    async def go_to(self, label: str, nth: int = 0) -> None:
        """Have the keyboard in the field, or at the action, so called."""
        controls = [c for c in self.app.form.focus_chain if label in self._called(c)]
        controls[nth].focus()
        await self.pilot.pause()

    async def tab_to(self, label: str) -> None:
        """The same by the keyboard."""
        for _ in range(60):
            at = self.app.form.focused
            if at is not None and label in self._called(at):
                return
            await self.press("tab")
        raise AssertionError(f"No way leads to {label!r}.")

    @staticmethod
    def _called(control: Widget) -> str:
        if isinstance(control, Act):
            return control.said().plain
        return next((one.label for one in control.ancestors if isinstance(one, Field)), "")

    async def fill(self, label: str, text: str, nth: int = 0) -> None:
        """Put `text` in the place of what stands there, key by key."""
        await self.go_to(label, nth)
        await self.press("end", "ctrl+u", *text)

    async def paste(self, label: str, text: str) -> None:
        """The same in one piece, as a terminal pastes it: where the typing itself is not what is stated."""
        await self.go_to(label)
        await self.press("end", "ctrl+u")
        self.app.post_message(Paste(text))
        await self.pilot.pause()

    async def choose(self, label: str, word: str, nth: int = 0) -> None:
        await self.go_to(label, nth)
        for _ in range(20):
            control = self.app.form.focused
            assert isinstance(control, Choice)
            if control.word == word:
                return
            await self.press("right")
        raise AssertionError(f"{label} cannot be {word!r}.")

    def screen(self) -> str:
        return " ".join(text_of(self.app.export_screenshot()).split())

    async def until(self, words: str, seconds: float = 20.0) -> str:
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            await self.pilot.pause(0.01)
            if words in (found := self.screen()):
                return found
        raise AssertionError(f"{words!r} did not come; the screen shows:\n{self.screen()}")

    async def acknowledge(self) -> None:
        for nth in ("caution 1", "caution 2", "caution 3"):
            await self.choose(nth, "read and understood")

    async def begin(self) -> IntakeResult:
        await self.press("f2")
        await self.pilot.pause()
        assert self.app.results, self.screen()
        result = self.app.results[-1]
        assert result is not None
        return result


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


def at_the_form(home: Path, act: Callable[[Hand], Awaitable[Any]], size: tuple[int, int] = SIZE, **given: Any) -> Any:
    async def run() -> Any:
        app = OneForm(Intake(home=home, store=home / "records.sqlite", **given))
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            return await act(Hand(pilot, app))

    return asyncio.run(run())


#: What `unit` enters, where it stands there already.
UNIT = job_file.parse(
    {
        "unit": {
            "part_number": "DEMO-1",
            "serial_number": "SIM-0001",
            "rotation": "clockwise",
            "poles": 4,
            "impulse_coupling": "none",
        },
        "breaker": [{"name": "main", "channel": 0}],
    },
    "unit",
)


async def unit(hand: Hand, coupling: str = "none", typed: bool = False) -> None:
    put = hand.fill if typed else hand.paste
    await put("part number", "DEMO-1")
    await put("serial number", "SIM-0001")
    await hand.choose("rotation", "clockwise")
    await hand.choose("poles", "4")
    await hand.choose("impulse coupling", coupling)


def test_a_job_typed_by_keyboard_alone_is_the_one_that_begins_and_is_kept_as_a_file(home: Path) -> None:
    async def act(hand: Hand) -> IntakeResult:
        await unit(hand, coupling="removed", typed=True)
        await hand.fill("manual", "Book 7")
        await hand.fill("its revision", "A")
        await hand.fill("opens at", "10")
        await hand.fill("minus", "2")
        await hand.fill("plus", "2,5")
        await hand.choose("counts from", "neutral")
        await hand.fill("capacitor", "0.2")
        await hand.go_to("one more set of points")
        await hand.press("enter")
        await hand.type("retard")
        await hand.fill("opens at", "30", nth=1)
        await hand.fill("minus", "1", nth=1)
        await hand.fill("plus", "1", nth=1)
        await hand.choose("counts from", "main, measured", nth=1)
        await hand.fill("limited lobes", "0, 2", nth=1)
        await hand.fill("who works", "A. Learner")
        await hand.fill("service hours", "512.5")
        await hand.fill("state as received", "oily")
        await hand.acknowledge()
        assert "✓ Ready: F2 begins." in hand.screen()
        return await hand.begin()

    result = at_the_form(home, act)
    assert result.job == job_file.parse(
        {
            "unit": {
                "part_number": "DEMO-1",
                "serial_number": "SIM-0001",
                "rotation": "clockwise",
                "poles": 4,
                "impulse_coupling": "removed",
            },
            "limits": {"reference": "Book 7", "revision": "A"},
            "breaker": [
                {"name": "main", "channel": 0, "opens_at_deg": 10, "minus_deg": 2, "plus_deg": 2.5, "from": "neutral"}
                | {"capacitor_uf": 0.2},
                {"name": "retard", "channel": 1, "opens_at_deg": 30, "minus_deg": 1, "plus_deg": 1, "from": "main"}
                | {"lobes": [0, 2]},
            ],
        },
        "expected",
    )
    assert (result.operator, result.service_hours, result.recheck_of) == ("A. Learner", 512.5, None)
    assert result.findings == ("oily",)
    assert result.cautions == cautions.ACKNOWLEDGED
    assert (result.started_from, result.save_failure) == (None, None)
    assert result.saved_as == home / "jobs" / "SIM-0001.toml"
    assert job_file.load(result.saved_as) == result.job
    assert [e["kind"] for e in result.entries()] == ["caution", "caution", "caution", "operator"]


def test_the_whole_form_is_reached_by_tab_and_enter_goes_on_like_it(home: Path) -> None:
    async def act(hand: Hand) -> None:
        for label in (
            "rotation",
            "impulse coupling",
            "manual",
            "counts from",
            "one more set",
            "who works",
            "caution 3",
        ):
            await hand.tab_to(label)
        await hand.press("tab", "enter", "enter", "right", "enter", "down", "up")
        assert "▸ poles" in hand.screen()
        assert "● clockwise" in hand.screen()

    at_the_form(home, act)


def test_a_dual_unit_with_a_difference(home: Path) -> None:
    async def act(hand: Hand) -> IntakeResult:
        await unit(hand)
        await hand.paste("manual", "M")
        await hand.paste("its revision", "A")
        await hand.paste("name", "left")
        await hand.go_to("one more set of points")
        await hand.press("enter")
        await hand.type("right")
        await hand.go_to("a difference between two sets")
        await hand.press("enter")
        await hand.choose("first", "left")
        await hand.choose("second", "right")
        await hand.fill("second after first", "-0.5")
        await hand.fill("minus", "0.5", nth=2)
        await hand.fill("plus", "0.5", nth=2)
        await hand.acknowledge()
        return await hand.begin()

    (difference,) = at_the_form(home, act).job.difference
    assert (difference.between, difference.deg) == (("left", "right"), -0.5)


def test_it_says_what_is_still_needed_and_f2_goes_to_the_first_of_it(home: Path) -> None:
    async def act(hand: Hand) -> None:
        assert (
            "○ Fill in the form. Still needed: part number, serial number, rotation, poles, impulse coupling and 3 more."
            in hand.screen()
        )
        await hand.type("DEMO-1")
        await hand.press("f2")
        text = hand.screen()
        assert "▸ serial number" in text
        assert "✗ still needed" in text
        assert hand.app.results == []

    at_the_form(home, act)


WRONG = (
    ("opens at", "abc", "should be a valid number, not abc"),
    ("opens at", "195", "195 is impossible; 0 to below 180 degrees from neutral was expected"),
    ("limited lobes", "7", "7 is not one of the lobes 0 to 1"),
    ("limited lobes", "x", 'all, or numbers of lobes such as "0, 2" expected'),
    ("limited lobes", ",", "an empty list limits nothing"),
    ("capacitor", "11", "should be less than or equal to 10, not 11"),
    ("minus", "-1", "should be greater than or equal to 0, not -1"),
    ("name", "neutral", '"neutral" is reserved; another name was expected'),
    ("name", "1st", "should match pattern"),
    ("cylinders", "40", "should be less than or equal to 36, not 40"),
    ("service hours", "-1", "hours from 0 were expected, not -1"),
    ("plus", "", "missing, but needed with opens at"),
)


def test_each_field_tells_in_words_what_the_job_files_rules_say_while_it_is_typed(home: Path) -> None:
    async def act(hand: Hand) -> None:
        await hand.acknowledge()
        for label, typed, words in WRONG:
            await hand.go_to(label)
            control = hand.app.form.focused
            assert isinstance(control, Input)
            before = control.value
            await hand.fill(label, typed)
            text = hand.screen()
            assert f"✗ {words}" in text, text
            assert f"Cannot begin yet. Put right: {label}" in text if typed else f"Still needed: {label}" in text
            await hand.press("f2")
            assert hand.app.results == []
            control.value = before
            await hand.pilot.pause()
            assert "✓ Ready" in hand.screen()

    at_the_form(home, act, job=job_file.parse(job(), "given"))


def test_limits_without_a_manual_are_refused(home: Path) -> None:
    tables = job()
    tables["limits"] = {"reference": "M", "revision": "A"}

    async def act(hand: Hand) -> None:
        await hand.fill("manual", "")
        await hand.fill("its revision", "")
        await hand.press("tab")
        text = hand.screen()
        assert (
            "missing, but needed as soon as a target is given: reference and revision of the manual it comes from"
            in text
        )

    at_the_form(home, act, job=job_file.parse(tables, "given"))


def test_without_limits_it_says_measuring_only(home: Path) -> None:
    async def act(hand: Hand) -> IntakeResult:
        await unit(hand)
        await hand.go_to("its revision")
        assert "– No limits: measuring only, and the verdict will be none." in hand.screen()
        await hand.acknowledge()
        assert "✓ Ready: F2 begins. No limits: measuring only, and the verdict will be none." in hand.screen()
        return await hand.begin()

    assert at_the_form(home, act).job.limits is None


def test_with_an_impulse_coupling_fitted_it_cannot_begin_and_says_why(home: Path) -> None:
    async def act(hand: Hand) -> IntakeResult:
        await unit(hand, coupling="fitted")
        assert (
            "✗ Cannot begin. An impulse coupling is fitted: it comes off, or its flyweights are secured as the manual permits, "
            "before this begins." in hand.screen()
        )
        await hand.acknowledge()
        await hand.press("f2")
        assert hand.app.results == []
        assert "▸ impulse coupling" in hand.screen()
        await hand.choose("impulse coupling", "secured")
        return await hand.begin()

    assert at_the_form(home, act).job.unit.impulse_coupling == "secured"


def test_it_does_not_begin_before_every_caution_is_acknowledged(home: Path) -> None:
    async def act(hand: Hand) -> None:
        await unit(hand)
        await hand.choose("caution 1", "read and understood")
        assert "Still needed: caution 2, caution 3." in hand.screen()
        await hand.press("f2")
        assert hand.app.results == []
        text = hand.screen()
        assert "▸ caution 2" in text
        assert " ".join(cautions.LIVE.split()) in text
        for nth in ("caution 2", "caution 3"):
            await hand.choose(nth, "read and understood")
        await hand.begin()

    at_the_form(home, act)


def test_from_a_job_file_only_the_person_and_the_cautions_are_left_to_do_and_no_second_file_is_written(
    home: Path,
) -> None:
    path = SCENARIOS / "with-retard.job.toml"
    given = job_file.load(path)

    async def act(hand: Hand) -> IntakeResult:
        await hand.until("▸ who works")
        assert "Still needed: caution 1, caution 2, caution 3." in hand.screen()
        await hand.acknowledge()
        return await hand.begin()

    result = at_the_form(home, act, job=given, started_from=str(path))
    assert result.job == given
    assert (result.started_from, result.saved_as) == (str(path), None)
    assert not (home / "jobs").exists()


@pytest.mark.parametrize("path", sorted(SCENARIOS.glob("*.job.toml")), ids=lambda p: p.name.split(".")[0])
def test_every_job_goes_through_its_file_unchanged(home: Path, path: Path) -> None:
    given = job_file.load(path)
    assert job_file.load(job_sources.save(given, home)) == given


@pytest.mark.parametrize("name", ["with-retard", "compensated-dual", "coil-no-capacitor"])
def test_and_through_the_form(home: Path, name: str) -> None:
    given = job_file.load(next(path for path in sorted(SCENARIOS.glob("*.job.toml")) if name in path.name))

    async def act(hand: Hand) -> IntakeResult:
        await hand.acknowledge()
        return await hand.begin()

    assert at_the_form(home, act, job=given).job == given


def known_unit(home: Path, serial: str = "SIM-0001") -> str:
    with open_store(home / "records.sqlite") as store:
        made = record(1, serial_number=serial)
        store.add(made)
    return made.id


def test_a_serial_number_that_the_store_knows_shows_its_last_angle_and_offers_a_recheck(home: Path) -> None:
    record_id = known_unit(home)

    async def act(hand: Hand) -> IntakeResult:
        await unit(hand)
        await hand.go_to("serial number")
        text = await hand.until("known here")
        assert f"as left on 2026-03-01 main 10.25° from neutral (inside), record {record_id}" in text
        await hand.go_to("this is a recheck of that record")
        await hand.press("enter")
        await hand.until("▸ manual")
        await hand.acknowledge()
        await hand.press("f2")
        while not hand.app.results:
            await hand.pilot.pause(0.01)
        return hand.app.results[-1]  # type: ignore[return-value]

    assert at_the_form(home, act).recheck_of == record_id


@pytest.mark.parametrize(
    ("asked", "words"),
    [("2020", "There is no record 2020."), ("20260301-0", "is of serial number OTHER")],
)
def test_a_recheck_of_no_record_or_of_another_unit_is_refused(home: Path, asked: str, words: str) -> None:
    known_unit(home, "OTHER")

    async def act(hand: Hand) -> None:
        await hand.acknowledge()
        await hand.paste("recheck of record", asked)
        await hand.press("f2")
        await hand.until(words)
        await hand.press("f2")
        assert hand.app.results == []

    at_the_form(home, act, job=UNIT)


def test_the_beginning_of_a_records_id_is_enough(home: Path) -> None:
    record_id = known_unit(home)

    async def act(hand: Hand) -> IntakeResult:
        await hand.acknowledge()
        await hand.paste("recheck of record", record_id[:12].lower())
        # At once: whoever is quicker than the store waits for it.
        await hand.press("f2")
        deadline = time.monotonic() + 20
        while not hand.app.results and time.monotonic() < deadline:
            await hand.pilot.pause(0.01)
        return hand.app.results[-1]  # type: ignore[return-value]

    assert at_the_form(home, act, job=UNIT).recheck_of == record_id


def test_a_missing_store_is_no_error_and_none_is_made(home: Path) -> None:
    async def act(hand: Hand) -> IntakeResult:
        await hand.acknowledge()
        return await hand.begin()

    assert at_the_form(home, act, job=UNIT).recheck_of is None
    assert not (home / "records.sqlite").exists()


def journal(home: Path, serial: str, day: str, rehearsal: bool = False) -> None:
    tables = job()
    tables["unit"]["serial_number"] = serial
    head = {
        "format": "breakerbench-journal",
        "job": json.loads(json.dumps(tables)),
        "run_date": f"{day}T10:00:00+01:00",
        "rehearsal": {"scenario": "x", "seed": 1} if rehearsal else None,
    }
    JournalWriter(home / "journals" / f"{day.replace('-', '')}T090000Z-{serial}.capture", head).close()


def test_the_last_jobs_are_offered_newest_first_and_one_is_taken_over(home: Path) -> None:
    journal(home, "UNIT-1", "2026-03-01")
    journal(home, "UNIT-2", "2026-03-02")
    journal(home, "UNIT-3", "2026-03-03", rehearsal=True)
    (home / "journals" / "20260304T090000Z-broken.capture").write_bytes(b"nothing")

    async def act(hand: Hand) -> IntakeResult:
        text = await hand.until("Start from a job done before")
        assert text.index("UNIT-2 · 2026-03-02") < text.index("UNIT-1 · 2026-03-01")
        assert "UNIT-3" not in text
        await hand.go_to("UNIT-1")
        await hand.press("enter")
        await hand.until("▸ serial number UNIT-1")
        await hand.acknowledge()
        return await hand.begin()

    result = at_the_form(home, act)
    assert result.job == job_file.parse(job() | {"unit": job()["unit"] | {"serial_number": "UNIT-1"}}, "expected")
    assert result.started_from == "journal 20260301T090000Z-UNIT-1.capture"


def test_a_job_typed_before_is_offered_again(home: Path) -> None:
    given = job_file.parse(job(), "given")
    job_sources.save(given, home)
    (offer,) = job_sources.offers(home, home / "none.sqlite")
    assert (offer.job, offer.source) == (given, str(next((home / "jobs").iterdir())))


def test_another_job_of_the_same_serial_number_does_not_take_the_files_place(home: Path) -> None:
    first = job_file.parse(job(), "first")
    second = job_file.parse(job(breakers=2), "second")
    paths = [job_sources.save(j, home) for j in (first, second, first)]
    assert [p.name for p in paths] == ["TEST-1.toml", "TEST-1-2.toml", "TEST-1.toml"] or paths[0] == paths[2] != paths[
        1
    ]
    assert [job_file.load(p) for p in paths] == [first, second, first]


def test_a_job_file_that_cannot_be_written_is_told_and_the_job_goes_on(home: Path) -> None:
    home.mkdir()
    (home / "jobs").write_text("in the way", "utf-8")

    async def act(hand: Hand) -> IntakeResult:
        await unit(hand)
        await hand.acknowledge()
        return await hand.begin()

    result = at_the_form(home, act)
    assert result.saved_as is None
    assert "could not be kept as a file" in str(result.save_failure)


def test_escape_does_not_drop_what_was_typed_at_the_first_try(home: Path) -> None:
    async def act(hand: Hand) -> None:
        await hand.type("D")
        await hand.press("escape")
        assert "Esc once more leaves and drops what was typed" in hand.screen()
        await hand.type("E")
        await hand.press("escape")
        assert hand.app.results == []
        await hand.press("escape")
        assert hand.app.results == [None]

    at_the_form(home, act)


def test_a_rehearsal_says_so(home: Path) -> None:
    async def act(hand: Hand) -> None:
        assert "REHEARSAL on a simulated unit – not for record" in hand.screen()

    at_the_form(home, act, rehearsal=True)


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (1, 1)])
def test_keys_are_in_sight_and_no_size_breaks_it(home: Path, size: tuple[int, int]) -> None:
    async def act(hand: Hand) -> None:
        text = hand.screen()
        if size[0] >= 80:
            assert "f2 begin" in text
            assert "esc leave" in text
        await hand.press("D", "tab", "tab", "right", "f2")

    at_the_form(home, act, size=size)


def test_a_set_of_points_taken_out_leaves_nothing_that_counts_from_it(home: Path) -> None:
    given = job_file.load(SCENARIOS / "with-retard.job.toml")

    async def act(hand: Hand) -> IntakeResult:
        await hand.go_to("take this set of points out", nth=1)
        await hand.press("enter")
        # The last one stays.
        await hand.go_to("take this set of points out")
        await hand.press("enter")
        await hand.acknowledge()
        return await hand.begin()

    result = at_the_form(home, act, job=given)
    assert [b.name for b in result.job.breaker] == [given.breaker[0].name]


@pytest.mark.parametrize(
    ("text", "figure"),
    [
        *(("10", 10), ("-0.5", -0.5), ("2,5", 2.5), (".5", 0.5), ("1e-05", 1e-05)),
        *(("", ""), ("1_0", "1_0"), ("nan", "nan"), ("٣", "٣"), ("1 2", "1 2")),
    ],
)
def test_figures_as_they_are_typed(text: str, figure: object) -> None:
    assert number(text) == figure


def test_lists_of_figures() -> None:
    assert numbers("0, 0.8; -0.6  1") == [0, 0.8, -0.6, 1]


def test_every_rule_of_the_job_file_finds_its_field() -> None:
    wrong = [
        {"breaker": [{"name": "a", "channel": 0}, {"name": "a", "channel": 1}]},
        {"breaker": [{"name": "a", "channel": 0, "from": "b"}]},
        {"unit": job()["unit"] | {"poles": 3}},
        {"unit": job()["unit"] | {"cam": "compensated"}},
        {"difference": [{"between": ["main", "main"], "deg": 0, "minus_deg": 0, "plus_deg": 0}]},
        {"difference": [{"deg": 0, "minus_deg": 0, "plus_deg": 0}]},
        {"limits": {"reference": "x"}},
    ]
    found = [set(problems(job() | tables)) for tables in wrong]
    assert found == [
        {"breaker[1].name"},
        {"breaker[0].from"},
        {"unit.poles"},
        {"unit.cylinders"},
        {"difference[0].between"},
        {"difference[0].between"},
        {"limits.revision"},
    ]
