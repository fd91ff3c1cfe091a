"""The gauge study, told as a table of the document and in words."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Annotated

from pydantic import Field

from bench import gauge_study, plots
from bench.gauge_study import AverageRange, Component, Components, GaugeStudy, VarianceAnalysis, VarianceRow
from bench.result import NoteRow, Number
from bench.study_files import load_gauge
from tui.qualify_document import APART, Interval, Model, SourceRow, StudyDocument, Told, probability


def tell(options: argparse.Namespace) -> Told:
    """The study of the file that was named. Raises StudyFileError."""
    readings, source = load_gauge(Path(options.file))
    study = gauge_study.evaluate(readings, options.tolerance)
    document = GaugeDocument(
        study="gauge",
        valid=True,
        source=SourceRow.of(source),
        gauge=gauge_table(study),
        notes=tuple(gauge_notes(study)),
        conclusion=tuple(gauge_conclusion(study)),
    )
    return Told(document, gauge_text(study), lambda: plots.gauge_svg(study), (source,))


# --- the document ----------------------------------------------------------------------------------------------------


class ComponentRow(Model):
    """One part of the scatter; intervals at 95 %."""

    standard_deviation_deg: Number
    percent_of_total: Number
    percent_of_variance: Number
    percent_of_tolerance: Number
    interval_deg: Interval | None


class ComponentsTable(Model):
    """The scatter taken apart. `interaction` is a part of reproducibility. `distinct_categories` is unrounded."""

    repeatability: ComponentRow
    reproducibility: ComponentRow
    interaction: ComponentRow | None
    gauge: ComponentRow
    unit_to_unit: ComponentRow
    total: ComponentRow
    distinct_categories: Annotated[Number, Field(validation_alias="categories")]
    whole_distinct_categories: Annotated[int | None, Field(validation_alias="whole_categories")]


class LargeRangeRow(Model):
    """Readings of one operator and unit that lie further apart than the range limit."""

    operator: str
    unit: str
    range_deg: Number


class AverageRangeTable(Model):
    """Evaluation by average and range."""

    components: ComponentsTable
    mean_range_deg: Number
    range_limit_deg: Number
    large_ranges: tuple[LargeRangeRow, ...]


class SquaresRow(Model):
    """One source in the analysis of variance."""

    source: str
    degrees_of_freedom: Annotated[int, Field(validation_alias="freedom")]
    sum_of_squares_deg2: Annotated[Number, Field(validation_alias="sum_of_squares")]
    mean_square_deg2: Annotated[Number, Field(validation_alias="mean_square")]
    f: Number
    p: Number


class VarianceTable(Model):
    """Evaluation by analysis of variance."""

    components: ComponentsTable
    interaction_pooled: Annotated[bool, Field(validation_alias="pooled")]
    rows: tuple[SquaresRow, ...]


class GaugeTable(Model):
    """A gauge study."""

    operators: tuple[str, ...]
    units: tuple[str, ...]
    trials: int
    tolerance_deg: Number
    average_range: AverageRangeTable | None
    analysis_of_variance: VarianceTable


class GaugeDocument(StudyDocument):
    """The whole document."""

    gauge: GaugeTable


def gauge_table(study: GaugeStudy) -> GaugeTable:
    """The study for the document."""
    return GaugeTable(
        operators=study.readings.operators,
        units=study.readings.units,
        trials=study.readings.angle_deg.shape[2],
        tolerance_deg=study.tolerance_deg,
        average_range=None if study.average_range is None else AverageRangeTable.model_validate(study.average_range),
        analysis_of_variance=VarianceTable.model_validate(study.variance),
    )


# --- in words --------------------------------------------------------------------------------------------------------

#: The handbooks' abbreviations beside the words, for readers who know the worksheet.
_KNOWN_AS = {
    "repeatability": "repeatability, one operator again (EV)",
    "reproducibility": "reproducibility, between operators (AV)",
    "interaction": "  of it operator × unit",
    "gauge": "gauge, both together (GRR)",
    "unit to unit": "unit to unit (PV)",
    "total": "total (TV)",
}


def gauge_text(study: GaugeStudy) -> list[str]:
    """Both evaluations as tables."""
    operators, units, trials = study.readings.angle_deg.shape
    lines = [
        f"Gauge study: {operators} operators, {units} units, {trials} trials, {operators * units * trials} readings"
    ]
    if study.tolerance_deg is not None:
        lines.append(f"Tolerance {study.tolerance_deg:g}° from limit to limit")
    how = "pooled with the repeats" if study.variance.pooled else "kept"
    lines += ["", f"By analysis of variance (interaction of operators and units {how})"]
    lines += _components_lines(study.variance.components)
    lines += _variance_lines(study.variance)
    if study.average_range is not None:
        lines += ["", "By average and range"]
        lines += _components_lines(study.average_range.components)
        lines += _range_lines(study.average_range)
    return lines


def _components_lines(components: Components) -> list[str]:
    lines = [
        f"  {'part of the scatter':<41}{'std. dev.':>10}{'95 % interval':>20}{'of total':>10}{'of variance':>13}{'of tolerance':>14}"
    ]
    parts = (
        components.repeatability,
        components.reproducibility,
        components.interaction,
        components.gauge,
        components.unit_to_unit,
        components.total,
    )
    lines += [_component_line(part) for part in parts if part is not None]
    if components.categories is None:
        lines.append("  distinct categories (ndc): no limit, since the readings of a unit did not scatter")
    else:
        lines.append(
            f"  distinct categories (ndc): {components.whole_categories} (unrounded {components.categories:.2f})"
        )
    return lines


def _component_line(part: Component) -> str:
    interval = "–" if part.interval_deg is None else "{:.4f}° to {:.4f}°".format(*part.interval_deg)
    return (
        f"  {_KNOWN_AS[part.name]:<41}{part.standard_deviation_deg:>9.4f}°{interval:>20}{_percent(part.percent_of_total):>10}"
        f"{_percent(part.percent_of_variance):>13}{_percent(part.percent_of_tolerance):>14}"
    )


def _percent(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f} %"


def _variance_lines(variance: VarianceAnalysis) -> list[str]:
    lines = ["", f"  {'source':<20}{'freedom':>8}{'squares (deg²)':>17}{'mean square':>14}{'F':>11}{'p':>9}"]
    return lines + [_variance_line(row) for row in variance.rows]


def _variance_line(row: VarianceRow) -> str:
    f = "" if row.f is None else f"{row.f:.5g}"
    return f"  {row.source:<20}{row.freedom:>8}{row.sum_of_squares:>17.6g}{row.mean_square:>14.6g}{f:>11}{probability(row.p):>9}"


def _range_lines(result: AverageRange) -> list[str]:
    return [f"  mean range {result.mean_range_deg:.4f}°; by chance a range stays below {result.range_limit_deg:.4f}°"]


def gauge_notes(study: GaugeStudy) -> list[NoteRow]:
    """What a reader of the figures must know."""
    result = study.average_range
    if result is None:
        return [
            NoteRow(
                code="no-average-range",
                text="Average and range is tabled for 2 or 3 operators, 2 or 3 trials and 2 to 10 units; this study is larger, so only "
                "the analysis of variance is given.",
            )
        ]
    notes = []
    if result.few_ranges:
        notes.append(
            NoteRow(
                code="few-ranges",
                text=f"Fewer than {gauge_study.MANY_RANGES} ranges (operators times units): repeatability by average and range comes out a "
                "few percent too large; the analysis of variance does not have this fault.",
            )
        )
    for large in result.large_ranges:
        notes.append(
            NoteRow(
                code="large-range",
                text=f"Operator {large.operator}, unit {large.unit}: readings {large.range_deg:.2f}° apart, more than chance explains "
                f"({result.range_limit_deg:.2f}°). Look for a slip, or read this unit again.",
            )
        )
    return notes


def gauge_conclusion(study: GaugeStudy) -> list[str]:
    """The study in plain words, by the analysis of variance."""
    components = study.variance.components
    again, both = components.repeatability.standard_deviation_deg, components.gauge.standard_deviation_deg
    rows = {row.source: row for row in study.variance.rows}
    chance = 1 - gauge_study.CONFIDENCE
    words = [
        f"When one operator reads the same unit twice, the two readings lie within {APART * again:.2f}° of each other in 19 of 20 cases.",
        f"When two operators read it once each, within {APART * both:.2f}°.",
    ]
    p = rows["operators"].p
    if p is not None and p < chance:
        words.append("The operators' averages differ by more than chance: find out what they do differently.")
    else:
        words.append("The operators' averages differ by no more than chance explains.")
    p = rows["operators × units"].p
    if p is not None and p < chance:
        words.append(
            "Operators differ on some units more than on others, beyond chance: look at the picture for which."
        )
    interval = components.gauge.interval_deg
    if interval is not None:
        words.append(
            f"The standard deviation of measuring, {both:.3f}°, is itself only known to lie between {interval[0]:.3f}° and "
            f"{interval[1]:.3f}° (95 %); more operators narrow this most."
        )
    if components.gauge.percent_of_total is not None:
        words.append(
            f"Measuring makes up {components.gauge.percent_of_total:.0f} % of the whole standard deviation seen here. This share "
            "depends on how different the units were."
        )
    if components.gauge.percent_of_tolerance is not None:
        words.append(
            f"Six standard deviations of measuring take up {components.gauge.percent_of_tolerance:.0f} % of the tolerance of "
            f"{study.tolerance_deg:g}°."
        )
    else:
        words.append("No tolerance was given, so nothing is said of how measuring compares with one.")
    return words
