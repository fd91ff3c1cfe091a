"""The angle of each pass of one set of points, lobe by lobe, between its limits."""

from __future__ import annotations

from dataclasses import dataclass

from rich.text import Text

from tui.character_pictures.grid import (
    STYLE_BAND,
    STYLE_TARGET,
    Grid,
    drawable,
    figure,
    known,
    mark,
    mark_style,
    shapes_for,
)

#: Cells left of the plot for the figures of its axis, and right of it for the means.
LEFT, RIGHT = 8, 6
#: Below this size there are only words.
LEAST_WIDTH, LEAST_HEIGHT = 30, 6
#: The axis reaches at least this far to either side of its middle, so that a few hundredths do not fill the picture.
LEAST_HALF_DEG = 0.25
#: Passes farther off than this many times the distance between the limits (or this many degrees) are arrows at the edge.
REACH, REACH_DEG = 1.5, 5.0


@dataclass(frozen=True, slots=True)
class LobePasses:
    """One lobe's passes in the order they came, degrees; None for one that was missed or left out."""

    lobe: int
    angles_deg: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class PassSeries:
    """All passes of one set of points. What is None is not set; `counts_from` are the words after "degrees"."""

    breaker: str
    counts_from: str
    target_deg: float | None
    lower_deg: float | None
    upper_deg: float | None
    lobes: tuple[LobePasses, ...]

    def mean_deg(self, place: int) -> float | None:
        """Mean of the `place`th lobe's passes; None without any. A wild pass is left out by giving None for it."""
        seen = [a for a in map(known, self.lobes[place].angles_deg) if a is not None]
        return sum(seen) / len(seen) if seen else None


class _Rows:
    """Rows of the plot: `height` of them from `top`, the greatest angle above."""

    def __init__(self, series: PassSeries, top: int, height: int) -> None:
        self.top, self.height = top, height
        self.target = known(series.target_deg)
        self.lower, self.upper = known(series.lower_deg), known(series.upper_deg)
        seen = [a for lobe in series.lobes for a in map(known, lobe.angles_deg) if a is not None]
        fixed = [a for a in (self.target, self.lower, self.upper) if a is not None]
        anchors = fixed or sorted(seen)[len(seen) // 2 : len(seen) // 2 + 1] or [0.0]
        reach = (max(anchors) - min(anchors)) * REACH if len(fixed) > 1 else REACH_DEG
        near = [a for a in seen if min(anchors) - reach <= a <= max(anchors) + reach]
        low, high = min(anchors + near), max(anchors + near)
        middle = (low + high) / 2
        # A row beyond each limit at least, so that a pass just beyond it has a place.
        limits = max((abs(a - middle) for a in fixed), default=0.0) * (height - 1) / max(height - 3, 1)
        half = max((high - low) / 2, limits, LEAST_HALF_DEG)
        self.low_deg, self.high_deg = middle - half, middle + half

    def row(self, angle_deg: float) -> int | None:
        """The row of an angle; None beyond the axis."""
        share = (self.high_deg - angle_deg) / (self.high_deg - self.low_deg)
        return self.top + round(share * (self.height - 1)) if 0 <= share <= 1 else None

    def judged(self, angle_deg: float) -> int | None:
        """The row of a pass: one beyond a limit by however little is drawn beyond its line, one within it on the line or within."""
        at = self.row(angle_deg)
        if at is None:
            return None
        if self.upper is not None and angle_deg > self.upper:
            line = self.row(self.upper)
            at = at if line is None else min(at, line - 1)
        elif self.lower is not None and angle_deg < self.lower:
            line = self.row(self.lower)
            at = at if line is None else max(at, line + 1)
        return at if self.top <= at < self.top + self.height else None


def angle_against_pass(width: int, height: int, series: PassSeries, *, ascii_only: bool = False) -> Text:
    """The picture, `height` lines of `width` cells: what it shows, the plot, the axis of passes, the lobes' means."""
    shapes = shapes_for(ascii_only)
    grid = Grid(width, height, shapes)
    name = drawable(series.breaker, shapes)
    heading = f"{name}: degrees {drawable(series.counts_from, shapes)}"
    grid.write(0, 0, heading, "bold")
    lobes = series.lobes
    legend = _legend(grid, series)
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        _write_legend(grid, 1, legend, height - 1)
        return grid.text()
    legend_rows = min(_flow(grid, legend)[-1][1] + 1, max(1, height // 4))
    rows = _Rows(series, 1, height - 2 - legend_rows)
    left, right = LEFT, width - RIGHT
    _draw_limits(grid, rows, left, right)
    most = max((len(lobe.angles_deg) for lobe in lobes), default=0)
    # A column for each lobe and one between passes, where there is room: else the last passes, or lobes over each other.
    each = len(lobes) + 1 if (len(lobes) + 1) * min(most, 3) <= right - left - 1 else 1
    shown = max(1, min(most, (right - left - 1) // each))
    pitch = (right - left - 1) // shown
    first = most - shown if most else 0
    for place, lobe in enumerate(lobes):
        shape, style = mark(shapes, place, len(lobes)), mark_style(place)
        # Lobes of one pass stand close together, so that passes can be told apart.
        beside = place * min(2, pitch // (len(lobes) + 1)) if pitch > len(lobes) else 0
        for number, angle in enumerate(lobe.angles_deg[first:]):
            if angle is not None and known(angle) is not None:
                _put(grid, rows, left + 1 + number * pitch + beside, angle, shape, style)
        mean = series.mean_deg(place)
        if mean is not None:
            _put(grid, rows, right + 1 + place % (RIGHT - 2), mean, shape, style)
    _draw_pass_axis(grid, rows.top + rows.height, left, right, first, shown if most else 0, pitch)
    _write_legend(grid, height - legend_rows, legend, legend_rows)
    return grid.text()


def _put(grid: Grid, rows: _Rows, x: int, angle_deg: float, shape: str, style: str) -> None:
    at = rows.judged(angle_deg)
    if at is not None:
        grid.put(x, at, shape, style)
    elif angle_deg > rows.low_deg:
        grid.put(x, rows.top, grid.shapes.higher, style)
    else:
        grid.put(x, rows.top + rows.height - 1, grid.shapes.lower, style)


def _draw_limits(grid: Grid, rows: _Rows, left: int, right: int) -> None:
    """The axis with figures at its ends, limits and target; lines for the latter three, in words what each is."""
    shapes = grid.shapes
    for y in range(rows.height):
        grid.put(left, rows.top + y, shapes.side)
    # Limits over the target, where rows are few: a verdict hangs on them.
    lines = (
        (rows.target, shapes.line, STYLE_TARGET),
        (rows.lower, shapes.limit, STYLE_BAND),
        (rows.upper, shapes.limit, STYLE_BAND),
    )
    for angle, char, style in lines:
        at = None if angle is None else rows.row(angle)
        if angle is not None and at is not None:
            for x in range(left + 1, right):
                grid.put(x, at, char, style)
            words = figure(angle, shapes).removesuffix(" deg")
            grid.write(0, at, " " * left)
            grid.write(max(0, left - 1 - len(words)), at, words, style, room=left)
    for angle in (rows.high_deg, rows.low_deg):
        at = rows.row(angle)
        words = figure(angle, shapes, 2 if rows.high_deg - rows.low_deg < 1 else 1).removesuffix(" deg")
        if at is not None and grid.is_free(0, at, left):
            grid.write(max(0, left - 1 - len(words)), at, words, room=left)


def _draw_pass_axis(grid: Grid, y: int, left: int, right: int, first: int, shown: int, pitch: int) -> None:
    """Numbers of the passes under their first lobe, as many as fit, and what the columns are."""
    grid.write(max(0, left - 5), y, "pass")
    # From the last on, which is the one that is looked for.
    for number in reversed(range(shown)):
        words = str(first + number + 1)
        x = left + 1 + number * pitch
        if x + len(words) <= right and grid.is_free(x - 1, y, len(words) + 2):
            grid.write(x, y, words)
    grid.write(right + 1, y, "mean")


def _legend(grid: Grid, series: PassSeries) -> list[tuple[str, str, str]]:
    """Shape, words and colour for each lobe, then of the lines."""
    shapes, count = grid.shapes, len(series.lobes)
    entries: list[tuple[str, str, str]] = []
    for place, lobe in enumerate(series.lobes):
        mean = series.mean_deg(place)
        words = "no pass yet" if mean is None else figure(mean, shapes, 2)
        entries.append((mark(shapes, place, count), f"{lobe.lobe}: {words}", mark_style(place)))
    if not entries:
        entries.append(("", "no pass yet", ""))
    else:
        entries.insert(0, ("", "lobe: mean", "bold"))
    if known(series.target_deg) is not None:
        entries.append((shapes.line * 2, "target", STYLE_TARGET))
    if known(series.lower_deg) is not None or known(series.upper_deg) is not None:
        entries.append((shapes.limit * 2, "limits", STYLE_BAND))
    return entries


def _flow(grid: Grid, legend: list[tuple[str, str, str]]) -> list[tuple[int, int]]:
    """Column and row of each entry, written one after the other in lines."""
    x = y = 0
    places = []
    for shape, words, _ in legend:
        length = len(shape) + bool(shape) + len(words)
        if x and x + length > grid.width:
            x, y = 0, y + 1
        places.append((x, y))
        x += length + 2
    return places


def _write_legend(grid: Grid, top: int, legend: list[tuple[str, str, str]], rows: int) -> None:
    for (x, y), (shape, words, style) in zip(_flow(grid, legend), legend, strict=True):
        if y < rows:
            grid.write(x, top + y, shape, style)
            grid.write(x + len(shape) + bool(shape), top + y, words)
