"""The studies' pictures as SVG: shapes, dashes and words tell what is what, colour only helps.

The same study gives the same bytes. The drawing library is loaded when a picture is asked for, not before.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bench.agreement_study import CONFIDENCE, AgreementStudy, Estimate
from bench.drawing import COLOURS, DASHES, SHAPES, svg
from bench.encoder_map import basis
from bench.encoder_study import EncoderStudy
from bench.errors import UsageError
from bench.gauge_study import GaugeReadings, GaugeStudy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: More would not be told apart on one page.
MOST_OPERATORS = 20
MOST_UNITS = 100
#: More or longer names of units than these are turned by 90°.
_LEVEL_NAMES = 12
_LEVEL_CHARACTERS = 6
#: What fits in a line of the legend on the narrowest picture.
_LEGEND_CHARACTERS = 110


def gauge_svg(study: GaugeStudy) -> bytes:
    """Every reading per operator and unit; below, the same as deviations from each unit's mean, where operators show.

    Raises UsageError for more than MOST_OPERATORS or MOST_UNITS.
    """
    operators, units, _ = study.readings.angle_deg.shape
    if operators > MOST_OPERATORS or units > MOST_UNITS:
        raise UsageError(
            f"A picture shows at most {MOST_OPERATORS} operators and {MOST_UNITS} units, and these readings are of {operators} and "
            f"{units}. Leave out --plot."
        )
    legend_inch = 0.25 * math.ceil(operators / _legend_columns(study.readings))
    size_inch = (max(9.0, 0.2 * units + 2.0), 7.5 + legend_inch)
    return svg(size_inch, lambda figure: _gauge(figure, study.readings))


def agreement_svg(study: AgreementStudy) -> bytes:
    """Difference against mean per pair of readings, with bias and limits of agreement, each with its interval."""
    return svg((9.0, 5.5), lambda figure: _agreement(figure, study))


def encoder_svg(study: EncoderStudy) -> bytes:
    """What the encoder errs by over the place on the disc: the map with its band, and the mean reading of every cell."""
    return svg((9.0, 5.5), lambda figure: _encoder(figure, study))


def _gauge(figure: Figure, readings: GaugeReadings) -> None:
    upper, lower = figure.subplots(2, 1, sharex=True)
    unit_means = readings.angle_deg.mean(axis=(0, 2))
    _by_operator(upper, readings, np.zeros_like(unit_means))
    _by_operator(lower, readings, unit_means)
    lower.axhline(0.0, color="black", linewidth=0.8)
    upper.set_title(
        "Gauge study: every reading, a shape per operator, a line through each operator's means", loc="left"
    )
    lower.set_title("The same, less the mean of all readings of the unit", loc="left")
    upper.set_ylabel("angle (degrees)")
    lower.set_ylabel("deviation (degrees)")
    lower.set_xlabel("unit")
    level = len(readings.units) <= _LEVEL_NAMES and max(map(len, readings.units)) <= _LEVEL_CHARACTERS
    lower.set_xticks(range(len(readings.units)), readings.units, rotation=0 if level else 90)
    # Outside, so that it never covers a reading.
    figure.legend(*upper.get_legend_handles_labels(), loc="outside lower left", ncols=_legend_columns(readings))


def _legend_columns(readings: GaugeReadings) -> int:
    return max(1, min(len(readings.operators), _LEGEND_CHARACTERS // (20 + max(map(len, readings.operators)))))


def _by_operator(axes: Axes, readings: GaugeReadings, less_deg: NDArray[np.float64]) -> None:
    operators, units, trials = readings.angle_deg.shape
    aside = np.linspace(-0.25, 0.25, operators)
    for index, operator in enumerate(readings.operators):
        at = np.arange(units) + aside[index]
        deviation = readings.angle_deg[index] - less_deg[:, None]
        shape, dash, colour = (kind[index % len(kind)] for kind in (SHAPES, DASHES, COLOURS))
        axes.plot(np.repeat(at, trials), deviation.ravel(), shape, color=colour, fillstyle="none")
        axes.plot(at, deviation.mean(axis=1), shape + dash, color=colour, markersize=3, label=f"operator {operator}")


def _agreement(figure: Figure, study: AgreementStudy) -> None:
    axes = figure.subplots()
    hand, tool = study.readings.hand_deg, study.readings.tool_deg
    axes.plot((hand + tool) / 2, tool - hand, "o", color=COLOURS[0], fillstyle="none")
    axes.axhline(0.0, color="black", linewidth=0.8, linestyle=":")
    _level(axes, study.bias, "-", "mean difference")
    _level(axes, study.upper_limit, "--", "upper limit of agreement")
    _level(axes, study.lower_limit, "--", "lower limit of agreement")
    axes.set_title(
        f"Agreement study: tool minus hand, one circle per pair; bands: {CONFIDENCE:.0%} intervals", loc="left"
    )
    axes.set_xlabel("mean of hand and tool (degrees)")
    axes.set_ylabel("tool minus hand (degrees)")


def _level(axes: Axes, estimate: Estimate, dash: str, words: str) -> None:
    axes.axhline(estimate.value, color="black", linestyle=dash)
    axes.axhspan(*estimate.interval, color=COLOURS[6], alpha=0.25, linewidth=0)
    axes.annotate(
        f"{words}\n{estimate.value:+.3f}°",
        (1.0, estimate.value),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),
        textcoords="offset points",
        verticalalignment="center",
    )


def _encoder(figure: Figure, study: EncoderStudy) -> None:
    axes = figure.subplots()
    at = np.linspace(0.0, 360.0, 361)
    there = basis(at, [h.order for h in study.harmonics])
    error = there @ np.array([part for h in study.harmonics for part in (h.cos_deg, h.sin_deg)])
    u = np.sqrt(np.maximum(0.0, np.einsum("ij,jk,ik->i", there, study.covariance_deg2, there)))
    axes.fill_between(at, error - u, error + u, color=COLOURS[6], alpha=0.25, linewidth=0)
    axes.plot(at, error, color="black", label="map, band: one standard uncertainty from the readings")
    positions = tuple(dict.fromkeys(cell.position for cell in study.cells))
    for index, position in enumerate(positions):
        shape, colour = (kind[index % len(kind)] for kind in (SHAPES, COLOURS))
        cells = [cell for cell in study.cells if cell.position == position]
        label = f"clamping {position}" if study.positions else "readings at the reference's angles"
        places, errors = [cell.angle_deg for cell in cells], [cell.error_deg for cell in cells]
        axes.plot(places, errors, shape, color=colour, fillstyle="none", label=label)
    axes.axhline(0.0, color="black", linewidth=0.8, linestyle=":")
    axes.set_title("Encoder: reading less true angle, one shape per clamping", loc="left")
    axes.set_xlabel("place on the disc, from the index (degrees)")
    axes.set_ylabel("error (degrees)")
    axes.set_xticks(range(0, 361, 30))
    # Outside, so that it never covers a reading.
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower left", ncols=3)
