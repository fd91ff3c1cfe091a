"""A whole simulated job as a journal, a record and a store, and results with whatever figures a test wants."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bench import bench_file, job_file
from bench.journal import JournalWriter, Kind
from bench.records.making import journal_link, make_record
from bench.records.model import Record, Stored
from bench.records.store import Store, open_store
from bench.replay import replay
from bench.reports import contents
from bench.reports.contents import Source
from bench.result import document
from bench.settings import Rehearsal, header
from tests.records.support import record
from tests.statements.test_guided import entry, job_script
from tests.support.scripted import job, play, records, wire
from tests.support.simulated import carry_out

AT = "2026-03-02T09:30:00+01:00"
SOFTWARE = "breakerbench test"


@dataclass(frozen=True)
class Kept:
    """A job carried out and kept: its journal, and its record in a store in the same folder."""

    folder: Path
    journal: Path
    record: Record

    def store(self) -> Store:
        return open_store(self.folder / "records.sqlite")

    def source(self) -> Source:
        with self.store() as store:
            stored, entry = store.get(self.record.id), store.entry_of(self.record.id)
        return contents.of_record(stored, entry, self.journal)


def keep(folder: Path, scenario: str, record_id: str = "20260301-AAAAAAAA", **more: Any) -> Kept:
    """Carry out a scenario and keep it as `measure` would; `more` goes to `make_record`."""
    job = carry_out(scenario, 3)
    journal = folder / "journals" / f"{scenario}.capture"
    writer = JournalWriter(journal, job.document)
    for piece in job.records:
        writer.append(Kind(piece.kind), piece.payload)
    writer.close()
    made = make_record(record_id, job.document, document(job.run, None), journal_link(journal, folder), AT, **more)
    with open_store(folder / "records.sqlite") as store:
        store.add(made)
    return Kept(folder, journal, made)


def opening(lobe: int = 0, **figures: Any) -> dict[str, Any]:
    """An opening of a result document; what is not named is unknown."""
    return {
        "lobe": lobe,
        "angle_deg": 10.25,
        "standard_uncertainty_deg": 0.1,
        "expanded_uncertainty_deg": 0.2,
        "coverage_factor": 2.0,
        "passes_used": 5,
        "passes_void": 0,
        "verdict": "none",
        **figures,
    }


def stored(number: int, result: dict[str, Any], **changes: Any) -> Stored:
    """A record with changes to the result that `tests/records` makes, as a store gives it."""
    made = record(number, **changes)
    return Stored(replace(made, result={**made.result, "breakers": [breaker()], **result}), number, f"{number:064d}")


def breaker(name: str = "main", *openings: dict[str, Any], from_: str = "neutral", channel: int = 0) -> dict[str, Any]:
    """A breaker of a result document."""
    return {"name": name, "channel": channel, "from": from_, "openings": list(openings or (opening(),))}


def source_of(made: Stored) -> Source:
    """A record alone, without its journal."""
    return Source(made.record.document, made.record.bench, None, made, no_journal="The journal is on another computer")


def keep_guided(folder: Path, record_id: str = "20260301-BBBBBBBB") -> Kept:
    """A guided rehearsal by script, kept as `measure` would: as found, the points moved 1.5° later, as left, a check entered.

    The rotor follows the script exactly, so every angle is known: the breakers open at 10° and 12° as found, 11.5° and 13.5° as left.
    As found, the second lies outside its limits.
    """
    moved = job_script()
    script = replace(moved, open_over=(((10.0, 80.0), (190.0, 260.0)), ((12.0, 82.0), (192.0, 262.0))))
    tables = job(breakers=2)
    tables["breaker"][1] |= {"opens_at_deg": 13.5, "minus_deg": 0.9}
    tables["difference"] = [{"between": ["main", "second1"], "deg": 2.0, "minus_deg": 0.5, "plus_deg": 0.5}]
    parsed = (job_file.parse(tables, "job"), bench_file.parse({"encoder_sense": "clockwise"}, "bench"))
    head = header(*parsed, 5, AT, SOFTWARE, Rehearsal("two breakers, scripted", 1), guided=True)
    journal = folder / "journals" / "guided.capture"
    writer = JournalWriter(journal, head)
    checks = (
        {"kind": "check", "name": "end play", "verdict": "not done"},
        {"kind": "check", "name": "seal", "verdict": "not done"},
        {"kind": "check", "name": "seal", "verdict": "done"},
        {"kind": "check", "name": "spring tension", "value": 5.25, "unit": "N", "verdict": "inside"},
    )
    for piece in [*records(script, wire(play(script))), *map(entry, (*checks, {"kind": "step", "to": "done"}))]:
        writer.append(Kind(piece.kind), piece.payload)
    writer.close()
    made = make_record(record_id, head, document(replay(journal).run, None), journal_link(journal, folder), AT)
    with open_store(folder / "records.sqlite") as store:
        store.add(made)
    return Kept(folder, journal, made)
