"""What the debrief says: faults and what became of them, angles against truth, and the order of things."""

from __future__ import annotations

import copy
import re
from functools import cache
from typing import Any

import pytest

from bench.procedure import Step
from bench.result import ErrorRow, ResultDocument, document
from sim.exercises import BY_KEY
from tests.support.simulated import Job, carry_out
from tui.debrief import LESSONS, StepTaken, debrief

WORN = {
    "key": "worn-points",
    "title": "points worn",
    "text": "The faces were pitted.",
    "mended": True,
    "mended_at_s": 65.0,
}
TOOTH = {
    "key": "wrong-tooth",
    "title": "distributor a tooth off",
    "text": "The gear was one tooth off.",
    "mended": False,
    "mended_at_s": None,
}


@cache
def _done() -> tuple[Job, ResultDocument]:
    job = carry_out("with-retard", 3)
    return job, document(job.run, None)


def truth(faults: tuple[dict[str, Any], ...] = (), **more: Any) -> dict[str, Any]:
    """The truth of a job carried out without a fault, and an exercise laid over it."""
    told = copy.deepcopy(_done()[0].truth)
    told["acts"] = more.pop("acts", [])
    told["exercise"] = {
        "title": "Trial",
        "faults": list(faults),
        "needless": more.pop("needless", []),
        "looked": [{"at": place, "at_s": 1.0} for place in more.pop("looked", [])],
    }
    return told | more


def said(told: dict[str, Any], steps: tuple[StepTaken, ...] = (), *before: ResultDocument) -> str:
    job, result = _done()
    return debrief(told, [*before, result], job.run.job, steps)


def flat(text: str) -> str:
    return " ".join(text.split())


def figures(text: str, breaker: str) -> list[tuple[float, float, float, str]]:
    """Measured, true, error and "inside" or "BEYOND" of each lobe as left."""
    (block,) = re.findall(
        rf"^    {breaker}, [^\n]*\n((?:      lobe [^\n]*\n)+)", text.split("as left")[1], re.MULTILINE
    )
    found = re.findall(r"([\d.-]+) ± [\d.]+ +true +([\d.-]+) +error ([+-][\d.]+) +(\w+) ±", block)
    return [(float(m), float(t), float(e), w) for m, t, e, w in found]


# --- faults -----------------------------------------------------------------------------------------------------------


def test_every_fault_has_its_lesson() -> None:
    assert set(LESSONS) == set(BY_KEY)


def test_each_seeded_fault_is_named_with_what_became_of_it() -> None:
    text = flat(said(truth((WORN, TOOTH))))
    assert "What was wrong: 2 faults" in text
    assert "1. points worn: put right at 1:05" in text
    assert "2. distributor a tooth off: NOT put right" in text
    assert "What you found: 1 of 2" in text
    assert f"not found: distributor a tooth off. It is seen at: {BY_KEY['wrong-tooth'].place_title}" in text


def test_no_fault_is_named_that_was_not_seeded() -> None:
    wrong = said(truth((WORN,))).split("Your angles")[0]
    assert not [fault.title for fault in BY_KEY.values() if fault.title in wrong and fault.key != "worn-points"]


def test_what_was_done_without_need_or_looked_at_in_vain_is_told() -> None:
    text = flat(said(truth((WORN,), needless=["slipping-coupling"], looked=["coil-lead", "points-faces", "coil-lead"])))
    assert f"done without need: {BY_KEY['slipping-coupling'].mend_title} " in text
    assert f"as all was well there: {BY_KEY['coil-lead-on'].place_title} Your angles" in text


# --- angles -----------------------------------------------------------------------------------------------------------


def test_angles_stand_beside_true_ones_counted_from_the_same_reference() -> None:
    told = truth()
    true = {(o["breaker"], o["lobe"]): o["from_neutral_deg"] for o in told["openings"]}
    text = said(told)
    main, retard = figures(text, "main"), figures(text, "retard")
    assert len(main) == len(retard) == 4
    for lobe in range(4):
        assert main[lobe][1] == pytest.approx(true["main", lobe], abs=0.006)
        # The retard breaker's angle counts from the main one's opening.
        assert retard[lobe][1] == pytest.approx(true["retard", lobe] - true["main", lobe], abs=0.006)
    for measured, known, error, _ in main + retard:
        assert error == pytest.approx(measured - known, abs=0.011)
        assert abs(error) < 0.5


def test_an_error_beyond_the_uncertainty_is_called_so() -> None:
    told = truth()
    for opening in told["openings"]:
        opening["from_neutral_deg"] += 1.0 if opening["breaker"] == "main" and opening["lobe"] == 2 else 0.0
    words = [word for *_, word in figures(said(told), "main")]
    assert words[2] == "BEYOND"
    assert words[0] == "inside"


def test_lobes_are_named_from_the_neutral_that_was_pressed() -> None:
    told = truth(presses=[{"at_s": 12.0, "neutral": 1}, {"at_s": 14.0, "neutral": 1}])
    steps = (StepTaken(0.0, 1, Step.SENSE), StepTaken(5.0, 1, Step.NEUTRAL), StepTaken(20.0, 1, Step.VERIFY))
    true = {o["lobe"]: o["from_neutral_deg"] for o in told["openings"] if o["breaker"] == "main"}
    known = [t for _, t, *_ in figures(said(told, steps), "main")]
    assert known == pytest.approx([true[(lobe + 1) % 4] for lobe in range(4)], abs=0.006)


def test_work_on_the_unit_after_the_result_is_told_beside_its_angles() -> None:
    steps = (StepTaken(0.0, 1, Step.SENSE), StepTaken(90.0, 1, Step.DONE))
    worked = {"at_s": 95.0, "do": "tightened the main points"}
    assert "worked on after this result" in said(truth(acts=[worked]), steps)
    assert "worked on after this result" not in said(truth(acts=[{**worked, "at_s": 80.0}]), steps)


def test_without_a_valid_result_it_says_why() -> None:
    job, _ = _done()
    failed = ResultDocument(valid=False, simulated=True, error=ErrorRow(code="no-opening", text="main never opened."))
    assert "There is no valid result: main never opened." in debrief(truth((TOOTH,)), [failed], job.run.job)
    assert "There is no valid result." in debrief(truth((TOOTH,)), [], job.run.job)


# --- order ------------------------------------------------------------------------------------------------------------


def test_steps_and_acts_are_told_in_the_order_of_their_times() -> None:
    failed = ResultDocument(valid=False, simulated=True, error=ErrorRow(code="no-opening", text="main never opened."))
    steps = (StepTaken(0.0, 1, Step.SENSE), StepTaken(9.0, 2, Step.SENSE), StepTaken(70.0, 2, Step.NEUTRAL))
    acts = [
        {"at_s": 4.0, "do": "looked at: coil-lead"},
        {"at_s": 71.0, "do": "pressed the pedal"},
        {"at_s": 75.0, "do": "pressed the pedal"},
    ]
    order = said(truth(acts=acts), steps, failed).split("Time and order")[1].splitlines()[1:7]
    assert [line.strip() for line in order] == [
        "0:00  STEP instrument check",
        f"0:04  looked at: {BY_KEY['coil-lead-on'].place_title}",
        "0:09  — the job begins anew (before: no-opening) —",
        "0:09  STEP instrument check",
        "1:10  STEP neutral",
        "1:11  pressed the pedal (2 times, until 1:15)",
    ]
