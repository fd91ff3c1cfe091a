"""`breakerbench report`."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from bench.errors import BenchError, UsageError
from bench.files import printable
from bench.reports.drawing_process import DrawingProcess

if TYPE_CHECKING:
    from bench.reports.contents import Source

FORMAT = "breakerbench-report"
VERSION = 1


class ReportNotWritten(BenchError):
    """The report's file cannot be written. Exit 4; nothing of the record or journal is touched."""

    code = "report-not-written"


def run(options: argparse.Namespace) -> int:
    """Write the report; gives the exit status."""
    file = Path(options.output)
    kind = file.suffix.lower()
    if kind not in (".html", ".pdf"):
        raise UsageError(f"-o: a file that ends in .html or .pdf was expected, not {printable(options.output)}.")
    if os.path.lexists(file):
        raise UsageError(
            f"-o: {printable(options.output)} exists already, and no report is overwritten; name another file."
        )
    # Started before all else is loaded, which takes as long as what it loads itself.
    with DrawingProcess() as beside:
        from bench.reports import contents
        from tui import places

        source = _source(options.id, beside)
        report = contents.report(source, places.now(), places.software(), beside)
    if kind == ".html":
        from bench.reports import html_file

        data = html_file.write(report, source)
    else:
        from bench.reports import pdf_file

        data = pdf_file.write(report)
    write_new(file, data)
    if source.no_journal:
        print(f"note: {source.no_journal}, so that single passes and edges are not in the report.", file=sys.stderr)
    if options.json:
        told = {
            "format": FORMAT,
            "version": VERSION,
            "valid": True,
            "file": options.output,
            "bytes": len(data),
            "record_id": None if source.record is None else source.record.id,
            "record_hash": None if source.stored is None else source.stored.hash,
            "not_for_record": list(report.not_for_record),
            "journal_inside": kind == ".html" and source.journal is not None,
        }
        print(json.dumps(told, ensure_ascii=False, allow_nan=False, indent=1))
    else:
        reasons = f" NOT FOR RECORD: {' '.join(report.not_for_record)}" if report.not_for_record else ""
        print(f"Report {printable(options.output)} written.{reasons}")
    return 0


def _source(name: str, beside: DrawingProcess) -> Source:
    from bench.reports import contents, embedded
    from tui import places

    path = Path(name)
    if path.is_file():
        if embedded.is_report(path):
            raise UsageError(f"{printable(name)} is a report already. Name a record or a capture.")
        return contents.of_capture(path)
    from bench.records.verification import find_journal
    from tui.records_keeping import open_records

    with open_records(places.bench_settings()) as store:
        stored = store.get(name)
        entry = store.entry_of(stored.record.id)
    link = stored.record.journal
    return contents.of_record(stored, entry, find_journal(link.place, link.sha256, places.home()), beside)


def write_new(file: Path, data: bytes) -> None:
    """A new file, whole or not at all. Raises ReportNotWritten."""
    try:
        with file.open("xb") as out:
            try:
                out.write(data)
                out.flush()
            except OSError:
                file.unlink(missing_ok=True)
                raise
    except OSError as failure:
        reason = failure.strerror or failure
        raise ReportNotWritten(
            f"The file {printable(str(file))} cannot be written ({reason}). Records and journals are untouched."
        ) from None
