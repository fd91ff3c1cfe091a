"""The application: pulls the session's snapshot some times a second, draws it, and turns keys into presses, entries and steps."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from textual.app import App, ComposeResult
from textual.binding import Binding
from textual.driver import Driver
from textual.widgets import Footer

from bench.entries import skipped_entry
from bench.errors import BenchError
from bench.procedure import Step
from bench.run import Run
from bench.session import Session
from tui.check_form import AdjustmentForm
from tui.checks import Checks
from tui.intake import IntakeResult
from tui.job_screen import words
from tui.job_screen.conduct import Conduct
from tui.job_screen.debrief_screen import DebriefScreen
from tui.job_screen.desk import Desk
from tui.job_screen.dialogs import Choose, Question, Ways
from tui.job_screen.help import HelpScreen
from tui.job_screen.keys import Now, offered
from tui.job_screen.view import JobView

#: The journal is looked at so often; the figures are drawn so often, and at once when points open or close or the job goes on.
POLL_HZ = 30
REDRAW_HZ = 10
#: What the keys of the job itself do; the framework's own actions are not among them.
OWN_ACTIONS = frozenset(
    {
        "press",
        "lead",
        "adjustment",
        "checks",
        "end",
        "again",
        "recheck",
        "cue",
        "mend",
        "help",
        "leave",
        "act",
        "debrief",
        "page",
    }
)
#: A rehearsal's hand: degrees and degrees per second of each key.
SMALL_DEG, STEP_DEG, FAR_DEG = 0.1, 1.0, 15.0
POINTS_DEG = 0.1
TURN_DEG_S = 80.0


#: The framework's own.
LIGHT, DARK = "textual-light", "textual-dark"
#: Of the eight colours and their bright ones (ECMA-48, and what terminals made of it), those that are light.
LIGHT_COLOURS = frozenset({"7", "9", "10", "11", "12", "13", "14", "15"})


def _is_terminal() -> bool:
    """Whether keys come from a terminal that is there: of one that was closed the system says that it is none."""
    return sys.__stdin__ is not None and sys.__stdin__.isatty()


def on_light_ground(environment: Mapping[str, str]) -> bool:
    """Whether the terminal says that its ground is light: many put their colours' numbers into COLORFGBG, the ground's last."""
    return environment.get("COLORFGBG", "").rpartition(";")[2] in LIGHT_COLOURS


class JobScreen(App[None]):
    """Carries one job from intake to record."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS = [  # noqa: RUF012 - the framework declares it so
        Binding("space", "press", "press", priority=False),
        Binding("a", "lead('adjust')", "adjust"),
        Binding("n", "lead('neutral')", "neutral"),
        Binding("k", "adjustment", "entry"),
        Binding("c", "checks", "checks"),
        Binding("e", "end", "end"),
        Binding("r", "again", "begin again"),
        Binding("v", "recheck", "recheck"),
        Binding("b", "cue", "bell", show=False),
        Binding("m", "mend", "look, mend"),
        Binding("d", "debrief", "debrief"),
        Binding("question_mark", "help", "help"),
        Binding("q", "leave", "leave"),
        Binding("f4", "ground", show=False, priority=True),
        Binding("ctrl+c", "leave", "leave", show=False, priority=True),
        Binding("right", "act('turn', 1)", show=False),
        Binding("left", "act('turn', -1)", show=False),
        Binding("shift+right,full_stop", "act('small', 1)", show=False),
        Binding("shift+left,comma", "act('small', -1)", show=False),
        Binding("pagedown", "act('far', 1)", show=False),
        Binding("pageup", "act('far', -1)", show=False),
        Binding("t", "act('keep', 1)", show=False),
        Binding("h", "act('hold', 0)", show=False),
        Binding("g", "act('grip', 0)", show=False),
        Binding("l", "act('screws', 0)", show=False),
        Binding("up", "act('points', 1)", show=False),
        Binding("down", "act('points', -1)", show=False),
        Binding("tab", "act('other', 0)", show=False, priority=False),
        Binding("pagedown", "page(1)", "more", key_display="PgDn"),
        Binding("pageup", "page(-1)", show=False),
    ]

    def __init__(
        self,
        desk: Desk,
        ascii_only: bool = False,
        ways: Ways | None = None,
        driver: type[Driver] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """`clock`: by which it is told when the passes so far are judged anew."""
        super().__init__(driver_class=driver)
        self.theme = LIGHT if on_light_ground(os.environ) else DARK
        self._desk = desk
        self._ways = ways
        self._ascii_only = ascii_only
        self._view = JobView()
        self._conduct = Conduct(desk, clock)
        self._drawn_at = 0.0
        self._at_once: object = None
        self._bell = True
        self._said = ""
        self._heard = 0
        self._breaker = 0
        self._overflows = False
        self._on_terminal = False

    # --- beginning ---------------------------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        """The view and the key line."""
        yield self._view
        yield Footer()

    def on_mount(self) -> None:
        """Ask which way, where there are several; offer interrupted jobs, then the intake form, then begin."""
        self._on_terminal = not self.is_headless and _is_terminal()
        self.set_interval(1 / POLL_HZ, self._pull)
        if self._ways is None:
            self._offer()
        else:
            self.push_screen(Choose(self._ways.title, self._ways.choices), self._way_chosen)

    def _way_chosen(self, chosen: str | None) -> None:
        if chosen is None or self._ways is None:
            self.exit()
            return
        self._ways.chosen(chosen)
        self._offer()

    def _offer(self) -> None:
        waiting = self._desk.interrupted()
        if waiting:
            self.push_screen(
                Choose("Interrupted jobs: go on with one?", (*waiting, ("", "None of them: a new job"))),
                self._resume_chosen,
            )
        else:
            self._take_in()

    def _resume_chosen(self, chosen: str | None) -> None:
        if chosen:
            self._begin(None, chosen)
        else:
            self._take_in()

    def _take_in(self) -> None:
        form = self._desk.intake()
        if form is None:
            self._begin(None, None)
        else:
            self.push_screen(form, self._taken_in)

    def _taken_in(self, intake: IntakeResult | None) -> None:
        if intake is None:
            self.exit()
            return
        if intake.save_failure is not None:
            self._said = intake.save_failure
        self._begin(intake, None)

    def _begin(self, intake: IntakeResult | None, resume_id: str | None) -> None:
        try:
            self._conduct.begin(intake, resume_id)
        except BenchError as error:
            self._said = error.text
            self.push_screen(Question(f"{error.text} Try again?"), lambda yes: self._tried(yes, intake, resume_id))
            return
        self._taken()

    def _tried(self, yes: bool | None, intake: IntakeResult | None, resume_id: str | None) -> None:
        if not yes:
            self.exit()
        elif intake is not None or resume_id is not None:
            self._take_in()
        else:
            self._begin(intake, resume_id)

    def _taken(self) -> None:
        """A session begins."""
        self._heard = 0
        self.refresh_bindings()

    # --- pulling -----------------------------------------------------------------------------------------------------

    @property
    def session(self) -> Session | None:
        """The session now on the screen."""
        return self._conduct.session

    @property
    def session_ended(self) -> bool:
        """Whether it has ended, and its record is kept or refused."""
        return self._conduct.ended

    def _pull(self) -> None:
        if self._on_terminal and not _is_terminal():
            # Closed, and whoever began this has ignored the signal that tells of it: ended as by Control-C, it keeps what there is.
            self.exit()
            return
        session = self.session
        if session is None:
            return
        before = session.run.step, session.over, self.session_ended, session.run.link_lost
        self._conduct.poll()
        run = session.run
        if (run.step, session.over) != before[:2]:
            self._said = ""
        if (run.step, session.over, self.session_ended, run.link_lost) != before:
            self.refresh_bindings()
        self._cue(run)
        now = time.monotonic()
        at_once = (
            *(id(session), run.levels, run.step, session.over, self.session_ended),
            *(run.presses_taken, len(run.notes), run.link_lost),
        )
        if at_once == self._at_once and now - self._drawn_at < 0.9 / REDRAW_HZ:
            return
        self._at_once, self._drawn_at = at_once, now
        self._draw()
        unit, ended_now = self._desk.unit, self.session is session and self.session_ended and not before[2]
        if ended_now and run.failure is None and unit is not None and unit.state.can_look:
            self.action_debrief()

    def _draw(self) -> None:
        session = self.session
        try:
            state = self._conduct.show()
        except BenchError as error:
            self._said = error.text
            return
        if state is None:
            return
        if self.session is not session:
            self._taken()
        overflows = self._view.show(replace(state, bell=self._bell, said=self._said, ascii_only=self._ascii_only))
        if overflows != self._overflows:
            self._overflows = overflows
            self.refresh_bindings()

    def _cue(self, run: Run) -> None:
        """One short cue at each opening while points are set, so that eyes can stay on them."""
        heard = sum(f.change.edge.tick for t in run.epoch.traces for f in [*t.recent][-1:])
        if heard != self._heard:
            if self._bell and self._heard and run.step is Step.ADJUST:
                self.bell()
            self._heard = heard

    # --- keys --------------------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what can be done now."""
        session = self.session
        if len(self.screen_stack) > 1:
            # A form or a question lies over the job: its own keys count.
            return action not in OWN_ACTIONS or action == "leave"
        if session is None:
            return action != "recheck"
        run, unit = session.run, self._desk.unit
        acting = unit is not None and unit.state.acting
        now = Now(
            step=run.step,
            connected=run.hello is not None,
            over=session.over,
            failed=run.failure is not None,
            concluded=self.session_ended,
            simulated=unit is not None,
            acting=acting,
            can_look=unit is not None and bool(unit.places),
            overflows=self._overflows,
            link_lost=run.link_lost,
        )
        return offered(now, action, *(str(given) for given in parameters[:1]))

    def action_press(self) -> None:
        """The space bar stands in for the pedal."""
        if self._desk.unit is not None:
            self._desk.unit.act({"do": "press"})
        elif self.session is not None:
            self.session.press()

    def action_lead(self, step: str) -> None:
        """Back to an earlier step, once it is said what that makes void."""
        self.push_screen(Question(words.going_back(step)), lambda yes: self._led(yes, step))

    def _led(self, yes: bool | None, step: str) -> None:
        if yes and self.session is not None:
            self.session.lead(Step(step))

    def action_adjustment(self) -> None:
        """Enter a clearance, tension or torque. After the verification it makes that void."""
        session = self.session
        if session is None:
            return
        form = AdjustmentForm([b.name for b in session.run.job.breakers], self._desk.check_list.tools)
        self.push_screen(form, self._adjusted)

    def _adjusted(self, entry: dict[str, Any] | None) -> None:
        session = self.session
        if entry is None or session is None:
            return
        session.enter(entry)
        if session.run.step in (Step.VERIFY, Step.CHECKS):
            session.lead(Step.ADJUST)
            self._said = "A change after the final press: what was verified is void. Verify again."

    def action_checks(self) -> None:
        """The list of other checks."""
        session = self.session
        if session is not None:
            self.push_screen(Checks(self._desk.check_list, session.run.entries, session.enter))

    def action_end(self) -> None:
        """End the job and keep its record, if nothing stops it."""
        session = self.session
        if session is None:
            return
        stopped = self._conduct.stop_lines()
        if stopped:
            question = (
                f"{' '.join(stopped)} End all the same? The record then says that a step was skipped: not for record."
            )
            self.push_screen(Question(question), self._ended_all_the_same)
        else:
            session.lead(Step.DONE)

    def _ended_all_the_same(self, yes: bool | None) -> None:
        session = self.session
        if yes and session is not None:
            session.enter(skipped_entry("other checks"))
            session.lead(Step.DONE)

    def action_again(self) -> None:
        """The same job anew, after something was put right."""
        self._again(False)

    def action_recheck(self) -> None:
        """A second verify, linked to the record of the first."""
        self._again(True)

    def _again(self, recheck: bool) -> None:
        try:
            self._conduct.again(recheck)
        except BenchError as error:
            self._said = error.text
        else:
            self._taken()

    def action_cue(self) -> None:
        """The cue at each opening on or off."""
        self._bell = not self._bell
        self._said = f"The bell at each opening is {'on' if self._bell else 'off'}."

    def action_ground(self) -> None:
        """Dark letters on a light ground, or the other way round."""
        self.theme = DARK if self.theme == LIGHT else LIGHT

    def action_page(self, way: int) -> None:
        """The part of the step that does not fit."""
        self._view.page(way)

    def action_help(self) -> None:
        """What this step is about."""
        step = Step.SENSE if self.session is None else self.session.run.step
        unit = self._desk.unit
        self.push_screen(HelpScreen(step, unit is not None and unit.state.acting, () if unit is None else unit.sheet))

    def action_debrief(self) -> None:
        """What the rehearsal was about, against truth."""
        text = self._desk.debrief()
        if text:
            self.push_screen(DebriefScreen(text))

    def action_leave(self) -> None:
        """Leave; while a job is running, only after a question."""
        session = self.session
        if session is None or session.over:
            self.exit()
            return
        self.push_screen(
            Question("Leave now? What was read so far is kept, and the job can be resumed."),
            lambda yes: self._left(yes),
        )

    def _left(self, yes: bool | None) -> None:
        if yes:
            self.exit()

    # --- a rehearsal's hand ------------------------------------------------------------------------------------------

    def action_act(self, what: str, way: int) -> None:
        """One act of the hand on the simulated unit."""
        unit = self._desk.unit
        if unit is None:
            return
        breaker = unit.breakers[self._breaker % len(unit.breakers)]
        loose = breaker in unit.state.felt.loose
        if what == "other":
            self._breaker += 1
            self._said = f"Keys L, ↑ and ↓ now move {unit.breakers[self._breaker % len(unit.breakers)]}."
            return
        commands: dict[str, dict[str, Any]] = {
            "turn": {"do": "turn", "by_deg": STEP_DEG * way, "speed_deg_s": 10.0},
            "small": {"do": "turn", "by_deg": SMALL_DEG * way, "speed_deg_s": 2.0},
            "far": {"do": "turn", "by_deg": FAR_DEG * way, "speed_deg_s": 40.0},
            "keep": {"do": "keep_turning", "speed_deg_s": TURN_DEG_S * way},
            "hold": {"do": "hold"},
            "grip": {"do": "release" if unit.state.felt.held else "grip"},
            "screws": {"do": "tighten" if loose else "loosen", "breaker": breaker},
            "points": {"do": "points", "breaker": breaker, "by_deg": POINTS_DEG * way},
        }
        unit.act(commands[what])

    def action_mend(self) -> None:
        """Look somewhere on the unit, or mend something."""
        unit = self._desk.unit
        if unit is None:
            return
        choices = [(f"look {key}", f"look at: {title}") for key, title in unit.places]
        choices += [(f"mend {key}", f"do: {title}") for key, title in unit.mends]
        self.push_screen(Choose("Look and mend", tuple(choices)), self._mended)

    def _mended(self, chosen: str | None) -> None:
        unit = self._desk.unit
        if chosen and unit is not None:
            verb, key = chosen.split(" ", 1)
            unit.act({"do": "look", "at": key} if verb == "look" else {"do": "mend", "what": key})
