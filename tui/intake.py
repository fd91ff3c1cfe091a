"""Intake: what is to be measured, by whom, against which limits, and in which state the unit came.

The form knows no rules of its own about a job: what is typed goes through the job file's, key by key, while it is typed.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical, VerticalScroll
from textual.screen import Screen
from textual.timer import Timer
from textual.widgets import Footer, Input, Static

from bench import cautions, entries, job_file
from bench.errors import JobFileError
from bench.job_file import JobFile
from tui import job_sources, places
from tui.intake_fields import Act, Choice, Field, Told, number, typed
from tui.job_forms import BreakerPart, DifferencePart, LimitsPart, Part, UnitPart, problems
from tui.job_sources import Looked, Offer

CAUTIONS = cautions.ACKNOWLEDGED
#: Let a serial number be typed before the store is asked for it.
ASK_AFTER_S = 0.25
MOST_SETS = 8
#: More would not be read in a sentence.
_MOST_NAMED = 5
_YES, _NO = "yes", "no"
MEASURING_ONLY = "No limits: measuring only, and the verdict will be none."
COUPLING_FITTED = "An impulse coupling is fitted: it comes off, or its flyweights are secured as the manual permits, before this begins."
LEAVE = "▲ Leave the intake? Nothing has begun. Esc once more leaves and drops what was typed; any other key stays."


@dataclass(frozen=True, slots=True)
class IntakeResult:
    """What the form gives.

    `findings`: state as received, in the operator's words. `cautions`: those acknowledged. `started_from`: what the form was filled
    from (a path, "record ID", "journal NAME"), None if typed. `saved_as`: the job's file in the data folder; None if it is unchanged
    from its own file or could not be written, which `save_failure` then tells in a sentence.
    """

    job: JobFile
    operator: str | None
    service_hours: float | None
    recheck_of: str | None
    findings: tuple[str, ...]
    cautions: tuple[str, ...]
    started_from: str | None
    saved_as: Path | None = None
    save_failure: str | None = None

    def entries(self) -> tuple[dict[str, Any], ...]:
        """What the journal should hold of it before anything else."""
        return (*map(entries.caution_entry, self.cautions), *map(entries.finding_entry, self.findings))


class Intake(Screen[IntakeResult | None]):
    """The form. Its result is None if the person left it."""

    DEFAULT_CSS = """
    Intake { layout: vertical; }
    Intake #title { height: 1; background: $panel; text-style: bold; padding: 0 1; }
    Intake #say { height: auto; min-height: 2; max-height: 4; padding: 0 1; }
    Intake #form { height: 1fr; padding: 0 1; scrollbar-size-vertical: 1; }
    Intake #offers { height: auto; }
    Intake #sets, Intake #differences { height: auto; }
    Intake #history { height: auto; padding: 0 0 0 21; display: none; }
    Intake #recheck-that { margin: 0 0 0 19; display: none; }
    Intake .heading { height: 1; margin: 1 0 0 0; text-style: bold; }
    Intake #judged, Intake .caution { height: auto; padding: 0 0 0 2; }
    """
    BINDINGS = [  # noqa: RUF012 - the framework declares it so
        Binding("f2", "begin", "begin", priority=True),
        Binding("ctrl+s", "begin", "begin", show=False, priority=True),
        Binding("tab", "app.focus_next", "next field"),
        Binding("shift+tab", "app.focus_previous", "field before", show=False),
        Binding("down", "app.focus_next", "next field", show=False),
        Binding("up", "app.focus_previous", "field before", show=False),
        Binding("pagedown", "page(1)", "page", show=False),
        Binding("pageup", "page(-1)", "page", show=False),
        Binding("escape", "leave", "leave"),
    ]

    def __init__(
        self,
        job: JobFile | None = None,
        started_from: str | None = None,
        *,
        operator: str = "",
        service_hours: float | None = None,
        recheck_of: str = "",
        home: Path | None = None,
        store: str | Path | None = None,
        save: bool = True,
        rehearsal: bool = False,
    ) -> None:
        super().__init__()
        self._job = job
        self._started_from = started_from
        self._home = places.home() if home is None else home
        self._store = store
        self._save = save
        self._rehearsal = rehearsal
        self._unit = UnitPart()
        self._limits = LimitsPart()
        hours = "" if service_hours is None else repr(service_hours).removesuffix(".0")
        self._operator = typed("who works", "for the record", id="operator", value=operator)
        self._hours = typed("service hours", "of the unit, if known", id="hours", most=20, value=hours)
        self._recheck = typed(
            "recheck of record", "its id, if this is a recheck", id="recheck", most=40, value=recheck_of
        )
        self._received = typed(
            "state as received", "what you find, in your words", id="received", most=entries.MOST_NOTE
        )
        answers = [(_NO, "not yet"), (_YES, "read and understood")]
        self._cautions = [
            Field(f"caution {n}", Choice(answers, _NO), id=f"caution-{n}") for n in range(1, len(CAUTIONS) + 1)
        ]
        self._sets: list[BreakerPart] = []
        self._differences: list[DifferencePart] = []
        self._last_number = 0
        self._tried = False
        self._leaving = False
        self._changed = False
        self._looked = Looked("", "")
        self._ask: Timer | None = None
        self._begin_when_looked = False

    # What it looks like

    def compose(self) -> ComposeResult:
        """Title, what is to be done, the form, the keys."""
        title = "Intake: what is to be measured"
        if self._rehearsal:
            title = "REHEARSAL on a simulated unit – not for record · intake"
        yield Static(title, id="title", markup=False)
        yield Told(id="say")
        with VerticalScroll(id="form", can_focus=False):
            yield Vertical(id="offers")
            yield self._unit
            yield Told(id="history")
            yield Act("this is a recheck of that record", id="recheck-that")
            yield self._limits
            yield Told(id="judged")
            yield Vertical(id="sets")
            yield Act("one more set of points", id="add-set")
            yield Vertical(id="differences")
            yield Act("a difference between two sets of points (dual unit)", id="add-difference")
            yield Part(
                "This job",
                {
                    "operator": self._operator,
                    "hours": self._hours,
                    "recheck": self._recheck,
                    "received": self._received,
                },
            )
            yield Static("── Before anything is touched ──", classes="heading", markup=False)
            for text, field in zip(CAUTIONS, self._cautions, strict=True):
                yield Static(f"▲ {text}", classes="caution", markup=False)
                yield field
        yield Footer()

    async def on_mount(self) -> None:
        """Fill it, and see what can be offered."""
        if self._job is None:
            await self._add_set("main")
        else:
            await self._fill(self._job)
        self._check()
        self._changed = False
        (self._operator if self._job is not None else self._unit.fields["part_number"]).control.focus()
        self.run_worker(self._find_offers(), group="offers")
        self._ask_store()

    async def _find_offers(self) -> None:
        if self._job is not None:
            return
        found = await asyncio.to_thread(job_sources.offers, self._home, self._setting)
        if not found or not self.is_mounted:
            return
        place = self.query_one("#offers", Vertical)
        await place.mount(Static("── Start from a job done before ──", classes="heading", markup=False))
        await place.mount(*(_OfferAct(offer) for offer in found))
        if self.focused is not None:
            self.focused.scroll_visible(animate=False)

    @property
    def _setting(self) -> str | Path:
        return places.store_setting(places.bench_settings()) if self._store is None else self._store

    # Sets of points and differences come and go

    def _number(self) -> int:
        self._last_number += 1
        return self._last_number

    async def _add_set(self, name: str = "") -> BreakerPart:
        used = {one.fields["channel"].value for one in self._sets}
        free = next((n for n in range(MOST_SETS) if str(n) not in used), 0)
        part = BreakerPart(self._number(), name, free)
        self._sets.append(part)
        await self.query_one("#sets", Vertical).mount(part)
        return part

    async def _add_difference(self) -> DifferencePart:
        part = DifferencePart(self._number())
        self._differences.append(part)
        await self.query_one("#differences", Vertical).mount(part)
        return part

    async def _take_out(self, part: Part) -> None:
        if isinstance(part, BreakerPart):
            self._sets.remove(part)
        elif isinstance(part, DifferencePart):
            self._differences.remove(part)
        await part.remove()

    async def _fill(self, job: JobFile) -> None:
        for part in (*self._sets, *self._differences):
            await self._take_out(part)
        self._unit.fill(job.unit)
        self._limits.fill(job.limits)
        parts = [await self._add_set() for _ in job.breaker]
        numbers_of = {b.name: part.number for b, part in zip(job.breaker, parts, strict=True)}
        for breaker, part in zip(job.breaker, parts, strict=True):
            part.fill(breaker, numbers_of)
        for difference in job.difference:
            (await self._add_difference()).fill(difference, numbers_of)

    async def on_act_pressed(self, event: Act.Pressed) -> None:
        """One of the actions of the form."""
        event.stop()
        act = event.act
        if isinstance(act, _OfferAct):
            self._started_from = act.offer.source
            self._job = act.offer.job
            await self._fill(act.offer.job)
            self._unit.fields["serial_number"].control.focus()
        elif act.id == "add-set":
            if len(self._sets) < MOST_SETS:
                (await self._add_set()).fields["name"].control.focus()
        elif act.id == "add-difference":
            if len(self._differences) < MOST_SETS:
                (await self._add_difference()).fields["first"].control.focus()
        elif act.id == "recheck-that" and self._looked.known is not None:
            self._recheck.value = self._looked.known.record_id
            self._limits.fields["reference"].control.focus()
        elif isinstance(act.parent, DifferencePart):
            self.query_one("#add-difference").focus()
            await self._take_out(act.parent)
        elif isinstance(act.parent, BreakerPart) and len(self._sets) > 1:
            self.query_one("#add-set").focus()
            await self._take_out(act.parent)
        self._changed = True
        self._check()

    # What was typed, and what is wrong with it

    def _tables(self) -> dict[str, Any]:
        sets = self._sets
        compensated = self._unit.fields["cam"].value == "compensated"
        names = {one.number: one.fields["name"].value for one in sets}
        limits = self._limits.table()
        return {
            "unit": self._unit.table(),
            **({} if limits is None else {"limits": limits}),
            "breaker": [one.table(names, compensated) for one in sets],
            "difference": [one.table(names) for one in self._differences],
        }

    def _problems(self) -> list[tuple[Field, str]]:
        """Every field with what is wrong there, in the order of the form."""
        found: dict[Field, str] = {}
        for key, words in problems(self._tables()).items():
            found.setdefault(self._field_of(key), words)
        hours = self._service_hours()
        if isinstance(hours, str):
            found[self._hours] = f"hours from 0 were expected, not {hours}"
        if self._recheck.value and self._looked.recheck_problem and self._is_looked_up():
            found[self._recheck] = self._looked.recheck_problem
        for field in self._cautions:
            if field.value != _YES:
                found[field] = "to be read and acknowledged"
        return [(field, found[field]) for field in self._fields() if field in found]

    def _field_of(self, key: str) -> Field:
        """The field that shows a problem with a key of the job file."""
        table, _, name = key.rpartition(".")
        where, _, place = table.partition("[")
        if where == "breaker":
            return self._sets[int(place.rstrip("]"))].fields[name]
        if where == "difference":
            return self._differences[int(place.rstrip("]"))].field_of(name)
        return (self._unit if where == "unit" else self._limits).fields[name]

    def _fields(self) -> Iterator[Field]:
        """All fields, in the order of the form."""
        for part in (self._unit, self._limits, *self._sets, *self._differences):
            yield from part.fields.values()
        yield from (self._operator, self._hours, self._recheck, self._received, *self._cautions)

    def _service_hours(self) -> float | str | None:
        text = self._hours.value
        if not text:
            return None
        hours = number(text)
        return text if isinstance(hours, str) or not 0 <= hours < 1e6 else float(hours)

    def _check(self) -> None:
        """Look through the whole form, and say what is still needed."""
        if not self.is_mounted:
            return
        sets = self._sets
        compensated = self._unit.fields["cam"].value == "compensated"
        for one in sets:
            one.offer_references(sets, compensated)
        for difference in self._differences:
            difference.offer_sets(sets)
        self.query_one("#add-difference").display = len(sets) > 1
        wrong = self._problems()
        told = dict(wrong)
        hints = {self._unit.fields[key]: hint for key, hint in self._unit.hints().items()}
        for field in self._fields():
            words = told.get(field, "")
            if words and not field.value and not field.touched and not self._tried:
                # Not reached yet; the line at the top names it.
                words = ""
            field.tell(words, hints.get(field, ""))
        self._show_what_it_is_judged_by()
        self._show_history()
        self.query_one("#say", Told).tell(self._say(wrong))

    def _show_what_it_is_judged_by(self) -> None:
        judged = self.query_one("#judged", Told)
        limits = self._limits.table()
        if limits is None and not self._is_limited():
            judged.tell(Text(f"– {MEASURING_ONLY}"))
        elif not self._is_limited():
            judged.tell(Text("– No target at any set of points: measuring only, and the verdict will be none."))
        else:
            judged.tell(Text("· The angles are judged against these limits. The program brings none of its own."))

    def _is_limited(self) -> bool:
        return bool(self._differences) or any(one.fields["opens_at_deg"].value for one in self._sets)

    def _show_history(self) -> None:
        known = self._looked.known
        shown = known is not None and self._looked.serial_number == self._unit.fields["serial_number"].value
        line, act = self.query_one("#history", Told), self.query_one("#recheck-that", Act)
        line.display = shown
        act.display = shown and known is not None and self._recheck.value != known.record_id
        if known is not None:
            line.tell(Text(f"◷ known here: as left on {known.day} {known.as_left}, record {known.record_id}"))

    def _say(self, wrong: list[tuple[Field, str]]) -> Text:
        if self._leaving:
            return Text(LEAVE, "bold")
        if self._unit.fields["impulse_coupling"].value == "fitted":
            return Text(f"✗ Cannot begin. {COUPLING_FITTED}", "bold")
        if not wrong:
            if self._begin_when_looked:
                return Text("… Asking the store about the record to be rechecked.")
            limits = "" if self._is_limited() else f" {MEASURING_ONLY}"
            return Text(f"✓ Ready: F2 begins.{limits}", "bold")
        empty = [field for field, _ in wrong if not field.value or field in self._cautions]
        typed_wrong = [field for field, _ in wrong if field not in empty]
        if typed_wrong:
            return Text(f"✗ Cannot begin yet. Put right: {_named(typed_wrong)}.", "bold")
        return Text(f"○ Fill in the form. Still needed: {_named(empty)}.")

    # The store, asked beside

    def _asked(self) -> tuple[str, str]:
        return self._unit.fields["serial_number"].value, self._recheck.value

    def _is_looked_up(self) -> bool:
        return (self._looked.serial_number, self._looked.asked_of) == self._asked()

    def _ask_store(self) -> None:
        if self._ask is not None:
            self._ask.stop()
        self._ask = self.set_timer(ASK_AFTER_S, lambda: self.run_worker(self._look_up(), exclusive=True, group="store"))

    async def _look_up(self) -> None:
        serial_number, record = self._asked()
        looked = await asyncio.to_thread(job_sources.look_up, self._setting, serial_number, record)
        if not self.is_mounted:
            return
        self._looked = looked
        self._check()
        if self._begin_when_looked and self._is_looked_up():
            self.action_begin()

    # Keys

    def on_input_changed(self, _: Input.Changed) -> None:
        """Something was typed."""
        self._on_change()

    def on_choice_changed(self, _: Choice.Changed) -> None:
        """Something was chosen."""
        self._on_change()

    def _on_change(self) -> None:
        self._changed = True
        self._leaving = False
        self._begin_when_looked = False
        if not self._is_looked_up():
            self._ask_store()
        self._check()

    def on_descendant_focus(self) -> None:
        """The field that was left is one that was reached."""
        self._leaving = False
        self._check()

    def on_input_submitted(self, _: Input.Submitted) -> None:
        """Enter goes on to the next field."""
        self.focus_next()

    def on_choice_submitted(self, _: Choice.Submitted) -> None:
        """Enter goes on to the next field."""
        self.focus_next()

    def action_page(self, by: int) -> None:
        """Look further down or up."""
        form = self.query_one("#form", VerticalScroll)
        form.scroll_relative(y=by * max(form.size.height - 2, 1), animate=False)

    def action_leave(self) -> None:
        """Leave; what was typed is not dropped at the first try."""
        if self._leaving or not self._changed:
            self.dismiss(None)
            return
        self._leaving = True
        self._check()

    def action_begin(self) -> None:
        """Give the result, or go to the first thing that keeps from it."""
        self._tried = True
        self._leaving = False
        wrong = self._problems()
        if wrong:
            self._begin_when_looked = False
            self._check()
            wrong[0][0].control.focus()
            return
        if self._recheck.value and not self._is_looked_up():
            self._begin_when_looked = True
            self._check()
            return
        try:
            job = job_file.parse(self._tables(), "this form")
        except JobFileError as failure:
            self.query_one("#say", Told).tell(Text(f"✗ {failure.text}", "bold"))
            return
        self.dismiss(self._result(job))

    def _result(self, job: JobFile) -> IntakeResult:
        saved, failure = None, None
        unchanged = job == self._job and self._started_from is not None and Path(self._started_from).is_file()
        if self._save and not unchanged:
            try:
                saved = job_sources.save(job, self._home)
            except OSError as trouble:
                failure = f"The job could not be kept as a file ({trouble.strerror or trouble}); its journal holds it all the same."
        hours = self._service_hours()
        return IntakeResult(
            job=job,
            operator=self._operator.value or None,
            service_hours=hours if isinstance(hours, float) else None,
            recheck_of=self._looked.recheck_of if self._recheck.value else None,
            findings=(self._received.value,) if self._received.value else (),
            cautions=CAUTIONS,
            started_from=self._started_from,
            saved_as=saved,
            save_failure=failure,
        )


class _OfferAct(Act):
    """A job done before, to start from."""

    def __init__(self, offer: Offer) -> None:
        unit = offer.job.unit
        super().__init__(f"{unit.part_number} · {unit.serial_number} · {offer.day}")
        self.offer = offer


def _named(fields: list[Field]) -> str:
    names = list(dict.fromkeys(field.label for field in fields))
    more = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
