"""Intake in plain lines: the job from its file or asked key by key, who works, the state as received, and the cautions.

No rules of its own: each answer goes through the job file's.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bench import cautions, entries, job_file
from bench.job_file import JobFile
from tui import job_sources
from tui.intake import IntakeResult
from tui.intake_fields import number, numbers
from tui.job_forms import NEEDED, problems
from tui.job_plain_asking import Asking, choice, figure, text, yes_or_no

MOST_SETS = 8


@dataclass(frozen=True, slots=True)
class _Key:
    """One key of the job file: how it is asked, whether it takes a word, a number or several; `choices` if it is one of few."""

    key: str
    question: str
    kind: str = "word"
    choices: tuple[str, ...] = ()
    default: str | None = None


UNIT = (
    _Key("part_number", "Part number, as the data plate says?"),
    _Key("serial_number", "Serial number?"),
    _Key("rotation", "Rotation, seen from the drive end?", choices=("clockwise", "counterclockwise")),
    _Key("poles", "Poles, the flux reversals per turn of the rotating magnet?", "number", ("2", "4", "6", "8")),
    _Key("cam", "Which cam?", choices=("plain", "compensated"), default="plain"),
    _Key("cylinders", "Cylinders? Needed with a compensated cam. Enter: not known.", "number"),
    _Key("impulse_coupling", "Impulse coupling?", choices=("none", "removed", "secured", "fitted")),
)
LIMITS = (
    _Key("reference", "Title or number of the manual that the limits come from?"),
    _Key("revision", "Its revision?"),
)
TARGET = (
    _Key("opens_at_deg", "Target, degrees? Enter: none, it is measured only.", "number"),
    _Key("minus_deg", "How many degrees earlier at most?", "number"),
    _Key("plus_deg", "How many degrees later at most?", "number"),
)
FROM = _Key(
    "from",
    "What does the target count from? A name is that breaker's measured opening. There is no default, since manuals differ.",
)
OFFSETS = _Key("offsets_deg", "What each lobe opens later than the target, degrees, with commas between?", "numbers")
LOBES = _Key("lobes", "Which lobes are limited? Numbers with commas between. Enter: all.", "numbers")
CAPACITOR = _Key("capacitor_uf", "Capacitor across the points, microfarad? 0: none. Enter: not known.", "number")
#: Keys that can be asked again by themselves.
KEYS = {key.key: key for key in (*UNIT, *LIMITS, *TARGET, OFFSETS, LOBES, CAPACITOR)}


def acknowledged() -> Asking[tuple[str, ...]]:
    """Each caution, until Enter says that it was read."""
    for place, caution in enumerate(cautions.ACKNOWLEDGED, 1):
        answer = yield f"Caution {place} of {len(cautions.ACKNOWLEDGED)}. {caution} Enter: read."
        while answer:
            answer = yield "Press Enter alone once you have read the caution; type stop to leave."
    return cautions.ACKNOWLEDGED


def intake(job: JobFile | None, options: argparse.Namespace, home: Path) -> Asking[IntakeResult]:
    """Everything that a job begins with; what the command line tells already is not asked."""
    saved, failure = None, None
    started_from = options.job if job is not None else None
    if job is None:
        job = yield from typed_job()
        try:
            saved = job_sources.save(job, home)
        except OSError as error:
            failure = f"The job's file could not be written ({error.strerror or error}); the job goes on all the same."
    said = " ".join(
        [*([f"The job is kept in {saved}."] if saved else []), *([failure] if failure else []), *job_words(job)]
    )
    operator = options.operator
    if operator is None:
        operator = (yield from text(f"{said}\nWho works, for the record?")) or None
        said = ""
    hours = options.hours
    if hours is None:
        hours = yield from _hours(f"{said}\n" if said else "")
        said = ""
    received = yield from text(f"{said}\nState as received, in your words?".lstrip(), entries.MOST_NOTE)
    read = yield from acknowledged()
    findings = (received,) if received else ()
    return IntakeResult(job, operator, hours, options.recheck_of, findings, read, started_from, saved, failure)


def _hours(said: str) -> Asking[float | None]:
    hours = yield from figure(f"{said}Service hours of the unit?", "not known")
    while hours is not None and not 0 <= hours < 1e6:
        hours = yield from figure("Hours from 0 to below a million were expected.", "not known")
    return hours


def job_words(job: JobFile) -> list[str]:
    """The job in sentences, to be heard before it begins."""
    unit = job.unit
    lines = [
        f"Unit {unit.part_number}, serial number {unit.serial_number}, {unit.rotation} seen from the drive end, {unit.poles} poles."
    ]
    if job.limits is None:
        lines.append("No limits: measuring only, and the verdict will be none.")
    else:
        lines.append(f"Limits from {job.limits.reference}, revision {job.limits.revision}.")
    for breaker in job.breaker:
        said = f"{breaker.name} on probe channel {breaker.channel}"
        if breaker.opens_at_deg is None:
            lines.append(f"{said}: no target.")
        else:
            lines.append(
                f"{said}: target {breaker.opens_at_deg:g}° from {breaker.from_}, {breaker.minus_deg:g}° earlier and "
                f"{breaker.plus_deg:g}° later at most."
            )
    return lines


# --- the job file key by key ------------------------------------------------------------------------------------------


def typed_job() -> Asking[JobFile]:
    """A whole job, asked key by key."""
    tables: dict[str, Any] = {"unit": {}, "breaker": []}
    yield from _asked(UNIT, tables, "unit")
    while True:
        place = len(tables["breaker"])
        yield from _breaker(tables, place)
        if place + 1 == MOST_SETS or not (yield from yes_or_no("Is there another set of points?")):
            break
    names = [table["name"] for table in tables["breaker"]]
    if len(names) > 1 and (yield from yes_or_no("Does the manual limit how far apart two of them open?")):
        tables["difference"] = []
        yield from _difference(tables, names)
    if "difference" in tables or any("opens_at_deg" in table for table in tables["breaker"]):
        tables["limits"] = {}
        yield from _asked(LIMITS, tables, "limits")
    while wrong := problems(tables):
        # A rule that looks at several answers at once; each by itself was right.
        where, _, name = next(iter(wrong)).rpartition(".")
        told = f"{wrong[f'{where}.{name}']}."
        if name not in KEYS or where not in _places(tables):
            yield f"{told} The job is asked once more; press Enter."
            return (yield from typed_job())
        yield from _asked((KEYS[name],), tables, where, f"{told[:1].upper()}{told[1:]} ")
    return job_file.parse(tables, "The job as typed")


def _places(tables: dict[str, Any]) -> list[str]:
    named = [name for name in ("unit", "limits") if name in tables]
    return [*named, *(f"{name}[{n}]" for name in ("breaker", "difference") for n in range(len(tables.get(name, ()))))]


def _breaker(tables: dict[str, Any], place: int) -> Asking[None]:
    where = f"breaker[{place}]"
    tables["breaker"].append({"channel": place})
    default = "main" if place == 0 else None
    yield from _asked(
        (
            _Key("name", "Name of the set of points, such as main, retard, left?", default=default),
            _Key("channel", "Its probe channel, 0 to 7?", "number", default=str(place)),
        ),
        tables,
        where,
    )
    table = tables["breaker"][place]
    yield from _asked(TARGET[:1], tables, where)
    if "opens_at_deg" in table:
        yield from _asked(TARGET[1:], tables, where)
        others = [t["name"] for t in tables["breaker"][:place]]
        names = ("neutral", "mark", *(n for other in others for n in (other, f"{other}.target")))
        yield from _asked((replace(FROM, choices=names),), tables, where)
        if tables["unit"].get("cam") == "compensated":
            yield from _asked((LOBES, OFFSETS), tables, where)
    yield from _asked((CAPACITOR,), tables, where)


def _difference(tables: dict[str, Any], names: list[str]) -> Asking[None]:
    first = yield from choice("Which one is first?", names)
    second = yield from choice("Which one is counted from it?", [n for n in names if n != first])
    tables["difference"].append({"between": [first, second]})
    keys = (
        _Key("deg", "How many degrees after the first is it to open? 0: together; before it: with a minus.", "number"),
        _Key("minus_deg", "How many degrees less at most?", "number"),
        _Key("plus_deg", "How many degrees more at most?", "number"),
    )
    yield from _asked(keys, tables, f"difference[{len(tables['difference']) - 1}]")


def _asked(keys: Sequence[_Key], tables: dict[str, Any], where: str, wrong: str = "") -> Asking[None]:
    """Ask each key until the job file's rules have nothing against it; `wrong` is said before the first."""
    name, _, place = where.partition("[")
    table = tables[name][int(place.rstrip("]"))] if place else tables[name]
    for key in keys:
        while True:
            table.pop(key.key, None)
            value = yield from _value(key, wrong)
            if value is not None:
                table[key.key] = value
            found = problems(tables).get(f"{where}.{key.key}")
            if found is None:
                wrong = ""
                break
            wrong = "This is needed. " if found == NEEDED else f"{found[:1].upper()}{found[1:]}. "


def _value(key: _Key, wrong: str) -> Asking[Any]:
    if key.choices:
        answer = yield from choice(f"{wrong}{key.question}", key.choices, key.default)
    else:
        answer = yield f"{wrong}{key.question}" + (f" Enter: {key.default}." if key.default else "")
        answer = answer or key.default or ""
    if not answer:
        return None
    if key.kind == "numbers":
        return answer.lower() if answer.lower() == "all" else numbers(answer)
    return number(answer) if key.kind == "number" else answer
