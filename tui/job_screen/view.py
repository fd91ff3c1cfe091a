"""The parts of the screen from top to bottom; each is drawn anew only when its text has changed."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Static

from tui.job_screen import drawing
from tui.job_screen.state import JobState

#: From this size on the figures are twice as large.
WIDE, HIGH = 116, 36


class JobView(Vertical):
    """Draws one state; knows nothing of sessions."""

    DEFAULT_CSS = """
    JobView { height: 1fr; }
    JobView Static { height: auto; }
    JobView #title { background: $panel; }
    JobView #do { margin: 1 0 0 0; max-height: 8; }
    JobView #live { height: auto; margin: 1 0 0 0; }
    JobView #figure { width: auto; min-width: 46; }
    JobView #beside { width: 1fr; padding: 0 0 0 2; }
    JobView #panel-room { height: 1fr; min-height: 3; margin: 1 0 0 0; }
    JobView #felt { background: $panel; }
    JobView #alarm { max-height: 7; }
    """
    PARTS = ("title", "steps", "do", "figure", "beside", "panel", "felt", "alarm")

    def __init__(self) -> None:
        super().__init__()
        self._drawn: dict[str, Text] = {}
        self._state: JobState | None = None

    def compose(self) -> ComposeResult:
        """Widgets from top to bottom."""
        yield Static(id="title")
        yield Static(id="steps")
        yield Static(id="do")
        with Horizontal(id="live"):
            yield Static(id="figure")
            yield Static(id="beside")
        with VerticalScroll(id="panel-room", can_focus=False):
            yield Static(id="panel")
        yield Static(id="felt")
        yield Static(id="alarm")

    def on_resize(self) -> None:
        """Draw for the new size."""
        if self._state is not None:
            self.show(self._state)

    def show(self, state: JobState) -> None:
        """Draw `state`."""
        self._state = state
        width = max(self.size.width, 1)
        wide = width >= WIDE and self.size.height >= HIGH
        room = self.query_one("#panel-room")
        # Once there is a result, it gets the room that the live part had.
        live = state.snap.evaluation is None
        self._part("title", drawing.title(state))
        self._part("steps", drawing.steps(state, width))
        self._part("do", drawing.do(state))
        self.query_one("#live").display = live
        if live:
            self._part("figure", drawing.figure(state, 2 if wide else 1))
            self._part("beside", drawing.beside(state))
        self._part("panel", drawing.panel(state, width, max(room.size.height, 1)))
        self._part("felt", drawing.felt(state))
        self._part("alarm", drawing.alarm(state))

    def _part(self, name: str, text: Text) -> None:
        known = self._drawn.get(name)
        if known is not None and known == text and known.spans == text.spans:
            return
        self._drawn[name] = text
        part = self.query_one(f"#{name}", Static)
        part.display = bool(text.plain)
        # A layout of the whole screen is dear, and needed only where the number of lines may change.
        part.update(text, layout=known is None or _lines(known, part.size.width) != _lines(text, part.size.width))


def _lines(text: Text, width: int) -> object:
    """How many lines a text takes; a text that is wrapped is like no other."""
    lines = text.plain.split("\n")
    return len(lines) if all(len(line) <= width for line in lines) else object()
