"""Whole jobs through the real firmware end as they do on the Python board."""

from __future__ import annotations

from sim import scenario as scenarios
from sim.scenario import FaultTable, LostCounts
from tests.firmware import built
from tests.firmware.jobs import Pair, pair


def _pair(name: str, seed: int, fault: FaultTable | None = None) -> Pair:
    built.or_skip("in_simavr")
    chosen = scenarios.load(name)
    return pair(chosen if fault is None else chosen.model_copy(update={"fault": fault}), seed)


def test_verdicts_are_the_same_and_angles_agree() -> None:
    both = _pair("dual", 12)
    assert both.faults() == []
    assert both.firmware.valid
    assert len(both.firmware.openings) >= 4
    print(f"largest difference {both.largest_difference_deg:.5f}°, allowed {both.allowed_deg:.5f}°")


def test_an_impulse_coupling_left_on_ends_the_same_way() -> None:
    both = _pair("impulse-fitted", 13)
    assert both.faults() == []
    assert not both.firmware.valid


def test_a_reset_in_the_middle_ends_the_same_way() -> None:
    both = _pair("plain-single", 14, FaultTable(reset_at_s=20.0))
    assert both.faults() == []


def test_counts_that_never_reached_the_board_end_the_same_way() -> None:
    both = _pair("plain-single", 15, FaultTable(lost_counts=LostCounts(at_s=60.0, counts=40)))
    assert both.faults() == []
