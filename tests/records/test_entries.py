"""What a person entered at the bench comes into the record; what a journal holds besides is no evidence and does no harm."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import cautions, entries
from bench.check_list import DEFAULT, first_entries
from bench.journal import JournalReader, JournalWriter, Kind
from bench.records.content import decode, encode
from bench.records.making import make_record
from bench.records.model import Check, Finding, Record, Tool
from bench.records.open_jobs import Begun
from bench.records.store import open_store
from bench.replay import replay
from bench.reports import contents
from bench.reports.layout import Section
from bench.result import ResultDocument, document
from bench.settings import header
from tests.records.support import AT, NO_JOURNAL
from tests.statements.test_guided import guided_run, job_script
from tests.support.scripted import play, records, wire
from tui.records_keeping import keep

GAUGE = {"name": "feeler gauge", "serial_number": "F-1", "calibration_due": "2026-12-01"}
#: Measured on 2026-03-01 (`AT`).
OVERDUE = {**GAUGE, "calibration_due": "2026-02-28"}


def check(name: str = "end play", **more: Any) -> dict[str, Any]:
    return {"kind": "check", "name": name, **more}


def made(*found: dict[str, Any], guided: bool = False) -> Record:
    header = {"run_date": AT, "job": {}, "bench": {}, "software": "test", "analysis": 2, "guided": guided}
    return make_record("X", header, ResultDocument(valid=True, simulated=False, entries=found), NO_JOURNAL, AT)


@pytest.mark.parametrize(
    ("value", "lower", "upper", "said", "found"),
    [
        (0.05, None, 0.10, None, "inside"),
        (0.10, None, 0.10, None, "inside"),
        (0.11, None, 0.10, None, "outside"),
        (0.04, 0.05, None, None, "outside"),
        (0.05, 0.05, 0.10, None, "inside"),
        (0.05, None, None, None, "done"),
        (None, 0.05, 0.10, "done", "done"),
        (None, 0.05, 0.10, None, "not done"),
        (None, None, None, "outside", "outside"),
        (0.05, None, 0.10, "not done", "not done"),
        (0.05, None, 0.10, "outside", "outside"),
        (0.11, None, 0.10, "inside", "outside"),
    ],
)
def test_limits_decide_and_nobodys_word_makes_a_figure_beyond_them_fit(
    value: float | None, lower: float | None, upper: float | None, said: str | None, found: str
) -> None:
    entry = check(value=value, unit="mm", lower_limit=lower, upper_limit=upper, verdict=said)
    assert [c.verdict for c in entries.of_journal([entry]).checks] == [found]


def test_a_check_entered_again_counts_as_entered_last_in_its_first_place() -> None:
    found = entries.of_journal([check("a", value=1.0), check("b", verdict="done"), check("a", value=2.0)])
    assert [(c.name, c.value) for c in found.checks] == [("a", 2.0), ("b", None)]


def test_a_line_that_stops_the_job_does_not_cease_to_by_being_entered_again() -> None:
    found = entries.of_journal([check("a", verdict="not done", stops_job=True), check("a", verdict="outside")])
    assert [c.stops_job for c in found.checks] == [True]


def test_a_figure_of_an_adjustment_is_kept_as_a_check_of_that_breaker() -> None:
    clearance = {"kind": "adjustment", "breaker": "main", "what": "point clearance", "value": 0.4, "unit": "mm"}
    moved = {"kind": "adjustment", "breaker": "main", "what": "points moved", "value": 1.5, "unit": "°"}
    found = entries.of_journal([{**clearance, "upper_limit": 0.35, "tool": GAUGE}, moved])
    tool = Tool("feeler gauge", "F-1", "2026-12-01")
    assert found.checks == (Check("main: point clearance", 0.4, "mm", None, 0.35, verdict="outside", tool=tool),)
    assert found.tools == (tool,)


def test_findings_cautions_and_skipped_steps_come_in_their_order_each_once() -> None:
    given = [entries.finding_entry("oil at the drive end"), entries.caution_entry(cautions.AID)]
    given += [
        entries.caution_entry(cautions.AID),
        entries.caution_entry(cautions.LIVE),
        entries.skipped_entry("recheck"),
    ]
    found = entries.of_journal(given)
    assert found.findings == (Finding("oil at the drive end"),)
    assert found.cautions_acknowledged == (cautions.AID, cautions.LIVE)
    assert found.skipped_steps == ("recheck",)


def test_a_stop_line_that_was_not_done_makes_a_record_not_for_record() -> None:
    record = made(check("distributor timing", verdict="not done", stops_job=True), check("brush", verdict="not done"))
    assert record.skipped_steps == ("distributor timing",)
    assert record.not_for_record == ("A step was skipped: distributor timing.",)


def test_a_stop_line_that_is_wrong_is_a_reason_and_another_check_that_is_wrong_is_none() -> None:
    record = made(check("distributor timing", verdict="outside", stops_job=True), check("brush", verdict="outside"))
    assert record.skipped_steps == ()
    assert record.not_for_record == ("distributor timing: not as it should be, and this stops the job.",)


def test_done_later_it_is_no_reason_any_more() -> None:
    first = check("distributor timing", verdict="not done", stops_job=True)
    assert made(first, check("distributor timing", verdict="done", stops_job=True)).not_for_record == ()


def test_a_tool_overdue_on_the_day_of_the_measurement_is_a_reason_once() -> None:
    record = made(check("a", value=1.0, tool=OVERDUE), check("b", value=1.0, tool=OVERDUE), check("c", tool=GAUGE))
    assert record.not_for_record == ("The calibration of feeler gauge was due on 2026-02-28.",)


def test_so_is_one_with_which_something_was_adjusted() -> None:
    moved = {"kind": "adjustment", "breaker": "main", "what": "points moved", "tool": OVERDUE}
    assert made(moved).not_for_record == ("The calibration of feeler gauge was due on 2026-02-28.",)


def test_a_guided_job_in_which_nobody_opened_the_other_checks_skipped_them() -> None:
    assert made(guided=True).not_for_record == ("A step was skipped: other checks.",)
    assert made(guided=False).not_for_record == ()
    assert made(check("brush", verdict="done"), guided=True).not_for_record == ()


def test_opening_the_list_alone_does_not_make_a_job_fit_for_record() -> None:
    record = made(*first_entries(DEFAULT, []), guided=True)
    assert record.skipped_steps == ("distributor timing", "timing mark in window at closing")


@pytest.mark.parametrize(
    "hostile",
    [
        {"kind": "check"},
        {"kind": ["check"], "name": "a"},
        {"kind": "check", "name": 7},
        {"kind": "check", "name": "  "},
        {"kind": "check", "name": "a" * 201},
        {"kind": "check", "name": "a", "value": True},
        {"kind": "check", "name": "a", "value": "0.05"},
        {"kind": "check", "name": "a", "value": float("nan")},
        {"kind": "check", "name": "a", "value": 1e300},
        {"kind": "check", "name": "a", "value": 10**400},
        {"kind": "check", "name": "a", "verdict": "passed"},
        {"kind": "check", "name": "a", "stops_job": "no"},
        {"kind": "check", "name": "a", "tool": "gauge"},
        {"kind": "check", "name": "a", "tool": {"name": "g", "calibration_due": "soon"}},
        {"kind": "check", "name": "a", "tool": {"name": "g", "calibration_due": 20260301}},
        {"kind": "check", "name": "\ud800"},
        {"kind": "adjustment", "breaker": "main", "what": "magic", "value": 1},
        {"kind": "operator", "what": "inspector", "text": "signed"},
        {"kind": "caution", "text": None},
        None,
        "check",
        [],
    ],
)
def test_an_entry_that_does_not_hold_what_it_should_is_passed_over(hostile: Any) -> None:
    assert entries.of_journal([hostile]) == entries.Entered()
    assert entries.sentence(hostile) is None


def test_one_that_is_wrong_takes_nothing_from_the_others_nor_from_the_one_before() -> None:
    good = check("distributor timing", verdict="not done", stops_job=True)
    found = entries.of_journal(
        [good, check("distributor timing", verdict="done", value="7"), check("b", verdict="done")]
    )
    assert [(c.name, c.verdict) for c in found.checks] == [("distributor timing", "not done"), ("b", "done")]


def test_what_could_steer_a_terminal_is_replaced() -> None:
    (found,) = entries.of_journal([check("a\x1b[2J", verdict="done")]).checks
    assert "\x1b" not in found.name


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
_KEYS = (
    "kind",
    "name",
    "value",
    "unit",
    "verdict",
    "stops_job",
    "tool",
    "note",
    "what",
    "text",
    "breaker",
    "lower_limit",
)
_ENTRY = st.fixed_dictionaries({"kind": st.sampled_from(["check", "adjustment", "caution", "operator"])}).flatmap(
    lambda kind: st.dictionaries(st.sampled_from(_KEYS), _JSON, max_size=6).map(lambda more: {**more, **kind})
)


@given(st.lists(_ENTRY | _JSON, max_size=6))
def test_whatever_a_journal_holds_nothing_is_raised_and_what_comes_of_it_can_be_stored(found: list[Any]) -> None:
    entered = entries.of_journal(found)
    made_of = make_record(
        "X",
        {"run_date": AT, "job": {}, "bench": {}, "software": "test", "analysis": 2},
        ResultDocument(valid=True, simulated=False),
        NO_JOURNAL,
        AT,
        checks=entered.checks,
        tools=entered.tools,
        skipped_steps=entered.skipped_steps,
    )
    assert decode(Record, encode(made_of)) == made_of
    for one in found:
        if isinstance(one, dict):
            entries.sentence(one)


def test_a_check_reads_as_a_sentence() -> None:
    entry = check("end play", value=0.05, unit="mm", upper_limit=0.1, tool=GAUGE, note="cold")
    assert entries.sentence(entry) == (
        "Check, end play: 0.05 mm (limits at most 0.1 mm); inside; with feeler gauge, F-1, calibration due 2026-12-01; cold"
    )


def _sections(folder: Path) -> dict[str, Section]:
    """A guided job with entries, written to a journal, kept as `measure` keeps it, and reported."""
    given = (
        entries.finding_entry("oil at the drive end"),
        entries.caution_entry(cautions.LIVE),
        {"kind": "adjustment", "breaker": "main", "what": "points moved", "note": "a little"},
        *first_entries(DEFAULT, []),
        check("end play", value=0.05, unit="mm", upper_limit=0.1, tool=OVERDUE),
        check("distributor timing", verdict="done", stops_job=True),
        {"kind": "step", "to": "done"},
    )
    run, script = guided_run(), job_script()
    settings = run.settings
    path = folder / "journals" / "run.capture"

    head = header(settings.job_file, settings.bench, 5, AT, "test", None, guided=True)
    writer = JournalWriter(path, head)
    for record in records(script, wire(play(script))):
        writer.append(Kind(record.kind), record.payload)
    for entry in given:
        writer.entry(entry)
    writer.close()

    result = document(replay(path).run, str(path))
    with open_store(folder / "records.sqlite") as store:
        keep(store, Begun("20260301-AAAAAAAA", AT, str(path), head), result)
        stored, entry_of = store.get("20260301-AAAAAAAA"), store.entry_of("20260301-AAAAAAAA")
    report = contents.report(contents.of_record(stored, entry_of, path), AT, "test")
    found = {section.title: section for section in report.sections}
    found["reasons"] = Section("reasons", items=report.not_for_record)
    return found


def test_from_the_journal_to_the_report(data_folder: Path) -> None:
    sections = _sections(data_folder)
    rows = {row[0]: row for row in sections["Other checks"].tables[0].rows}
    assert rows["end play"][1:5] == ("0.05", "mm", "at most 0.1", "inside")
    assert rows["distributor timing (stops the job)"][4] == "done"
    assert rows["timing mark in window at closing (stops the job)"][4] == "not done"
    assert sections["Other checks"].tables[1].rows == (("feeler gauge", "F-1", "2026-02-28"),)
    remarks = sections["Findings, notes and amendments"].items
    assert "Finding: oil at the drive end" in remarks
    assert f"Caution acknowledged: {cautions.LIVE}" in remarks
    assert "Step skipped: timing mark in window at closing" in remarks
    assert "Entered at the bench: Adjustment, main, points moved: a little" in remarks
    assert not any("caution:" in item or "operator:" in item for item in remarks)
    assert sections["reasons"].items == (
        "It was measured on a simulated unit.",
        "The calibration of feeler gauge was due on 2026-02-28.",
        "A step was skipped: timing mark in window at closing.",
    )


def test_entries_survive_the_way_through_json(tmp_path: Path) -> None:
    entry = entries.check_entry(Check("Prüfung", 0.05, "µF", 0.04, None, "inside", Tool("g"), "note", True))
    writer = JournalWriter(tmp_path / "a.capture", {"format": "breakerbench-journal"})
    writer.entry(entry)
    writer.close()
    with JournalReader(tmp_path / "a.capture") as reader:
        found = [json.loads(r.payload) for r in reader.records() if r.kind is Kind.ENTRY]
    assert entries.of_journal(found).checks == (
        Check("Prüfung", 0.05, "µF", 0.04, None, "inside", Tool("g"), "note", True),
    )
