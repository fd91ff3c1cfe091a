"""What the intake form can start from and look up, and where the job that was typed is kept."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

import tomlkit

from bench import job_file
from bench.errors import BenchError, CaptureError, JobFileError
from bench.files import printable
from bench.job_file import JobFile
from bench.journal import JournalReader
from bench.records.model import RecordNotFound, Stored, StoreError
from bench.records.store import open_store

FOLDER = "jobs"
#: More would not be looked through by anyone.
MOST_OFFERED = 6
#: Journals and files looked at for them; the newest come first.
_MOST_READ = 20


@dataclass(frozen=True, slots=True)
class Offer:
    """A job that was done or typed before: where it comes from, and when (ISO date)."""

    job: JobFile
    source: str
    day: str


@dataclass(frozen=True, slots=True)
class Known:
    """What the store knows of a serial number: its last record."""

    record_id: str
    day: str
    as_left: str


@dataclass(frozen=True, slots=True)
class Looked:
    """What the store said to a serial number and a record's id; `recheck_of` is the whole id, `recheck_problem` one clause."""

    serial_number: str
    asked_of: str
    known: Known | None = None
    recheck_of: str | None = None
    recheck_problem: str = ""


def offers(home: Path, store: str | Path) -> tuple[Offer, ...]:
    """The last jobs, one for each unit: from the store, the journals and the job files typed before, newest first."""
    found = [*_from_store(store), *_from_journals(home), *_from_files(home)]
    found.sort(key=lambda offer: offer.day, reverse=True)
    units: dict[tuple[str, str], Offer] = {}
    for offer in found:
        units.setdefault((offer.job.unit.part_number, offer.job.unit.serial_number), offer)
    return tuple(units.values())[:MOST_OFFERED]


def _from_store(setting: str | Path) -> Iterator[Offer]:
    with contextlib.suppress(StoreError), open_store(setting, read_only=True) as store:
        for line in store.page(limit=MOST_OFFERED):
            record = store.get(line.id).record
            if record.result.get("simulated") is not True:
                yield from _offer(record.job, f"record {record.id}", record.began_at)


def _from_journals(home: Path) -> Iterator[Offer]:
    # Journals are named by the time of their beginning.
    for path in sorted(_listed(home / "journals", "*.capture"), key=lambda p: p.name, reverse=True)[:_MOST_READ]:
        with contextlib.suppress(CaptureError), JournalReader(path) as reader:
            header = reader.header()
            if header.get("rehearsal") is None:
                yield from _offer(header.get("job"), f"journal {path.name}", str(header.get("run_date")))


def _from_files(home: Path) -> Iterator[Offer]:
    from datetime import datetime

    dated = []
    for path in _listed(home / FOLDER, "*.toml"):
        with contextlib.suppress(OSError):
            dated.append((path.stat().st_mtime, path))
    for written, path in sorted(dated, reverse=True)[:_MOST_READ]:
        with contextlib.suppress(JobFileError):
            day = datetime.fromtimestamp(written).astimezone().isoformat()[:10]
            yield Offer(job_file.load(path), str(path), day)


def _listed(folder: Path, pattern: str) -> list[Path]:
    try:
        return list(folder.glob(pattern))
    except OSError:
        return []


def _offer(tables: Any, source: str, at: str) -> Iterator[Offer]:
    with contextlib.suppress(JobFileError):
        yield Offer(job_file.parse(tables, source), printable(source), at[:10])


def look_up(setting: str | Path, serial_number: str, record: str) -> Looked:
    """Ask the store for a unit's last record, and for the record to be rechecked (its id or the beginning of it; may be empty)."""
    if not serial_number and not record:
        return Looked(serial_number, record)
    try:
        with open_store(setting, read_only=True) as store:
            known = store.find(serial_number) if serial_number else ()
            last = _known(known[-1]) if known else None
            if not record:
                return Looked(serial_number, record, last)
            try:
                found = store.get(record)
            except RecordNotFound as failure:
                return Looked(serial_number, record, last, None, failure.text)
            if serial_number and found.serial_number != serial_number:
                other = f"record {found.record.id} is of serial number {printable(found.serial_number)}"
                return Looked(serial_number, record, last, None, other)
            return Looked(serial_number, record, last, found.record.id)
    except StoreError as failure:
        # Without a store there is nothing that could be rechecked; everything else does without it.
        return Looked(serial_number, record, None, None, failure.text if record else "")


def _known(stored: Stored) -> Known:
    record = stored.record
    try:
        angles = [_as_left(b.name, b.from_, [o.angle_deg for o in b.openings]) for b in record.document.breakers]
    except StoreError:
        angles = []
    left = "; ".join(angle for angle in angles if angle) or "no angle"
    return Known(record.id, record.began_at[:10], printable(f"{left} ({record.verdict})"))


def _as_left(name: str, counted_from: str, angles: list[float | None]) -> str:
    known = [angle for angle in angles if angle is not None]
    if not known:
        return ""
    low, high = f"{min(known):.2f}°", f"{max(known):.2f}°"
    return f"{name} {low if low == high else f'{low} to {high}'} from {counted_from}"


def to_toml(job: JobFile) -> str:
    """The job file's text; read back, it is the same job."""
    tables = job.model_dump(mode="json", by_alias=True, exclude_none=True)
    if not tables["difference"]:
        del tables["difference"]
    return tomlkit.dumps(tables)


def save(job: JobFile, home: Path) -> Path:
    """Keep a job as a file in `home`/jobs, under the unit's serial number; one that says the same already is left as it is.

    Raises OSError when it cannot be written.
    """
    text = to_toml(job)
    stem = job_file.file_stem(job.unit.serial_number)
    folder = home / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for number in count(1):
        path = folder / (f"{stem}.toml" if number == 1 else f"{stem}-{number}.toml")
        if _says(path, job):
            return path
        try:
            # Never over another job's file, whoever wrote it a moment ago.
            with path.open("x", encoding="utf-8") as file:
                file.write(text)
        except FileExistsError:
            continue
        return path
    raise AssertionError


def _says(path: Path, job: JobFile) -> bool:
    try:
        return path.exists() and job_file.load(path) == job
    except BenchError:
        return False
