"""The manual's other checks as a list: what is done, what is not, what stops the job. Each line that is filled is entered at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Footer, Static

from bench import check_list as lists
from bench import entries
from bench.check_list import CheckList, CheckTable
from bench.records.model import Check, Tool
from tui.check_form import SHAPES, CheckForm
from tui.intake_fields import Act, Told

_NAME_WIDTH = 36


def line_text(check: Check) -> Text:
    """One check on a line: its state in shape and word, its name, what it says, and whether it stops the job."""
    text = Text(f"{SHAPES[check.verdict or entries.NOT_DONE]:<10}  ")
    stops = check.stops_job and check.verdict in (entries.NOT_DONE, entries.OUTSIDE)
    unit = f" {check.unit}" if check.unit else ""
    limits = entries.limits_text(check.lower_limit, check.upper_limit)
    parts = [] if check.value is None else [f"{check.value:g}{unit}"]
    parts += [f"{limits}{unit}"] if limits else []
    parts += ["■ stops the job"] if stops else []
    text.append(f"{check.name:<{_NAME_WIDTH}}" if parts else check.name, "bold" if stops else "")
    text.append("  " + ", ".join(parts) if parts else "")
    return text


def checks_text(check_list: CheckList, entered: Sequence[Mapping[str, Any]]) -> Text:
    """The whole list as it stands, a line each."""
    return Text("\n").join(line_text(check) for check in lists.state(check_list, entered))


class _Line(Act):
    """A check that can be filled."""

    DEFAULT_CSS = "_Line { width: 100%; height: auto; }"

    def __init__(self, check: Check) -> None:
        super().__init__(check.name)
        self.check = check

    def said(self) -> Text:
        """Its state."""
        return line_text(self.check)

    def show(self, check: Check) -> None:
        """It stands otherwise now."""
        self.check = check
        self._draw(self.has_focus)


class Checks(ModalScreen[None]):
    """The list. `entered`: the journal's entries so far; `enter` is given each further one, to be written there.

    When it opens, the lines that stop the job are entered as not done, so that a record knows of them whatever happens next.
    """

    DEFAULT_CSS = """
    Checks { layout: vertical; background: $background; }
    Checks #title { height: 1; background: $panel; text-style: bold; padding: 0 1; }
    Checks #say { height: auto; max-height: 5; padding: 0 1; }
    Checks #list { height: 1fr; margin: 1 0 0 0; padding: 0 1; scrollbar-size-vertical: 1; }
    Checks #add { margin: 1 0 0 0; }
    """
    BINDINGS = [  # noqa: RUF012 - the framework declares it so
        Binding("down,tab", "app.focus_next", "next", key_display="↓"),
        Binding("up,shift+tab", "app.focus_previous", "one before", show=False),
        Binding("a", "add", "add a check"),
        Binding("escape", "leave", "leave"),
    ]

    def __init__(
        self,
        check_list: CheckList,
        entered: Sequence[Mapping[str, Any]],
        enter: Callable[[dict[str, Any]], None],
        today: date | None = None,
    ) -> None:
        super().__init__()
        self._list = check_list
        self._lines = {line.name: line for line in check_list.check}
        self._entered: list[Mapping[str, Any]] = list(entered)
        self._enter = enter
        self._today = today

    def compose(self) -> ComposeResult:
        """What is still open, the list, the keys."""
        yield Static("Other checks: what your manual asks for besides the angle", id="title", markup=False)
        yield Told(id="say")
        with VerticalScroll(id="list", can_focus=False):
            for check in lists.state(self._list, self._entered):
                yield _Line(check)
            yield Act("add a check", id="add")
        yield Footer()

    def on_mount(self) -> None:
        """Enter what a record must know of in any case."""
        for entry in lists.first_entries(self._list, self._entered):
            self._keep(entry)
        self._show()
        self.query(_Line).first().focus()

    def _keep(self, entry: dict[str, Any]) -> None:
        self._entered.append(entry)
        self._enter(entry)

    def _show(self) -> None:
        rows = {row.check.name: row for row in self.query(_Line)}
        for check in lists.state(self._list, self._entered):
            if check.name in rows:
                rows[check.name].show(check)
            else:
                self.query_one("#list", VerticalScroll).mount(_Line(check), before="#add")
        wrong = lists.open_lines(self._list, self._entered)
        said = [f"■ {sentence}" for sentence in wrong] or ["✓ Nothing here stops the job. Esc goes back to it."]
        self.query_one("#say", Told).tell(Text("\n".join(said), "bold"))

    def _tools(self) -> Sequence[Tool]:
        return (*self._list.tools, *entries.of_journal(self._entered).tools)

    def on_act_pressed(self, event: Act.Pressed) -> None:
        """Fill a line, or add one."""
        event.stop()
        if isinstance(event.act, _Line):
            self._fill(event.act.check)
        else:
            self.action_add()

    def _fill(self, check: Check) -> None:
        line = self._lines.get(check.name)
        tools = self._tools()
        if line is None:
            form = CheckForm(check, tools, today=self._today)
        else:
            form = CheckForm(self._with_limits(check, line), tools, line.hint or "", line.needs_tool, today=self._today)
        self.app.push_screen(form, self._filled)

    @staticmethod
    def _with_limits(check: Check, line: CheckTable) -> Check:
        """A line that was never filled has the list's unit and limits; one that was, its own."""
        return check if check.verdict != entries.NOT_DONE else lists.not_done(line)

    def _filled(self, entry: dict[str, Any] | None) -> None:
        if entry is not None:
            self._keep(entry)
            self._show()

    def action_add(self) -> None:
        """A check that the list does not have."""
        new = Check("", verdict=entries.DONE)
        self.app.push_screen(CheckForm(new, self._tools(), named=False, today=self._today), self._filled)

    def action_leave(self) -> None:
        """Back to the job."""
        self.dismiss(None)
