"""A sheet of character cells that becomes a rich Text of exactly its size, and the shapes that are put on it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text


@dataclass(frozen=True, slots=True)
class Shapes:
    """What stands for what. Meaning is in the shape; every shape differs from every other in the same picture."""

    target: str
    target_line: str
    low_end: str
    high_end: str
    band: str
    line: str
    side: str
    tick: str
    neutral: str
    rotor: str
    before: str
    beyond: str
    higher: str
    lower: str
    limit: str
    dot: str
    degree: str
    running: str
    round: str
    ellipsis: str
    #: One for each set of points, and for each lobe where passes are drawn.
    marks: str


UNICODE = Shapes(
    target="▲",
    target_line="┊",
    low_end="├",
    high_end="┤",
    band="░",
    line="─",
    side="│",
    tick="┬",
    neutral="N",
    rotor="┃",
    before="◄",
    beyond="►",
    higher="↑",
    lower="↓",
    limit="┄",
    dot="·",
    degree="°",
    running="→",
    round="↻",
    ellipsis="…",
    marks="●◆■▼○◇□▽",
)
#: For terminals that show nothing beyond ASCII.
ASCII = Shapes(
    target="^",
    target_line="'",
    low_end="[",
    high_end="]",
    band=":",
    line="-",
    side="!",
    tick="+",
    neutral="N",
    rotor="|",
    before="<",
    beyond=">",
    higher="^",
    lower="v",
    limit="=",
    dot=".",
    degree=" deg",
    running="right",
    round="clockwise",
    ellipsis="~",
    marks="ox#*%@&$",
)

#: More lobes than shapes are told apart by letters. N is the neutral's.
LETTERS = "ABCDEFGHIJKLMOPQRSTUVWXYZ"

#: Colours only add. The terminal's or theme's own eight, without yellow and white, which fade on a light ground.
STYLE_ROTOR = "bold"
STYLE_TARGET = "bold green"
STYLE_BAND = "green"
STYLE_MARKS = ("bold blue", "bold magenta", "bold cyan", "bold red")


def shapes_for(ascii_only: bool) -> Shapes:
    """The shapes of a terminal."""
    return ASCII if ascii_only else UNICODE


def mark(shapes: Shapes, place: int, of: int) -> str:
    """The shape of the `place`th of `of` sets of points or lobes: letters where there are more than shapes."""
    return shapes.marks[place] if of <= len(shapes.marks) else LETTERS[place % len(LETTERS)]


def mark_style(place: int) -> str:
    """The colour that goes with the `place`th mark."""
    return STYLE_MARKS[place % len(STYLE_MARKS)]


def known(value: float | None) -> float | None:
    """`value` where it is a number that can be drawn, else None."""
    return value if value is not None and math.isfinite(value) else None


class Grid:
    """Character cells, `width` × `height`. What does not fit is cut off, never wrapped."""

    def __init__(self, width: int, height: int, shapes: Shapes) -> None:
        self.width = max(width, 0)
        self.height = max(height, 0)
        self.shapes = shapes
        self._cells = [[(" ", "")] * self.width for _ in range(self.height)]

    def put(self, x: int, y: int, char: str, style: str = "") -> None:
        """One character at column `x` of row `y`."""
        if 0 <= x < self.width and 0 <= y < self.height:
            self._cells[y][x] = (char, style)

    def at(self, x: int, y: int) -> str:
        """The character that stands there."""
        return self._cells[y][x][0]

    def write(self, x: int, y: int, text: str, style: str = "", room: int | None = None) -> None:
        """Words from column `x` on, cut with an ellipsis to `room` cells."""
        room = max(0, min(self.width - x, self.width if room is None else room))
        text = drawable(text, self.shapes)
        if len(text) > room:
            text = text[: max(room - 1, 0)] + self.shapes.ellipsis[:room]
        for place, char in enumerate(text):
            self.put(x + place, y, char, style)

    def is_free(self, x: int, y: int, length: int) -> bool:
        """True if `length` cells from column `x` on lie on the sheet and are blank."""
        return x >= 0 and x + length <= self.width and all(self.at(x + n, y) == " " for n in range(length))

    def text(self) -> Text:
        """The sheet: `height` lines of `width` cells each, without a line end after the last."""
        text = Text(no_wrap=True, end="")
        for y, row in enumerate(self._cells):
            if y:
                text.append("\n")
            start = 0
            for x in range(1, self.width + 1):
                if x == self.width or row[x][1] != row[start][1]:
                    text.append("".join(char for char, _ in row[start:x]), row[start][1] or None)
                    start = x
        return text


def drawable(text: str, shapes: Shapes) -> str:
    """`text` with one cell a character: names may hold anything, the terminal may be able to show only ASCII."""
    return "".join(
        c
        if (c.isascii() and c.isprintable()) or (shapes is not ASCII and c.isprintable() and cell_len(c) == 1)
        else "?"
        for c in text
    )


def figure(angle_deg: float, shapes: Shapes, digits: int = 1) -> str:
    """An angle in words as short as can be: `9.4°`."""
    if abs(angle_deg) >= 1e5:
        return f"{angle_deg:.0e}{shapes.degree}"
    rounded = round(angle_deg, digits) + 0.0  # no minus before nil
    return f"{rounded:.{digits}f}{shapes.degree}"


def short_figure(angle_deg: float, shapes: Shapes) -> str:
    """An angle that the user entered, with the digits that it has: `10°`, `8.5°`."""
    return f"{angle_deg:.6g}{shapes.degree}"


def end_figure(angle_deg: float, shapes: Shapes) -> str:
    """An angle at a scale: its unit is a sign or nothing, for want of room."""
    return f"{angle_deg:.4g}" + (shapes.degree if len(shapes.degree) == 1 else "")
