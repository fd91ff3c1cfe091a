"""The job's screen without a terminal: the real application's keys and steps, its parts as text at 80 columns, time by the simulator.

Only what the framework does is left out: widgets, and dialogs lying over them. A dialog's text and answers stand in for it.
"""

from __future__ import annotations

import argparse
import functools
import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from rich.cells import cell_len
from rich.console import Console
from rich.text import Text
from textual import actions
from textual.binding import Binding

from bench import check_list, entries
from bench.bench_file import BenchFile
from bench.session import Session
from tests.rehearsal.session import SessionHere
from tests.rehearsal.unit import SimulatorHere
from tui.checks import Checks, checks_text
from tui.job_screen import drawing
from tui.job_screen.app import REDRAW_HZ, JobScreen
from tui.job_screen.debrief_screen import DebriefScreen
from tui.job_screen.dialogs import Choose, Question
from tui.job_screen.help import HelpScreen, help_text
from tui.job_screen.rehearsal_desk import RehearsalDesk
from tui.job_screen.simulated_unit import SimulatedUnit
from tui.job_screen.state import JobState

WIDTH, HEIGHT = 80, 24
#: While the player only waits, the screen is pulled less often, seconds.
LONG_PULL_S = 0.25
#: And the passes so far are judged so many times less often, which costs most of the rest.
JUDGED_LESS = 6
#: The view's measures, in lines: the panel has at least, what to do and what went wrong at most so many; the key line; empty lines.
LEAST_PANEL, MOST_DO, MOST_DO_ENDED, MOST_ALARM, KEY_LINE, MARGINS = 3, 8, 16, 7, 1, 2


class DeskHere(RehearsalDesk):
    """The rehearsal's desk with sessions of this process."""

    def __init__(self, simulator: SimulatorHere, unit: SimulatedUnit, options: argparse.Namespace) -> None:
        super().__init__(options, simulator, unit, followers_lifted=False)  # type: ignore[arg-type]
        self._here = simulator

    def _session(self, first: dict[str, Any], journal: Path, bench: BenchFile) -> Session:  # noqa: ARG002
        return SessionHere(first, journal, self._here)  # type: ignore[return-value]


class _Shown:
    """Stands where the view does: keeps what was shown last."""

    def __init__(self) -> None:
        self.state: JobState | None = None

    def show(self, state: JobState) -> bool:
        self.state = state
        return False


class _Application(JobScreen):
    """The application, with dialogs kept instead of shown."""

    def __init__(self, desk: DeskHere, clock: Callable[[], float]) -> None:
        super().__init__(desk, clock=clock)
        self._view = self.shown = _Shown()  # type: ignore[assignment]
        self.dialogs: list[tuple[Any, Callable[[Any], None] | None]] = []
        self.left = False

    @property
    def screen_stack(self) -> list[Any]:
        return [None, *self.dialogs]

    def push_screen(self, screen: Any, callback: Any = None, *_: Any, **__: Any) -> Any:  # type: ignore[override]
        self.dialogs.append((screen, callback))

    def refresh_bindings(self) -> None:
        pass

    def bell(self) -> None:
        pass

    def exit(self, *_: Any, **__: Any) -> None:
        self.left = True

    def begin(self) -> None:
        self._take_in()

    def pull(self) -> None:
        # The unit's time passes faster than the wall's, by which the application tells how long ago it drew.
        self._drawn_at = 0.0
        self._pull()

    def answer(self, given: Any) -> None:
        """The dialog on top is left with an answer."""
        _, callback = self.dialogs.pop()
        if callback is not None:
            callback(given)


class ScreenHere:
    """What a player has: `text` to read, `key` to press, `choose`, `say_done` and `wait`. Nothing else tells of the unit."""

    def __init__(self, scenario: str, seed: int) -> None:
        self._simulator = SimulatorHere(scenario, seed)
        names = tuple(b.name for b in self._simulator.scenario.breaker)
        self._unit = SimulatedUnit(self._simulator, names, watched=False, clock=self._clock)  # type: ignore[arg-type]
        options = argparse.Namespace(scenario=scenario, seed=seed, capture=None, record=False)
        self.desk = DeskHere(self._simulator, self._unit, options)
        self._drawn: tuple[JobState | None, str] = None, ""
        self._app = _Application(self.desk, lambda: self._clock() / JUDGED_LESS)
        self._app.begin()
        self._app.pull()
        self.wait(0.2)

    def _clock(self) -> float:
        return self._simulator.now_s

    # --- the player's ------------------------------------------------------------------------------------------------

    @property
    def seconds(self) -> float:
        """The clock on the wall."""
        return self._simulator.now_s

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        pull_s = 1 / REDRAW_HZ if seconds < 2 * LONG_PULL_S else LONG_PULL_S
        for _ in range(max(round(seconds / pull_s), 1)):
            self._simulator.advance(pull_s)
            self._app.pull()

    def text(self) -> str:
        """What can be read now: a dialog if there is one, or else the screen."""
        if self._app.dialogs:
            return _dialog_text(self._app.dialogs[-1][0], self.desk)
        state = self._app.shown.state
        assert state is not None
        if self._drawn[0] is not state:
            self._drawn = state, self._draw(state)
        return self._drawn[1]

    @staticmethod
    def _draw(state: JobState) -> str:
        """As high and as wide as the view lays it out on the smallest terminal; what has no room there is not read."""
        snap = state.snap
        live = snap.evaluation is None and snap.failure is None and not snap.link_lost
        above = [*(t.plain for t in (drawing.title(state), drawing.steps(state, WIDTH)))]
        above.append(_cut(drawing.do(state), MOST_DO if live else MOST_DO_ENDED))
        if live:
            above.append(_beside_each_other(drawing.figure(state), drawing.beside(state)))
        below = [_cut(drawing.felt(state), HEIGHT), _cut(drawing.alarm(state, WIDTH, low=True), MOST_ALARM)]
        taken = sum(len(_wrapped(t)) for t in (*above, *below)) + KEY_LINE + (MARGINS if live else MARGINS - 1)
        room = max(HEIGHT - taken, LEAST_PANEL)
        shown = _wrapped(drawing.panel(state, WIDTH, room).plain)[: room if snap.evaluation is None else None]
        return "\n".join([*above, *shown, *below])

    def key(self, key: str) -> None:
        """Press a key of the job's screen, or answer a dialog."""
        if self._app.dialogs:
            self._answer(key)
            return
        for binding in JobScreen.BINDINGS:
            assert isinstance(binding, Binding)
            if key in binding.key.split(","):
                _, name, given = actions.parse(binding.action)
                assert self._app.check_action(name, given), f"{key} does nothing now:\n{self.text()}"
                getattr(self._app, f"action_{name}")(*given)
                return
        raise AssertionError(f"there is no key {key}")

    def choose(self, title: str) -> None:
        """Choose a line of the list that is open."""
        dialog = self._app.dialogs[-1][0]
        assert isinstance(dialog, Choose)
        (key,) = [key for key, shown in dialog._choices if shown == title]
        self._app.answer(key)

    def say_done(self, name: str) -> None:
        """Fill a line of the list of checks: it is as it should be."""
        dialog = self._app.dialogs[-1][0]
        assert isinstance(dialog, Checks)
        (line,) = [line for line in self.desk.check_list.check if line.name == name]
        entry = entries.check_entry(replace(check_list.not_done(line), verdict=entries.DONE))
        dialog._entered.append(entry)
        dialog._enter(entry)

    @property
    def left(self) -> bool:
        """True once the player has left."""
        return self._app.left

    def _answer(self, key: str) -> None:
        dialog = self._app.dialogs[-1][0]
        answers: dict[str, object] = {"y": True, "n": False} if isinstance(dialog, Question) else {"escape": None}
        self._app.answer(answers[key])

    # --- the judge's -------------------------------------------------------------------------------------------------

    def truth(self) -> dict[str, Any]:
        """What the simulator knows; not for the player."""
        return self._simulator.last_truth()


def _dialog_text(dialog: Any, desk: DeskHere) -> str:
    if isinstance(dialog, DebriefScreen):
        return dialog.text
    if isinstance(dialog, Question):
        return f"{dialog._question}\n\nY yes    N no"
    if isinstance(dialog, Choose):
        return "\n".join([dialog._title, *(title for _, title in dialog._choices)])
    if isinstance(dialog, Checks):
        return checks_text(desk.check_list, dialog._entered).plain
    if isinstance(dialog, HelpScreen):
        return help_text(dialog._step, dialog._acting, dialog._sheet).plain
    raise AssertionError(f"the player knows no dialog like {dialog}")


@functools.lru_cache(256)
def _wrapped(text: str) -> list[str]:
    """As the view wraps it. Most parts of the screen are the same as a moment before."""
    if not text:
        return []
    lines = text.split("\n")
    if all(cell_len(line) <= WIDTH for line in lines):
        return lines
    console = Console(width=WIDTH, file=io.StringIO())
    return [line.plain for line in Text(text).wrap(console, WIDTH)]


def _cut(text: Text, lines: int) -> str:
    """As it is, if that takes no more than so many lines; or else those lines."""
    wrapped = _wrapped(text.plain)
    return text.plain if len(wrapped) <= lines else "\n".join(wrapped[:lines])


def _beside_each_other(figure: Text, beside: Text) -> str:
    """As high as the higher of both; the digits themselves are left to eyes."""
    rows = max(len(figure.plain.splitlines()), len(beside.plain.splitlines()))
    lines = beside.plain.splitlines()
    return "\n".join(lines + [""] * (rows - len(lines)))
