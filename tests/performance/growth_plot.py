"""A growth as a picture: a panel for each unit, both scales logarithmic, peers and limits in grey and dotted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.drawing import COLOURS, DASHES, SHAPES, svg
from tests.performance.growth import Curve, Growth

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PANEL_INCH = (4.0, 3.4)
_LEGEND_LINE_INCH = 0.22
_GREY = "0.45"
_PEERS = ("+:", "x:", "1:")
#: Over less than so many decades, 2 and 5 are written as well.
_FEW_DECADES = 2.5


def growth_svg(growth: Growth) -> bytes:
    """The picture; the same growth gives the same bytes."""
    units = tuple(dict.fromkeys(c.unit for c in growth.curves))
    longest = max(sum(c.unit == unit for c in growth.curves) for unit in units)
    size = (_PANEL_INCH[0] * len(units), _PANEL_INCH[1] + _LEGEND_LINE_INCH * longest)
    return svg(size, lambda figure: _draw(figure, growth, units))


def _draw(figure: Figure, growth: Growth, units: tuple[str, ...]) -> None:
    panels = figure.subplots(1, len(units), squeeze=False)[0]
    for panel, unit in zip(panels, units, strict=True):
        _panel(panel, growth, [c for c in growth.curves if c.unit == unit])
        panel.set_ylabel(unit)


def _panel(axes: Axes, growth: Growth, curves: list[Curve]) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter, NullLocator

    for number, curve in enumerate(curves):
        if curve.peer:
            axes.plot(growth.x, curve.y, _PEERS[number % len(_PEERS)], color=_GREY, markersize=5, label=curve.name)
        else:
            style = SHAPES[number % len(SHAPES)] + DASHES[number % len(DASHES)]
            axes.plot(
                growth.x, curve.y, style, color=COLOURS[number % len(COLOURS)], fillstyle="none", label=curve.name
            )
    axes.set_xscale("log")
    axes.set_yscale("log")
    drawn = [y for c in curves for y in c.y if y > 0]
    if drawn and max(drawn) < 10 * min(drawn):
        # What does not grow would fill an empty panel with its scatter.
        axes.set_ylim(min(drawn) / 5, max(drawn) * 5)
    low, high = axes.get_ylim()
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if high < low * 10**_FEW_DECADES else (1.0,)))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_xticks(growth.x, [f"{x:,.0f}" for x in growth.x], rotation=45, ha="right", fontsize=8)
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xlabel(growth.axis)
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), frameon=False, fontsize=8)
