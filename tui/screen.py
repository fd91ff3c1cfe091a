"""The small screen: live angle, the points, the step, and at the end what was found. It only draws snapshots."""

from __future__ import annotations

from rich.text import Text
from textual.app import App, ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Digits, Footer, Static

from bench.evaluation import Evaluation, OpeningResult
from bench.neutral import LEAST_PER_SIDE
from bench.procedure import Step
from bench.session import Session
from bench.snapshot import Snapshot, snapshot
from bench.verdict import Verdict
from tui.words import GUIDED_STEPS, STEP_WORDS, STEPS

REDRAW_HZ = 15
VERDICT_WORDS = {
    Verdict.INSIDE: "✓ INSIDE",
    Verdict.OUTSIDE: "✗ OUTSIDE",
    Verdict.UNDECIDED: "? UNDECIDED",
    Verdict.NONE: "– no limits",
}
VERDICT_STYLES = {
    Verdict.INSIDE: "bold green",
    Verdict.OUTSIDE: "bold red",
    Verdict.UNDECIDED: "bold yellow",
    Verdict.NONE: "",
}
COUNTS_FROM = {
    "neutral": "past neutral",
    "mark": "past the angle mark",
    "lobe mark": "past the No. 1 lobe's mark",
    "start": "from where it started",
}
#: As many lobes have their passes shown one by one on a line of 80 characters.
LOBES_ON_A_LINE = 8


def counts_from(view: Snapshot) -> str:
    """What the live angle counts from, in words."""
    words = COUNTS_FROM[view.angle_from]
    return f"{words} {view.angle_place}" if view.angle_from == "neutral" else words


def steps_line(view: Snapshot) -> Text:
    """Which step the job is in: done ones ticked, the present one in brackets."""
    line = Text()
    steps = GUIDED_STEPS if view.guided else STEPS
    shown = [s for s in steps if s is not Step.MARKS or view.step is Step.MARKS]
    at = shown.index(view.step)
    for place, step in enumerate(shown):
        word = STEP_WORDS[step]
        if place:
            line.append("  ›  ")
        if place < at:
            line.append(f"✓ {word}", "dim")
        elif place == at:
            line.append(f"[ {word} ]", "bold reverse")
        else:
            line.append(word, "dim")
    return line


def points_text(view: Snapshot) -> Text:
    """One line per set of points: state in shape and word, passes per lobe, last opening."""
    text = Text()
    for place, points in enumerate(view.points):
        if place:
            text.append("\n")
        state, style = ("◇ OPEN  ", "bold yellow") if points.is_open else ("◆ CLOSED", "bold cyan")
        if not view.live:
            state, style = "· unknown", "dim"
        text.append(f"{points.name:<12.12} ")
        text.append(state, style)
        text.append(f"  {_passes_done(points.passes, view.passes_wanted)}")
        if points.last_opening_deg is not None:
            text.append(f"  last {points.last_opening_deg:.2f}°")
    return text


def _passes_done(passes: tuple[int, ...], wanted: int) -> str:
    if len(passes) <= LOBES_ON_A_LINE:
        return "passes per lobe " + " ".join(f"{min(n, 999)}/{wanted}" for n in passes)
    short = sum(n < wanted for n in passes)
    done = sum(min(n, wanted) for n in passes)
    return f"passes {done}/{wanted * len(passes)}, {short} of {len(passes)} lobes short"


def neutral_text(view: Snapshot) -> Text:
    """How far neutral is found."""
    text = Text("neutral pressed: ")
    for place, (n, how) in enumerate(zip(view.presses, ("coming up", "coming back"), strict=True)):
        text.append(f"{', ' if place else ''}{n} {how}")
        if n < LEAST_PER_SIDE:
            text.append(f" (of {LEAST_PER_SIDE})")
    text.append(f" · rests {view.rests}")
    return text


def result_text(evaluation: Evaluation) -> Text:
    """Each breaker's opening angle against its target, with uncertainty and verdict."""
    text = Text()
    for breaker in evaluation.breakers:
        reference = str(breaker.breaker.reference)
        text.append(f"{breaker.breaker.name}, degrees from {reference}\n", "bold")
        for opening in breaker.openings:
            text.append(f"  lobe {opening.mean.lobe}  {_figure(opening)}  ")
            text.append(VERDICT_WORDS[opening.verdict], VERDICT_STYLES[opening.verdict])
            text.append("\n")
    for difference in evaluation.differences:
        tolerance, angle = difference.difference.tolerance, difference.angle
        text.append(
            f"{difference.difference.second} after {difference.difference.first}, lobe {difference.lobe}  "
            f"{angle.value_deg:.2f}° ± {angle.budget.expanded_uncertainty_deg:.2f}°  target {tolerance.target_deg:g}° "
            f"({tolerance.lower_deg:g}° to {tolerance.upper_deg:g}°)  "
        )
        text.append(VERDICT_WORDS[difference.verdict], VERDICT_STYLES[difference.verdict])
        text.append("\n")
    for _, note in evaluation.notes:
        text.append(f"! {note}\n", "yellow")
    text.rstrip()
    return text


def _figure(opening: OpeningResult) -> str:
    if opening.angle is None:
        return "no reference to count from"
    figure = f"{opening.angle.value_deg:6.2f}° ± {opening.angle.budget.expanded_uncertainty_deg:.2f}°"
    if opening.tolerance is None:
        return figure
    limits = opening.tolerance
    return f"{figure}  target {limits.target_deg:g}° ({limits.lower_deg:g}° to {limits.upper_deg:g}°)"


class View(Vertical):
    """Draws one snapshot; knows nothing of sessions."""

    DEFAULT_CSS = """
    View { height: 1fr; }
    View #title { height: 1; background: $panel; text-style: bold; }
    View #steps { height: 1; margin-top: 1; }
    View #say { height: auto; min-height: 2; max-height: 3; margin: 1 0 0 0; }
    View #live { height: 3; margin: 1 0 0 0; }
    View #angle { width: 30; }
    View #beside { height: 3; padding: 1 0 0 1; }
    View #points { height: auto; max-height: 8; margin: 1 0 0 0; }
    View #neutral { height: 1; }
    View #more { height: 1fr; margin: 1 0 0 0; }
    View #told { height: auto; }
    """

    def __init__(self, title: str) -> None:
        super().__init__()
        self._title = title

    def compose(self) -> ComposeResult:
        """Widgets from top to bottom."""
        yield Static(Text(self._title), id="title")
        yield Static(id="steps")
        yield Static(id="say")
        with Horizontal(id="live"):
            yield Digits("", id="angle")
            yield Static(id="beside")
        yield Static(id="points")
        yield Static(id="neutral")
        with VerticalScroll(id="more"):
            yield Static(id="told")

    def show(self, view: Snapshot) -> None:
        """Draw `view`."""
        # Once there is a result, it gets the room that the live part had.
        for part in ("#live", "#points", "#neutral"):
            self.query_one(part).display = view.evaluation is None
        title = self._title
        if view.simulated and "not for record" not in title:
            title += " on a SIMULATED board – not for record"
        self.query_one("#title", Static).update(Text(title))
        self.query_one("#steps", Static).update(steps_line(view))
        if view.failure is not None:
            say = Text("✗ No valid measurement. " + view.failure.text, "bold red")
        elif not view.connected:
            say = Text("Connecting to the board …")
        else:
            say = Text(view.instruction)
        self.query_one("#say", Static).update(say)
        shown = view.live and view.angle_deg is not None
        self.query_one("#angle", Digits).update(f"{view.angle_deg:.2f}°" if shown else "---")
        beside = f"{counts_from(view)}\nturning at {view.speed_deg_s:.0f}°/s" if view.live else "not connected"
        self.query_one("#beside", Static).update(Text(beside))
        self.query_one("#points", Static).update(points_text(view))
        self.query_one("#neutral", Static).update(neutral_text(view))
        told = Text()
        if view.caution and view.failure is None:
            told.append(f"▲ Caution. {view.caution}\n", "bold")
        if view.evaluation is not None:
            told.append_text(result_text(view.evaluation))
            told.append("\n")
        if view.advice is not None:
            told.append(f"→ {view.advice}\n")
        for note in view.notes:
            told.append(f"! {note}\n", "yellow")
        told.rstrip()
        self.query_one("#told", Static).update(told)


class MeasuringScreen(App[None]):
    """The application: pulls the session's snapshot a few times a second and draws it."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS = [  # noqa: RUF012 - the framework declares it so
        Binding("space", "press", "press: here, now"),
        Binding("q", "quit", "leave"),
        Binding("ctrl+c", "quit", "leave", show=False, priority=True),
    ]

    def __init__(self, session: Session, title: str, can_press: bool = True) -> None:
        super().__init__()
        self._session = session
        self._can_press = can_press
        self._view = View(title)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:  # noqa: ARG002
        """A press is offered only where there is a hand to press, and something left to press for."""
        return action != "press" or (self._can_press and not self._session.over)

    def compose(self) -> ComposeResult:
        """The view and the key line."""
        yield self._view
        yield Footer()

    def on_mount(self) -> None:
        """Begin to pull."""
        self.set_interval(1 / REDRAW_HZ, self._pull)

    def _pull(self) -> None:
        if not self._session.over:
            self._session.poll(0)
            if self._session.over:
                self.refresh_bindings()
        else:
            self._session.end()
        self._view.show(snapshot(self._session.run))

    def action_press(self) -> None:
        """The space bar stands in for the pedal."""
        self._session.press()
