"""Whoever does what the screen says finds what is wrong with a unit, puts it right, and leaves it inside its limits."""

from __future__ import annotations

import pytest

from sim.exercises import FAULTS
from tests.rehearsal.play import INSIDE, play

SEED = 3
NOT_FOR_RECORD = "REHEARSAL – not for record"
#: One that draws two faults.
SURPRISE_SEED = 2
EXERCISES = [(f"exercise-{fault.key}", SEED) for fault in FAULTS] + [("exercise-surprise", SURPRISE_SEED)]


@pytest.mark.parametrize(("scenario", "seed"), EXERCISES)
def test_an_exercise_is_completed_by_the_screen_alone(scenario: str, seed: int) -> None:
    played = play(scenario, seed)
    assert not played.stuck, played.stuck
    # The debrief names each seeded fault and none other.
    assert sorted(played.named) == sorted(played.seeded)
    assert played.seeded
    assert sorted(played.put_right) == sorted(played.seeded)
    assert not played.needless
    assert played.verdict == INSIDE
    # Where the screen said that the job begins anew, it did.
    assert played.debrief.count("the job begins anew") == played.sessions - 1
    # Main and retard breaker, four lobes each, as left at least.
    assert played.inside + played.beyond >= 8


def test_a_unit_without_exercise_is_set_by_the_screen_alone() -> None:
    played = play("dual", SEED)
    assert not played.stuck, played.stuck
    assert played.named == ()
    assert played.verdict == INSIDE
    # The debrief says at its top and its bottom that it is no record.
    first, *_, last = played.debrief.splitlines()
    assert first.startswith(NOT_FOR_RECORD)
    assert last.startswith(NOT_FOR_RECORD)
