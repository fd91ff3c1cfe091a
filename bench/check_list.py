"""The manual's other checks: the user's own list (checks.toml in the data folder), or the one that comes with the program.

The list that comes along holds words only. What a check's figure has to be is in the user's manual.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, model_validator

from bench import entries
from bench.errors import InputError
from bench.files import printable, read_toml, validated
from bench.records.model import Check, Tool

FILE = "checks.toml"
MOST_LINES = 200


class CheckListError(InputError):
    """The list of checks is unreadable or says something impossible."""

    code = "check-list"


def _shown(text: str) -> str:
    if printable(text) != text:
        raise ValueError("a text without control characters was expected")
    return text


_Text = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=entries.MOST_NAME),
    AfterValidator(_shown),
]
_Unit = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=20), AfterValidator(_shown)]
_Truth = Annotated[bool, Field(strict=True)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class CheckTable(_Model):
    """[[check]] one line of the list; limits in `unit`."""

    name: _Text
    unit: _Unit | None = None
    lower: entries.Figure | None = None
    upper: entries.Figure | None = None
    stops_job: _Truth = False
    needs_tool: _Truth = False
    hint: _Text | None = None

    @model_validator(mode="after")
    def _possible(self) -> CheckTable:
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError(f"lower: {self.lower:g} is above upper, {self.upper:g}")
        if (self.lower is not None or self.upper is not None) and self.unit is None:
            raise ValueError('unit: missing, but needed with a limit; write "1" for a plain number')
        return self


class ToolTable(_Model):
    """[[tool]] a tool of the shop, and the last day on which its calibration holds."""

    name: _Text
    serial_number: _Text | None = None
    calibration_due: entries.Day | None = None


class CheckList(_Model):
    """The whole file."""

    check: Annotated[tuple[CheckTable, ...], Field(max_length=MOST_LINES)] = ()
    tool: Annotated[tuple[ToolTable, ...], Field(max_length=MOST_LINES)] = ()

    @model_validator(mode="after")
    def _consistent(self) -> CheckList:
        names = [c.name for c in self.check]
        for place, name in enumerate(names):
            if name in names[:place]:
                raise ValueError(f"check[{place}].name: {name!r} is there twice")
        return self

    @property
    def tools(self) -> tuple[Tool, ...]:
        """The tools as a record holds them."""
        return tuple(
            Tool(t.name, t.serial_number, None if t.calibration_due is None else t.calibration_due.isoformat())
            for t in self.tool
        )


def _line(name: str, hint: str, *, unit: str | None = None, tool: bool = False, stops: bool = False) -> CheckTable:
    return CheckTable(name=name, hint=hint, unit=unit, needs_tool=tool, stops_job=stops)


DISTRIBUTOR = _line(
    "distributor timing",
    "Gear mark for this rotation meets its fellow, and the distributor finger stands at No. 1. A tooth off spoils a perfect angle.",
    stops=True,
)
MARK_AT_CLOSING = _line(
    "timing mark in window at closing",
    "At neutral 0 of this measurement, with the housing closed, the timing mark stands in its window.",
    stops=True,
)
#: Without these no angle makes a unit fit: they are in every list, unless a line of the same name says otherwise.
STOP_LINES = (DISTRIBUTOR, MARK_AT_CLOSING)
DEFAULT = CheckList(
    check=(
        _line("end play and bearings", "Before timing: play moves the rotor and the cam.", unit="mm", tool=True),
        _line("primary coil resistance", "Lead off. Write the coil's temperature in the note.", unit="Ω", tool=True),
        _line("secondary coil resistance", "Write the coil's temperature in the note.", unit="Ω", tool=True),
        _line("insulation", "As the manual says, and never across the probe: take its clips off first.", tool=True),
        _line("capacitor", "Capacitance; leakage and series resistance in the note.", unit="µF", tool=True),
        _line("spring tension of the points", "Can move the angle: after a change verify again.", tool=True),
        _line("torque of the screws", "Can move the angle: after a change verify again.", tool=True),
        _line("cam follower and felt lubricated", "With what the manual names, no more of it; contacts stay dry."),
        _line(
            "brush and distributor", "Brush free and long enough; block and finger clean, without cracks or tracking."
        ),
        _line("lead routing and insulation", "Clear of cam, gears and rotor; watch them when closing the housing."),
        *STOP_LINES,
    )
)


def of_folder(home: Path) -> CheckList:
    """The list in the data folder `home`, or the one that comes along where there is none. Raises CheckListError."""
    path = home / FILE
    return load(path) if path.exists() else DEFAULT


def load(path: Path) -> CheckList:
    """The list at `path`. Raises CheckListError with file, key and what was expected."""
    return parse(read_toml(path, "list of checks", CheckListError), str(path))


def parse(tables: object, name: str) -> CheckList:
    """Tables already read as a list. The lines that stop a job are added where it does not name them; a list without checks of
    its own has those that come along. Raises CheckListError.
    """
    found = validated(CheckList, tables, name, CheckListError)
    if not found.check:
        return found.model_copy(update={"check": DEFAULT.check})
    named = {line.name for line in found.check}
    return found.model_copy(update={"check": (*found.check, *(line for line in STOP_LINES if line.name not in named))})


def not_done(line: CheckTable) -> Check:
    """A line that nobody has filled yet."""
    return Check(
        line.name,
        unit=line.unit,
        lower_limit=line.lower,
        upper_limit=line.upper,
        verdict=entries.NOT_DONE,
        stops_job=line.stops_job,
    )


def state(check_list: CheckList, entered: Sequence[Mapping[str, Any]]) -> tuple[Check, ...]:
    """Each line as it stands after the journal's entries so far, then the checks that were added by hand."""
    found = {check.name: check for check in entries.of_journal(entered).checks}
    lines = [found.pop(line.name, not_done(line)) for line in check_list.check]
    return (*lines, *found.values())


def open_lines(check_list: CheckList, entered: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """Why the job cannot be ended yet, a sentence for each line that stops it; empty if it can."""
    wrong = []
    stops = {line.name for line in check_list.check if line.stops_job}
    for check in state(check_list, entered):
        if check.name not in stops and not check.stops_job:
            continue
        if check.verdict == entries.NOT_DONE:
            wrong.append(f"{check.name}: not done yet, and the job cannot end without it.")
        elif check.verdict == entries.OUTSIDE:
            wrong.append(f"{check.name}: not as it should be. Put it right, then enter it again.")
    return tuple(wrong)


def first_entries(check_list: CheckList, entered: Sequence[Mapping[str, Any]]) -> tuple[dict[str, Any], ...]:
    """Entries, "not done", for the lines that stop the job and have none yet: a record then knows of them, whatever happens next."""
    there = {check.name for check in entries.of_journal(entered).checks}
    return tuple(
        entries.check_entry(not_done(line)) for line in check_list.check if line.stops_job and line.name not in there
    )
