"""A question, and a choice from a list; over the job's screen, which goes on behind them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from rich.text import Text
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Footer, OptionList, Static
from textual.widgets.option_list import Option


class Question(ModalScreen[bool]):
    """Yes or no."""

    DEFAULT_CSS = """
    Question { align: center middle; }
    Question Vertical { width: 70; max-width: 95%; height: auto; border: round $foreground; padding: 1 2; background: $surface; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "answer(True)", "yes"),
        Binding("n,escape", "answer(False)", "no"),
    ]

    def __init__(self, question: str) -> None:
        super().__init__()
        self._question = question

    def compose(self) -> ComposeResult:
        """The question and its two keys."""
        with Vertical():
            yield Static(Text(f"{self._question}\n\nY yes    N no", "bold"))
        yield Footer()

    def action_answer(self, yes: bool) -> None:
        """The answer."""
        self.dismiss(yes)


class Choose(ModalScreen[str | None]):
    """One of several; None when left by Escape. `choices` are keys and titles."""

    DEFAULT_CSS = """
    Choose { align: center middle; }
    Choose Vertical { width: 76; max-width: 98%; height: auto; max-height: 95%; border: round $foreground; background: $surface; }
    Choose OptionList { height: auto; max-height: 18; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss", "back")]

    def __init__(self, title: str, choices: tuple[tuple[str, str], ...]) -> None:
        super().__init__()
        self._title = title
        self._choices = choices

    def compose(self) -> ComposeResult:
        """The title and the list."""
        with Vertical():
            yield Static(Text(f" {self._title}   (arrows, Enter; Esc leaves)", "bold"))
            yield OptionList(*(Option(Text(title)) for _, title in self._choices))
        yield Footer()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Taken."""
        self.dismiss(self._choices[event.option_index][0])


@dataclass(frozen=True, slots=True)
class Ways:
    """What is asked before a job begins: keys and titles, and who is told the key."""

    title: str
    choices: tuple[tuple[str, str], ...]
    chosen: Callable[[str], None]


class _Telling(App[None]):
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [Binding("q,escape", "quit", "leave")]

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text

    def compose(self) -> ComposeResult:
        yield Static(Text(self._text, "bold"))
        yield Footer()


def tell(text: str) -> None:
    """One sentence, where there is no job to show."""
    _Telling(text).run()
