"""Why a record is not fit for record, by the day on which it was measured."""

from __future__ import annotations

from typing import Any

import pytest

from bench.records.making import SIMULATED, make_record
from bench.records.model import Check, Record, Tool
from bench.result import ResultDocument
from tests.records.support import AT, NO_JOURNAL

MAP = {"kind": "characterization", "made_on": "2025-03-01", "due_on": "2026-03-01", "certificate": None}


def _made(simulated: bool | None = False, due_on: str = "2026-03-01", **more: Any) -> Record:
    header = {
        "run_date": AT,
        "job": {},
        "bench": {},
        "software": "test",
        "analysis": 2,
        "encoder_map": {**MAP, "due_on": due_on},
    }
    return make_record("X", header, ResultDocument(valid=True, simulated=simulated), NO_JOURNAL, AT, **more)


def test_on_the_last_day_a_calibration_still_holds() -> None:
    assert _made().not_for_record == ()


def test_the_day_after_it_is_overdue_and_the_record_says_so() -> None:
    assert _made(due_on="2026-02-28").not_for_record == ("The encoder's characterization was due on 2026-02-28.",)


@pytest.mark.parametrize("simulated", [True, None])
def test_a_simulated_unit_or_a_board_that_does_not_say_makes_none(simulated: bool | None) -> None:
    assert _made(simulated).not_for_record == (SIMULATED,)


def test_an_overdue_tool_and_a_skipped_step_are_each_a_reason() -> None:
    old = Tool("ohmmeter", calibration_due="2026-02-28")
    made = _made(
        tools=(Tool("gauge", calibration_due="2026-03-01"),), checks=(Check("coil", tool=old),), skipped_steps=("mark",)
    )
    assert made.not_for_record == ("The calibration of ohmmeter was due on 2026-02-28.", "A step was skipped: mark.")


def test_what_is_left_to_a_person_stays_blank() -> None:
    made = _made()
    assert (made.inspector, made.signature, made.certificate, made.return_to_service) == (None, None, None, None)
