"""Fields of a form for the keyboard: a line to type in, a choice of a few words, an action. What is wrong stands under each.

Shapes and words carry every state, so that the form reads the same without colour: ▸ where the keyboard is, ● what is chosen, ✗
what is wrong.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.reactive import reactive
from textual.widget import Widget
from textual.widgets import Input, Static

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d{1,3})?\Z", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,9}\Z", re.ASCII)


def number(text: str) -> float | int | str:
    """A figure as typed, decimal point or comma; what is none comes back as it is, for the rules to refuse."""
    text = text.strip()
    if _WHOLE.match(text):
        return int(text)
    return float(text.replace(",", ".")) if _NUMBER.match(text) else text


def numbers(text: str) -> list[float | int | str]:
    """Figures with commas (or blanks) between them, with decimal points."""
    return [number(piece) for piece in re.split(r"[,;\s]+", text.strip()) if piece]


class Told(Static):
    """A text that is drawn anew, and the form laid out anew, only when it reads otherwise."""

    _now: Text | None = None

    def tell(self, text: Text) -> None:
        """Read so from now on."""
        if text != self._now or text.spans != self._now.spans:
            self._now = text
            self.update(text)


class Label(Widget):
    """What a field is called, with ▸ before it while the keyboard is there. Never wider or higher than it was."""

    here = reactive(False)

    def __init__(self, words: str) -> None:
        super().__init__(classes="label")
        self._words = words

    def render(self) -> Text:
        """The line."""
        return Text(f"{'▸' if self.here else ' '} {self._words}")


class Choice(Told, can_focus=True):
    """One of a few words, all of them visible. `value` is None while none is chosen."""

    DEFAULT_CSS = """
    Choice { width: 1fr; height: auto; }
    Choice:focus { text-style: bold; }
    """
    BINDINGS = [  # noqa: RUF012 - the framework declares it so
        Binding("left", "move(-1)", "choose", key_display="←→"),
        Binding("right,space", "move(1)", "choose", show=False),
    ]

    class Changed(Message):
        """Another option was chosen."""

    class Submitted(Message):
        """Enter was pressed."""

    def __init__(self, options: Sequence[tuple[str, str]], value: str | None = None) -> None:
        super().__init__()
        self._options = tuple(options)
        self._value = value

    def on_mount(self) -> None:
        """Draw it."""
        self._draw()

    @property
    def value(self) -> str | None:
        """What is chosen."""
        return self._value

    @value.setter
    def value(self, value: str | None) -> None:
        if value != self._value:
            self._value = value
            self._draw()
            self.post_message(self.Changed())

    @property
    def word(self) -> str | None:
        """What is chosen, as it is shown."""
        return dict(self._options).get(self._value or "")

    def offer(self, options: Sequence[tuple[str, str]]) -> None:
        """Other options; what was chosen stays if it is still among them."""
        self._options = tuple(options)
        if self._value is not None and self._value not in dict(self._options):
            self.value = None
        self._draw()

    def on_resize(self) -> None:
        """Break the line between options only."""
        self._draw()

    def _draw(self) -> None:
        text, used = Text(), 0
        for place, (value, word) in enumerate(self._options):
            shown = f"{'●' if value == self._value else '○'} {word}"
            if place:
                fits = not self.size.width or used + 2 + cell_len(shown) <= self.size.width
                text.append("  " if fits else "\n")
                used = used + 2 if fits else 0
            text.append(shown, Style(meta={"@click": f"choose({place})"}))
            used += cell_len(shown)
        self.tell(text)

    def action_move(self, by: int) -> None:
        """Choose the next one; from the last the first."""
        values = [value for value, _ in self._options]
        if not values:
            return
        place = values.index(self._value) + by if self._value in values else (0 if by > 0 else -1)
        self.value = values[place % len(values)]

    def action_choose(self, place: int) -> None:
        """The mouse chooses."""
        self.focus()
        self.value = self._options[place][0]

    def on_key(self, event: events.Key) -> None:
        """Enter goes on to the next field, as in a line to type in."""
        if event.key == "enter":
            event.stop()
            self.post_message(self.Submitted())


class Act(Told, can_focus=True):
    """Something to be done, on a line of its own."""

    DEFAULT_CSS = """
    Act { width: auto; height: 1; }
    Act:focus { text-style: bold; }
    """
    BINDINGS = [Binding("enter,space", "press", "do it")]  # noqa: RUF012 - the framework declares it so

    class Pressed(Message):
        """It is to be done."""

        def __init__(self, act: Act) -> None:
            super().__init__()
            self.act = act

    def __init__(self, words: str, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._words = words

    def on_mount(self) -> None:
        """Draw it."""
        self._draw(False)

    def said(self) -> Text:
        """What stands on the line."""
        return Text(f"[ {self._words} ]")

    def _draw(self, here: bool) -> None:
        self.tell(Text("▸ " if here else "  ").append_text(self.said()))

    def on_focus(self) -> None:
        """Show that the keyboard is here."""
        self._draw(True)

    def on_blur(self) -> None:
        """The keyboard is elsewhere."""
        self._draw(False)

    def action_press(self) -> None:
        """Tell the form."""
        self.post_message(self.Pressed(self))

    def on_click(self) -> None:
        """As with the keyboard."""
        self.action_press()


class Field(Vertical):
    """A label, its control, and what is wrong with it. `label` also names it in what is still needed."""

    DEFAULT_CSS = """
    Field { height: auto; }
    Field > Horizontal { height: auto; }
    Field .label { width: 21; height: 1; }
    Field .told { height: auto; padding: 0 0 0 21; display: none; }
    Field Input, Field Input:focus { width: 1fr; max-width: 52; height: 1; border: none; padding: 0 1; }
    """

    def __init__(self, label: str, control: Input | Choice, id: str | None = None) -> None:
        super().__init__(id=id)
        self.label = label
        self.control = control
        #: The keyboard was here, so that an empty field is no longer one that simply has not been reached yet.
        self.touched = False
        self._label = Label(label)
        self._told = Told(classes="told")

    def compose(self) -> ComposeResult:
        """Label and control side by side, what is to be told under them."""
        with Horizontal():
            yield self._label
            yield self.control
        yield self._told

    @property
    def value(self) -> str:
        """What was typed or chosen, without blanks around it; empty if nothing."""
        return (self.control.value or "").strip()

    @value.setter
    def value(self, value: str) -> None:
        self.control.value = value if isinstance(self.control, Input) else value or None

    def tell(self, problem: str, hint: str = "") -> None:
        """Show what is wrong, or else a `hint`; both may be empty."""
        self._told.display = bool(problem or hint)
        self._told.tell(Text(f"✗ {problem}", "bold") if problem else Text(hint))

    def on_descendant_focus(self) -> None:
        """Show that the keyboard is here."""
        self._label.here = True

    def on_descendant_blur(self) -> None:
        """The keyboard was here."""
        self.touched = True
        self._label.here = False


def typed(label: str, placeholder: str = "", id: str | None = None, most: int = 200, value: str = "") -> Field:
    """A field to type in."""
    return Field(label, Input(value, placeholder=placeholder, max_length=most), id)


def chosen(label: str, options: Sequence[str], id: str | None = None, value: str | None = None) -> Field:
    """A field to choose in, of options that read as they are written."""
    return Field(label, Choice([(o, o) for o in options], value), id)
