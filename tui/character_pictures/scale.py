"""The scale opened out around the target: band, target, rotor, openings; and the same alone as a strip of one line or three.

It runs from left to right in the running direction, whichever way the unit turns: an angle is never mirrored.
"""

from __future__ import annotations

import math

from rich.text import Text

from tui.character_pictures.grid import (
    STYLE_BAND,
    STYLE_ROTOR,
    STYLE_TARGET,
    Grid,
    Shapes,
    drawable,
    end_figure,
    figure,
    known,
    mark,
    mark_style,
    shapes_for,
)
from tui.character_pictures.state import RingState

#: What is opened out on either side of the target.
HALF_DEG = 15.0
#: A strip at least this wide has figures at the ends of its scale, with this room at each.
WITH_ENDS = 30
END_ROOM = 6


class Scale:
    """Columns of a scale `width` wide, `half_deg` to either side of its middle."""

    def __init__(self, width: int, state: RingState, half_deg: float) -> None:
        self.width = width
        self.middle_deg = _middle(state)
        self.half_deg = half_deg
        self.target, self.lower, self.upper = known(state.target_deg), known(state.lower_deg), known(state.upper_deg)
        self.neutrals = tuple(at for at in state.neutrals if known(at) is not None)

    def column(self, angle_deg: float) -> int | None:
        """The column of an angle; None beyond the scale."""
        share = (angle_deg - self.middle_deg) / self.half_deg
        return None if abs(share) > 1 else round((share + 1) / 2 * (self.width - 1))

    def judged(self, angle_deg: float) -> int | None:
        """The column of an angle that the limits are for: outside them by however little, it is drawn outside the band."""
        at = self.column(angle_deg)
        if at is None:
            return None
        if self.upper is not None and angle_deg > self.upper:
            end = self.column(self.upper)
            at = at if end is None else max(at, end + 1)
        elif self.lower is not None and angle_deg < self.lower:
            end = self.column(self.lower)
            at = at if end is None else min(at, end - 1)
        return at if 0 <= at < self.width else None

    def band(self) -> tuple[int, int] | None:
        """First and last column between the limits; an end beyond the scale is its edge, a limit not set its middle."""
        if self.lower is None and self.upper is None:
            return None
        first = -math.inf if self.lower is None else (self.lower - self.middle_deg) / self.half_deg
        last = math.inf if self.upper is None else (self.upper - self.middle_deg) / self.half_deg
        if first > 1 or last < -1:
            return None
        low = 0 if first < -1 or self.lower is None else self.column(self.lower)
        high = self.width - 1 if last > 1 or self.upper is None else self.column(self.upper)
        return low or 0, self.width - 1 if high is None else high

    def ticks(self) -> list[float]:
        """Round angles for figures at the scale, not closer than six columns."""
        per_column = 2 * self.half_deg / max(self.width - 1, 1)
        step = next((s for s in (0.5, 1, 2, 5, 10, 20, 50, 100) if s / per_column >= 6), 2 * self.half_deg)
        first = math.ceil((self.middle_deg - self.half_deg) / step)
        last = math.floor((self.middle_deg + self.half_deg) / step)
        return [n * step for n in range(first, last + 1)]


def _middle(state: RingState) -> float:
    """The target, else the first opening to the nearest 5°, else the reference."""
    target = known(state.target_deg)
    if target is not None:
        return target
    seen = state.last_openings(state.limited)
    return 5.0 * round(next(iter(seen.values())) / 5.0) if seen else 0.0


def draw_scale(grid: Grid, rows: int, state: RingState, half_deg: float) -> None:
    """Rotor, openings of each set, the line with the band, and its figures, in `rows` rows from the top; at least sets + 2."""
    scale = Scale(grid.width, state, half_deg)
    sets = max(len(state.names), 1)
    figures = rows > sets + 2
    axis = rows - 1 - figures
    each = max(1, axis // (sets + 1))
    rotor_rows = axis - each * sets
    band = scale.band()
    target = None if scale.target is None else scale.column(scale.target)
    for y in range(axis):
        for x in range(band[0], band[1] + 1) if band else ():
            grid.put(x, y, grid.shapes.band, STYLE_BAND)
        if target is not None:
            grid.put(target, y, grid.shapes.target_line, STYLE_TARGET)
        # Down to the line, so that it can be read off; an opening at the same place is drawn over it, and it is seen above.
        for x, char in _rotor(grid, scale, state).items():
            if y < rotor_rows or char == grid.shapes.rotor:
                grid.put(x, y, char, STYLE_ROTOR)
    _draw_axis(grid, axis, scale)
    if figures:
        _draw_figures(grid, axis + 1, scale)
    else:
        _draw_ends(grid, axis, scale, 0, grid.width)
    for place in range(len(state.names)):
        first = rotor_rows + place * each
        for y in range(first, first + each):
            _draw_openings(grid, y, scale, state, (place,), words=y == first + each // 2)
    _draw_rotor_words(grid, 0, scale, state)


def strip(
    width: int, state: RingState, *, lines: int = 3, half_deg: float = HALF_DEG, ascii_only: bool = False
) -> Text:
    """The scale alone in one line or three. Where marks fall together, one line shows the uppermost: rotor, opening, target."""
    if lines not in (1, 3):
        raise ValueError("a strip has one line or three")
    grid = Grid(width, lines, shapes_for(ascii_only))
    if width < 1:
        return grid.text()
    inner = width - 2 * END_ROOM if width >= WITH_ENDS else width
    left = (width - inner) // 2
    scale = Scale(inner, state, half_deg)
    _draw_axis(grid, lines // 2, scale, left)
    if width >= WITH_ENDS:
        _draw_ends(grid, lines // 2, scale, left - END_ROOM, width)
    _draw_openings(grid, lines - 1, scale, state, tuple(range(len(state.names))), left, words=lines == 3)
    for x, char in _rotor(grid, scale, state).items():
        grid.put(left + x, 0, char, STYLE_ROTOR)
    if lines == 3:
        _draw_rotor_words(grid, 0, scale, state, left)
    return grid.text()


def _draw_axis(grid: Grid, y: int, scale: Scale, left: int = 0) -> None:
    """The line with its ticks, and on it neutral, the ends of the band and the target, the later over the earlier."""
    shapes = grid.shapes
    for x in range(scale.width):
        grid.put(left + x, y, shapes.line)

    def put(angle: float | None, shape: str, style: str = "") -> None:
        at = None if angle is None else scale.column(angle)
        if at is not None:
            grid.put(left + at, y, shape, style)

    for angle in scale.ticks():
        put(angle, shapes.tick)
    for angle in scale.neutrals:
        put(angle, shapes.neutral, "bold")
    band = scale.band()
    for x in range(band[0], band[1] + 1) if band else ():
        grid.put(left + x, y, shapes.line, STYLE_BAND)
    put(scale.lower, shapes.low_end, STYLE_TARGET)
    put(scale.upper, shapes.high_end, STYLE_TARGET)
    put(scale.target, shapes.target, STYLE_TARGET)


def _draw_figures(grid: Grid, y: int, scale: Scale) -> None:
    for angle in scale.ticks():
        words = end_figure(angle, grid.shapes)
        at = scale.column(angle)
        if at is not None:
            x = max(0, min(at - (len(words) - 1) // 2, grid.width - len(words)))
            if grid.is_free(x, y, len(words)):
                grid.write(x, y, words)


def _draw_ends(grid: Grid, y: int, scale: Scale, left: int, width: int) -> None:
    """The angles at both ends of the scale: in the room beside it, or over the line's ends with a blank towards the line."""
    low, high = (end_figure(scale.middle_deg + sign * scale.half_deg, grid.shapes) for sign in (-1, 1))
    room = END_ROOM - 1
    if width > scale.width:
        grid.write(left + room - len(low[:room]), y, low[:room])
        grid.write(width - room, y, high[:room])
    else:
        grid.write(left, y, f"{low[:room]} ")
        grid.write(width - len(high[:room]) - 1, y, f" {high[:room]}")


def _beyond(grid: Grid, scale: Scale, angle_deg: float, at: int | None, shape: str) -> dict[int, str]:
    """Characters by column: the shape at its place, or behind an arrow at the edge that it lies beyond."""
    if at is not None:
        return {at: shape}
    if angle_deg < scale.middle_deg:
        return {0: grid.shapes.before, 1: shape}
    return {scale.width - 1: grid.shapes.beyond, scale.width - 2: shape}


def _rotor(grid: Grid, scale: Scale, state: RingState) -> dict[int, str]:
    angle = known(state.angle_deg)
    return {} if angle is None else _beyond(grid, scale, angle, scale.judged(angle), grid.shapes.rotor)


def _draw_rotor_words(grid: Grid, y: int, scale: Scale, state: RingState, left: int = 0) -> None:
    marks = _rotor(grid, scale, state)
    if not marks:
        grid.write(left, y, "rotor: not known")
        return
    for words in rotor_words(state, grid.shapes):
        if _write_beside(grid, y, scale, left, set(marks), words, STYLE_ROTOR):
            return


def rotor_words(state: RingState, shapes: Shapes) -> tuple[str, ...]:
    """Where the rotor is, longer and shorter: `7.2°, 2.8° before target`, `2.8° before`, `7.2°`. Nothing if it is not known."""
    angle, target = known(state.angle_deg), known(state.target_deg)
    if angle is None:
        return ()
    now = figure(angle, shapes)
    if target is None:
        return (now,)
    off = round(angle - target, 1)
    words = f"{figure(abs(off), shapes)} {'before' if off < 0 else 'past'}" if off else "at"
    return f"{now}, {words} target", f"{now}, {words}" if off else f"{words} target", words if off else now, now


def _draw_openings(
    grid: Grid, y: int, scale: Scale, state: RingState, places: tuple[int, ...], left: int = 0, words: bool = True
) -> None:
    """The last opening of each lobe of some sets of points, and their names. Sets that fall together are named together."""
    named: list[tuple[set[int], list[int]]] = []
    for place in places:
        name = state.names[place]
        shape = mark(grid.shapes, place, len(state.names))
        taken: set[int] = set()
        for angle in state.last_openings(name).values():
            at = scale.judged(angle) if name == state.limited else scale.column(angle)
            for x, char in _beyond(grid, scale, angle, at, shape).items():
                grid.put(left + x, y, char, mark_style(place))
                taken.add(x)
        for columns, members in named:
            if taken & columns:
                columns |= taken
                members.append(place)
                break
        else:
            if taken:
                named.append((taken, [place]))
    for columns, members in named if words else ():
        together = " and ".join(state.names[place] for place in members)
        _write_beside(grid, y, scale, left, columns, together, mark_style(members[0]) if len(members) == 1 else "")


def _write_beside(grid: Grid, y: int, scale: Scale, left: int, columns: set[int], words: str, style: str) -> bool:
    """Words to the right of the marks and of the band, or to their left, or not at all: never over a mark. True if written."""
    words = drawable(words, grid.shapes)
    low, high = min(columns), max(columns)
    band = scale.band()
    if band is not None and band[0] - 1 <= high and low <= band[1] + 1:
        low, high = min(low, band[0]), max(high, band[1])
    for x in (left + high + 2, left + low - 1 - len(words)):
        if grid.is_free(x - 1, y, len(words) + 1):
            grid.write(x, y, words, style)
            return True
    return False
