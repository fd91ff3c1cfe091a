"""Every figure of the record stands in the report, in print and on the page, and says what the record says."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pypdf
import pytest

from bench.records.model import Record
from bench.reports.layout import Report
from tests.reports.support import Kept


def text_of_pdf(path: Path) -> str:
    """All its text, white space made one space: columns and line ends are the printer's."""
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())


def text_of_page(path: Path) -> str:
    """What a reader of the page can read."""
    source = re.sub(r"<(script|style)\b.*?</\1>", " ", path.read_text("utf-8"), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", source)).split())


def expected(record: Record) -> list[str]:
    """The record's figures as a person would write them: angles to 0.001°, budgets to 0.0001°."""
    result = record.document
    found: list[str | None] = []

    def degrees(value: float | None, places: int = 3) -> None:
        found.append(None if value is None else f"{value:.{places}f}")

    before = result.as_found
    for breaker in (*result.breakers, *(() if before is None else before.breakers)):
        for opening in breaker.openings:
            for value in (
                opening.angle_deg,
                opening.expanded_uncertainty_deg,
                opening.standard_uncertainty_deg,
                opening.from_neutral_deg,
                opening.from_neutral_expanded_uncertainty_deg,
                opening.closing_deg,
                opening.dwell_deg,
                opening.bounce_ms,
                opening.spread_deg,
                opening.probability_inside,
            ):
                degrees(value)
            degrees(opening.coverage_factor, 2)
            found += [
                f"{value:g}"
                for value in (opening.target_deg, opening.lower_limit_deg, opening.upper_limit_deg)
                if value
            ]
            for row in opening.budget:
                found.append(row.source)
                degrees(row.contribution_deg, 4)
                degrees((row.share or 0.0) * 100, 1)
                found.append(f"{row.standard_uncertainty:.4g}")
        if breaker.lobe_spread is not None:
            degrees(breaker.lobe_spread.spread_deg)
            degrees(breaker.lobe_spread.expanded_uncertainty_deg)
    for difference in (*result.differences, *(() if before is None else before.differences)):
        for value in (abs(difference.angle_deg or 0.0), difference.expanded_uncertainty_deg):
            degrees(value)
        for row in difference.budget:
            found.append(row.source)
            degrees(row.contribution_deg, 4)
    for neutral in (*result.neutrals, *(() if before is None else before.neutrals)):
        degrees(neutral.standard_uncertainty_deg)
        for estimate in neutral.estimates:
            degrees(abs(estimate.offset_deg or 0.0))
            degrees(estimate.standard_uncertainty_deg)
    for check in record.checks:
        figures = (check.value, check.lower_limit, check.upper_limit)
        found += [check.name, *(f"{value:g}" for value in figures if value is not None)]
        found += [] if check.tool is None else [check.tool.name, check.tool.serial_number, check.tool.calibration_due]
    found += [
        record.id,
        record.journal.sha256,
        record.operator,
        None if record.service_hours is None else f"{record.service_hours:g}",
        record.instrument.board_id,
    ]
    found += [str(record.instrument.counts_per_turn), record.instrument.firmware, str(record.journal.size_bytes)]
    return [
        text.replace("-", "−") if text and re.fullmatch(r"-?[\d.]+(e-\d+)?", text) else text for text in found if text
    ]


def missing(text: str, figures: list[str]) -> list[str]:
    # A hash may be broken over lines.
    packed = text.replace(" ", "")
    return [figure for figure in figures if figure.replace(" ", "") not in packed]


def test_every_figure_of_the_record_can_be_read_in_the_pdf(kept: Kept, printed: Path) -> None:
    figures = expected(kept.record)
    assert len(figures) > 400
    assert missing(text_of_pdf(printed), figures) == []


def test_every_figure_of_the_record_can_be_read_on_the_page(kept: Kept, page: Path) -> None:
    assert missing(text_of_page(page), expected(kept.record)) == []


def test_every_figure_stands_under_its_own_heading(kept: Kept, shown: Report) -> None:
    columns = {
        "angle °": "angle_deg",
        "± U °": "expanded_uncertainty_deg",
        "u °": "standard_uncertainty_deg",
        "P inside": "probability_inside",
        "scatter °": "spread_deg",
        "dwell °": "dwell_deg",
        "closing °": "closing_deg",
        "bounce ms": "bounce_ms",
    }
    tables = shown.sections[0].tables
    compared = 0
    for breaker in kept.record.document.breakers:
        for table in (t for t in tables if t.caption.startswith(f"{breaker.name}: as measured")):
            for row, one in zip(table.rows, breaker.openings, strict=True):
                cells = dict(zip(table.header, row, strict=True))
                for heading in cells.keys() & columns.keys():
                    assert cells[heading] == f"{getattr(one, columns[heading]):.3f}".replace("-", "−"), heading
                    compared += 1
    # Two breakers of four lobes, eight columns each.
    assert compared == 2 * 4 * len(columns)


def test_a_figure_that_is_not_in_the_report_would_be_missed(printed: Path) -> None:
    # 77.777 is no figure of this job.
    assert missing(text_of_pdf(printed), ["77.777"]) == ["77.777"]


def test_the_blanks_are_printed_and_left_blank(printed: Path, shown: Report) -> None:
    # 14 CFR 43.9(a)(4), 145.211: signature, certificate and approval for return to service are a person's.
    assert shown.first.blanks == ("Inspector", "Signature", "Certificate", "Return to service")
    first = pypdf.PdfReader(printed).pages[0].extract_text()
    # Nothing but space between them: each is only its name under an empty line.
    assert re.search(r"signs\.\s*Inspector\s*Signature\s*Certificate\s*Return to service\s*breakerbench record", first)


@pytest.mark.parametrize("word", ["overhaul"])
def test_the_word_with_a_legal_meaning_is_never_printed(page: Path, printed: Path, word: str) -> None:
    # 14 CFR 43.2(a): what may be described as overhauled.
    assert word not in text_of_pdf(printed).lower()
    assert word not in page.read_text("utf-8").lower()


def test_the_qr_code_says_the_records_id_and_hash(shown: Report, kept: Kept) -> None:
    import segno

    with kept.store() as store:
        stored = store.get(kept.record.id)
    assert shown.code_text == f"breakerbench record {kept.record.id} SHA-256 {stored.hash}"
    # Drawn from that very text: the same modules as segno's own.
    dark = segno.make(shown.code_text, error="m", micro=False)
    assert f'viewBox="0 0 {dark.symbol_size(border=4)[0]} ' in shown.code_svg


def test_the_cautions_are_all_there(printed: Path) -> None:
    text = text_of_pdf(printed)
    for caution in (
        "licensed person decides airworthiness",
        "live whenever it turns",
        "can snap",
        "insulated terminal",
        "over-open",
    ):
        assert caution in text
