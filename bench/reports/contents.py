"""A report's contents from a record, or from a capture that no record stands behind."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from bench import cautions
from bench.errors import CaptureError, UsageError
from bench.files import printable
from bench.records.chain import Entry
from bench.records.model import BLANKS, Record, Stored
from bench.reports import budget_sections, contact_sections, figure_sections, first_page, pictures, record_sections
from bench.reports.drawing_process import DrawingProcess
from bench.reports.evidence import Evidence, gather
from bench.reports.layout import Report, Section
from bench.reports.qr import qr_svg
from bench.result import ResultDocument, document
from bench.run import Run
from bench.settings import ANALYSIS

REHEARSAL = "REHEARSAL – simulated unit – not for record"
NOT_FOR_RECORD = "NOT FOR RECORD"
NO_RECORD = "It was made from a capture, and no record stands behind it."
TITLE = "Internal timing of a magneto: report"


@dataclass(frozen=True, slots=True)
class Source:
    """What a report is made from.

    `stored` and `entry` are the record's; both None when there is only a capture. `journal` is a file that holds the journal, of
    which the first `journal_bytes` count (None: all); None with `no_journal` saying why.
    """

    result: ResultDocument
    bench: dict[str, Any]
    run: Run | None
    stored: Stored | None = None
    entry: Entry | None = None
    journal: Path | None = None
    journal_bytes: int | None = None
    no_journal: str = ""

    @property
    def record(self) -> Record | None:
        """The record as first written."""
        return None if self.stored is None else self.stored.record


def of_capture(capture: Path) -> Source:
    """A capture as a report's source. Raises CaptureError; UsageError when it holds no valid measurement."""
    from bench.replay import replay

    run = replay(capture).run
    result = document(run, str(capture))
    if not result.valid:
        reason = "" if result.error is None else result.error.text
        raise UsageError(
            f"{printable(str(capture))} holds no valid measurement, so there is nothing to report: {reason}"
        )
    settings = run.settings
    return Source(result, settings.bench.model_dump(mode="json"), run, journal=capture)


def of_record(stored: Stored, entry: Entry, journal: Path | None, beside: DrawingProcess | None = None) -> Source:
    """A record as a report's source; `journal` is where its journal is on this computer, None if nowhere. Raises StoreError.
    `beside` is given what can be drawn without the journal, while that is replayed.

    A journal that was changed since, or that this version cannot replay to the same figures, is not shown, and the report says so.
    """
    from bench.records.making import hash_of_start
    from bench.replay import replay

    record = stored.record
    base = (record.document, record.bench)
    if beside is not None:
        beside.begin(figure_sections.rings(record.document))
    link = record.journal
    if journal is None:
        reason = (
            f"The journal {printable(link.name)} is not on this computer (it was written on {printable(link.computer)})"
        )
        return Source(*base, None, stored, entry, no_journal=reason)
    try:
        if hash_of_start(journal, link.size_bytes) != link.sha256:
            return Source(
                *base, None, stored, entry, no_journal="The journal is not what the record was made from any more"
            )
        if record.instrument.analysis != ANALYSIS:
            reason = f"This version has analysis {ANALYSIS}, the record was made with {record.instrument.analysis}"
            return Source(*base, None, stored, entry, journal, link.size_bytes, reason)
        run = replay(journal).run
    except CaptureError as failure:
        return Source(*base, None, stored, entry, no_journal=failure.text.rstrip("."))
    return Source(*base, run, stored, entry, journal, link.size_bytes)


def report(source: Source, made_at: str, software: str, beside: DrawingProcess | None = None) -> Report:
    """The finished contents. `made_at`: now, ISO 8601 with zone. `beside`: draws the pictures; they are drawn here without it."""
    result, record = source.result, source.record
    seen = Evidence({}, {}, None)
    if source.run is not None and source.journal is not None:
        seen = gather(source.journal, source.run, result)
    reasons = (NO_RECORD,) if record is None else record.not_for_record
    if record is None and result.simulated is not False:
        from bench.records.making import SIMULATED

        reasons = (SIMULATED, NO_RECORD)
    mark = REHEARSAL if result.simulated is not False else NOT_FOR_RECORD if reasons else ""
    code = record_sections.code_text(source.stored)
    measured = result.run_date or ""
    return Report(
        title=TITLE,
        subtitle=first_page.unit_line(result, source.stored),
        made=f"Printed {_day_and_time(made_at)} by {software}. Measured {_day_and_time(measured)} by {result.software or ''}.",
        mark=mark,
        not_for_record=tuple(reasons),
        first=first_page.first_page(
            result, source.stored, tuple(blank.replace("_", " ").capitalize() for blank in BLANKS)
        ),
        sections=_sections(source, seen, beside),
        code_svg=qr_svg(code) if code else "",
        code_text=code,
        aid=cautions.AID,
    )


def _sections(source: Source, seen: Evidence, beside: DrawingProcess | None) -> tuple[Section, ...]:
    result, stored = source.result, source.stored
    wanted = figure_sections.wanted(result, seen)
    if beside is not None:
        beside.begin(wanted)
    # While these are put together, the pictures are drawn.
    neutral = figure_sections.neutral(result)
    told = (
        budget_sections.how_sure(result),
        budget_sections.decision(result),
        contact_sections.points(result),
        record_sections.checks(stored),
        record_sections.remarks(result, stored),
        contact_sections.advice(result),
        record_sections.bench(result, source.bench, stored),
        record_sections.evidence(stored, source.no_journal),
        record_sections.cautions_section(),
        budget_sections.budgets(result),
    )
    svgs = pictures.draw(wanted) if beside is None else beside.finish()
    found = (
        figure_sections.openings(result, seen, source.no_journal, svgs),
        figure_sections.around(result, svgs),
        figure_sections.close_up(result, seen, svgs),
        neutral,
        *told,
    )
    return tuple(section for section in found if section is not None)


def _day_and_time(at: str) -> str:
    try:
        return datetime.fromisoformat(at).isoformat(sep=" ", timespec="seconds")
    except ValueError:
        return printable(at)
