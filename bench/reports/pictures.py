"""The report's pictures. Shapes, hatches and words tell what is what, colour only helps."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from bench.drawing import COLOURS, svg
from bench.reports.drawn import CloseUp, DrawnBreaker, DrawnOpening, PassesPicture, PassPoint, RingPicture, Wanted

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#000000"
LINE, BAND, OUT = COLOURS[0], COLOURS[6], COLOURS[1]
#: What the eye can tell of a hand plate with a line for each degree: half a degree to either side.
HAND_PLATE_DEG = 1.0
_WIDTH_INCH = 7.0
#: Radii of the ring picture: middle of the track, and how far its half-width stands for.
_TRACK, _HALF = 1.0, 0.22


def draw(wanted: Mapping[str, Wanted]) -> dict[str, str]:
    """The SVG of every wanted picture, under the same names."""
    return {name: _svg(picture) for name, picture in wanted.items()}


def load() -> None:
    """Load the drawing library now rather than with the first picture."""
    import matplotlib.backends.backend_svg
    import matplotlib.figure  # noqa: F401


def _svg(wanted: Wanted) -> str:
    if isinstance(wanted, PassesPicture):
        return _text(svg((_WIDTH_INCH, 3.4), lambda f: _passes(f, wanted), see_through=True, fitted=False))
    if isinstance(wanted, RingPicture):
        return _text(svg((4.6, 4.6), lambda f: _ring(f, wanted), see_through=True, fitted=False))
    return _text(svg((_WIDTH_INCH, 4.4), lambda f: _close_up(f, wanted), see_through=True, fitted=False))


def _text(picture: bytes) -> str:
    """The svg element alone: no XML declaration, no document type with an address of a network."""
    text = picture.decode("utf-8")
    text = text[text.index("<svg") :].rstrip() + "\n"
    return re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)


# --- passes ----------------------------------------------------------------------------------------------------------


def _passes(figure: Figure, wanted: PassesPicture) -> None:
    """With its mean ± expanded uncertainty, between the limits; as found beside as left, if there is both."""
    left, found = wanted.left, wanted.found
    axes = figure.add_axes((0.09, 0.3, 0.9, 0.67))
    _limits(axes, left)
    aside = 0.0
    if found is not None:
        aside = 0.2
        _series(axes, found, wanted.found_passes, -aside, "s", OUT, "as found")
    _series(axes, left, wanted.passes, aside, "o", LINE, "as left" if found is not None else "measured")
    axes.set_xlabel("lobe" if len(left.openings) < 12 else "lobe (from 0)")
    axes.set_ylabel(f"degrees from {_short(left.from_)}")
    axes.set_xticks([o.lobe for o in left.openings])
    axes.set_xlim(-0.6, len(left.openings) - 0.4)
    axes.grid(visible=False, axis="x")
    figure.legend(*axes.get_legend_handles_labels(), loc="lower left", ncols=2, frameon=False, fontsize=8)


def _limits(axes: Axes, breaker: DrawnBreaker) -> None:
    """A box for each limited lobe: they differ on a compensated cam."""
    told = False
    for opening in breaker.openings:
        low, high, target = opening.lower_limit_deg, opening.upper_limit_deg, opening.target_deg
        if low is None or high is None or target is None:
            continue
        at = (opening.lobe - 0.45, opening.lobe + 0.45)
        axes.fill_between(
            at, low, high, color=BAND, alpha=0.25, linewidth=0, label=None if told else "between the limits"
        )
        axes.plot(at, (low, low), color=INK, linewidth=1.2)
        axes.plot(at, (high, high), color=INK, linewidth=1.2)
        axes.plot(at, (target, target), ":", color=INK, linewidth=1.2, label=None if told else "target")
        told = True


def _series(
    axes: Axes, breaker: DrawnBreaker, passes: Sequence[PassPoint], aside: float, shape: str, colour: str, words: str
) -> None:
    most = max((p.number for p in passes), default=1)
    step = 0.5 / (2 if aside else 1) / max(1, most)
    at = [p.lobe + aside + (p.number - (most + 1) / 2) * step for p in passes]
    axes.plot(
        at,
        [p.angle_deg for p in passes],
        shape,
        color=colour,
        fillstyle="none",
        markersize=4,
        label=f"one pass, {words}",
    )
    known = [o for o in breaker.openings if o.angle_deg is not None]
    axes.errorbar(
        [o.lobe + aside for o in known],
        [o.angle_deg or 0.0 for o in known],
        yerr=[o.expanded_uncertainty_deg or 0.0 for o in known],
        fmt="_",
        color=colour,
        capsize=4,
        markersize=12,
        linewidth=1.2,
        label=f"mean ± expanded uncertainty, {words}",
    )


# --- once around -----------------------------------------------------------------------------------------------------


def _off_target(opening: DrawnOpening, middle_deg: float) -> float | None:
    if opening.angle_deg is None:
        return None
    target = opening.target_deg
    return opening.angle_deg - (target if target is not None else middle_deg + (opening.offset_deg or 0.0))


def ring_scale_deg(breaker: DrawnBreaker) -> float:
    """Deviation from the target that the half-width of the ring stands for, degrees: 1, 2 or 5 times a power of ten."""
    middle = _middle(breaker)
    reach = [0.05]
    for opening in breaker.openings:
        off = _off_target(opening, middle)
        if off is not None:
            reach.append(abs(off) + (opening.expanded_uncertainty_deg or 0.0))
        if (
            opening.target_deg is not None
            and opening.lower_limit_deg is not None
            and opening.upper_limit_deg is not None
        ):
            reach += [opening.target_deg - opening.lower_limit_deg, opening.upper_limit_deg - opening.target_deg]
    wanted = max(reach)
    power: float = 10.0 ** math.floor(math.log10(wanted))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= wanted * 0.999)


def _middle(breaker: DrawnBreaker) -> float:
    known = [o.angle_deg - (o.offset_deg or 0.0) for o in breaker.openings if o.angle_deg is not None]
    return math.fsum(known) / len(known) if known else 0.0


class Round:
    """Places around the cam's turn, from the top in the running direction; a deviation is a radius."""

    def __init__(self, breaker: DrawnBreaker, spacing_deg: float, clockwise: bool) -> None:
        self.spacing_deg = spacing_deg
        self.turn_deg = len(breaker.openings) * spacing_deg
        self.scale_deg = ring_scale_deg(breaker)
        self.middle_deg = _middle(breaker)
        self._way = 1 if clockwise else -1

    def point(self, around_deg: float, radius: float) -> tuple[float, float]:
        turned = math.radians(around_deg / self.turn_deg * 360.0) * self._way
        return radius * math.sin(turned), radius * math.cos(turned)

    def arc(self, begin_deg: float, end_deg: float, radius: float) -> tuple[list[float], list[float]]:
        steps = max(2, round(abs(end_deg - begin_deg) / self.turn_deg * 180))
        places = [self.point(begin_deg + (end_deg - begin_deg) * i / steps, radius) for i in range(steps + 1)]
        return [x for x, _ in places], [y for _, y in places]

    def radius(self, off_deg: float) -> float:
        return _TRACK + off_deg / self.scale_deg * _HALF


def _ring(figure: Figure, wanted: RingPicture) -> None:
    """Each opening where it comes, outward when late and inward when early; the band is the tolerance."""
    breaker, spacing_deg, clockwise = wanted.breaker, wanted.spacing_deg, wanted.clockwise
    axes = figure.add_axes((0.0, 0.0, 1.0, 0.95))
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.set_xlim(-1.5, 1.5)
    axes.set_ylim(-1.5, 1.5)
    around = Round(breaker, spacing_deg, clockwise)
    for radius, dash in ((_TRACK, ":"), (_TRACK - _HALF, "-"), (_TRACK + _HALF, "-")):
        axes.plot(*around.arc(0, around.turn_deg, radius), dash, color=INK, linewidth=1.0 if dash == ":" else 0.5)
    for opening in breaker.openings:
        neutral = opening.lobe * spacing_deg
        inner, outer = around.point(neutral, _TRACK - _HALF - 0.12), around.point(neutral, _TRACK - _HALF)
        axes.plot(*zip(inner, outer), color=INK, linewidth=1.4)
        axes.text(*around.point(neutral, _TRACK - _HALF - 0.2), "N", ha="center", va="center", fontsize=8, color=INK)
        _opening(axes, around, opening)
    sense = "clockwise" if clockwise else "counterclockwise"
    axes.text(0, 0, f"turns {sense},\nseen from the\ndrive end", ha="center", va="center", fontsize=7.5, color=INK)
    axes.set_title(
        f"{_short(breaker.name)}: inner edge {around.scale_deg:g}° early, outer edge {around.scale_deg:g}° late",
        fontsize=9,
        color=INK,
    )


def _opening(axes: Axes, around: Round, opening: DrawnOpening) -> None:
    off = _off_target(opening, around.middle_deg)
    if off is None:
        return
    past = opening.from_neutral_deg if opening.from_neutral_deg is not None else opening.angle_deg or 0.0
    at = opening.lobe * around.spacing_deg + past
    half = 0.28 * around.spacing_deg
    low, high, target = opening.lower_limit_deg, opening.upper_limit_deg, opening.target_deg
    if low is not None and high is not None and target is not None:
        (xi, yi), (xo, yo) = (around.arc(at - half, at + half, around.radius(limit - target)) for limit in (low, high))
        axes.fill([*xi, *reversed(xo)], [*yi, *reversed(yo)], color=BAND, alpha=0.3, linewidth=0)
        axes.plot(xi, yi, color=INK, linewidth=1.4)
        axes.plot(xo, yo, color=INK, linewidth=1.4)
    u = opening.expanded_uncertainty_deg or 0.0
    inner, outer = around.point(at, around.radius(off - u)), around.point(at, around.radius(off + u))
    axes.plot(*zip(inner, outer), color=LINE, linewidth=2.2, solid_capstyle="butt")
    shape = {"inside": "o", "outside": "X", "undecided": "D"}.get(opening.verdict, "s")
    axes.plot(
        *around.point(at, around.radius(off)),
        shape,
        color=LINE,
        markersize=5.5,
        fillstyle="none" if shape == "s" else "full",
    )
    axes.text(
        *around.point(at, _TRACK + _HALF + 0.12), str(opening.lobe), ha="center", va="center", fontsize=9, color=INK
    )


# --- one opening -----------------------------------------------------------------------------------------------------


def _close_up(figure: Figure, seen: CloseUp) -> None:
    """In time: above beside one degree of a hand plate, below only the edges."""
    wide, near = figure.add_axes((0.1, 0.66, 0.88, 0.27)), figure.add_axes((0.1, 0.11, 0.88, 0.41))
    speed = max(abs(seen.speed_deg_s), 1e-6)
    degree_us = HAND_PLATE_DEG / speed * 1e6
    _edges(wide, seen, -0.7 * degree_us, 0.7 * degree_us)
    wide.plot((-degree_us / 2, degree_us / 2), (1.4, 1.4), "|-", color=OUT, markersize=12, linewidth=2.0)
    wide.text(
        0,
        1.55,
        f"one degree of a hand plate: {degree_us:.0f} µs at {speed:.0f}°/s",
        ha="center",
        va="bottom",
        fontsize=8,
        color=INK,
    )
    wide.set_title("The opening within one degree", loc="left", fontsize=9)
    after = max(seen.bounce_s * 1e6, 2.5 * seen.count_deg / speed * 1e6)
    _edges(near, seen, -0.35 * after, 1.25 * after)
    near.set_title("The same, near: probe edges above, encoder edges (ticks) below", loc="left", fontsize=9)
    near.set_xlabel("µs from the first departure from closed")


def _edges(axes: Axes, seen: CloseUp, begin_us: float, end_us: float) -> None:
    times = [begin_us]
    levels = [0]
    for time_s, is_open in seen.contact:
        times.append(time_s * 1e6)
        levels.append(int(is_open))
    axes.step([*times, end_us], [*levels, levels[-1]], where="post", color=LINE, linewidth=1.6)
    ticks = [(time_s * 1e6, boundary) for time_s, boundary in seen.encoder if begin_us <= time_s * 1e6 <= end_us]
    axes.vlines([time for time, _ in ticks], -0.75, -0.35, color=INK, linewidth=1.0)
    axes.axvline(0.0, color=INK, linewidth=0.8, linestyle=":")
    axes.set_yticks((-0.55, 0, 1), ("encoder", "closed", "open"))
    axes.set_ylim(-0.9, 2.0 if end_us > 0 and begin_us < -end_us / 2 else 1.3)
    axes.set_xlim(begin_us, end_us)
    axes.grid(visible=False)


def _short(name: str) -> str:
    """A name from the user's file, short enough for a picture."""
    return name if len(name) <= 40 else name[:39] + "…"
