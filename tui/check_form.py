"""Forms for one of the manual's other checks, and for an adjustment. Each gives a journal's entry, or None if it was left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Footer, Input, Static

from bench import entries
from bench.records.model import Check, Tool
from tui.intake_fields import Choice, Field, Told, chosen, number, typed

#: What a person says of a check; the figure and its limits decide where there are both.
RESULTS = (
    (entries.NOT_DONE, "not done"),
    (entries.DONE, "as it should be"),
    (entries.OUTSIDE, "not as it should be"),
)
SHAPES = {
    entries.INSIDE: "✓ inside",
    entries.OUTSIDE: "✗ outside",
    entries.DONE: "✓ done",
    entries.NOT_DONE: "– not done",
}
_MOST_TOOLS = 8
_NEW = "new"


class EntryForm(ModalScreen[dict[str, Any] | None]):
    """What both forms share: figure, limits, tool, note."""

    DEFAULT_CSS = """
    EntryForm { align: center middle; background: $background; }
    EntryForm #box { width: 100%; max-width: 100; height: 100%; max-height: 30; background: $background; padding: 0 1; }
    EntryForm #title { height: auto; text-style: bold; }
    EntryForm #hint { height: auto; margin: 0 0 1 0; }
    EntryForm #say { height: auto; margin: 1 0 0 0; }
    """
    BINDINGS = [  # noqa: RUF012 - the framework declares it so
        Binding("f2", "keep", "keep", priority=True),
        Binding("ctrl+s", "keep", "keep", show=False, priority=True),
        Binding("tab", "app.focus_next", "next field"),
        Binding("shift+tab", "app.focus_previous", "field before", show=False),
        Binding("down", "app.focus_next", "next field", show=False),
        Binding("up", "app.focus_previous", "field before", show=False),
        Binding("escape", "leave", "leave"),
    ]

    def __init__(self, title: str, about: str, check: Check, tools: Sequence[Tool], today: date | None) -> None:
        super().__init__()
        self._title = title
        self._about = about
        self._today = date.today() if today is None else today
        self._tools = list(dict.fromkeys(tools))[:_MOST_TOOLS]
        self.value = typed("figure", "if there is one", id="value", most=30, value=_written(check.value))
        self.unit = typed("its unit", "mm, N, N·m, Ω …", id="unit", most=20, value=check.unit or "")
        self.lower = typed("at least", "from your manual", id="lower", most=30, value=_written(check.lower_limit))
        self.upper = typed("at most", "from your manual", id="upper", most=30, value=_written(check.upper_limit))
        self.tool = Field("tool", Choice(self._tool_options(), ""), id="tool")
        self.tool_name = typed("its name", id="tool-name")
        self.tool_serial = typed("its serial number", id="tool-serial")
        self.tool_due = typed("calibration due", "such as 2026-03-01", id="tool-due", most=10)
        self.note = typed("note", id="note", most=entries.MOST_NOTE, value=check.note or "")
        self._tried = False
        self._given_tool = check.tool

    def _tool_options(self) -> list[tuple[str, str]]:
        known = [
            (str(n), tool.name + (f" {tool.serial_number}" if tool.serial_number else ""))
            for n, tool in enumerate(self._tools)
        ]
        return [("", "none"), *known, (_NEW, "another")]

    def first_fields(self) -> Sequence[Field]:
        """Fields above those that both forms share."""
        return ()

    def last_fields(self) -> Sequence[Field]:
        """Fields below the figure and its limits."""
        return ()

    def compose(self) -> ComposeResult:
        """What it is about, the fields, what it comes to, the keys."""
        with VerticalScroll(id="box", can_focus=False):
            yield Static(self._title, id="title", markup=False)
            if self._about:
                yield Static(self._about, id="hint", markup=False)
            yield from self.first_fields()
            yield from (self.value, self.unit, self.lower, self.upper)
            yield from self.last_fields()
            yield from (self.tool, self.tool_name, self.tool_serial, self.tool_due, self.note)
            yield Told(id="say")
        yield Footer()

    def on_mount(self) -> None:
        """Show the tool that was used before."""
        if self._given_tool is not None:
            if self._given_tool in self._tools:
                self.tool.value = str(self._tools.index(self._given_tool))
            else:
                self.tool.value = _NEW
                self.tool_name.value = self._given_tool.name
                self.tool_serial.value = self._given_tool.serial_number or ""
                self.tool_due.value = self._given_tool.calibration_due or ""
        self._check()

    def on_input_changed(self, _: Input.Changed) -> None:
        """Something was typed."""
        self._check()

    def on_choice_changed(self, _: Choice.Changed) -> None:
        """Something was chosen."""
        self._check()

    def on_descendant_focus(self) -> None:
        """The field that was left is one that was reached."""
        self._check()

    def on_input_submitted(self, _: Input.Submitted) -> None:
        """Enter goes on to the next field."""
        self.focus_next()

    def on_choice_submitted(self, _: Choice.Submitted) -> None:
        """Enter goes on to the next field."""
        self.focus_next()

    def action_leave(self) -> None:
        """Nothing is entered."""
        self.dismiss(None)

    def action_keep(self) -> None:
        """Give the entry, or go to what keeps from it."""
        self._tried = True
        wrong = self.problems()
        if wrong:
            self._check()
            next(iter(wrong)).control.focus()
            return
        self.dismiss(self.entry())

    def entry(self) -> dict[str, Any]:
        """The journal's entry."""
        raise NotImplementedError

    def outcome(self) -> str:
        """What it comes to, in a line."""
        raise NotImplementedError

    def problems(self) -> dict[Field, str]:
        """Every field with what is wrong there."""
        found = {}
        for field in (self.value, self.lower, self.upper):
            figure = number(field.value)
            if field.value and (isinstance(figure, str) or abs(figure) > entries.MOST_FIGURE):
                found[field] = f"a figure was expected, not {field.value}"
        figures = self._figures()
        if not found and figures[1] is not None and figures[2] is not None and figures[1] > figures[2]:
            found[self.upper] = "the higher limit lies below the lower one"
        if any(f is not None for f in figures) and not self.unit.value:
            found[self.unit] = "a figure needs its unit; 1 for a plain number"
        if self.tool.value == _NEW and not self.tool_name.value:
            found[self.tool_name] = "the tool's name is needed, or choose none"
        if self.tool.value == _NEW and self.tool_due.value and self._due() is None:
            found[self.tool_due] = "a day was expected, written 2026-03-01 (year, month, day)"
        return found

    def _check(self) -> None:
        if not self.is_mounted:
            return
        for field in (self.tool_name, self.tool_serial, self.tool_due):
            field.display = self.tool.value == _NEW
        wrong = self.problems()
        for field in self.query(Field):
            words = wrong.get(field, "")
            field.tell("" if words and not (field.value or field.touched or self._tried) else words)
        if not wrong:
            overdue = self._overdue()
            if overdue:
                self.tool.tell("", overdue)
        self.query_one("#say", Told).tell(Text(self._say(wrong), "bold"))

    def _say(self, wrong: dict[Field, str]) -> str:
        if wrong:
            return f"○ Not to be kept yet: {', '.join(field.label for field in wrong)}."
        return f"{self.outcome()}. F2 keeps it."

    def _overdue(self) -> str:
        tool = self._chosen_tool()
        if tool is None or tool.calibration_due is None or date.fromisoformat(tool.calibration_due) >= self._today:
            return ""
        return f"▲ its calibration was due on {tool.calibration_due}: the record will be NOT FOR RECORD"

    def _figures(self) -> tuple[float | None, float | None, float | None]:
        found = [number(field.value) if field.value else None for field in (self.value, self.lower, self.upper)]
        value, lower, upper = (None if figure is None or isinstance(figure, str) else float(figure) for figure in found)
        return value, lower, upper

    def _due(self) -> date | None:
        try:
            return date.fromisoformat(self.tool_due.value)
        except ValueError:
            return None

    def _chosen_tool(self) -> Tool | None:
        if self.tool.value == _NEW:
            due = self._due()
            return Tool(self.tool_name.value, self.tool_serial.value or None, None if due is None else due.isoformat())
        return self._tools[int(self.tool.value)] if self.tool.value else None

    def measured(self, name: str) -> Check:
        """Figure, limits, tool and note as a check, without a verdict."""
        value, lower, upper = self._figures()
        tool, note = self._chosen_tool(), self.note.value or None
        return Check(name, value, self.unit.value or None, lower, upper, None, tool, note)


class CheckForm(EntryForm):
    """One check. `check` is the line as it stands; `named` False lets a new one be named and its hold on the job be chosen."""

    def __init__(
        self,
        check: Check,
        tools: Sequence[Tool],
        hint: str = "",
        needs_tool: bool = False,
        named: bool = True,
        today: date | None = None,
    ) -> None:
        title = f"Check: {check.name}" if named else "One more check"
        stops = "■ This stops the job until it is as it should be." if named and check.stops_job else ""
        told = "\n".join(line for line in (stops, f"· {hint}" if hint else "") if line)
        super().__init__(title, told, check, tools, today)
        self._line = check
        self._needs_tool = needs_tool
        self._named = named
        said = check.verdict if check.verdict in (entries.NOT_DONE, entries.OUTSIDE) else entries.DONE
        self.name_of = typed("name", id="name")
        self.stops = chosen("stops the job", ("no", "yes"), id="stops", value="no")
        self.result = Field("result", Choice(RESULTS, said), id="result")

    def on_mount(self) -> None:
        """Begin where something is to be said: at the figure only where the line has one."""
        super().on_mount()
        if self._named and self._line.unit is None:
            self.result.control.focus()

    def first_fields(self) -> Sequence[Field]:
        """A new line's name."""
        return () if self._named else (self.name_of, self.stops)

    def last_fields(self) -> Sequence[Field]:
        """What the person says of it."""
        return (self.result,)

    def on_input_changed(self, event: Input.Changed) -> None:
        """A figure that is typed means that it was done."""
        if event.input is self.value.control and self.value.value and self.result.value == entries.NOT_DONE:
            self.result.value = entries.DONE
        super().on_input_changed(event)

    def _verdict(self) -> str:
        return entries.verdict(*self._figures(), self.result.value)

    def problems(self) -> dict[Field, str]:
        """Those of every entry, and a tool where the manual asks for one."""
        found = super().problems()
        if not self._named and not self.name_of.value:
            found = {self.name_of: "a name is needed", **found}
        if self._needs_tool and not self.tool.value and self._verdict() != entries.NOT_DONE:
            found[self.tool] = "say which tool was used"
        return found

    def outcome(self) -> str:
        """The verdict, in shape and words."""
        found = SHAPES[self._verdict()]
        if self._line.stops_job and self._verdict() in (entries.OUTSIDE, entries.NOT_DONE):
            return f"{found} ■ stops the job"
        return found

    def entry(self) -> dict[str, Any]:
        """The journal's entry."""
        name = self._line.name if self._named else self.name_of.value
        stops = self._line.stops_job if self._named else self.stops.value == "yes"
        return entries.check_entry(replace(self.measured(name), verdict=self._verdict(), stops_job=stops))


class AdjustmentForm(EntryForm):
    """An adjustment of the points: what was done to which set, with figure, limits and tool."""

    def __init__(self, breakers: Sequence[str], tools: Sequence[Tool], today: date | None = None) -> None:
        super().__init__("Adjustment of the points", "", Check(""), tools, today)
        self.breaker = chosen("set of points", breakers, id="breaker", value=breakers[0] if breakers else None)
        self.what = chosen("what", entries.ADJUSTMENTS, id="what", value=entries.ADJUSTMENTS[0])

    def first_fields(self) -> Sequence[Field]:
        """Which set of points, and what was done to it."""
        return (self.breaker, self.what)

    def problems(self) -> dict[Field, str]:
        """Those of every entry, and what an adjustment cannot do without."""
        found = super().problems()
        if self.what.value in entries.WITH_FIGURE and not self.value.value:
            found[self.value] = f"the {self.what.value} as it is now"
        if self.what.value == entries.ADJUSTMENTS[-1] and not self.note.value:
            found[self.note] = "say what it was"
        return found

    def outcome(self) -> str:
        """Inside or outside where there are limits."""
        found = entries.verdict(*self._figures(), entries.DONE)
        return SHAPES[found] + ("" if found != entries.DONE else ", no limits given")

    def entry(self) -> dict[str, Any]:
        """The journal's entry."""
        return entries.adjustment_entry(self.breaker.value, self.what.value, self.measured(self.what.value))


def _written(value: float | None) -> str:
    return "" if value is None else repr(value).removesuffix(".0")
