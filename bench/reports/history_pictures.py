"""A history as a picture: every figure over service hours or date, as found beside as left, with uncertainty bars."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from bench.drawing import COLOURS, SHAPES, svg
from bench.errors import UsageError
from bench.files import printable
from bench.reports.history import HOURS, History, Trend, Visit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: More panels than these would be no picture any more.
MOST_PANELS = 24


def history_svg(found: Sequence[History]) -> bytes:
    """A panel for each figure of each unit. Raises UsageError for more than MOST_PANELS, or none."""
    panels = [(one, trend) for one in found for trend in one.trends]
    if not 0 < len(panels) <= MOST_PANELS:
        raise UsageError(f"--plot draws 1 to {MOST_PANELS} figures, and there are {len(panels)}. Name fewer units.")
    return svg((9.0, 2.9 * len(panels)), lambda figure: _draw(figure, panels))


def _draw(figure: Figure, panels: Sequence[tuple[History, Trend]]) -> None:
    grid = figure.subplots(len(panels), 1, squeeze=False)
    for axes, (one, trend) in zip(grid[:, 0], panels):
        _panel(axes, one, trend)


def _panel(axes: Axes, one: History, trend: Trend) -> None:
    if trend.lower_limit is not None and trend.upper_limit is not None:
        axes.axhspan(
            trend.lower_limit, trend.upper_limit, color=COLOURS[6], alpha=0.15, linewidth=0, label="between the limits"
        )
    if trend.target is not None:
        axes.axhline(trend.target, color="black", linewidth=0.8, linestyle=":", label="target")
    _in_service(axes, one, trend)
    for kind, shape, colour in (("found", SHAPES[1], COLOURS[1]), ("left", SHAPES[0], COLOURS[0])):
        known = [(v, r) for v in trend.visits if (r := v.found if kind == "found" else v.left) is not None]
        if known:
            axes.errorbar(
                [_at(v, one.over) for v, _ in known],
                [r.value for _, r in known],
                yerr=[r.expanded or 0.0 for _, r in known],
                fmt=shape,
                color=colour,
                fillstyle="none" if kind == "found" else "full",
                linewidth=0.8,
                capsize=3,
                label=f"as {kind}",
            )
    told = "" if trend.drift.told else " (no drift can be told)"
    axes.set_title(f"{printable(one.serial_number)}: {printable(trend.name)}{told}", loc="left", fontsize=10)
    axes.set_ylabel("degrees" if trend.unit == "°" else printable(trend.unit))
    axes.set_xlabel("service hours" if one.over == HOURS else "date")
    axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), frameon=False, fontsize=8)


def _in_service(axes: Axes, one: History, trend: Trend) -> None:
    """What happened between two visits: from as left to as found at the next; no line through what was adjusted at a visit."""
    told = False
    for before, after in zip(trend.visits, trend.visits[1:]):
        if before.left is not None and after.found is not None:
            ends = (_at(before, one.over), _at(after, one.over))
            label = None if told else "in service"
            axes.plot(ends, (before.left.value, after.found.value), "--", color="black", linewidth=0.8, label=label)
            told = True


def _at(visit: Visit, over: str) -> Any:
    """Hours, or a day that the drawing library takes as a place."""
    return (visit.service_hours or 0.0) if over == HOURS else datetime.fromisoformat(visit.began_at)
