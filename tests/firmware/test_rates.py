"""At the rated speed and beyond: nothing lost, or told."""

from __future__ import annotations

import numpy as np
import pytest

from firmware_protocol.messages import TroubleCode
from tests.firmware import built, rates

#: PROTOCOL.md, section 8: error of a tick after subtracting a fixed latency.
LATCH_US = 10.0
RATED_HZ = 100_000
#: Above this, edges lie nearer than rated for certain; see board/config.h.
TOLD_FROM_HZ = 145_000


@pytest.fixture(scope="module")
def simavr() -> tuple[str, ...]:
    return built.or_skip("in_simavr")


@pytest.mark.parametrize("direction", [1, -1])
def test_no_count_is_lost_at_the_rated_speed(simavr: tuple[str, ...], direction: int) -> None:
    run = rates.run(simavr, RATED_HZ, 1.0, direction, phase_error_deg=10.0, contact_hz=2000.0)
    assert run.count == run.true_count == direction * RATED_HZ
    assert not run.doubted, run.troubles
    # Full-rate reports, and nothing of the probe lost either.
    assert run.contacts_told == run.contacts_given == 2000
    assert run.wrong_states == 0
    error_us = np.array(run.latch_error_ticks) / 2
    percent = {p: round(float(np.percentile(error_us, p)), 2) for p in (50, 90, 99, 100)}
    print(f"latch error, microseconds by percentile: {percent}")
    assert error_us.max() <= LATCH_US
    # It can fail: all of them alike would tell that nothing was in the way.
    assert error_us.max() > 1.0


def test_a_disc_twice_as_bad_costs_no_count_either(simavr: tuple[str, ...]) -> None:
    # Now and then an edge still waits when the handler of the one before ends, behind a probe's: that is told, and the count right.
    run = rates.run(simavr, RATED_HZ, 0.5, -1, phase_error_deg=20.0, contact_hz=2000.0)
    assert run.right
    assert not set(run.troubles) - {"FLAG_SET_AGAIN", "EDGES_SUSPENDED", "EDGES_RESUMED"}


@pytest.mark.parametrize("direction", [1, -1])
def test_beyond_the_rated_speed_every_run_is_right_or_told(simavr: tuple[str, ...], direction: int) -> None:
    for edge_hz in range(80_000, 300_001, 20_000):
        run = rates.run(simavr, edge_hz, 0.06, direction)
        print(edge_hz, "right" if run.right else "wrong", "told" if run.doubted else "not told", run.troubles)
        assert run.right or run.doubted
        assert run.doubted or edge_hz < TOLD_FROM_HZ
        assert edge_hz > RATED_HZ or (run.right and not run.doubted)


@pytest.mark.parametrize("phase_error_deg", [0.0, 10.0])
def test_a_snap_of_the_impulse_coupling_is_told(simavr: tuple[str, ...], phase_error_deg: float) -> None:
    # About 25° at 7,200°/s: 200,000 counts a second on 2,500 lines.
    run = rates.run(simavr, 200_000, 25 / 7_200, 1, phase_error_deg)
    assert run.doubted


def test_probes_that_chatter_faster_than_the_line_are_told(simavr: tuple[str, ...]) -> None:
    run = rates.run(simavr, 5_000, 0.5, contact_hz=2_000, channels=3)
    told = run.troubles.get(TroubleCode.CONTACT_OVERRUN.name, 0)
    assert run.right
    assert not run.doubted
    assert run.contacts_told + told == run.contacts_given


def test_an_overrun_that_lasts_is_told_all_the_same(simavr: tuple[str, ...]) -> None:
    # Faster than the interrupt runs, so that the loop gets on by an instruction or two between two of them.
    run = rates.run(simavr, 450_000, 0.3)
    print(run.troubles, run.resets)
    assert not run.right
    assert run.doubted
