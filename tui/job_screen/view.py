"""The parts of the screen from top to bottom; each is drawn anew only when its text has changed."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll

from tui.job_screen import drawing
from tui.job_screen.lines import Lines
from tui.job_screen.state import JobState

#: From this size on the figures are twice as large.
WIDE, HIGH = 116, 36


class JobView(Vertical):
    """Draws one state; knows nothing of sessions."""

    DEFAULT_CSS = """
    JobView { height: 1fr; }
    JobView Lines { width: 1fr; height: auto; }
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
        yield Lines(id="title")
        yield Lines(id="steps")
        yield Lines(id="do")
        with Horizontal(id="live"):
            yield Lines(id="figure")
            yield Lines(id="beside")
        with VerticalScroll(id="panel-room", can_focus=False):
            yield Lines(id="panel")
        yield Lines(id="felt")
        yield Lines(id="alarm")

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
        part = self.query_one(f"#{name}", Lines)
        part.display = bool(text.plain)
        part.update(text)
