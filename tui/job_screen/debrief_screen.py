"""The debrief at the end of a rehearsal, over the job's screen."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Footer, Static


class DebriefScreen(ModalScreen[None]):
    """Shows `text`, the debrief as it is also printed after leaving; any of Escape, Enter, D or Q goes back."""

    DEFAULT_CSS = """
    DebriefScreen VerticalScroll { border: round $foreground; padding: 0 1; background: $surface; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,enter,d,q", "dismiss", "back")]

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def compose(self) -> ComposeResult:
        """The text; arrows and Page keys move it."""
        with VerticalScroll():
            yield Static(Text(self.text))
        yield Footer()
