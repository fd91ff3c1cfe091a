"""The parts of the screen from top to bottom; each is drawn anew only when its text has changed."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll

from tui.job_screen import drawing
from tui.job_screen.lines import Lines
from tui.job_screen.state import JobState

#: From this size on the figures are twice as large; below this height lines are not spent on room between the parts.
WIDE, HIGH = 116, 36
LOW = 30


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
    JobView.low #panel-room { margin: 0; }
    JobView.ended #do { max-height: 16; }
    """
    PARTS = ("title", "steps", "do", "figure", "beside", "panel", "felt", "alarm")

    def __init__(self) -> None:
        super().__init__()
        self._drawn: dict[str, Text] = {}
        # Kept, not looked for: while the application is being taken down, some of them are there no more.
        self._parts = {name: Lines(id=name) for name in self.PARTS}
        self._live = Horizontal(self._parts["figure"], self._parts["beside"], id="live")
        self._room = VerticalScroll(self._parts["panel"], id="panel-room", can_focus=False)
        self._state: JobState | None = None

    def compose(self) -> ComposeResult:
        """Widgets from top to bottom."""
        yield from (self._parts[name] for name in ("title", "steps", "do"))
        yield self._live
        yield self._room
        yield from (self._parts[name] for name in ("felt", "alarm"))

    def on_resize(self) -> None:
        """Draw for the new size."""
        if self._state is not None:
            self.show(self._state)

    @property
    def overflows(self) -> bool:
        """True if not all that the step shows has room."""
        return bool(self._room.max_scroll_y > 0)

    def page(self, way: int) -> None:
        """Show the next or the previous part of what has no room."""
        if way > 0:
            self._room.scroll_page_down(animate=False)
        else:
            self._room.scroll_page_up(animate=False)

    def show(self, state: JobState) -> bool:
        """Draw `state`; gives `overflows`, as it was laid out last."""
        before = self._state
        self._state = state
        width = max(self.size.width, 1)
        wide = width >= WIDE and self.size.height >= HIGH
        room = self._room
        low = self.size.height < LOW
        # Once there is a result, a failure, or nobody who answers, that gets the room that the live part had.
        live = state.snap.evaluation is None and state.snap.failure is None and not state.snap.link_lost
        if before is not None and (before.step, before.snap.failure) != (state.step, state.snap.failure):
            room.scroll_home(animate=False)
        self.set_class(low, "low")
        self.set_class(not live, "ended")
        self._part("title", drawing.title(state))
        self._part("steps", drawing.steps(state, width))
        self._part("do", drawing.do(state))
        self._live.display = live
        if live:
            self._part("figure", drawing.figure(state, 2 if wide else 1))
            self._part("beside", drawing.beside(state))
        self._part("panel", drawing.panel(state, width, max(room.size.height, 1)))
        self._part("felt", drawing.felt(state))
        self._part("alarm", drawing.alarm(state, width, low))
        return self.overflows

    def _part(self, name: str, text: Text) -> None:
        known = self._drawn.get(name)
        if known is not None and known == text and known.spans == text.spans:
            return
        self._drawn[name] = text
        part = self._parts[name]
        part.display = bool(text.plain)
        part.update(text)
