"""`breakerbench qualify`: studies that tell how good readings are. A study states figures and gives no verdict."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from bench import agreement_study, gauge_study, plots
from bench.agreement_study import AgreementStudy, Estimate, Line, Repeats
from bench.errors import BenchError, UsageError
from bench.files import printable
from bench.gauge_study import AverageRange, Component, Components, GaugeStudy, VarianceAnalysis, VarianceRow
from bench.result import ErrorRow, NoteRow, Number
from bench.study_files import load_agreement, load_gauge
from tui.places import software

FORMAT = "breakerbench-study"
VERSION = 1
CAUTION = (
    "These figures tell how readings scattered and differed in this study, on these units, by these people. They are no verdict of "
    "a tool's fitness; the shop decides what is good enough, by its own procedures and its authority's rules."
)
#: Two readings of one thing lie within this many standard deviations in 95 % of cases: 1.96 √2 (ISO 5725-6, 4.1.4).
_APART = agreement_study.LIMITS_AT * math.sqrt(2)


@dataclass(frozen=True, slots=True)
class _Told:
    """A study told in both ways, and its picture, not yet drawn."""

    document: StudyDocument
    tables: list[str]
    draw: Callable[[], bytes]


def run(options: argparse.Namespace) -> int:
    """One study; gives the exit status. Raises BenchError, unless a JSON document tells the failure."""
    try:
        plot = _plot_path(options.plot)
        told = STUDIES[options.study](options)
        if plot is not None:
            _write(plot, told.draw())
    except BenchError as error:
        if not options.json:
            raise
        failure = StudyDocument(study=options.study, valid=False, error=ErrorRow(code=error.code, text=error.text))
        print(failure.to_json())
        print(f"breakerbench: {error.text}", file=sys.stderr)
        return error.exit_status
    print(told.document.to_json() if options.json else "\n".join([*told.tables, *_closing(told.document)]))
    return 0


def _gauge(options: argparse.Namespace) -> _Told:
    readings, source = load_gauge(Path(options.file))
    study = gauge_study.evaluate(readings, options.tolerance)
    document = StudyDocument(
        study="gauge",
        valid=True,
        source=SourceRow.model_validate(source),
        gauge=gauge_table(study),
        notes=tuple(gauge_notes(study)),
        conclusion=tuple(gauge_conclusion(study)),
    )
    return _Told(document, gauge_text(study), lambda: plots.gauge_svg(study))


def _agreement(options: argparse.Namespace) -> _Told:
    readings, source = load_agreement(Path(options.file))
    study = agreement_study.evaluate(readings, options.error_ratio)
    document = StudyDocument(
        study="agreement",
        valid=True,
        source=SourceRow.model_validate(source),
        agreement=agreement_table(study),
        notes=tuple(agreement_notes(study)),
        conclusion=tuple(agreement_conclusion(study)),
    )
    return _Told(document, agreement_text(study), lambda: plots.agreement_svg(study))


STUDIES = {"gauge": _gauge, "agreement": _agreement}


def _plot_path(text: str | None) -> Path | None:
    """Where to draw to; told before any work is done."""
    if text is None:
        return None
    if not text.lower().endswith(".svg"):
        raise UsageError(f"--plot takes a file name that ends in .svg, not {printable(text)}.")
    return Path(text)


def _write(path: Path, picture: bytes) -> None:
    try:
        path.write_bytes(picture)
    except OSError as failure:
        raise UsageError(
            f"{printable(str(path))}: the picture cannot be written ({failure.strerror or failure})."
        ) from None


# --- the document ----------------------------------------------------------------------------------------------------

_Interval = tuple[Number, Number]


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, from_attributes=True)


class SourceRow(_Model):
    """The file of readings."""

    name: str
    sha256: str


class ComponentRow(_Model):
    """One part of the scatter; intervals at 95 %."""

    standard_deviation_deg: Number
    percent_of_total: Number
    percent_of_variance: Number
    percent_of_tolerance: Number
    interval_deg: _Interval | None


class ComponentsTable(_Model):
    """The scatter taken apart. `interaction` is a part of reproducibility. `distinct_categories` is unrounded."""

    repeatability: ComponentRow
    reproducibility: ComponentRow
    interaction: ComponentRow | None
    gauge: ComponentRow
    unit_to_unit: ComponentRow
    total: ComponentRow
    distinct_categories: Annotated[Number, Field(validation_alias="categories")]
    whole_distinct_categories: Annotated[int | None, Field(validation_alias="whole_categories")]


class LargeRangeRow(_Model):
    """Readings of one operator and unit that lie further apart than the range limit."""

    operator: str
    unit: str
    range_deg: Number


class AverageRangeTable(_Model):
    """Evaluation by average and range."""

    components: ComponentsTable
    mean_range_deg: Number
    range_limit_deg: Number
    large_ranges: tuple[LargeRangeRow, ...]


class SquaresRow(_Model):
    """One source in the analysis of variance."""

    source: str
    degrees_of_freedom: Annotated[int, Field(validation_alias="freedom")]
    sum_of_squares_deg2: Annotated[Number, Field(validation_alias="sum_of_squares")]
    mean_square_deg2: Annotated[Number, Field(validation_alias="mean_square")]
    f: Number
    p: Number


class VarianceTable(_Model):
    """Evaluation by analysis of variance."""

    components: ComponentsTable
    interaction_pooled: Annotated[bool, Field(validation_alias="pooled")]
    rows: tuple[SquaresRow, ...]


class GaugeTable(_Model):
    """A gauge study."""

    operators: tuple[str, ...]
    units: tuple[str, ...]
    trials: int
    tolerance_deg: Number
    average_range: AverageRangeTable | None
    analysis_of_variance: VarianceTable


class DegreesRow(_Model):
    """A figure in degrees; interval at 95 %."""

    value_deg: Annotated[Number, Field(validation_alias="value")]
    standard_uncertainty_deg: Annotated[Number, Field(validation_alias="standard_uncertainty")]
    expanded_uncertainty_deg: Annotated[Number, Field(validation_alias="expanded_uncertainty")]
    degrees_of_freedom: Annotated[int, Field(validation_alias="freedom")]
    interval_deg: Annotated[_Interval, Field(validation_alias="interval")]


class SlopeRow(_Model):
    """A slope, degrees per degree; interval at 95 %."""

    value: Number
    standard_uncertainty: Number
    expanded_uncertainty: Number
    degrees_of_freedom: Annotated[int, Field(validation_alias="freedom")]
    interval: _Interval


class LineRow(_Model):
    """y = intercept + slope x."""

    intercept: DegreesRow
    slope: SlopeRow


class TrendRow(LineRow):
    """Difference against mean. `p`: chance of a slope at least this far from 0 where there is none."""

    p: Number


class RepeatsRow(_Model):
    """What repeated readings tell: standard deviations of one reading, and a test of unit-dependent differences."""

    degrees_of_freedom: Annotated[int, Field(validation_alias="freedom")]
    hand_deg: Number
    tool_deg: Number
    difference_deg: Number
    between_units_deg: Number
    f: Number
    p: Number


class AgreementTable(_Model):
    """An agreement study; all differences are tool minus hand."""

    units: int
    pairs: int
    difference: Literal["tool minus hand"] = "tool minus hand"
    bias: DegreesRow
    standard_deviation_deg: Number
    lower_limit_of_agreement: DegreesRow
    upper_limit_of_agreement: DegreesRow
    repeats: RepeatsRow | None
    trend: TrendRow | None
    line: LineRow | None
    error_ratio: Number
    error_ratio_source: str


class StudyDocument(_Model):
    """The whole document."""

    format: str = FORMAT
    version: int = VERSION
    study: str
    valid: bool
    error: ErrorRow | None = None
    software: str = Field(default_factory=software)
    source: SourceRow | None = None
    gauge: GaugeTable | None = None
    agreement: AgreementTable | None = None
    notes: tuple[NoteRow, ...] = ()
    conclusion: tuple[str, ...] = ()
    caution: str = CAUTION

    def to_json(self) -> str:
        """One JSON text. The other study's table is left out, and the error where there is none."""
        document = self.model_dump(mode="json")
        for key in ("error", "gauge", "agreement"):
            if document[key] is None:
                del document[key]
        return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)


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


def agreement_table(study: AgreementStudy) -> AgreementTable:
    """The study for the document."""
    trend = study.trend
    return AgreementTable(
        units=study.unit_count,
        pairs=len(study.readings.units),
        bias=DegreesRow.model_validate(study.bias),
        standard_deviation_deg=study.sd_deg,
        lower_limit_of_agreement=DegreesRow.model_validate(study.lower_limit),
        upper_limit_of_agreement=DegreesRow.model_validate(study.upper_limit),
        repeats=None if study.repeats is None else RepeatsRow.model_validate(study.repeats),
        trend=None
        if trend is None
        else TrendRow(
            intercept=DegreesRow.model_validate(trend.intercept),
            slope=SlopeRow.model_validate(trend.slope),
            p=trend.slope.p(0.0),
        ),
        line=None if study.line is None else LineRow.model_validate(study.line),
        error_ratio=study.error_ratio,
        error_ratio_source=study.error_ratio_source,
    )


# --- the gauge study in words ----------------------------------------------------------------------------------------

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
    return f"  {row.source:<20}{row.freedom:>8}{row.sum_of_squares:>17.6g}{row.mean_square:>14.6g}{f:>11}{_probability(row.p):>9}"


def _probability(p: float | None) -> str:
    if p is None:
        return ""
    return "<0.0001" if p < 1e-4 else f"{p:.4f}"


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
        f"When one operator reads the same unit twice, the two readings lie within {_APART * again:.2f}° of each other in 19 of 20 cases.",
        f"When two operators read it once each, within {_APART * both:.2f}°.",
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


# --- the agreement study in words ------------------------------------------------------------------------------------


def agreement_text(study: AgreementStudy) -> list[str]:
    """The study as tables."""
    pairs = len(study.readings.units)
    lines = [
        f"Agreement study: {study.unit_count} units, {pairs} pairs of readings; differences are tool minus hand",
        "",
        f"  {'':<27}{'value':>12}{'std. uncertainty':>18}{'95 % interval':>28}",
        _estimate_line("mean difference (bias)", study.bias, "°"),
        f"  {'std. dev. of a difference':<27}{study.sd_deg:>11.4f}°",
        _estimate_line("lower limit of agreement", study.lower_limit, "°"),
        _estimate_line("upper limit of agreement", study.upper_limit, "°"),
    ]
    if study.trend is not None:
        lines += [
            "",
            f"  Difference against mean of both (p of the slope: {_probability(study.trend.slope.p(0.0)) or '–'})",
        ]
        lines += _line_lines(study.trend)
    if study.line is not None:
        lines += ["", "  Tool against hand, errors in both (ratio of error variances hand to tool: "]
        lines[-1] += f"{study.error_ratio:.4g}, {study.error_ratio_source})"
        lines += _line_lines(study.line)
    if study.repeats is not None:
        lines += ["", *_repeats_lines(study.repeats)]
    return lines


def _estimate_line(name: str, estimate: Estimate, unit: str) -> str:
    low, high = estimate.interval
    interval = f"{low:.4f}{unit} to {high:.4f}{unit}"
    value, uncertainty = f"{estimate.value:.4f}{unit}", f"{estimate.standard_uncertainty:.4f}{unit}"
    return f"  {name:<27}{value:>12}{uncertainty:>18}{interval:>28}"


def _line_lines(line: Line) -> list[str]:
    return [_estimate_line("slope", line.slope, ""), _estimate_line("intercept", line.intercept, "°")]


def _repeats_lines(repeats: Repeats) -> list[str]:
    return [
        f"  Repeated readings of a unit ({repeats.freedom} degrees of freedom), standard deviation of one",
        f"  hand {repeats.hand_deg:.4f}°, tool {repeats.tool_deg:.4f}°, difference {repeats.difference_deg:.4f}°; "
        f"units' own differences {repeats.between_units_deg:.4f}°"
        + (f" (p {_probability(repeats.p)})" if repeats.p is not None else ""),
    ]


def agreement_notes(study: AgreementStudy) -> list[NoteRow]:
    """What a reader of the figures must know."""
    notes = []
    if study.trend is None or study.line is None:
        notes.append(
            NoteRow(
                code="no-spread",
                text="The units' angles do not spread enough for a line, so nothing is said of differences that grow with the angle.",
            )
        )
    if study.error_ratio_source == "taken as 1":
        notes.append(
            NoteRow(
                code="error-ratio-assumed",
                text="The line takes both methods' errors as equally large. Say otherwise with --error-ratio, or repeat the readings "
                "of each unit (column trial).",
            )
        )
    return notes


def agreement_conclusion(study: AgreementStudy) -> list[str]:
    """The study in plain words."""
    low, high = study.bias.interval
    words = [
        f"On average the tool reads {_more_or_less(study.bias.value)} than the hand method; allowing for chance, the mean difference "
        f"lies between {low:+.2f}° and {high:+.2f}° (95 %).",
        "That is more than chance: the two methods differ on average."
        if study.bias.differs_from(0.0)
        else "A mean difference of zero is within that, so none is shown.",
        f"On a single unit, expect the tool between {study.lower_limit.value:+.2f}° and {study.upper_limit.value:+.2f}° of the hand method "
        f"in 19 of 20 cases. From {study.unit_count} units these limits are themselves uncertain by ± "
        f"{study.upper_limit.expanded_uncertainty:.2f}°.",
        "These differences hold the hand method's own error as well as the tool's.",
    ]
    if study.trend is not None:
        if study.trend.slope.differs_from(0.0):
            words.append(
                f"The difference changes with the angle, by {study.trend.slope.value:+.3f}° per degree: one mean difference and one pair "
                "of limits do not hold over the whole range. A difference in scatter between the methods can look like this too."
            )
        else:
            words.append("No change of the difference with the angle is shown.")
    if study.repeats is not None and study.repeats.p is not None and study.repeats.p < 1 - agreement_study.CONFIDENCE:
        words.append(
            "Some units differ more than others, beyond what repeating the readings explains: look at which, and why."
        )
    angles = (study.readings.hand_deg + study.readings.tool_deg) / 2
    words.append(f"The study covers angles from {angles.min():.1f}° to {angles.max():.1f}°, and says nothing outside.")
    return words


def _more_or_less(deg: float) -> str:
    return f"{abs(deg):.2f}° {'less' if deg < 0 else 'more'}"


def _closing(document: StudyDocument) -> list[str]:
    lines = ["", "In plain words:", *(f"  {text}" for text in document.conclusion)]
    if document.notes:
        lines += ["", "Notes:", *(f"  {note.text}" for note in document.notes)]
    lines += ["", document.caution]
    if document.source is not None:
        lines.append(f"Readings: {document.source.name}, SHA-256 {document.source.sha256}")
    return lines
