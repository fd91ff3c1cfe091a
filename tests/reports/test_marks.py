"""What is not for record says so, on every page and with its reasons; what is, carries no mark."""

from __future__ import annotations

from pathlib import Path

import pypdf
import pytest

from bench.records.making import SIMULATED
from bench.reports import contents, html_file, pdf_file
from bench.reports.layout import Report
from tests.reports.support import AT, SOFTWARE, Kept, source_of, stored

MARK = "REHEARSAL – simulated unit – not for record"


def pages_of(path: Path) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(path).pages]


def test_a_rehearsal_is_marked_on_every_printed_page(printed: Path) -> None:
    pages = pages_of(printed)
    assert len(pages) >= 5
    assert [number for number, text in enumerate(pages, 1) if MARK not in text] == []


def test_a_rehearsal_is_marked_on_the_page_and_on_what_is_printed_of_it(page: Path) -> None:
    source = page.read_text("utf-8")
    assert f'<p class="mark" role="note">{MARK}</p>' in source
    assert f'@top-center {{ content: "{MARK}";' in source
    assert ".watermark { display: block; position: fixed;" in source


def test_the_reasons_are_told(shown: Report, printed: Path) -> None:
    assert shown.not_for_record == (SIMULATED,)
    assert SIMULATED in pages_of(printed)[0]


def test_overdue_or_skipped_is_marked_on_every_page_with_the_reasons(tmp_path: Path) -> None:
    reasons = ("The encoder's calibration was due on 2026-01-31.", "A step was skipped: recheck.")
    source = source_of(stored(1, {}, not_for_record=reasons))
    path = tmp_path / "report.pdf"
    path.write_bytes(pdf_file.write(contents.report(source, AT, SOFTWARE)))
    pages = pages_of(path)
    assert all("NOT FOR RECORD" in text for text in pages)
    assert all("REHEARSAL" not in text for text in pages)
    assert all(reason in " ".join(pages[0].split()) for reason in reasons)


def test_what_is_for_record_carries_no_mark(tmp_path: Path) -> None:
    source = source_of(stored(1, {}))
    shown = contents.report(source, AT, SOFTWARE)
    path = tmp_path / "report.pdf"
    path.write_bytes(pdf_file.write(shown))
    text = " ".join(pages_of(path)) + html_file.write(shown, source).decode("utf-8")
    assert "NOT FOR RECORD" not in text
    assert "REHEARSAL" not in text


@pytest.mark.parametrize("simulated", [True, None])
def test_a_board_that_did_not_say_what_it_is_is_taken_for_simulated(simulated: bool | None) -> None:
    source = source_of(stored(1, {"simulated": simulated}, not_for_record=(SIMULATED,)))
    assert contents.report(source, AT, SOFTWARE).mark == MARK


def test_a_capture_without_a_record_is_not_for_record(kept: Kept) -> None:
    shown = contents.report(contents.of_capture(kept.journal), AT, SOFTWARE)
    assert contents.NO_RECORD in shown.not_for_record
    assert shown.code_text == ""
