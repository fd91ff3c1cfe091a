"""A record made from a journal and its result: what is taken over, and why it may not be fit for record."""

from __future__ import annotations

import hashlib
import json
import platform
from datetime import date, datetime
from pathlib import Path
from typing import Any

from bench import entries
from bench.errors import CaptureError
from bench.files import printable
from bench.journal import JournalReader
from bench.records.model import Calibration, Check, Instrument, JournalLink, Record, Tool
from bench.result import ResultDocument

SIMULATED = "It was measured on a simulated unit."
_PIECE = 1 << 20


def journal_link(path: Path, base: Path) -> JournalLink:
    """The journal at `path` as it is now, up to its last whole record; `base` is the folder that a place within counts from.

    Raises CaptureError when it cannot be read or is no journal.
    """
    with JournalReader(path) as reader:
        size = 0
        for found in reader.records():
            size = found.offset + 9 + len(found.payload)
    whole = path.resolve()
    try:
        place = whole.relative_to(base.resolve()).as_posix()
    except ValueError:
        place = str(whole)
    return JournalLink(path.name, place, platform.node(), size, hash_of_start(path, size))


def hash_of_start(path: Path, size: int) -> str:
    """SHA-256 of the first `size` bytes of a file, hexadecimal. Raises CaptureError when it cannot be read."""
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while size > 0 and (piece := file.read(min(_PIECE, size))):
                digest.update(piece)
                size -= len(piece)
    except OSError as failure:
        raise CaptureError(f"{printable(str(path))}: cannot be read ({failure.strerror or failure}).") from None
    return digest.hexdigest()


def read_header(path: Path) -> dict[str, Any]:
    """A journal's header. Raises CaptureError."""
    with JournalReader(path) as reader:
        return reader.header()


def make_record(
    record_id: str,
    header: dict[str, Any],
    result: ResultDocument,
    journal: JournalLink,
    made_at: str,
    operator: str | None = None,
    service_hours: float | None = None,
    recheck_of: str | None = None,
    earlier_journals: tuple[JournalLink, ...] = (),
    checks: tuple[Check, ...] = (),
    tools: tuple[Tool, ...] = (),
    skipped_steps: tuple[str, ...] = (),
) -> Record:
    """The record of a valid result. `header` is the journal's, `made_at` now, ISO 8601 with zone.

    `checks`, `tools` and `skipped_steps` are beside those that the result's entries tell of.
    What only a rehearsal knows (the simulator's truth) is not part of a record.
    """
    calibration = _calibration(header.get("encoder_map"))
    board = result.board or {}
    began_at = str(header["run_date"])
    entered = entries.of_journal(result.entries, header.get("guided") is True)
    checks = (*checks, *entered.checks)
    tools = (*tools, *entered.tools)
    skipped_steps = (*skipped_steps, *entered.skipped_steps)
    return Record(
        id=record_id,
        made_at=made_at,
        began_at=began_at,
        operator=operator,
        result=json.loads(result.model_copy(update={"truth": None}).to_json()),
        job=header["job"],
        bench=header["bench"],
        instrument=Instrument(
            board_id=board.get("board_id"),
            firmware=board.get("firmware"),
            boot_counter=board.get("boot_counter"),
            counts_per_turn=board.get("counts_per_turn"),
            encoder_map=calibration,
            software=str(header["software"]),
            analysis=int(header["analysis"]),
        ),
        journal=journal,
        not_for_record=_reasons(result, began_at, calibration, checks, tools, skipped_steps),
        service_hours=service_hours,
        recheck_of=recheck_of,
        earlier_journals=earlier_journals,
        checks=checks,
        findings=entered.findings,
        tools=tools,
        skipped_steps=skipped_steps,
        cautions_acknowledged=entered.cautions_acknowledged,
    )


def _reasons(
    result: ResultDocument,
    began_at: str,
    calibration: Calibration | None,
    checks: tuple[Check, ...],
    tools: tuple[Tool, ...],
    skipped_steps: tuple[str, ...],
) -> tuple[str, ...]:
    found = []
    # Unknown is not "no": a board that never said what it is does not make a record.
    if result.simulated is not False:
        found.append(SIMULATED)
    day = datetime.fromisoformat(began_at).date()
    if calibration is not None and day > date.fromisoformat(calibration.due_on):
        found.append(f"The encoder's {calibration.kind} was due on {calibration.due_on}.")
    found += [
        f"The calibration of {tool.name} was due on {tool.calibration_due}."
        for tool in dict.fromkeys((*tools, *(c.tool for c in checks if c.tool is not None)))
        if tool.calibration_due is not None and day > date.fromisoformat(tool.calibration_due)
    ]
    found += [f"A step was skipped: {step}." for step in skipped_steps]
    found += [
        f"{check.name}: not as it should be, and this stops the job."
        for check in checks
        if check.stops_job and check.verdict == entries.OUTSIDE
    ]
    return tuple(found)


def _calibration(encoder_map: Any) -> Calibration | None:
    """Kind and dates of the encoder map in a journal's header, if there is one."""
    if not isinstance(encoder_map, dict):
        return None
    certificate = encoder_map.get("certificate")
    return Calibration(
        kind=str(encoder_map["kind"]),
        made_on=str(encoder_map["made_on"]),
        due_on=str(encoder_map["due_on"]),
        reference=str(certificate["text"]) if isinstance(certificate, dict) else None,
    )
