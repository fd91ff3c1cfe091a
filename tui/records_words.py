"""Records, their stories and their verification as text for a terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime, timedelta

from bench.files import printable
from bench.records.backup import Backup
from bench.records.model import BLANKS, OpenJob, Stored, StoreError, Summary
from bench.records.verification import Verification
from tui import plain_text
from tui.columns import columns

_MOST_SHOWN = 20


def page(lines: Sequence[Summary], limit: int) -> str:
    """A list of records."""
    if not lines:
        return "There is no record."
    cells = [("record", "made at", "serial number", "part number", "verdict", "")]
    for line in lines:
        marks = ([] if line.for_record else ["NOT FOR RECORD"]) + ([f"amended {line.amended}×"] if line.amended else [])
        cells.append((line.id, line.made_at, line.serial_number, line.part_number, line.verdict, ", ".join(marks)))
    text = columns([[printable(cell) for cell in row] for row in cells])
    if len(lines) == limit:
        text += f"\nThere may be more: --before {lines[-1].sequence}"
    return text


def open_jobs(jobs: Sequence[OpenJob]) -> str:
    """A list of jobs that were interrupted."""
    if not jobs:
        return "There is no open job."
    found = []
    for job in jobs:
        found.append(f"{job.id}  {job.at}  serial number {printable(job.serial_number)}: {job.code}")
        found.append(f"    {printable(job.text)}")
        found.append(f"    journal {printable(job.journal)}")
    found.append(
        "Go on: breakerbench measure --resume ID. Give up: breakerbench records close ID --by NAME --why TEXT."
    )
    return "\n".join(found)


def story(stored: Stored, keep_years: float) -> str:
    """A record with all that was said about it later."""
    record = stored.record
    lines = [f"Record {record.id}, entry {stored.sequence}", f"hash {stored.hash}"]
    if record.not_for_record:
        lines.append("NOT FOR RECORD: " + " ".join(record.not_for_record))
    lines += [
        f"Measured {record.began_at}, written {record.made_at} by {_or_blank(record.operator)}",
        f"Unit: part number {record.part_number}, serial number {record.serial_number}"
        + ("" if record.service_hours is None else f", {record.service_hours:g} h"),
        f"Instrument: board {record.instrument.board_id}, firmware {record.instrument.firmware}, {record.instrument.software}",
        "Encoder map: none" if record.instrument.encoder_map is None else _map(stored),
        f"Journal: {record.journal.place} on {record.journal.computer}, {record.journal.size_bytes} bytes",
        f"  SHA-256 {record.journal.sha256}",
    ]
    if record.earlier_journals:
        lines.append("Earlier sessions: " + ", ".join(journal.place for journal in record.earlier_journals))
    if record.recheck_of is not None:
        lines.append(f"Recheck of {record.recheck_of}")
    if stored.rechecks:
        lines.append("Rechecked by " + ", ".join(stored.rechecks))
    lines += [f"Finding: {finding.text}" for finding in record.findings]
    for check in record.checks:
        figure = "" if check.value is None else f" {check.value:g} {check.unit or ''}"
        lines.append(f"Check: {check.name}{figure}: {check.verdict or 'no verdict'}")
    lines += ["", _result(stored), ""]
    for amendment in stored.amendments:
        lines.append(f"Amended {amendment.at} by {amendment.by}, because {amendment.why}:")
        lines += [f"  {field}: {text}" for field, text in amendment.changes]
    lines += [f"{blank.replace('_', ' ').capitalize()}: " + "_" * 24 for blank in BLANKS]
    lines.append(f"To be kept until {kept_until(record.made_at, keep_years)} at least, by this bench's setting.")
    return "\n".join(printable(line) for text in lines for line in text.split("\n"))


def _result(stored: Stored) -> str:
    try:
        return plain_text.result(stored.record.document)
    except StoreError as failure:
        return failure.text


def _map(stored: Stored) -> str:
    found = stored.record.instrument.encoder_map
    return "" if found is None else f"Encoder map: {found.kind} of {found.made_on}, due {found.due_on}"


def kept_until(made_at: str, years: float) -> date:
    """The day until which a record made at `made_at` (ISO 8601) is kept: never a day short of so many years.

    Years are the calendar's; what is left of a year is of 366 days. A 29 February that is not there is 1 March.
    """
    day = datetime.fromisoformat(made_at).date()
    part, whole = math.modf(years)
    year = day.year + int(whole)
    try:
        day = day.replace(year=year)
    except ValueError:
        day = date(year, 3, 1)
    return day + timedelta(days=math.ceil(part * 366))


def _or_blank(text: str | None) -> str:
    return "an operator who is not named" if text is None else text


def verification(found: Verification) -> str:
    """What was checked, and every broken link."""
    lines = [f"BROKEN: {printable(problem.text)}" for problem in found.problems]
    lines += [f"Not checked: {text}." for text in found.unchecked[:_MOST_SHOWN]]
    if len(found.unchecked) > _MOST_SHOWN:
        lines.append(f"Not checked: {len(found.unchecked) - _MOST_SHOWN} journals more.")
    lines += [f"Outside: {printable(r.file)}, bytes {r.begin} to {r.end - 1}: {r.what}" for r in found.outside]
    lines.append(
        f"{found.entries} entries, {found.records} of them records, and {found.journals} journals in {found.place}."
    )
    lines.append(f"Head {found.head.count}:{found.head.hash}")
    lines.append("WHOLE" if found.whole else "BROKEN")
    return "\n".join(lines)


def report(record_id: str | None, record_hash: str | None, problems: Sequence[str], unchecked: Sequence[str]) -> str:
    """What was checked of a report, and what is wrong with it."""
    lines = [f"BROKEN: {printable(text)}" for text in problems]
    lines += [f"Not checked: {printable(text)}" for text in unchecked]
    lines.append("No record is inside." if record_id is None else f"Record {printable(record_id)}, hash {record_hash}")
    lines.append("BROKEN" if problems else "WHOLE")
    return "\n".join(lines)


def backup(made: Backup) -> str:
    """What was copied."""
    lines = [f"{made.file}: {made.head.count} entries and {made.journals} journals."]
    lines += [f"Not on this computer, so not in the backup: {printable(place)}" for place in made.missing]
    lines.append(f"Head {made.head.count}:{made.head.hash}")
    lines.append(f"Check it: breakerbench records verify {made.file.parent}")
    return "\n".join(lines)
