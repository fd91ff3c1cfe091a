"""A conformance run of a builder's own board: a pure function of the journal's records.

`Conformance` takes the records as they come and gives the findings at any time. The guided steps are in `conformance_steps`, what is
collected in `conformance_evidence`; `conformance_session` carries a run out on a port.
"""

from __future__ import annotations

import json
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from bench import conformance_link as link
from bench import conformance_pins as pins
from bench import conformance_probes as probes
from bench.conformance_evidence import Evidence
from bench.conformance_finding import Finding, Status
from bench.journal import Record

JOURNAL_FORMAT = "breakerbench-conformance-journal"
VERSION = 1


class Conformance:
    """Feed it the journal's records in order; ask for `findings` when the run has ended, or before."""

    def __init__(self) -> None:
        self.evidence = Evidence()

    def feed(self, record: Record) -> None:
        """Take in one record."""
        self.evidence.feed(record)

    def findings(self) -> tuple[Finding, ...]:
        """One finding for each thing that is checked, the link first, then the pins."""
        seen = self.evidence
        channels = seen.hello.contact_channels if seen.hello is not None else 0
        return (
            link.line(seen),
            link.identity(seen),
            link.fingerprint(seen),
            link.resets(seen),
            link.position_rate(seen),
            link.tick_rate(seen),
            link.latency(seen),
            link.troubles(seen),
            pins.turning(seen),
            pins.index(seen),
            pins.transitions(seen),
            pins.edges(seen),
            *(probes.probe(seen, channel) for channel in range(channels)),
            probes.order(seen),
            probes.shared(seen),
            probes.levels(seen),
            pins.pedal(seen),
        )


def outcome(findings: tuple[Finding, ...]) -> Status:
    """The worst of all: a failure beats what was not tried, that beats attention."""
    for status in (Status.FAIL, Status.NOT_TRIED, Status.ATTENTION):
        if any(f.status is status for f in findings):
            return status
    return Status.PASS


def exit_status(findings: tuple[Finding, ...]) -> int:
    """0 nothing fails and all was tried, 3 something was not tried, 4 something fails."""
    return {Status.FAIL: 4, Status.NOT_TRIED: 3}.get(outcome(findings), 0)


def header(port: str | None, baud: int, run_date: str, software: str) -> dict[str, Any]:
    """The journal's header of a conformance run. `run_date` is ISO 8601 with zone."""
    return {
        "format": JOURNAL_FORMAT,
        "version": VERSION,
        "port": port,
        "baud": baud,
        "run_date": run_date,
        "software": software,
    }


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True)


class FindingRow(_Model):
    """One finding. Figures carry their units in their names."""

    code: str
    status: Literal["pass", "attention", "fail", "not tried"]
    checked: str
    seen: str
    advice: str | None
    figures: dict[str, float | int | str | None]


class ErrorRow(_Model):
    """What ended the run before its time."""

    code: str
    text: str


class ConformanceDocument(_Model):
    """The JSON document of a conformance run."""

    format: Literal["breakerbench-conformance"] = "breakerbench-conformance"
    version: int = VERSION
    valid: bool
    outcome: Literal["pass", "attention", "fail", "not tried"]
    port: str | None
    run_date: str
    software: str
    simulated: bool | None
    findings: list[FindingRow]
    error: ErrorRow | None
    journal: str | None

    def to_json(self) -> str:
        """The document as text; never NaN, one line for each key."""
        return json.dumps(self.model_dump(mode="json"), indent=2, ensure_ascii=False, allow_nan=False)


def document(conformance: Conformance, run_header: dict[str, Any], journal: str | None) -> ConformanceDocument:
    """Findings as a document; `journal` is where the evidence lies, None if there is none."""
    findings = conformance.findings()
    failure = conformance.evidence.failure
    hello = conformance.evidence.hello
    return ConformanceDocument(
        valid=failure is None,
        outcome=outcome(findings).value,
        port=run_header["port"],
        run_date=run_header["run_date"],
        software=run_header["software"],
        simulated=None if hello is None else bool(hello.simulated),
        findings=[
            FindingRow(
                code=f.code,
                status=f.status.value,
                checked=f.checked,
                seen=f.seen,
                advice=f.advice or None,
                figures={figure.name: figure.value for figure in f.figures},
            )
            for f in findings
        ],
        error=None if failure is None else ErrorRow(code=failure.code, text=failure.text),
        journal=journal,
    )
