"""The agreement study, told as a table of the document and in words."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from bench import agreement_study, plots
from bench.agreement_study import AgreementStudy, Estimate, Line, Repeats
from bench.result import NoteRow, Number
from bench.study_files import load_agreement
from tui.qualify_document import Interval, Model, SourceRow, StudyDocument, Told, probability


def tell(options: argparse.Namespace) -> Told:
    """The study of the file that was named. Raises StudyFileError."""
    readings, source = load_agreement(Path(options.file))
    study = agreement_study.evaluate(readings, options.error_ratio)
    document = AgreementDocument(
        study="agreement",
        valid=True,
        source=SourceRow.of(source),
        agreement=agreement_table(study),
        notes=tuple(agreement_notes(study)),
        conclusion=tuple(agreement_conclusion(study)),
    )
    return Told(document, agreement_text(study), lambda: plots.agreement_svg(study), (source,))


# --- the document ----------------------------------------------------------------------------------------------------


class DegreesRow(Model):
    """A figure in degrees; interval at 95 %."""

    value_deg: Annotated[Number, Field(validation_alias="value")]
    standard_uncertainty_deg: Annotated[Number, Field(validation_alias="standard_uncertainty")]
    expanded_uncertainty_deg: Annotated[Number, Field(validation_alias="expanded_uncertainty")]
    degrees_of_freedom: Annotated[int, Field(validation_alias="freedom")]
    interval_deg: Annotated[Interval, Field(validation_alias="interval")]


class SlopeRow(Model):
    """A slope, degrees per degree; interval at 95 %."""

    value: Number
    standard_uncertainty: Number
    expanded_uncertainty: Number
    degrees_of_freedom: Annotated[int, Field(validation_alias="freedom")]
    interval: Interval


class LineRow(Model):
    """y = intercept + slope x."""

    intercept: DegreesRow
    slope: SlopeRow


class TrendRow(LineRow):
    """Difference against mean. `p`: chance of a slope at least this far from 0 where there is none."""

    p: Number


class RepeatsRow(Model):
    """What repeated readings tell: standard deviations of one reading, and a test of unit-dependent differences."""

    degrees_of_freedom: Annotated[int, Field(validation_alias="freedom")]
    hand_deg: Number
    tool_deg: Number
    difference_deg: Number
    between_units_deg: Number
    f: Number
    p: Number


class AgreementTable(Model):
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


class AgreementDocument(StudyDocument):
    """The whole document."""

    agreement: AgreementTable


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


# --- in words --------------------------------------------------------------------------------------------------------


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
            f"  Difference against mean of both (p of the slope: {probability(study.trend.slope.p(0.0)) or '–'})",
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
        + (f" (p {probability(repeats.p)})" if repeats.p is not None else ""),
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
