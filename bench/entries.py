"""What a person entered in a journal, as what a record holds: checks, tools, findings, cautions acknowledged, steps skipped.

An entry is a JSON object of one of four kinds:

    {"kind": "check", "name", "value", "unit", "lower_limit", "upper_limit", "verdict", "stops_job", "tool", "note"}
    {"kind": "adjustment", "breaker", "what", "value", "unit", "lower_limit", "upper_limit", "tool", "note"}
    {"kind": "caution", "text"}
    {"kind": "operator", "what": "finding" or "skipped", "text"}

A tool is {"name", "serial_number", "calibration_due"} or null. A journal may hold anything, so each entry is checked: one that does
not hold what it should is no evidence of anything and is passed over. It stays in the journal and in the result as it is.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, ValidationError

from bench.files import printable
from bench.records.model import Check, Finding, Tool

#: What an adjustment may be. The first three have a figure, which the record keeps as a check.
ADJUSTMENTS = ("point clearance", "spring tension", "screw torque", "points moved", "other")
WITH_FIGURE = ADJUSTMENTS[:3]
INSIDE, OUTSIDE, DONE, NOT_DONE = "inside", "outside", "done", "not done"
OTHER_CHECKS = "other checks"
MOST_NAME = 200
MOST_NOTE = 2_000
#: No figure on a bench comes near it; a larger one is a slip of the keyboard or worse.
MOST_FIGURE = 1e12


def _day(value: object) -> object:
    """A day as TOML or JSON gives it; a time of day or a bare number is none."""
    if type(value) is date:
        return value
    if isinstance(value, str):
        with contextlib.suppress(ValueError):
            return date.fromisoformat(value.strip())
    raise ValueError("a day was expected, written 2026-03-01 (year, month, day)")


Text = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=MOST_NAME), AfterValidator(printable)
]
Note = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=MOST_NOTE), AfterValidator(printable)
]
#: Strict: true is not the number 1, and a quoted figure is no figure.
Figure = Annotated[float, Field(ge=-MOST_FIGURE, le=MOST_FIGURE, allow_inf_nan=False, strict=True)]
Day = Annotated[date, BeforeValidator(_day)]


class _Model(BaseModel):
    # Keys of a later version are no reason to lose an entry.
    model_config = ConfigDict(extra="ignore", frozen=True)


class _ToolEntry(_Model):
    name: Text
    serial_number: Text | None = None
    calibration_due: Day | None = None

    def tool(self) -> Tool:
        """As a record holds it."""
        due = None if self.calibration_due is None else self.calibration_due.isoformat()
        return Tool(self.name, self.serial_number, due)


class _Measured(_Model):
    value: Figure | None = None
    unit: Text | None = None
    lower_limit: Figure | None = None
    upper_limit: Figure | None = None
    tool: _ToolEntry | None = None
    note: Note | None = None

    def as_check(self, name: str, said: str | None, stops_job: bool = False) -> Check:
        """As a record holds it; `said` is the verdict as entered."""
        return Check(
            name=name,
            value=self.value,
            unit=self.unit,
            lower_limit=self.lower_limit,
            upper_limit=self.upper_limit,
            verdict=verdict(self.value, self.lower_limit, self.upper_limit, said),
            tool=None if self.tool is None else self.tool.tool(),
            note=self.note,
            stops_job=stops_job,
        )


class _CheckEntry(_Measured):
    kind: Literal["check"]
    name: Text
    verdict: Literal["inside", "outside", "done", "not done"] | None = None
    stops_job: Annotated[bool, Field(strict=True)] = False


class _AdjustmentEntry(_Measured):
    kind: Literal["adjustment"]
    breaker: Text
    what: Literal["point clearance", "spring tension", "screw torque", "points moved", "other"]


class _CautionEntry(_Model):
    kind: Literal["caution"]
    text: Note


class _OperatorEntry(_Model):
    kind: Literal["operator"]
    what: Literal["finding", "skipped"]
    text: Note


_Entry = _CheckEntry | _AdjustmentEntry | _CautionEntry | _OperatorEntry
_KINDS: dict[str, type[_Entry]] = {
    "check": _CheckEntry,
    "adjustment": _AdjustmentEntry,
    "caution": _CautionEntry,
    "operator": _OperatorEntry,
}


@dataclass(frozen=True, slots=True)
class Entered:
    """What the entries of one journal come to. Of several checks of one name the last counts; tools are named once each."""

    checks: tuple[Check, ...] = ()
    tools: tuple[Tool, ...] = ()
    findings: tuple[Finding, ...] = ()
    cautions_acknowledged: tuple[str, ...] = ()
    skipped_steps: tuple[str, ...] = ()


def verdict(value: float | None, lower: float | None, upper: float | None, said: str | None = None) -> str:
    """A check's verdict from its figure and limits (None: unlimited on that side) and what the person said of it.

    Limits decide where there are both figure and limit; nobody's word makes a figure beyond them fit. That it was not done, or
    is not as it should be although no figure shows it, is taken as said.
    """
    if said in (NOT_DONE, OUTSIDE):
        return said
    if value is None:
        return NOT_DONE if said is None else DONE
    if lower is None and upper is None:
        return DONE
    beyond = (lower is not None and value < lower) or (upper is not None and value > upper)
    return OUTSIDE if beyond else INSIDE


def of_journal(entries: Sequence[Mapping[str, Any]], guided: bool = False) -> Entered:
    """What `entries`, in the journal's order, come to. Raises nothing, whatever they hold.

    A check that stops the job and was not done is a step skipped. So are all other checks of a guided job in which nobody
    opened their list.
    """
    found = [entry for entry in map(_validated, entries) if entry is not None]
    checks: dict[str, Check] = {}
    tools: dict[Tool, None] = {}
    for entry in found:
        if isinstance(entry, _Measured) and entry.tool is not None:
            tools[entry.tool.tool()] = None
        check = _check(entry)
        if check is None:
            continue
        before = checks.get(check.name)
        # Entered once as a line that stops the job, it does not cease to be one by being entered again.
        checks[check.name] = check if before is None or not before.stops_job else replace(check, stops_job=True)
    said = [entry for entry in found if isinstance(entry, _OperatorEntry)]
    skipped = [entry.text for entry in said if entry.what == "skipped"]
    skipped += [check.name for check in checks.values() if check.stops_job and check.verdict == NOT_DONE]
    if guided and not any(isinstance(entry, _CheckEntry) for entry in found):
        skipped.append(OTHER_CHECKS)
    return Entered(
        checks=tuple(checks.values()),
        tools=tuple(tools),
        findings=tuple(Finding(entry.text) for entry in said if entry.what == "finding"),
        cautions_acknowledged=tuple(dict.fromkeys(e.text for e in found if isinstance(e, _CautionEntry))),
        skipped_steps=tuple(dict.fromkeys(skipped)),
    )


def _validated(entry: object) -> _Entry | None:
    kind = entry.get("kind") if isinstance(entry, Mapping) else None
    model = _KINDS.get(kind) if isinstance(kind, str) else None
    if model is None:
        return None
    try:
        return model.model_validate(entry)
    except (ValidationError, RecursionError):
        return None


def _check(entry: _Entry) -> Check | None:
    if isinstance(entry, _CheckEntry):
        return entry.as_check(entry.name, entry.verdict, entry.stops_job)
    if isinstance(entry, _AdjustmentEntry) and entry.what in WITH_FIGURE and entry.value is not None:
        return entry.as_check(f"{entry.breaker}: {entry.what}", DONE)
    return None


def check_entry(check: Check) -> dict[str, Any]:
    """A check as a journal's entry."""
    return {
        "kind": "check",
        "name": check.name,
        **_measured(check),
        "verdict": check.verdict,
        "stops_job": check.stops_job,
    }


def adjustment_entry(breaker: str, what: str, check: Check) -> dict[str, Any]:
    """An adjustment (one of `ADJUSTMENTS`) of a breaker as a journal's entry; figure, limits, tool and note are those of `check`."""
    return {"kind": "adjustment", "breaker": breaker, "what": what, **_measured(check)}


def _measured(check: Check) -> dict[str, Any]:
    tool = check.tool
    return {
        "value": check.value,
        "unit": check.unit,
        "lower_limit": check.lower_limit,
        "upper_limit": check.upper_limit,
        "tool": None
        if tool is None
        else {"name": tool.name, "serial_number": tool.serial_number, "calibration_due": tool.calibration_due},
        "note": check.note,
    }


def caution_entry(text: str) -> dict[str, Any]:
    """That the person acknowledged a caution."""
    return {"kind": "caution", "text": text}


def finding_entry(text: str) -> dict[str, Any]:
    """Something found on the unit, in the person's words."""
    return {"kind": "operator", "what": "finding", "text": text}


def skipped_entry(step: str) -> dict[str, Any]:
    """That the person left out a step."""
    return {"kind": "operator", "what": "skipped", "text": step}


def limits_text(lower: float | None, upper: float | None, written: Callable[[float], str] = "{:g}".format) -> str:
    """Limits in words, without their unit; empty where there are none. `written` gives a figure as it is to be read."""
    if lower is not None and upper is not None:
        return f"{written(lower)} to {written(upper)}"
    if lower is not None:
        return f"at least {written(lower)}"
    return "" if upper is None else f"at most {written(upper)}"


def sentence(entry: Mapping[str, Any]) -> str | None:
    """One check or adjustment in words, for a list of what was entered one after the other; None for all else."""
    found = _validated(entry)
    if isinstance(found, _CheckEntry):
        check = found.as_check(found.name, found.verdict)
        return f"Check, {check.name}: {_told(check, check.verdict)}"
    if isinstance(found, _AdjustmentEntry):
        check = found.as_check(found.what, DONE)
        return f"Adjustment, {found.breaker}, {check.name}: {_told(check, None if check.verdict == DONE else check.verdict)}"
    return None


def _told(check: Check, verdict_told: str | None) -> str:
    unit = f" {check.unit}" if check.unit else ""
    limits = limits_text(check.lower_limit, check.upper_limit)
    parts = [] if check.value is None else [f"{check.value:g}{unit}" + (f" (limits {limits}{unit})" if limits else "")]
    parts += [verdict_told] if verdict_told else []
    tool = check.tool
    if tool is not None:
        due = f", calibration due {tool.calibration_due}" if tool.calibration_due else ""
        parts.append(f"with {tool.name}" + (f", {tool.serial_number}" if tool.serial_number else "") + due)
    parts += [check.note] if check.note else []
    return "; ".join(parts) or "entered"
