"""A sheet of drawing paper that becomes SVG: lines, hatched sections, dimensions, notes.

Coordinates are millimetres on the sheet, y downwards. Line widths as in technical drawing: wide for edges, narrow for dimensions and
axes. Letters, numbers in circles and hatching carry the meaning; nothing depends on colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.sax.saxutils import escape

Point = tuple[float, float]

WIDE, NARROW = 0.5, 0.25
FONT = "DejaVu Sans, Verdana, Arial, sans-serif"
#: Hatchings by name: angle of the lines and their distance. Different parts, different hatching.
HATCHES = {"unit": (45, 2.6), "adapter": (-45, 1.6), "encoder": (0, 1.6), "wheel": (90, 2.2), "fixture": (45, 1.2)}


def number(value: float) -> str:
    """A coordinate as text, to a hundredth of a millimetre."""
    return f"{value:.2f}".rstrip("0").rstrip(".").replace("-0.00", "0") or "0"


class Sheet:
    """One drawing. `text()` gives the SVG."""

    def __init__(self, width: float, height: float, title: str, remark: str) -> None:
        self._size = (width, height)
        self._title = title
        self._parts: list[str] = []
        self._cuts = 0
        self.write((5, 9), title, size=4.6, bold=True)
        self.write((5, 14.5), remark, size=3)

    def line(self, points: Sequence[Point], width: float = WIDE, dash: str = "", close: bool = False) -> None:
        """Straight lines from point to point."""
        self._path(points, width, dash, close, "none")

    def section(self, points: Sequence[Point], hatch: str) -> None:
        """A cut face with the hatching of that name. Drawn line by line: patterns come out blurred in some viewers."""
        self._path(points, NARROW, "", True, "#fff")
        self._cuts += 1
        name = f"cut{self._cuts}"
        path = "M" + " L".join(f"{number(x)} {number(y)}" for x, y in points) + "Z"
        self._parts.append(
            f'<clipPath id="{name}"><path d="{path}"/></clipPath>\n'
            f'<path d="{self._hatching(points, *HATCHES[hatch])}" clip-path="url(#{name})" fill="none" stroke="#000" '
            f'stroke-width="0.18"/>'
        )
        self._path(points, WIDE, "", True, "none")

    @staticmethod
    def _hatching(points: Sequence[Point], angle: float, gap: float) -> str:
        """Parallel lines over the whole extent of a face; on one grid for the sheet, so that halves of one part match."""
        across = (-math.sin(math.radians(angle)), math.cos(math.radians(angle)))
        along = (across[1], -across[0])
        left, right = (f(x for x, _ in points) for f in (min, max))
        top, bottom = (f(y for _, y in points) for f in (min, max))
        corners = [(left, top), (right, top), (left, bottom), (right, bottom)]
        places = [x * across[0] + y * across[1] for x, y in corners]
        reaches = [x * along[0] + y * along[1] for x, y in corners]
        lines = []
        for step in range(math.ceil(min(places) / gap), math.floor(max(places) / gap) + 1):
            ends = [
                (step * gap * across[0] + reach * along[0], step * gap * across[1] + reach * along[1])
                for reach in (min(reaches), max(reaches))
            ]
            lines.append(" L".join(f"{number(x)} {number(y)}" for x, y in ends))
        return "".join(f"M{line}" for line in lines)

    def face(self, points: Sequence[Point], dash: str = "") -> None:
        """A face seen from outside: covers what lies behind."""
        self._path(points, WIDE, dash, True, "#fff")

    def box(self, corner: Point, width: float, height: float, hatch: str = "") -> None:
        """A rectangle from its upper left corner."""
        (x, y) = corner
        points = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
        if hatch:
            self.section(points, hatch)
        else:
            self.face(points)

    def mirrored(self, points: Sequence[Point], axis_y: float, hatch: str) -> None:
        """A cut face and its image on the other side of a horizontal axis."""
        self.section(points, hatch)
        self.section([(x, 2 * axis_y - y) for x, y in points], hatch)

    def circle(self, centre: Point, radius: float, width: float = WIDE, dash: str = "", fill: str = "none") -> None:
        """A circle."""
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self._parts.append(
            f'<circle cx="{number(centre[0])}" cy="{number(centre[1])}" r="{number(radius)}" fill="{fill}" stroke="#000" '
            f'stroke-width="{width}"{dashes}/>'
        )

    def axis(self, start: Point, end: Point) -> None:
        """A centre line."""
        self.line([start, end], NARROW, "6 1.2 1 1.2")

    def hidden(self, points: Sequence[Point], close: bool = False) -> None:
        """Edges that something covers."""
        self.line(points, NARROW, "1.8 1", close)

    def write(
        self,
        at: Point,
        text: str,
        size: float = 3.2,
        anchor: str = "start",
        bold: bool = False,
        turned: float = 0,
        over: bool = False,
    ) -> None:
        """One line of text; `at` is the left end, middle or right end of its base line. `over`: keeps lines behind it away."""
        x, y = (number(v) for v in at)
        weight = ' font-weight="bold"' if bold else ""
        turn = f' transform="rotate({number(turned)} {x} {y})"' if turned else ""
        how = f'x="{x}" y="{y}" font-size="{size}" text-anchor="{anchor}"{weight}{turn}'
        if over:
            self._parts.append(f'<text {how} stroke="#fff" stroke-width="1.2">{escape(text)}</text>')
        self._parts.append(f"<text {how}>{escape(text)}</text>")

    def lines(self, at: Point, texts: Sequence[str], size: float = 3.2, pitch: float = 4.6) -> None:
        """Several lines of text under each other; spaces before one set it in."""
        for row, text in enumerate(texts):
            inset = (len(text) - len(text.lstrip())) * size / 2
            self.write((at[0] + inset, at[1] + row * pitch), text.lstrip(), size)

    def arrow(self, start: Point, end: Point, width: float = NARROW) -> None:
        """A line with a head at its end."""
        self.line([start, end], width)
        self._head(end, math.atan2(end[1] - start[1], end[0] - start[0]))

    def ball(self, number_: int, at: Point, target: Point) -> None:
        """A number in a circle, and a line from it to a dot on the part that it names."""
        away = math.atan2(target[1] - at[1], target[0] - at[0])
        self.line([(at[0] + 3.2 * math.cos(away), at[1] + 3.2 * math.sin(away)), target], NARROW)
        self.circle(target, 0.6, NARROW, fill="#000")
        self.circle(at, 3.2, NARROW, fill="#fff")
        self.write((at[0], at[1] + 1.2), str(number_), 3.4, "middle", bold=True)

    def across(self, left: Point, right: Point, y: float, text: str) -> None:
        """A horizontal dimension at height `y` between two points."""
        for point in (left, right):
            past = 1.5 if y > point[1] else -1.5
            self.line([point, (point[0], y + past)], NARROW)
        self._measure((left[0], y), (right[0], y))
        self.write(((left[0] + right[0]) / 2, y - 1.2), text, 3.2, "middle", over=True)

    def upright(self, top: Point, bottom: Point, x: float, text: str) -> None:
        """A vertical dimension at `x` between two points."""
        for point in (top, bottom):
            past = 1.5 if x > point[0] else -1.5
            self.line([point, (x + past, point[1])], NARROW)
        self._measure((x, top[1]), (x, bottom[1]))
        self.write((x - 1.2, (top[1] + bottom[1]) / 2), text, 3.2, "middle", turned=-90, over=True)

    def ground(self, at: Point) -> None:
        """The sign of the common ground, hanging below a point."""
        x, y = at
        self.line([(x, y), (x, y + 3)], NARROW)
        for row, half in enumerate((3.0, 1.9, 0.8)):
            self.line([(x - half, y + 3 + row * 1.1), (x + half, y + 3 + row * 1.1)], WIDE)

    def text(self) -> str:
        """The whole SVG document."""
        width, height = (number(v) for v in self._size)
        body = "\n".join(self._parts)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}mm" height="{height}mm" '
            f'font-family="{FONT}">\n<title>{escape(self._title)}</title>\n'
            f'<rect width="{width}" height="{height}" fill="#fff"/>\n{body}\n</svg>\n'
        )

    def _path(self, points: Sequence[Point], width: float, dash: str, close: bool, fill: str) -> None:
        path = "M" + " L".join(f"{number(x)} {number(y)}" for x, y in points) + ("Z" if close else "")
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self._parts.append(
            f'<path d="{path}" fill="{fill}" stroke="#000" stroke-width="{width}" stroke-linejoin="round"{dashes}/>'
        )

    def _measure(self, start: Point, end: Point) -> None:
        angle = math.atan2(end[1] - start[1], end[0] - start[0])
        self.line([start, end], NARROW)
        self._head(end, angle)
        self._head(start, angle + math.pi)

    def _head(self, tip: Point, angle: float) -> None:
        back = [(tip[0] - 2.6 * math.cos(angle + s), tip[1] - 2.6 * math.sin(angle + s)) for s in (0.17, -0.17)]
        path = "M" + " L".join(f"{number(x)} {number(y)}" for x, y in (tip, *back)) + "Z"
        self._parts.append(f'<path d="{path}"/>')
