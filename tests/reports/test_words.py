"""The owner's page: what, found, left and verdict, one clear sentence each, true to the record."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pypdf
import pytest

from bench.records.model import Amendment, Stored
from bench.reports import contents, pdf_file
from bench.reports.layout import FirstPage, Section
from tests.reports.support import AT, SOFTWARE, Kept, breaker, opening, source_of, stored

LIMITS = {"target_deg": 10.0, "lower_limit_deg": 8.0, "upper_limit_deg": 12.0}
MANUAL = "Demonstration manual, invented, revision A"


def first(result: dict[str, Any], **changes: Any) -> FirstPage:
    return contents.report(source_of(stored(1, result, **changes)), AT, SOFTWARE).first


def lobes(*angles: float, verdict: str = "inside", **more: Any) -> dict[str, Any]:
    return breaker(
        "main", *(opening(n, angle_deg=a, verdict=verdict, **{**LIMITS, **more}) for n, a in enumerate(angles))
    )


def test_what_was_left_names_every_breaker_with_its_reference() -> None:
    both = [lobes(9.5, 10.25), breaker("retard", opening(0, angle_deg=25.0), from_="main.target", channel=1)]
    assert first({"breakers": both}).left == (
        "As measured, main opened at 9.50° to 10.25° past neutral (each ± 0.20° or less); retard opened at 25.00° past the target of "
        "main (each ± 0.20° or less)."
    )


def test_as_found_is_told_apart_from_as_left() -> None:
    found = {"neutrals": [], "differences": [], "breakers": [lobes(6.5, verdict="outside")]}
    page = first({"breakers": [lobes(10.0)], "as_found": found})
    assert page.found == (
        "As found, before anything was touched, main opened at 6.50° past neutral (each ± 0.20° or less). The one limited figure was "
        "outside the limits."
    )
    assert page.left.startswith("As left, main opened at 10.00°")


def test_what_was_found_without_limits_has_no_verdict() -> None:
    unlimited = breaker("main", opening(angle_deg=6.5))
    found = {"neutrals": [], "differences": [], "breakers": [unlimited]}
    assert first({"breakers": [lobes(10.0)], "as_found": found}).found.endswith("(each ± 0.20° or less).")


def test_without_an_as_found_measurement_that_is_said() -> None:
    assert (
        first({"breakers": [lobes(10.0)]}).found == "As found: not measured apart; this report holds one measurement."
    )


@pytest.mark.parametrize(
    ("result", "title", "sentence"),
    [
        (
            {"breakers": [lobes(9.0, 10.0)]},
            "INSIDE",
            f"All 2 limited figures lie inside the limits of {MANUAL}, each with its whole uncertainty.",
        ),
        (
            {"breakers": [lobes(13.0, 10.0, verdict="outside")]},
            "OUTSIDE",
            f"2 of 2 limited figures lie outside the limits of {MANUAL}: main lobe 0 at 13.00° (limits 8° to 12°) and main lobe 1 at "
            "10.00° (limits 8° to 12°).",
        ),
        (
            {"breakers": [lobes(11.9, verdict="undecided")]},
            "UNDECIDED",
            f"The limited figure cannot be decided against the limits of {MANUAL}, because the uncertainty reaches over a limit: main lobe "
            "0 at 11.90° (limits 8° to 12°).",
        ),
        (
            {"breakers": [breaker("main", opening())], "limits": None},
            "NO VERDICT",
            "No limits were given, so that this is a measurement without a verdict.",
        ),
    ],
)
def test_the_verdict_is_one_sentence(result: dict[str, Any], title: str, sentence: str) -> None:
    page = first({"decision": {"rule": "guarded", "risk": 0.025, "confidence": 0.95}, **result})
    assert (page.verdict_title, page.verdict_sentence) == (title, sentence)


def test_outside_is_never_softened_by_what_is_inside() -> None:
    mixed = breaker(
        "main", opening(0, **LIMITS, verdict="inside"), opening(1, **LIMITS, angle_deg=13.0, verdict="outside")
    )
    page = first({"breakers": [mixed]})
    assert page.verdict == "outside"
    assert "main lobe 1 at 13.00°" in page.verdict_sentence
    assert "lobe 0" not in page.verdict_sentence


def test_a_difference_of_a_dual_unit_is_signed() -> None:
    row = {
        "between": ["left", "right"],
        "lobe": 0,
        "angle_deg": -0.12,
        "expanded_uncertainty_deg": 0.05,
        "verdict": "inside",
        "budget": [],
        **LIMITS,
    }
    assert (
        "right opened −0.12° after left"
        in first({"breakers": [breaker("left"), breaker("right", channel=1)], "differences": [row]}).left
    )


def test_as_found_figures_stand_beside_as_left_in_print(tmp_path: Path) -> None:
    found = {"neutrals": [], "differences": [], "breakers": [lobes(6.543, verdict="outside", dwell_deg=33.221)]}
    source = source_of(stored(1, {"breakers": [lobes(10.123)], "as_found": found}))
    path = tmp_path / "report.pdf"
    path.write_bytes(pdf_file.write(contents.report(source, AT, SOFTWARE)))
    text = " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())
    for words in (
        "6.543",
        "33.221",
        "10.123",
        "main: as found",
        "main: as left",
        "mean ± expanded uncertainty, as found",
    ):
        assert words in text, words


def _section(stored_record: Stored, title: str) -> Section:
    shown = contents.report(source_of(stored_record), AT, SOFTWARE)
    return next(section for section in shown.sections if section.title == title)


def test_an_amended_record_shows_its_story_and_the_amended_words() -> None:
    made = stored(1, {}, operator="A. Learner")
    amendment = Amendment(
        "X", made.record.id, made.hash, "B. Clerk", AT, "misspelt", (("operator", "A. Lerner"), ("remark", "seen"))
    )
    amended = Stored(made.record, 1, made.hash, (amendment,))
    (table,) = _section(amended, "Findings, notes and amendments").tables
    assert table.rows[0] == (AT, "B. Clerk", "misspelt", "operator", "A. Lerner")
    facts = contents.report(source_of(amended), AT, SOFTWARE).first.facts
    assert [f.text for f in facts if f.name == "Operator, as typed"] == ["A. Lerner"]


def test_a_record_of_another_analysis_is_reported_without_its_passes(kept: Kept) -> None:
    with kept.store() as store:
        one, entry = store.get(kept.record.id), store.entry_of(kept.record.id)
    older = replace(one.record, instrument=replace(one.record.instrument, analysis=1))
    source = contents.of_record(replace(one, record=older), entry, kept.journal)
    assert source.run is None
    assert source.journal == kept.journal
    shown = contents.report(source, AT, SOFTWARE)
    assert "One opening up close" not in [section.title for section in shown.sections]
    assert any("the record was made with 1" in sentence for sentence in shown.sections[0].sentences)
