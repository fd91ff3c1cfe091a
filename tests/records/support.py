"""Records and journals for the tests: invented, small, and quick to make. A real measurement's are made by the commands' tests."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from bench.journal import JournalWriter, Kind
from bench.records.making import journal_link
from bench.records.model import Instrument, JournalLink, Record, Stoppage

AT = "2026-03-01T10:00:00+01:00"
UNIT = {"part_number": "DEMO-1", "serial_number": "SIM-0001", "rotation": "clockwise", "poles": 4}
NO_JOURNAL = JournalLink("none.capture", "journals/none.capture", "bench-1", 0, "")


def journal(folder: Path, name: str = "run.capture", pieces: int = 3) -> Path:
    """A journal of a few pieces in `folder`/journals."""
    path = folder / "journals" / name
    writer = JournalWriter(path, {"format": "breakerbench-journal", "name": name})
    for number in range(pieces):
        writer.append(Kind.FROM_BOARD, bytes(range(number, number + 40)))
    writer.close()
    return path


def result(serial_number: str = "SIM-0001", verdict: str = "inside", angle_deg: float = 10.25) -> dict[str, Any]:
    """A result with one opening, in the shape of the result document."""
    opening = {
        "lobe": 0,
        "angle_deg": angle_deg,
        "expanded_uncertainty_deg": 0.2,
        "coverage_factor": 2.0,
        "verdict": verdict,
        "passes_used": 5,
        "passes_void": 0,
    }
    return {
        "valid": True,
        "verdict": verdict,
        "simulated": False,
        "unit": {**UNIT, "serial_number": serial_number},
        "limits": {"reference": "Demonstration manual, invented", "revision": "A"},
        "as_found": None,
        "breakers": [{"name": "main", "channel": 0, "from": "neutral", "openings": [opening]}],
    }


def record(number: int, link: JournalLink = NO_JOURNAL, **changes: Any) -> Record:
    """The record numbered `number`; ids and times rise with it."""
    serial = changes.pop("serial_number", "SIM-0001")
    made = Record(
        id=f"20260301-{number:08d}",
        made_at=AT,
        began_at=AT,
        operator="A. Learner",
        result=result(serial, changes.pop("verdict", "inside")),
        job={"unit": {**UNIT, "serial_number": serial}},
        bench={},
        instrument=Instrument("0011223344556677", "1.0.0", 3, 10_000, None, "breakerbench test", 2),
        journal=link,
    )
    return replace(made, **changes)


def stoppage(job_id: str, number: int = 1, link: JournalLink = NO_JOURNAL) -> Stoppage:
    """One interruption of a job."""
    return Stoppage(
        id=f"STOP-{job_id}-{number}",
        job_id=job_id,
        at=AT,
        code="interrupted",
        text="Stopped by the user.",
        operator=None,
        service_hours=None,
        recheck_of=None,
        result={"unit": UNIT},
        job={"unit": UNIT},
        bench={},
        passes=5,
        followers_lifted=False,
        journal=link,
    )


def with_journal(folder: Path, number: int, **changes: Any) -> Record:
    """A record with a journal of its own in `folder`."""
    return record(number, journal_link(journal(folder, f"run-{number}.capture"), folder), **changes)
