"""Whoever does what the screen says finds what is wrong with a unit, puts it right, and leaves it inside its limits."""

from __future__ import annotations

import pytest

from sim.exercises import FAULTS
from tests.rehearsal.play import INSIDE, play

SEED = 3
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
    # Main and retard breaker, four lobes each, as left at least.
    assert played.inside + played.beyond >= 8


@pytest.mark.parametrize("scenario", ["outside", "dual"])
def test_a_unit_without_exercise_is_set_by_the_screen_alone(scenario: str) -> None:
    played = play(scenario, SEED)
    assert not played.stuck, played.stuck
    assert played.named == ()
    assert played.verdict == INSIDE


def test_every_debrief_says_at_top_and_bottom_that_it_is_no_record() -> None:
    lines = play("plain-single", SEED).debrief.splitlines()
    assert lines[0].startswith("REHEARSAL – not for record")
    assert lines[-1].startswith("REHEARSAL – not for record")
