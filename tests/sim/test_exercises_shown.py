"""Each fault of an exercise shows itself to the instrument, or else is one that no probe can see; mended, nothing of it is left.

The unit is turned by the simulated hand; the job and the bench are those that the person is given.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from bench import bench_file, job_file, result
from bench.run import Run
from bench.settings import DEFAULT_PASSES, Rehearsal, header, read_header
from sim.exercises import BY_KEY, FAULTS, exercise_of, papers
from sim.scenario import load
from sim.world import World
from tests.support.simulated import conduct

SEED = 3
NO_PROBE_SEES = {"wrong-tooth"}


@cache
def measured(key: str, mended: bool) -> tuple[Run, dict[str, Any]]:
    """The run of an exercise with its fault, or with everything put right, and its result document if there is one."""
    name = f"exercise-{key}"
    scenario = load(name)
    world = World(scenario, SEED)
    exercise = exercise_of(scenario, SEED)
    assert exercise is not None
    assert world.exercise is not None
    if mended:
        for told in (world.exercise, exercise):
            told.mend(BY_KEY[key])
        world.fit(world.exercise.scenario, {})
    files = papers(scenario, exercise)
    assert files["job"] is not None
    assert files["bench"] is not None
    document = header(
        job_file.load(files["job"]),
        bench_file.load(files["bench"]),
        DEFAULT_PASSES,
        "2026-01-01T00:00:00+00:00",
        "test",
        Rehearsal(name, SEED),
        False,
    )
    run = Run(read_header(document, "test"))
    conduct(world, run)
    return run, {} if run.failure else result.document(run, None).model_dump(mode="json")


def failure(key: str) -> str | None:
    run, _ = measured(key, False)
    return None if run.failure is None else run.failure.code


def notes(key: str) -> set[str]:
    return {note["code"] for note in measured(key, False)[1]["notes"]}


def verdicts(key: str, breaker: int) -> list[str]:
    return [o["verdict"] for o in measured(key, False)[1]["breakers"][breaker]["openings"]]


@pytest.mark.parametrize("key", [f.key for f in FAULTS])
def test_put_right_every_opening_is_inside_and_nothing_is_noted(key: str) -> None:
    run, found = measured(key, True)
    assert run.failure is None
    assert {o["verdict"] for b in found["breakers"] for o in b["openings"]} == {"inside"}
    assert found["notes"] == []


def test_worn_points_are_noted() -> None:
    assert {"closed-level-high", "closed-level-falls"} <= notes("worn-points")


def test_a_wrong_clearance_puts_the_angle_outside() -> None:
    assert set(verdicts("wrong-clearance", 0)) == {"outside"}


def test_a_coil_lead_that_is_on_ends_the_run() -> None:
    assert failure("coil-lead-on") == "no-opening"


def test_an_impulse_coupling_ends_the_run() -> None:
    assert failure("impulse-fitted") == "impulse-coupling"


def test_a_reversed_sense_ends_the_run() -> None:
    assert failure("reversed-sense") == "wrong-direction"


def test_a_retard_angle_from_the_wrong_reference_is_outside() -> None:
    assert set(verdicts("retard-reference", 0)) == {"inside"}
    assert set(verdicts("retard-reference", 1)) == {"outside"}


def passes(key: str, mended: bool) -> list[list[float]]:
    """Each lobe's passes of the main points, degrees from its own first one."""
    run, _ = measured(key, mended)
    trace = run.epoch.traces[0]
    lobes: list[list[float]] = [[] for _ in range(4)]
    for ordinal, crossed in zip(trace.ordinals, trace.passes, strict=True):
        turns = ordinal // 4
        lobes[ordinal % 4].append(run.deg(crossed.opening.edge.count) - 360.0 * turns)
    return [[p - lobe[0] for p in lobe] for lobe in lobes]


def test_with_a_slipping_coupling_each_lobe_opens_earlier_from_turn_to_turn() -> None:
    for lobe in passes("slipping-coupling", False):
        steps = [b - a for a, b in zip(lobe, lobe[1:], strict=False)]
        # 6 to 12 counts of 0.036° each turn, and the points' own scatter of 0.03° at most.
        assert all(-0.6 < step < -0.1 for step in steps)
    assert all(abs(p) < 0.2 for lobe in passes("slipping-coupling", True) for p in lobe)
    assert "angles-drift" in notes("slipping-coupling")
    assert "inside" not in verdicts("slipping-coupling", 0)


def dwells(key: str, mended: bool) -> list[float]:
    """Dwell before each lobe of both breakers, as measured."""
    _, found = measured(key, mended)
    return [o["dwell_deg"] for o in found["breakers"][0]["openings"]]


def test_an_off_centre_encoder_makes_the_lobes_differ_once_round() -> None:
    # Sine of the place on the disc: 0.25 to 0.35 mm on 20 mm, so that lobes half a turn apart differ by up to 2 degrees.
    assert max(dwells("off-centre-encoder", False)) - min(dwells("off-centre-encoder", False)) > 0.5
    assert max(dwells("off-centre-encoder", True)) - min(dwells("off-centre-encoder", True)) < 0.5
    assert "lobes-uneven" in notes("off-centre-encoder")


def test_a_wrong_tooth_gives_a_perfect_angle() -> None:
    assert {v for breaker in (0, 1) for v in verdicts("wrong-tooth", breaker)} == {"inside"}
    assert notes("wrong-tooth") == set()
