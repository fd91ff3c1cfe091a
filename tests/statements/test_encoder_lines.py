"""Statements about an encoder of which one line is dead: told soon, and never from a rotor that trembles at rest."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from bench.encoder_lines import LineWatch
from bench.run import Run
from firmware_protocol.messages import Contact, Edges, Index, Position
from tests.support.scripted import TICK_HZ, Sent, new_run, play, records, turning, wire

COUNTS = 10_000
SECOND = TICK_HZ


def told_at(ticks: np.ndarray, boundaries: np.ndarray, piece: int = 50) -> int | None:
    """The tick up to which edges had come when it was first told."""
    watch = LineWatch(COUNTS, TICK_HZ)
    for n in range(0, len(ticks), piece):
        if watch.feed(ticks[n : n + piece], boundaries[n : n + piece]):
            return int(ticks[min(n + piece, len(ticks)) - 1])
    return None


def evenly(per_second: float, seconds: float) -> np.ndarray:
    return (np.arange(1, int(per_second * seconds)) * SECOND / per_second).astype(np.int64)


@pytest.mark.parametrize("speed_deg_s", [20.0, 60.0, 300.0])
def test_one_line_alone_is_told_within_two_seconds_of_turning(speed_deg_s: float) -> None:
    # One line changes twice in a line of four counts.
    ticks = evenly(speed_deg_s / 360 * COUNTS / 2, 5.0)
    told = told_at(ticks, np.full(len(ticks), 4711))
    assert told is not None
    assert told <= 2 * SECOND


def test_a_rotor_that_turns_is_never_taken_for_a_dead_line() -> None:
    ticks = evenly(20_000, 3.0)
    assert told_at(ticks, np.arange(len(ticks))) is None


def test_a_hand_that_trembles_over_one_edge_for_a_minute_is_not() -> None:
    # 12 Hz, two edges to and fro (physiological tremor 8 to 12 Hz, from memory).
    ticks = evenly(24, 60.0)
    assert told_at(ticks, np.full(len(ticks), 4711)) is None


def test_one_edge_elsewhere_shows_that_both_lines_live() -> None:
    ticks = evenly(1000, 3.0)
    boundaries = np.full(len(ticks), 4711)
    boundaries[::200] += 1
    assert told_at(ticks, boundaries) is None


def test_how_edges_come_in_pieces_changes_nothing() -> None:
    ticks = evenly(1000, 3.0)
    boundaries = np.full(len(ticks), 4711)
    boundaries[:100] = np.arange(100)
    first = told_at(ticks, boundaries, 1)
    assert first is not None
    assert all(first <= (told_at(ticks, boundaries, n) or 0) < first + n * SECOND // 1000 for n in (7, 64, 1000))


def told_of(ticks: list[int], boundaries: list[int] | None = None, counts: int = 400, piece: int = 1) -> int:
    """How often it was told."""
    watch = LineWatch(counts, TICK_HZ)
    at = np.full(len(ticks), 4711) if boundaries is None else np.array(boundaries)
    found = np.array(ticks, dtype=np.int64)
    return sum(watch.feed(found[n : n + piece], at[n : n + piece]) for n in range(0, len(ticks), piece))


LATE = 60 * SECOND


@pytest.mark.parametrize(("edges", "times"), [(79, 0), (80, 1)])
def test_fewer_edges_than_a_hand_may_tremble_tell_nothing_of_a_coarse_encoder(edges: int, times: int) -> None:
    # 20° of one line of 400 counts are eleven edges; no fewer than 80 are asked for (the module's text).
    assert told_of([LATE + 1000 * n for n in range(edges)]) == times
    others = [LATE - 2000, LATE - 1000]
    ticks = [*others, *(LATE + 1000 * n for n in range(edges))]
    assert told_of(ticks, [4709, 4710] + [4711] * edges, piece=1000) == times


@pytest.mark.parametrize(("span", "times"), [(2 * SECOND, 1), (2 * SECOND + 1, 0)])
def test_edges_must_come_within_two_seconds(span: int, times: int) -> None:
    assert told_of([*(LATE + 1000 * n for n in range(79)), LATE + span]) == times


def test_a_line_that_stays_dead_is_told_every_two_seconds() -> None:
    # 1,000 edges a second for 7 s; 278 of them are 20° of one line of 10,000 counts. Told after 0.278 s, 2.278 s, 4.278 s, 6.278 s.
    assert told_of([LATE + 2000 * n for n in range(7000)], counts=COUNTS) == 4


# --- in a job --------------------------------------------------------------------------------------------------------

SCRIPT = turning(9.5)


def dead_from(at_s: float) -> Callable[[Sent], Sent | None]:
    """One line stays as it is from then on: half of the edges, up and down in turn, and the count with them. The index line lives."""
    count: list[int] = []
    up = [True]

    def seen(sent: Sent) -> Sent | None:
        message = sent.message
        if sent.at_s < at_s:
            if isinstance(message, Edges):
                down = sum(1 for s in message.steps if s & 0x8000)
                count[:] = [message.count + len(message.steps) - 2 * down]
            return sent
        if isinstance(message, Edges):
            steps, waited = [], 0
            for n, step in enumerate(message.steps):
                waited += step & 0x7FFF
                if n % 2 == 0:
                    steps.append(waited | (0 if up[0] else 0x8000))
                    up[0], waited = not up[0], 0
            before = count[0]
            count[0] += sum(-1 if s & 0x8000 else 1 for s in steps)
            return replace(sent, message=replace(message, count=before, steps=tuple(steps)))
        if isinstance(message, (Position, Index, Contact)):
            return replace(sent, message=replace(message, count=count[0]))
        return sent

    return seen


def run_of(at_s: float) -> tuple[Run, list[float]]:
    """The run, and the device time of each message at which there was a new note or the end."""
    seen = dead_from(at_s)
    sent = [s for s in map(seen, play(SCRIPT)) if s is not None]
    run, told = new_run(), []
    greeting = records(SCRIPT, [])
    for record in greeting:
        run.feed(record)
    for message, frame in zip(sent, wire(sent), strict=True):
        before = len(run.notes), run.failure
        run.feed(replace(greeting[0], payload=frame))
        if (len(run.notes), run.failure) != before:
            told.append(message.at_s)
    return run, told


def test_a_line_that_dies_among_the_passes_is_told_and_voids_them() -> None:
    # Passes begin at 6.9 s; the rotor turns at 60°/s.
    run, told = run_of(12.0)
    assert run.notes[0].code == "encoder-line-dead"
    assert told[0] - 12.0 < 2.0
    assert run.lobe_counts() == {"main": [0, 0]}
    assert not run.finished or run.failure is not None


def test_a_line_that_is_dead_from_the_start_ends_the_job_at_once() -> None:
    run, told = run_of(0.6)
    assert run.failure is not None
    assert run.failure.code == "encoder-line-dead"
    assert told[0] < 2.0
