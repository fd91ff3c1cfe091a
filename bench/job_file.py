"""The job file as the user writes it (TOML), checked, and turned into a `Job`."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, model_validator

from bench.errors import JobFileError
from bench.files import printable, read_toml, validated
from bench.job import (
    Breaker,
    Cam,
    Difference,
    Job,
    Limits,
    Reference,
    ReferenceKind,
    Rotation,
    Tolerance,
    Unit,
)


def _shown(text: str) -> str:
    if printable(text) != text:
        raise ValueError("a text without control characters was expected")
    return text


_Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200), AfterValidator(_shown)]
_Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,39}$")]
# Strict: true is not the number 1, and a quoted figure is no figure.
_Number = Annotated[float, Field(allow_inf_nan=False, strict=True)]
_Degrees = _Number
_Allowance = Annotated[_Number, Field(ge=0, le=180)]
_Whole = Annotated[int, Field(ge=-1_000_000, le=1_000_000, strict=True)]
_RESERVED = ("neutral", "mark")
#: Radial engines have at least this many cylinders.
LEAST_COMPENSATED = 3


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class UnitTable(_Model):
    """[unit]"""

    part_number: _Text
    serial_number: _Text
    rotation: Literal["clockwise", "counterclockwise"]
    poles: _Whole
    cam: Literal["plain", "compensated"] = "plain"
    cylinders: Annotated[_Whole, Field(ge=1, le=36)] | None = None
    impulse_coupling: Literal["none", "removed", "secured", "fitted"]

    @property
    def lobes(self) -> int:
        """Lobes of the cam."""
        return self.cylinders if self.cam == "compensated" and self.cylinders is not None else self.poles

    @model_validator(mode="after")
    def _possible(self) -> UnitTable:
        if self.poles not in (2, 4, 6, 8):
            raise ValueError(
                f"poles is 2, 4, 6 or 8 (flux reversals per turn of the rotating magnet), not {self.poles}"
            )
        if self.cam == "compensated" and (self.cylinders is None or self.cylinders < LEAST_COMPENSATED):
            raise ValueError(
                f'cylinders: needed for cam = "compensated" (its lobes, one per cylinder), {LEAST_COMPENSATED} or more'
            )
        if self.impulse_coupling == "fitted":
            raise ValueError(
                'impulse_coupling is "fitted": at hand speed it stops the magnet, then snaps. Take it off, or secure its '
                'flyweights as the manual permits, and write "removed" or "secured"'
            )
        return self


class LimitsTable(_Model):
    """[limits]"""

    reference: _Text
    revision: _Text


class BreakerTable(_Model):
    """[[breaker]]"""

    name: _Name
    channel: Annotated[_Whole, Field(ge=0, le=7)]
    opens_at_deg: _Degrees | None = None
    minus_deg: _Allowance | None = None
    plus_deg: _Allowance | None = None
    from_: str | None = Field(default=None, alias="from")
    lobes: Literal["all"] | tuple[_Whole, ...] = "all"
    offsets_deg: tuple[_Degrees, ...] | None = None
    capacitor_uf: Annotated[_Number, Field(ge=0, le=10)] | None = None

    @model_validator(mode="after")
    def _whole(self) -> BreakerTable:
        if self.name in _RESERVED:
            raise ValueError(f'name: "{self.name}" is reserved; another name was expected')
        given = [k for k in ("opens_at_deg", "minus_deg", "plus_deg") if getattr(self, k) is not None]
        if given and len(given) < 3:
            missing = next(k for k in ("opens_at_deg", "minus_deg", "plus_deg") if k not in given)
            raise ValueError(f"{missing}: missing, but needed with {given[0]}")
        if given and self.from_ is None:
            raise ValueError(
                'from: missing, but needed with a target: "neutral", "mark", "NAME" (that breaker\'s measured opening) or '
                '"NAME.target". There is no default, since manuals differ'
            )
        if self.lobes == ():
            raise ValueError('lobes: an empty list limits nothing; leave the target out, or name lobes, or write "all"')
        if self.minus_deg == 0 and self.plus_deg == 0:
            raise ValueError("minus_deg, plus_deg: both are 0, so that no opening could ever be inside")
        return self


class DifferenceTable(_Model):
    """[[difference]]"""

    between: tuple[str, str]
    deg: _Degrees
    minus_deg: _Allowance
    plus_deg: _Allowance


class JobFile(_Model):
    """The whole file."""

    unit: UnitTable
    limits: LimitsTable | None = None
    breaker: Annotated[tuple[BreakerTable, ...], Field(min_length=1, max_length=8)]
    difference: tuple[DifferenceTable, ...] = ()

    @model_validator(mode="after")
    def _consistent(self) -> JobFile:
        names = [b.name for b in self.breaker]
        for what, values in (("name", names), ("channel", [b.channel for b in self.breaker])):
            for place, value in enumerate(values):
                if value in values[:place]:
                    raise ValueError(f"breaker[{place}].{what}: {value!r} is used twice")
        spacing = 360.0 / self.unit.poles
        for place, breaker in enumerate(self.breaker):
            where = f"breaker[{place}]"
            reference = _reference(breaker.from_, names, f"{where}.from")
            if reference is not None and reference.breaker == breaker.name:
                raise ValueError(f"{where}.from: a breaker's angle cannot count from itself")
            if isinstance(breaker.lobes, tuple):
                for lobe in breaker.lobes:
                    if not 0 <= lobe < self.unit.lobes:
                        raise ValueError(f"{where}.lobes: {lobe} is not one of the lobes 0 to {self.unit.lobes - 1}")
            _check_offsets(breaker, self.unit, spacing, where)
            if breaker.opens_at_deg is not None and reference is not None:
                _check_target(breaker.opens_at_deg, reference, spacing, f"{where}.opens_at_deg")
                if (
                    reference.kind is ReferenceKind.OPENING
                    and breaker.minus_deg is not None
                    and breaker.plus_deg is not None
                ):
                    low, high = breaker.opens_at_deg - breaker.minus_deg, breaker.opens_at_deg + breaker.plus_deg
                    if low < 0 or high >= spacing:
                        raise ValueError(
                            f"{where}.opens_at_deg: limits {low:g} to {high:g} are impossible, since an angle from {reference} counts from "
                            f"the opening nearest before and lies within 0 to below {spacing:g} degrees. Use a [[difference]] for two "
                            "breakers that open together"
                        )
        self._check_chains(names)
        for place, difference in enumerate(self.difference):
            for name in difference.between:
                if name not in names:
                    raise ValueError(f"difference[{place}].between: there is no breaker {name!r}")
            if difference.between[0] == difference.between[1]:
                raise ValueError(f"difference[{place}].between: two different breakers were expected")
            if not -spacing / 2 < difference.deg < spacing / 2:
                raise ValueError(f"difference[{place}].deg: {difference.deg:g} is not between ±{spacing / 2:g}")
            if difference.minus_deg + difference.plus_deg == 0:
                raise ValueError(f"difference[{place}]: minus_deg and plus_deg are both 0")
        limited = self.difference or any(b.opens_at_deg is not None for b in self.breaker)
        if limited and self.limits is None:
            raise ValueError(
                "limits: missing, but needed as soon as a target is given: reference and revision of the manual it comes from"
            )
        return self

    def _check_chains(self, names: list[str]) -> None:
        by_name = dict(zip(names, self.breaker, strict=True))
        for place, breaker in enumerate(self.breaker):
            seen = [breaker.name]
            at = breaker
            while (reference := _reference(at.from_, names, "from")) is not None and reference.breaker is not None:
                if reference.breaker in seen:
                    raise ValueError(
                        f"breaker[{place}].from: goes round in a circle ({' → '.join([*seen, reference.breaker])})"
                    )
                seen.append(reference.breaker)
                at = by_name[reference.breaker]
                if reference.kind is ReferenceKind.TARGET and at.opens_at_deg is None:
                    raise ValueError(f"breaker[{place}].from: {at.name} has no target to count from")


def _reference(text: str | None, names: list[str], where: str) -> Reference | None:
    if text is None:
        return None
    if text in _RESERVED:
        return Reference(ReferenceKind(text))
    name, dot, rest = text.partition(".")
    if name not in names or (dot and rest != "target"):
        known = ", ".join(f'"{n}", "{n}.target"' for n in names)
        raise ValueError(f'{where}: {text!r} is unknown; "neutral", "mark", {known} were expected')
    return Reference(ReferenceKind.TARGET if dot else ReferenceKind.OPENING, name)


def _check_offsets(breaker: BreakerTable, unit: UnitTable, spacing: float, where: str) -> None:
    offsets = breaker.offsets_deg
    if offsets is None:
        several = breaker.lobes == "all" or len(set(breaker.lobes)) > 1
        if unit.cam == "compensated" and breaker.opens_at_deg is not None and several:
            raise ValueError(
                f"{where}.offsets_deg: missing, but needed where several lobes of a compensated cam are limited: what each of the "
                f"{unit.lobes} lobes opens later than the target, degrees of the rotating magnet. Or name the one limited lobe in lobes"
            )
        return
    if unit.cam != "compensated":
        raise ValueError(f"{where}.offsets_deg: belongs to a compensated cam only")
    if len(offsets) != unit.lobes:
        raise ValueError(f"{where}.offsets_deg: {unit.lobes} figures were expected, one per lobe, not {len(offsets)}")
    for offset in offsets:
        if abs(offset) > spacing / 4:
            raise ValueError(
                f"{where}.offsets_deg: {offset:g} is impossible; -{spacing / 4:g} to {spacing / 4:g} was expected"
            )


def _check_target(target: float, reference: Reference, spacing: float, where: str) -> None:
    low, high = {
        ReferenceKind.NEUTRAL: (0.0, spacing),
        ReferenceKind.OPENING: (0.0, spacing),
        ReferenceKind.TARGET: (-spacing, spacing),
        ReferenceKind.MARK: (-360.0, 360.0),
    }[reference.kind]
    if not low <= target < high:
        raise ValueError(
            f"{where}: {target:g} is impossible; {low:g} to below {high:g} degrees from {reference} was expected"
        )


def load(path: Path) -> JobFile:
    """The job file at `path`. Raises JobFileError with file, key and what was expected."""
    return parse(read_toml(path, "job file", JobFileError), str(path))


def parse(tables: object, name: str) -> JobFile:
    """Tables already read (from TOML, or from a journal's header) as a job file. Raises JobFileError."""
    return validated(JobFile, tables, name, JobFileError)


def to_job(file: JobFile) -> Job:
    """The checked file as frozen data for the analysis."""
    names = [b.name for b in file.breaker]
    breakers = tuple(
        Breaker(
            name=b.name,
            channel=b.channel,
            # Without a target nothing is judged; the angle is then told past neutral, for want of another wish.
            reference=_reference(b.from_, names, "from") or Reference(ReferenceKind.NEUTRAL),
            tolerance=_tolerance(b),
            limited_lobes=None if b.lobes == "all" else tuple(b.lobes),
            capacitor_uf=b.capacitor_uf,
            offsets_deg=b.offsets_deg or (),
        )
        for b in file.breaker
    )
    differences = tuple(
        Difference(d.between[0], d.between[1], Tolerance(d.deg, d.minus_deg, d.plus_deg)) for d in file.difference
    )
    unit = Unit(
        part_number=file.unit.part_number,
        serial_number=file.unit.serial_number,
        rotation=Rotation(file.unit.rotation),
        poles=file.unit.poles,
        impulse_coupling=file.unit.impulse_coupling,
        cam=Cam(file.unit.cam),
        cylinders=file.unit.cylinders,
    )
    limits = None if file.limits is None else Limits(file.limits.reference, file.limits.revision)
    return Job(unit, limits, breakers, differences)


def _tolerance(table: BreakerTable) -> Tolerance | None:
    if table.opens_at_deg is None or table.minus_deg is None or table.plus_deg is None:
        return None
    return Tolerance(table.opens_at_deg, table.minus_deg, table.plus_deg)


def file_stem(serial_number: str) -> str:
    """A serial number as a part of a file name: letters, digits and dashes only."""
    return re.sub(r"[^A-Za-z0-9]+", "-", serial_number).strip("-")[:40] or "unit"
