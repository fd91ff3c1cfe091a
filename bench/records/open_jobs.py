"""Notes of jobs under way, one small file each: they tell of a measurement that was cut off before it could tell so itself.

They are no evidence (that is the journal) and go when the job has its record, its stoppage or its closing.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from bench.errors import JournalError
from bench.files import printable
from bench.records.model import JournalLink

FOLDER = "open_jobs"


@dataclass(frozen=True, slots=True)
class Begun:
    """A job under way: what its record will be called, and all that is not in its journal. `header` is the journal's."""

    id: str
    at: str
    journal: str
    header: dict[str, Any]
    operator: str | None = None
    service_hours: float | None = None
    recheck_of: str | None = None
    earlier_journals: tuple[JournalLink, ...] = ()

    @property
    def serial_number(self) -> str:
        """Of the unit."""
        return str(self.header["job"]["unit"]["serial_number"])


def note(home: Path, begun: Begun) -> None:
    """Write the note, on the disk when this returns. Raises JournalError: where it cannot be written, no journal can either."""
    path = _path(home, begun.id)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(".part")
        with part.open("w", encoding="utf-8") as file:
            json.dump(asdict(begun), file, ensure_ascii=False)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as failure:
        raise JournalError(
            f"{printable(str(path))} cannot be written ({failure.strerror or failure}), so nothing could be kept."
        ) from None


def forget(home: Path, job_id: str) -> None:
    """The job is open no more, or the store knows of it."""
    with contextlib.suppress(OSError):
        _path(home, job_id).unlink()


def begun(home: Path) -> Iterator[Begun]:
    """All notes, earliest first. A note that cannot be read says nothing; its journal is there all the same."""
    for path in sorted((home / FOLDER).glob("*.json")):
        with contextlib.suppress(OSError, ValueError, ValidationError):
            yield TypeAdapter(Begun).validate_json(path.read_bytes())


def find(home: Path, job_id: str) -> Begun | None:
    """The note of one job."""
    return next((b for b in begun(home) if b.id == job_id), None)


def of_journal(home: Path, journal: Path) -> Begun | None:
    """The note of the job that is measured into `journal`."""
    return next((b for b in begun(home) if Path(b.journal).resolve() == journal.resolve()), None)


def _path(home: Path, job_id: str) -> Path:
    return home / FOLDER / f"{job_id}.json"
