"""What a record holds. Frozen; written once, never changed: an amendment is a further entry beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from bench.errors import BenchError
from bench.result import ResultDocument

FORMAT = "breakerbench-record"
VERSION = 1

#: What the rules leave to a person (14 CFR 43.9, 145.211, 145.219). The program never fills these in; a report prints blanks.
BLANKS = ("inspector", "signature", "certificate", "return_to_service")


class StoreError(BenchError):
    """The record store cannot be used, or refuses. The measurement itself is in its journal. Exit 5."""

    code = "store"
    exit_status = 5


class RecordNotFound(StoreError):
    """There is no such record, or more than one that the name fits. Exit 2: the user named it."""

    code = "no-such-record"
    exit_status = 2


@dataclass(frozen=True, slots=True)
class JournalLink:
    """A journal as it was when the entry was made: name, where it lay (within the data folder, or absolute), on which computer,
    the bytes that were committed and their SHA-256 (hexadecimal). Later bytes are outside the record."""

    name: str
    place: str
    computer: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Tool:
    """A tool used beside the bench, and the last day on which its calibration holds (ISO date), if stated."""

    name: str
    serial_number: str | None = None
    calibration_due: str | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """One of the manual's other checks. `unit` is that of the figures; verdict "inside", "outside", "done", "not done".

    `stops_job`: without it, or with it outside, no angle makes the unit fit.
    """

    name: str
    value: float | None = None
    unit: str | None = None
    lower_limit: float | None = None
    upper_limit: float | None = None
    verdict: str | None = None
    tool: Tool | None = None
    note: str | None = None
    stops_job: bool = False


@dataclass(frozen=True, slots=True)
class Finding:
    """Something found on the unit, in the operator's words."""

    text: str


@dataclass(frozen=True, slots=True)
class Calibration:
    """What the encoder's angles rest on: kind "characterization" or "calibration", and its dates (ISO)."""

    kind: str
    made_on: str
    due_on: str
    reference: str | None = None


@dataclass(frozen=True, slots=True)
class Instrument:
    """The bench that measured."""

    board_id: str | None
    firmware: str | None
    boot_counter: int | None
    counts_per_turn: int | None
    encoder_map: Calibration | None
    software: str
    analysis: int


@dataclass(frozen=True, slots=True)
class Record:
    """One measurement, for good.

    `began_at` and `made_at` are ISO 8601 with zone: begin of the measuring, and when the record was written. `result` is the
    result document as it was written (see `document`); `job` and `bench` are the files that were used, as in the journal's
    header. `not_for_record` holds the reasons in words; empty: fit for record. `recheck_of` names the record of the first
    verify. `earlier_journals` are those of interrupted sessions of the same job. `service_hours`: of the unit, as typed.
    """

    id: str
    made_at: str
    began_at: str
    operator: str | None
    result: dict[str, Any]
    job: dict[str, Any]
    bench: dict[str, Any]
    instrument: Instrument
    journal: JournalLink
    not_for_record: tuple[str, ...] = ()
    service_hours: float | None = None
    recheck_of: str | None = None
    earlier_journals: tuple[JournalLink, ...] = ()
    checks: tuple[Check, ...] = ()
    findings: tuple[Finding, ...] = ()
    tools: tuple[Tool, ...] = ()
    skipped_steps: tuple[str, ...] = ()
    cautions_acknowledged: tuple[str, ...] = ()
    inspector: None = None
    signature: None = None
    certificate: None = None
    return_to_service: None = None

    @property
    def serial_number(self) -> str:
        """Of the unit."""
        return str((self.result.get("unit") or {}).get("serial_number", ""))

    @property
    def part_number(self) -> str:
        """Of the unit."""
        return str((self.result.get("unit") or {}).get("part_number", ""))

    @property
    def verdict(self) -> str:
        """Overall: inside, outside, undecided or none."""
        return str(self.result.get("verdict") or "none")

    @property
    def document(self) -> ResultDocument:
        """The result. Keys that were unknown when an old record was written are null. Raises StoreError if it is none."""
        from bench.records.content import result_document

        return result_document(self.result)


@dataclass(frozen=True, slots=True)
class Amendment:
    """A later statement about a record: who, when (ISO 8601 with zone), why, and what is now to be read instead.

    `amends_hash` is the hash of the record's own entry. `changes` holds (field, text) pairs, fields as in `AMENDABLE`; a
    "finding" or "remark" is added, the others are replaced. Measured figures are never amended: measure again.
    """

    id: str
    record_id: str
    amends_hash: str
    by: str
    at: str
    why: str
    changes: tuple[tuple[str, str], ...]


AMENDABLE = ("operator", "serial_number", "part_number", "service_hours", "finding", "remark")


@dataclass(frozen=True, slots=True)
class Stoppage:
    """A measurement that ended without a valid result. The job stays open until it is resumed to a record, or closed.

    `id` is the entry's own, `job_id` what the job's record will be called.
    """

    id: str
    job_id: str
    at: str
    code: str
    text: str
    operator: str | None
    service_hours: float | None
    recheck_of: str | None
    result: dict[str, Any]
    job: dict[str, Any]
    bench: dict[str, Any]
    passes: int
    followers_lifted: bool
    journal: JournalLink
    simulated: bool = False


@dataclass(frozen=True, slots=True)
class Closing:
    """An open job given up: by whom, when, why."""

    id: str
    job_id: str
    by: str
    at: str
    why: str


@dataclass(frozen=True, slots=True)
class Stored:
    """A record with its place in the chain and its story. `record` is as first written."""

    record: Record
    sequence: int
    hash: str
    amendments: tuple[Amendment, ...] = ()
    rechecks: tuple[str, ...] = ()

    @property
    def operator(self) -> str | None:
        """As last amended."""
        return self._latest("operator") or self.record.operator

    @property
    def serial_number(self) -> str:
        """As last amended."""
        return self._latest("serial_number") or self.record.serial_number

    @property
    def part_number(self) -> str:
        """As last amended."""
        return self._latest("part_number") or self.record.part_number

    @property
    def service_hours(self) -> float | None:
        """As last amended."""
        text = self._latest("service_hours")
        return self.record.service_hours if text is None else float(text)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Those of the record, then those added by amendments."""
        return self.record.findings + tuple(
            Finding(text) for a in self.amendments for field, text in a.changes if field == "finding"
        )

    @property
    def remarks(self) -> tuple[str, ...]:
        """Added by amendments."""
        return tuple(text for a in self.amendments for field, text in a.changes if field == "remark")

    def _latest(self, field: str) -> str | None:
        found = [text for a in self.amendments for name, text in a.changes if name == field]
        return found[-1] if found else None


@dataclass(frozen=True, slots=True)
class Summary:
    """A line of a list, from the store's columns alone. Serial and part number are as first written."""

    id: str
    sequence: int
    made_at: str
    serial_number: str
    part_number: str
    verdict: str
    for_record: bool
    amended: int


@dataclass(frozen=True, slots=True)
class OpenJob:
    """A job that is neither measured to its end nor closed. `code` "cut-off": the program ended without saying why."""

    id: str
    serial_number: str
    at: str
    code: str
    text: str
    journal: str
    #: True if the store knows of it, false if only the note of its beginning does.
    stored: bool


@dataclass(frozen=True, slots=True)
class Head:
    """How many entries the store holds and the hash of the last one: what to write down to notice a truncation later."""

    count: int
    hash: str
