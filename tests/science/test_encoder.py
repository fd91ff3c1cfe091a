"""From counts and edge times to places on the disc."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from bench.encoder import PhaseTable, edge_place, edges_of, neighbours, rest_place
from firmware_protocol.messages import Contact

NO_OFFSETS = (0.0, 0.0, 0.0, 0.0)


def contact(count: int, before: list[tuple[int, int]], after: list[tuple[int, int]]) -> Contact:
    return Contact(
        1_000_000,
        count,
        0,
        1,
        0,
        0,
        0,
        0,
        tuple(a for a, _ in before),
        tuple(s for _, s in before),
        tuple(d for d, _ in after),
        tuple(s for _, s in after),
    )


def moving(place: float, speed: float, acceleration: float = 0.0, offsets: tuple[float, ...] = NO_OFFSETS) -> Contact:
    """A contact edge at `place` (counts) while turning at `speed` counts per tick: exact edge times, rounded to ticks."""
    step = 1 if speed > 0 else -1
    near = range(math.floor(place) - 8, math.floor(place) + 10)
    times = []
    for b in near:
        distance = b + offsets[b % 4] - place
        if acceleration == 0:
            times.append((distance / speed, b))
        else:
            root = speed * speed + 2 * acceleration * distance
            if root >= 0:
                times.append(((math.copysign(math.sqrt(root), speed) - speed) / acceleration, b))
    before = sorted(((round(-t), b) for t, b in times if t <= 0))[:4]
    after = sorted(((round(t), b) for t, b in times if t > 0))[:4]
    latest = before[0][1]
    count = latest if step > 0 else latest - 1
    return contact(count, [(a, step) for a, _ in before], [(d, step) for d, _ in after])


def test_a_count_at_rest_stands_for_its_middle_and_an_edge_for_its_boundary() -> None:
    # JCGM 100:2008 F.2.2.1: uniform over (c, c+1): mean c + 1/2, u = 1/√12.
    rest = rest_place(17, NO_OFFSETS)
    assert (rest.counts, rest.u_counts) == (17.5, pytest.approx(1 / math.sqrt(12)))
    edge = edge_place(moving(17.0000001, 0.002), NO_OFFSETS)
    assert edge.counts == pytest.approx(17.0, abs=0.002)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("place", [100.03, 100.5, 100.97, -3.25])
def test_a_place_between_two_edges_is_found_by_their_times(place: float, direction: int) -> None:
    found = edge_place(moving(place, direction * 0.0008), NO_OFFSETS)
    assert found.interpolated
    assert found.counts == pytest.approx(place, abs=0.003)
    assert found.speed == pytest.approx(direction * 0.0008, rel=0.01)


def test_acceleration_does_not_move_it() -> None:
    # From 60°/s to rest in a quarter of a degree or so: 8,000 counts per turn at 2 MHz.
    found = edge_place(moving(50.4, 0.0008, -2.5e-8), NO_OFFSETS)
    assert found.counts == pytest.approx(50.4, abs=0.01)


def test_edges_that_do_not_run_one_way_give_the_middle_of_the_count() -> None:
    dither = contact(20, [(300, 1), (500, -1), (800, 1)], [(400, -1), (900, 1)])
    found = edge_place(dither, NO_OFFSETS)
    assert (found.counts, found.interpolated) == (20.5, False)


def test_no_edge_after_gives_the_middle_of_the_count() -> None:
    assert edge_place(contact(20, [(300, 1)], []), NO_OFFSETS).counts == 20.5


def test_boundaries_of_neighbouring_edges_follow_from_count_and_steps() -> None:
    # Count 20; up over 20 latest, before that down from 20 to 19, before that up over 20.
    given = contact(20, [(10, 1), (20, -1), (30, 1)], [(5, -1), (15, 1)])
    assert neighbours(given) == [(-30, 20, 1), (-20, 20, -1), (-10, 20, 1), (5, 20, -1), (15, 20, 1)]


def test_an_edges_message_unpacks_to_ticks_and_boundaries() -> None:
    # Worked example of PROTOCOL.md: three edges up, then one down; count 2505 at the end.
    ticks, boundaries, after = edges_of(4_000_100, 2_503, (20, 700, 690, 0x8000 | 900))
    assert ticks.tolist() == [4_000_120, 4_000_820, 4_001_510, 4_002_410]
    assert boundaries.tolist() == [2_504, 2_505, 2_506, 2_506]
    assert after == 2_505


UNEVEN = (0.0, 0.08, -0.05, 0.11)


def turned(n: int, direction: int, rng: random.Random, acceleration: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    boundaries = np.arange(n) * direction
    distance = np.abs(np.array([b + UNEVEN[b % 4] for b in boundaries]) - UNEVEN[0])
    speed = 0.0012
    times = (
        distance / speed
        if acceleration == 0
        else (np.sqrt(speed**2 + 2 * acceleration * distance) - speed) / acceleration
    )
    jitter = np.array([rng.uniform(2, 10) for _ in range(n)])
    return np.round(times + jitter).astype(np.int64), boundaries.astype(np.int64)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("acceleration", [0.0, 2e-11])
def test_uneven_phases_are_learnt(direction: int, acceleration: float) -> None:
    table = PhaseTable()
    ticks, boundaries = turned(6_000, direction, random.Random(2), acceleration)
    for at in range(0, 6_000, 100):
        table.learn(ticks[at : at + 100], boundaries[at : at + 100])
    assert table.offsets() == pytest.approx(UNEVEN, abs=0.002)


def test_learnt_phases_take_their_error_off_an_opening() -> None:
    place = 101.37
    seen = moving(place, 0.0012, offsets=UNEVEN)
    assert abs(edge_place(seen, NO_OFFSETS).counts - place) > 0.02
    assert edge_place(seen, UNEVEN).counts == pytest.approx(place, abs=0.003)


def test_too_few_lines_teach_nothing() -> None:
    table = PhaseTable()
    ticks, boundaries = turned(40, 1, random.Random(2))
    table.learn(ticks, boundaries)
    assert table.offsets() == NO_OFFSETS


def test_a_reversal_is_not_learnt_from() -> None:
    table = PhaseTable()
    up_ticks, up = turned(8, 1, random.Random(3))
    table.learn(np.concatenate((up_ticks, up_ticks + up_ticks[-1] + 800)), np.concatenate((up, up[::-1])))
    # Sixteen edges, but no two whole lines one way.
    assert table.lines == 0
