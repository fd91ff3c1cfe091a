"""A small ring of the whole turn below the scale that opens out the target, with a legend in words.

The ring runs clockwise in the running direction, whichever way the unit turns. It is for finding one's way; angles are read off the scale.
"""

from __future__ import annotations

import math
from functools import lru_cache

from rich.text import Text

from tui.character_pictures.grid import (
    ASCII,
    STYLE_ROTOR,
    STYLE_TARGET,
    Grid,
    Shapes,
    drawable,
    figure,
    known,
    mark,
    mark_style,
    shapes_for,
    short_figure,
)
from tui.character_pictures.scale import HALF_DEG, draw_scale, strip
from tui.character_pictures.state import RingState

#: Below this size a ring is no picture any more, and the scale alone is drawn.
LEAST_WIDTH, LEAST_HEIGHT = 36, 8
#: Rows of the ring, at least and at most.
RING_ROWS = (5, 11)
#: Distances from the ring's middle, as a share of its greatest: openings outside, then neutrals on the line, the rotor inside.
RADIUS_OPENINGS, RADIUS_LINE, RADIUS_ROTOR = 1.0, 0.72, 0.4
#: From this many rows on, neutrals bear their number.
ROWS_FOR_NUMBERS = 9


def ring(width: int, height: int, state: RingState, *, half_deg: float = HALF_DEG, ascii_only: bool = False) -> Text:
    """The whole picture, `height` lines of `width` cells: scale on top, ring and legend below. Too small for that, a strip."""
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        return _padded(
            strip(width, state, lines=3 if height >= 3 else 1, half_deg=half_deg, ascii_only=ascii_only), width, height
        )
    shapes = shapes_for(ascii_only)
    grid = Grid(width, height, shapes)
    names = state.names or ("",)
    least = len(names) + 2
    ring_rows = max(RING_ROWS[0], min(RING_ROWS[1], height - least, (height + 2) // 2))
    rows = height - ring_rows
    draw_scale(grid, rows, state, half_deg)
    _draw_ring(grid, rows, ring_rows, state)
    _draw_legend(grid, 2 * ring_rows, rows, ring_rows, state)
    return grid.text()


def _padded(text: Text, width: int, height: int) -> Text:
    """A smaller picture with blank lines below it, or cut, to `height`."""
    lines = list(text.split("\n"))[: max(height, 0)]
    whole = Text("\n", no_wrap=True, end="").join(
        [*lines, *[Text(" " * max(width, 0))] * (max(height, 0) - len(lines))]
    )
    whole.no_wrap, whole.end = True, ""
    return whole


def _cell(rows: int, top: int, angle_deg: float, radius: float) -> tuple[int, int]:
    """Column and row on a ring of `rows` rows: nil at the top, clockwise. A character is about twice as high as wide."""
    half = (rows - 1) / 2
    x = 2 * half + 2 * half * radius * math.sin(math.radians(angle_deg))
    y = half - half * radius * math.cos(math.radians(angle_deg))
    return round(x), top + round(y)


@lru_cache(maxsize=16)
def _circle(rows: int) -> tuple[str, ...]:
    """The ring's line as braille dots, `rows` lines of 2 × `rows` - 1 characters."""
    # Imported here, since only a ring needs it.
    from plotille import Canvas  # type: ignore[import-untyped]

    half = (rows - 1) / 2
    # A cell's middle is what _cell rounds to, and the canvas counts from the edge of the first cell.
    canvas = Canvas(2 * rows - 1, rows, xmin=-0.5, ymin=-0.5, xmax=2 * rows - 1.5, ymax=rows - 0.5)
    for step in range(720):
        turn = math.radians(step / 2)
        canvas.point(2 * half * (1 + RADIUS_LINE * math.sin(turn)), half * (1 + RADIUS_LINE * math.cos(turn)))
    return tuple(canvas.plot("\n").replace("\u2800", " ").split("\n"))


def _draw_ring(grid: Grid, top: int, rows: int, state: RingState) -> None:
    shapes = grid.shapes
    for y, line in enumerate(_circle(rows)):
        for x, char in enumerate(line):
            if char != " ":
                grid.put(x, top + y, shapes.dot if shapes is ASCII else char)
    for number, neutral in enumerate(state.neutrals):
        if known(neutral) is None:
            continue
        x, y = _cell(rows, top, math.remainder(neutral, state.span_deg) / state.span_deg * 360.0, RADIUS_LINE)
        grid.put(x, y, shapes.neutral, "bold")
        if rows >= ROWS_FOR_NUMBERS:
            grid.write(x + 1, y, str(number), "bold")
    for place, name in enumerate(state.names):
        if rows < ROWS_FOR_NUMBERS and name != state.limited:
            continue  # a small ring has no room to tell several sets apart
        for lobe, angle in state.last_openings(name).items():
            x, y = _cell(rows, top, state.turned(angle, lobe), RADIUS_OPENINGS)
            grid.put(x, y, mark(shapes, place, len(state.names)), mark_style(place))
    angle_now = known(state.angle_deg)
    if angle_now is not None:
        x, y = _cell(rows, top, state.turned(angle_now, state.place), RADIUS_ROTOR)
        grid.put(x, y, shapes.rotor, STYLE_ROTOR)


def _draw_legend(grid: Grid, left: int, top: int, rows: int, state: RingState) -> None:
    room = grid.width - left
    lines = _legend(grid.shapes, state, room, rows)
    for y, (shape, words, style) in enumerate(lines):
        grid.write(left, top + y, shape, style)
        grid.write(left + 2 if shape else left, top + y, words)


def _legend(shapes: Shapes, state: RingState, room: int, rows: int) -> list[tuple[str, str, str]]:
    """Shape, words and colour of each line, what matters most first, not more than `rows`."""
    no_target = known(state.target_deg) is None
    lines = [("" if no_target else shapes.target, _target_words(shapes, state), STYLE_TARGET)]
    for place, name in enumerate(state.names):
        shape = mark(shapes, place, len(state.names))
        lines.append((shape, _opening_words(shapes, state, name, room - 2), mark_style(place)))
    lines = lines[: rows - 2]
    lines.append((shapes.rotor, f"rotor now   {shapes.neutral} neutral", STYLE_ROTOR))
    counts_from = drawable(state.counts_from, shapes)
    long = f"degrees {counts_from}; running direction: {shapes.running}"
    lines.append(("", long if len(long) <= room else f"degrees {counts_from}", ""))
    if rows > len(lines):
        long = f"ring: the whole turn, running direction {shapes.round}"
        lines.append(("", long if len(long) <= room else f"whole turn, running {shapes.round}", ""))
    return lines


def _target_words(shapes: Shapes, state: RingState) -> str:
    target, lower, upper = known(state.target_deg), known(state.lower_deg), known(state.upper_deg)
    words = "no target" if target is None else f"target {short_figure(target, shapes)}"
    if lower is not None or upper is not None:
        ends = "any" if lower is None else f"{lower:.6g}", "any" if upper is None else short_figure(upper, shapes)
        words += f"  {shapes.low_end}{shapes.line}{shapes.high_end} {' to '.join(ends)}"
    return words


def _opening_words(shapes: Shapes, state: RingState, name: str, room: int) -> str:
    """How the last openings of a set lie: `main 9.2 to 12.1°, 1 beyond the limits`. The name is cut before a figure is."""
    seen = list(state.last_openings(name).values())
    low, high = (figure(end(seen), shapes) for end in (min, max)) if seen else ("", "")
    words = (
        " no opening yet" if not seen else f" {low}" if low == high else f" {low.removesuffix(shapes.degree)} to {high}"
    )
    lower, upper = known(state.lower_deg), known(state.upper_deg)
    beyond = sum((lower is not None and a < lower) or (upper is not None and a > upper) for a in seen)
    if beyond and name == state.limited:
        # Not "outside": that is a verdict, which takes the uncertainty into account.
        long = f"{words}, {beyond} beyond the limits"
        words = long if len(name) + len(long) <= room else f"{words}, {beyond} beyond"
    short = drawable(name, shapes)
    least = max(room - len(words), 1)
    return (short if len(short) <= least else short[: least - 1] + shapes.ellipsis) + words
