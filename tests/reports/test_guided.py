"""A guided job's report: what was found stands beside what was left, on the first page and in the evidence."""

from __future__ import annotations

from pathlib import Path

import pypdf
import pytest

from bench.reports import contents, html_file, pdf_file
from bench.reports.layout import Report, Section
from tests.reports.support import AT, SOFTWARE, Kept, keep_guided
from tests.reports.test_figures import expected, missing, text_of_page, text_of_pdf
from tests.reports.test_marks import MARK, pages_of
from tests.statements.test_guided import READS_MORE


@pytest.fixture(scope="session")
def guided(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return keep_guided(tmp_path_factory.mktemp("guided"))


@pytest.fixture(scope="session")
def told(guided: Kept) -> Report:
    return contents.report(guided.source(), AT, SOFTWARE)


@pytest.fixture(scope="session")
def sheets(told: Report, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "guided.pdf"
    path.write_bytes(pdf_file.write(told))
    return path


@pytest.fixture(scope="session")
def one_file(guided: Kept, told: Report, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "guided.html"
    path.write_bytes(html_file.write(told, guided.source()))
    return path


def section(told: Report, title: str) -> Section:
    return next(s for s in told.sections if s.title == title)


def test_the_first_page_tells_what_was_found_and_what_was_left(sheets: Path, one_file: Path) -> None:
    # From the script: 10° and 12° as found, 1.5° later as left, read by READS_MORE more.
    found = f"main opened at {10 + READS_MORE:.2f}°", f"second1 opened at {12 + READS_MORE:.2f}°"
    left = f"main opened at {11.5 + READS_MORE:.2f}°", f"second1 opened at {13.5 + READS_MORE:.2f}°"
    first = " ".join(pypdf.PdfReader(sheets).pages[0].extract_text().split())
    page = text_of_page(one_file).partition("Return to service")[0]
    for text in (first, page):
        before, _, after = text.partition("As left, ")
        assert "As found, before anything was touched, " in before
        assert all(words in before and words not in after for words in found)
        assert all(words in after and words not in before for words in left)


def test_the_first_page_tells_whether_what_was_found_was_inside(told: Report) -> None:
    # Second breaker, two lobes: 12.01° ± 0.47° against 12.6° to 15.5°.
    assert told.first.found.endswith("Of 6 limited figures, 2 were outside the limits and 4 were inside the limits.")
    assert told.first.verdict == "inside"


def test_every_figure_of_both_states_can_be_read(guided: Kept, sheets: Path, one_file: Path) -> None:
    figures = expected(guided.record)
    assert f"{10 + READS_MORE:.3f}" in figures
    assert f"{11.5 + READS_MORE:.3f}" in figures
    assert missing(text_of_pdf(sheets), figures) == []
    assert missing(text_of_page(one_file), figures) == []


def test_each_state_has_its_tables_its_neutral_and_its_budgets(told: Report) -> None:
    def captions(title: str, state: str) -> int:
        return sum(state in t.caption.lower() for t in section(told, title).tables)

    for state in ("as left", "as found"):
        # Two breakers with two tables each, their differences and the spread of the lobes.
        assert captions("Openings", state) == 6
        assert captions("Neutral", state) == 2
        assert captions("How sure the figures are", state) == 2
        # Two lobes of two breakers, and two differences.
        assert captions("All uncertainty budgets", state) == 6


def test_the_passes_of_both_states_are_in_one_picture(told: Report) -> None:
    for picture in section(told, "Openings").pictures:
        assert "one pass, as found" in picture.svg
        assert "one pass, as left" in picture.svg
        assert "As left: lobe 0 at" in picture.alt
        assert "As found: lobe 0 at" in picture.alt


def test_a_guided_rehearsal_is_marked_on_every_page(sheets: Path, one_file: Path) -> None:
    pages = pages_of(sheets)
    assert len(pages) >= 5
    assert all(MARK in text for text in pages)
    assert f'<p class="mark" role="note">{MARK}</p>' in one_file.read_text("utf-8")


def test_what_was_entered_at_the_bench_is_in_the_report(told: Report) -> None:
    (checks,) = section(told, "Other checks").tables
    # A dash where there is nothing to tell; what was entered last is what holds. Without a limit nobody's word puts a figure inside it.
    assert [(*row[:3], row[4]) for row in checks.rows] == [
        ("end play", "–", "–", "not done"),
        ("seal", "–", "–", "done"),
        ("spring tension", "5.25", "N", "done"),
    ]


def test_a_check_that_was_still_to_come_is_told_only_if_it_never_came(told: Report) -> None:
    entered = [i for i in section(told, "Findings, notes and amendments").items if i.startswith("Entered at the bench")]
    assert [i for i in entered if "end play" in i] == ["Entered at the bench: Check, end play: not done"]
    assert [i for i in entered if "seal" in i] == ["Entered at the bench: Check, seal: done"]
