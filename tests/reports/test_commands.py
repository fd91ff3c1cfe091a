"""The commands themselves: report and history, with their exit statuses, and replay of the one file."""

from __future__ import annotations

from pathlib import Path

import pypdf
import pytest

from tests.end_to_end.commands import breakerbench, here
from tests.reports.support import Kept, keep


@pytest.fixture
def home(kept: Kept, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BREAKERBENCH_HOME", str(kept.folder))
    return kept.folder


def test_a_report_is_written_in_both_kinds_and_replays(home: Path, kept: Kept, tmp_path: Path) -> None:
    page, printed = tmp_path / "report.html", tmp_path / "report.PDF"
    told = breakerbench("report", kept.record.id[:12].lower(), "-o", page, "--json")
    assert told.status == 0, told.err
    assert told.document["record_id"] == kept.record.id
    assert told.document["journal_inside"] is True
    assert breakerbench("report", kept.record.id, "-o", printed).status == 0
    assert len(pypdf.PdfReader(printed).pages) >= 5
    assert here("replay", page, "--json").out == here("replay", kept.journal, "--json").out
    assert home == kept.folder


@pytest.mark.usefixtures("home")
def test_records_verify_takes_the_one_file(page: Path, tmp_path: Path) -> None:
    whole = breakerbench("records", "verify", page, "--json")
    assert (whole.status, whole.document["report"]["whole"]) == (0, True)
    assert whole.document["report"]["unchecked"] == []
    changed = tmp_path / "changed.html"
    changed.write_text(page.read_text("utf-8").replace("INSIDE", "OUTSIDE"), "utf-8")
    found = here("records", "verify", changed, "--json")
    assert (found.status, found.document["report"]["problems"]) == (5, ["The file was changed after it was written."])


def test_a_capture_is_reported_without_a_record(kept: Kept, tmp_path: Path) -> None:
    told = breakerbench("report", kept.journal, "-o", tmp_path / "r.html", "--json")
    assert told.status == 0, told.err
    assert told.document["record_id"] is None
    assert "It was made from a capture, and no record stands behind it." in told.document["not_for_record"]


@pytest.mark.usefixtures("home")
def test_what_cannot_be_reported_is_told_in_one_sentence(kept: Kept, page: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.html"
    there.write_text("mine", "utf-8")
    assert breakerbench("report", "NONE", "-o", tmp_path / "r.html").status == 2
    assert here("report", kept.record.id, "-o", tmp_path / "r.txt").status == 2
    assert here("report", kept.record.id, "-o", there).status == 2
    assert there.read_text("utf-8") == "mine"
    assert here("report", kept.record.id).status == 2
    assert here("report", page, "-o", tmp_path / "r.pdf").status == 2
    nowhere = breakerbench("report", kept.record.id, "-o", tmp_path / "none" / "r.html", "--json")
    assert nowhere.status == 4
    assert nowhere.document["error"]["code"] == "report-not-written"
    assert list(tmp_path.iterdir()) == [there]


@pytest.mark.usefixtures("home")
def test_history_is_told_in_words_and_as_a_document_and_drawn(tmp_path: Path) -> None:
    words = breakerbench("history", "SIM-0002", "--plot", tmp_path / "h.svg")
    assert words.status == 0, words.err
    assert "Drift: cannot be told; 1 measurements are too few for a line" in words.out
    assert (tmp_path / "h.svg").read_text("utf-8").startswith("<?xml")
    told = here("history", "SIM-0002", "--json").document
    assert told["format"] == "breakerbench-history"
    (unit,) = told["units"]
    assert unit["serial_number"] == "SIM-0002"
    assert {t["kind"] for t in unit["trends"]} >= {"angle", "dwell", "check"}
    assert here("history", "--shop").out.splitlines()[1].startswith("SIM-0002")


@pytest.mark.usefixtures("home")
def test_what_history_cannot_tell_is_said(tmp_path: Path) -> None:
    assert breakerbench("history", "NOBODY").status == 2
    assert here("history").status == 2
    assert here("history", "SIM-0002", "--shop").status == 2
    assert here("history", "SIM-0002", "--plot", tmp_path / "h.png").status == 2


def test_a_compensated_cam_of_fourteen_lobes_and_two_breakers_fits_its_pages(tmp_path: Path) -> None:
    # Not by eye: nothing may be set beyond the paper's margins.
    from bench.reports import contents, pdf_file
    from tests.reports.support import AT, SOFTWARE

    many = keep(tmp_path, "compensated-dual")
    printed = tmp_path / "many.pdf"
    printed.write_bytes(pdf_file.write(contents.report(many.source(), AT, SOFTWARE)))
    beyond: list[str] = []

    def look(text: str, cm: list[float], tm: list[float], _font: object, size: float) -> None:
        if text.strip() and not 0 < tm[4] * cm[0] + cm[4] < 595 - size:
            beyond.append(text)

    pages = pypdf.PdfReader(printed).pages
    for sheet in pages:
        sheet.extract_text(visitor_text=look)
    assert beyond == []
    assert len(pages) > 8
