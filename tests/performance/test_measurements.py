"""The measurements themselves on the least sizes: all figures are there, both sides of a comparison did the same, and a difference shows.

No statement is about speed: these run beside others.
"""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from firmware_protocol.messages import Contact, Position
from tests.performance import (
    grow_baud,
    grow_edges,
    grow_hours,
    grow_passes,
    grow_records,
    logic_capture,
    long_run,
    measure_acquisition,
    measure_angle,
    measure_quadrature,
    stream,
)
from tests.performance.figures import Figure
from tests.performance.growth import Growth
from tests.records.support import record


def needs(program: str) -> None:
    if shutil.which(program) is None:
        if os.environ.get("CI"):
            pytest.fail(f"{program} is missing")
        pytest.skip(f"{program} is not installed")


def by_name(figures: list[Figure]) -> dict[str, Figure]:
    return {f.name: f for f in figures}


def test_sigrok_and_we_count_the_same_edges_of_one_motion_and_only_we_void_after_an_illegal_transition() -> None:
    needs("sigrok-cli")
    found = by_name(list(measure_quadrature.measure(turns=0.2, times=1)))
    same = found["counts that differ between sigrok-cli and ours"]
    assert same.value == 0
    assert same.met
    assert found["our counts that differ from the motion's"].met
    assert found["largest difference in time between them"].met
    assert found["counts lost by one illegal transition"].value == 2
    assert all(f.value is not None and math.isfinite(f.value) for f in found.values())


def test_an_edge_missing_in_the_capture_shows_as_a_difference(tmp_path: Path) -> None:
    needs("sigrok-cli")
    program = logic_capture.sigrok()
    assert program is not None
    times_s, counts = np.linspace(1e-3, 8e-3, 8), np.arange(9)
    # An illegal transition moves no count, so that without the fifth edge the sixth is not counted either.
    for left_out, expected in ((None, [1, 2, 3, 4, 5, 6, 7]), (4, [1, 2, 3, 4, 5])):
        file = tmp_path / "lines.bin"
        kept = [n for n in range(8) if n != left_out]
        samples = logic_capture.capture(times_s[kept], counts[[0, *(n + 1 for n in kept)]])
        file.write_bytes(samples.tobytes())
        told = logic_capture.by_sigrok(program, file).counts.tolist()
        assert told == expected


def test_a_count_that_only_one_side_has_is_a_difference() -> None:
    assert measure_quadrature.differing([1, 2, 3], [1, 2, 3]) == 0
    assert measure_quadrature.differing([1, 2, 3], [1, 2]) == 1
    assert measure_quadrature.differing([1, 2, 3], [1, 3]) == 2


def test_lines_a_and_b_are_a_gray_code_with_a_first_when_the_count_goes_up() -> None:
    samples = logic_capture.capture(np.linspace(1e-3, 4e-3, 4), np.arange(5))
    states = samples[500::1000].tolist()
    # Any encoder handbook: one line changes at a time.
    assert states[:4] == [0b00, 0b01, 0b11, 0b10]


def test_the_motion_goes_both_ways_and_the_bytes_hold_its_every_edge() -> None:
    seen = logic_capture.seen(0.2)
    assert set(seen.edges.step.tolist()) == {1, -1}
    counted = logic_capture.by_us(seen.wire)
    assert np.array_equal(counted.counts, np.cumsum(seen.edges.step))


def test_the_journal_and_the_copying_program_both_kept_all_bytes() -> None:
    needs("socat")
    found = by_name(list(measure_acquisition.measure(part_s=0.3, rounds=1)))
    assert found["bytes that the journal lacks"].value == 0
    assert all(f.value is not None and f.value >= 0 for f in found.values())


def test_the_angles_errors_stand_beside_the_hand_methods_and_the_bound() -> None:
    found = by_name(list(measure_angle.measure(("poles-4",), 3, ("sub-count steady",), 100)))
    assert found["poles-4: the hand method's error / ours"].value is not None
    (bound,) = [f for f in found.values() if "Cramér–Rao" in f.name]
    assert bound.value is not None
    # Spread from n repeats is off by 1/√(2n); nothing is better than the bound.
    assert bound.value > 1 - 3.4 / math.sqrt(200)


@pytest.mark.parametrize(
    "measure",
    [
        lambda: grow_baud.measure((250_000, 1_000_000), 0.2),
        lambda: grow_edges.measure((500, 1_000), 2.0),
        lambda: grow_passes.measure((3, 4), 1),
        lambda: grow_records.measure((2, 5), record(0)),
        lambda: grow_hours.measure((1,)),
    ],
    ids=["baud", "edges", "passes", "records", "hours"],
)
def test_each_axis_gives_a_figure_at_every_place(measure: Callable[[], Growth]) -> None:
    found = measure()
    assert all(math.isfinite(y) and y > 0 for curve in found.curves for y in curve.y)
    assert any(curve.peer for curve in found.curves)
    assert found.goals()


def test_more_bytes_come_from_an_encoder_of_more_counts() -> None:
    (size,) = [c for c in grow_edges.measure((500, 1_000), 2.0).curves if c.name == "bytes from the board"]
    assert size.y[1] > 1.05 * size.y[0]


def test_turns_put_together_are_one_unbroken_motion() -> None:
    positions = [m for m in long_run.messages(90.0) if isinstance(m, Position)]
    ticks = np.diff([m.tick for m in positions]) % 2**32
    # 100 a second at the scripted board's 2 MHz; ticks are rounded.
    assert np.all(np.abs(ticks - 20_000) <= 1)
    turning = [m.count for m in positions[-2500:]]
    assert np.all(np.abs(np.diff(turning) - 2_000 / 600) < 1)
    flips = sum(isinstance(m, Contact) for m in long_run.messages(90.0))
    assert positions[-1].contact_edges[0] == flips


def test_a_busy_board_fills_its_line_less_than_half_at_one_megabaud() -> None:
    # DESIGN.md: 10,000 edges a second at 2 bytes are 40 % of a line of 500 kbaud, so 20 % of this one, and its other messages.
    size = len(stream.wire(stream.busy(1.0)))
    assert 0.2 * stream.LINE_BYTES_PER_S < size < 0.5 * stream.LINE_BYTES_PER_S
