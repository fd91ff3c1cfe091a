"""Notes of jobs under way, one small file each: they tell of a measurement that was cut off before it could tell so itself.

They are no evidence (that is the journal) and go when the job has its record, its stoppage or its closing. Beside each note lies a lock
that its process holds as long as it lives, so that a job that is being measured now is not taken for one that was cut off.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter, ValidationError

from bench.errors import JournalError, UsageError
from bench.files import printable
from bench.records.model import JournalLink

if TYPE_CHECKING:
    from filelock import BaseFileLock

FOLDER = "open_jobs"
#: Locks of the jobs that this process measures.
_held: dict[Path, BaseFileLock] = {}


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
    """Write the note, on the disk when this returns, and hold its lock until `release`, `forget` or the end of the process.

    Raises JournalError where it cannot be written: no journal can be either. Raises UsageError where another process measures this job.
    """
    path = _path(home, begun.id)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if not _hold(home, begun.id):
            raise _taken(begun.id)
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
    release(home, job_id)


def release(home: Path, job_id: str) -> None:
    """This process measures the job no more; its note stays, if it has one."""
    lock = _held.pop(_path(home, job_id), None)
    if lock is None:
        return
    lock.release()
    with contextlib.suppress(OSError):
        Path(lock.lock_file).unlink()


def under_way(home: Path, job_id: str) -> bool:
    """Whether a process on this computer measures the job now. Where nothing can be locked, it is taken for cut off."""
    if _path(home, job_id) in _held:
        return True
    lock = _path(home, job_id).with_suffix(".lock")
    if not lock.exists():
        return False
    if not _hold(home, job_id):
        return True
    release(home, job_id)
    return False


def refuse_under_way(home: Path, job_id: str) -> None:
    """A job that is measured by one must not be taken up by another. Raises UsageError."""
    if under_way(home, job_id):
        raise _taken(job_id)


def _taken(job_id: str) -> UsageError:
    return UsageError(f"{printable(job_id)} is being measured now, by another breakerbench on this computer.")


def _hold(home: Path, job_id: str) -> bool:
    from filelock import FileLock, Timeout

    path = _path(home, job_id)
    if path in _held:
        return True
    lock = FileLock(path.with_suffix(".lock"), timeout=0)
    try:
        lock.acquire()
    except Timeout:
        return False
    except (OSError, NotImplementedError):
        # Some network folders know no locks: then nothing is told, as it cannot be known.
        return True
    _held[path] = lock
    return True


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
