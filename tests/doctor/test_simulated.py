"""The doctor on the simulator's board, whose unit is turned by a hand that does as the steps ask."""

from __future__ import annotations

from typing import Any

import pytest

from bench.conformance_finding import Status
from bench.conformance_steps import Step, StepKind
from sim import scenario as scenarios
from sim.figures import fixed
from sim.hand import STEP_S
from sim.scenario import FaultTable, Scenario
from sim.world import World
from tests.doctor.conduct import STEP_S as PIECE_S
from tests.doctor.conduct import Conduct


class AskedHand:
    """Turns at an even speed, or holds still."""

    def __init__(self, deg_s: float) -> None:
        self._deg_s = deg_s
        self.target_deg = 0.0
        self.held = True
        self.pedal = False
        self.done = False
        self.turning = 0

    def step(self, angle_deg: float, speed_deg_s: float) -> None:
        """See sim.hand.Hand."""
        del angle_deg, speed_deg_s
        self.target_deg += self.turning * self._deg_s * STEP_S


class SimulatedBench:
    """See tests.doctor.conduct.Device."""

    def __init__(self, scenario: Scenario, deg_s: float) -> None:
        self.hand = AskedHand(deg_s)
        self._world = World(scenario, 5, hand=self.hand)
        self.hand.target_deg = self._world.rotor.angle_deg

    def receive(self, data: bytes) -> None:
        """The host's bytes."""
        self._world.receive(data)

    def advance(self) -> bytes:
        """10 ms pass."""
        return self._world.advance(PIECE_S)

    def act(self, step: Step, since_s: float) -> None:
        """The points are opened and closed by turning on; no lead is lifted."""
        turning = {StepKind.TURN: 1, StepKind.TURN_BACK: -1, StepKind.PROBE: 1}
        self.hand.turning = turning.get(step.kind, 0)
        self.hand.pedal = step.kind is StepKind.PEDAL and 0.5 <= since_s < 1.5


def findings(scenario: str | Scenario, deg_s: float = 60.0, **fault: Any) -> dict[str, Status]:
    """All but what passed."""
    loaded = scenarios.load(scenario) if isinstance(scenario, str) else scenario
    chosen = loaded.model_copy(update={"fault": FaultTable(**fault)})
    bench = SimulatedBench(chosen, deg_s)
    run = Conduct(bench, bench.act, attended=True)
    run.run()
    return {f.code: f.status for f in run.conformance.findings() if f.status is not Status.PASS}


#: Which lead is which cannot be told while the rotor turns.
TURNED = {"probe-order": Status.NOT_TRIED}


@pytest.mark.parametrize("scenario", ["with-retard", "dual"])
def test_two_sets_of_points_on_one_shaft_are_no_shared_ground(scenario: str) -> None:
    assert findings(scenario) == TURNED


@pytest.mark.parametrize("deg_s", [60.0, 150.0])
def test_a_dual_unit_set_as_well_as_can_be_is_no_shared_ground(deg_s: float) -> None:
    # Openings and closings at one angle but for the scatter of each pass.
    both = scenarios.load("dual").breaker
    same = tuple(
        b.model_copy(update={"opens_deg": fixed(10.0), "lobe_error_deg": fixed(0.0), "dwell_deg": fixed(65.0)})
        for b in both
    )
    assert findings(scenarios.load("dual").model_copy(update={"breaker": same}), deg_s) == TURNED


def test_a_channel_without_points_is_found_dead_and_none_else() -> None:
    assert findings("plain-single") == {**TURNED, "probe-1": Status.FAIL}


def test_points_that_never_open_are_found() -> None:
    assert findings("with-retard", never_opens="retard") == {**TURNED, "probe-1": Status.FAIL}


def test_a_coil_lead_left_on_shows_on_both_probes() -> None:
    expected = {"probe-0": Status.FAIL, "probe-1": Status.FAIL, "shared-ground": Status.NOT_TRIED}
    assert findings("with-retard", coil_lead_on=True) == {**TURNED, **expected, "levels": Status.NOT_TRIED}


def test_counts_that_the_board_never_saw_show_at_the_index() -> None:
    lost = {"at_s": 9, "counts": 8}
    assert findings("with-retard", lost_counts=lost) == {**TURNED, "index": Status.FAIL}


def test_a_reset_is_found_and_the_run_goes_on() -> None:
    assert findings("with-retard", reset_at_s=3.0) == {**TURNED, "resets": Status.FAIL}


def test_other_firmware_is_found() -> None:
    assert findings("with-retard", other_fingerprint=True)["fingerprint"] is Status.FAIL


@pytest.mark.parametrize("fault", [{"rubbish": True}, {"silent_at_s": 4.0}])
def test_a_board_that_does_not_talk_fails_at_the_line_alone(fault: dict[str, Any]) -> None:
    found = findings("with-retard", **fault)
    assert {code for code, status in found.items() if status is Status.FAIL} == {"line"}
