"""The Python board is held to the firmware: both see the same pins, and tell the same.

What may differ, and why:
- a tick by the latch: the firmware's handlers wait for each other, up to 10 µs; the Python board draws 1 to 5 µs;
- so an edge of a probe that comes together with one of the encoder may be on its other side;
- Position and Level are sampled up to 1.5 ms late by the firmware, which looks once in a millisecond: its counts are held against
  the other's edges; Edges are cut into other frames: compared edge by edge;
- Edges are suspended by the count in windows of 10 ms, and when half of the firmware's ring waits; by a sliding window in the
  Python board: compared as being told, and resumed;
- the Python board calls every edge too near that is nearer than rated; the firmware takes four together, over which the phase
  error cancels, at a rate of its own: compared as doubting or not;
- the Python board's handler is slower by default (`service_us` 9, the firmware's 3.4), so that it loses counts in a snap that the
  firmware still counts: both doubt.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import pytest

from firmware_protocol.framing import Frame, Framer, FrameReader
from firmware_protocol.messages import (
    COUNT_DOUBTFUL,
    Contact,
    Edges,
    Hello,
    Index,
    Message,
    Position,
    PositionFlag,
    Press,
    Start,
    Trouble,
)
from sim import scenario as scenarios
from sim.scenario import Scenario
from sim.world import World
from tests.firmware import built
from tests.firmware.pins import PinWorld

TICK_US = 0.5
LATCH_TICKS = 2 * 10 / TICK_US


@dataclass
class _Told:
    """What one board told in one session; ticks from that of the first encoder edge."""

    messages: list[Message]

    def __post_init__(self) -> None:
        self.edges: list[tuple[int, int]] = []
        for frame in (m for m in self.messages if isinstance(m, Edges)):
            tick, count = frame.tick, frame.count
            for step in frame.steps:
                tick += step & 0x7FFF
                count += -1 if step & 0x8000 else 1
                self.edges.append((tick, count))
        self.zero = self.edges[0][0] if self.edges else 0

    def since(self, tick: int) -> int:
        """Ticks from the first encoder edge."""
        return (tick - self.zero + 0x8000_0000) % 0x1_0000_0000 - 0x8000_0000


def _told(world: World, seconds: float) -> _Told:
    reader, framer = FrameReader(), Framer()
    messages: list[Message] = []

    def take(data: bytes) -> None:
        messages.extend(item.message for item in reader.feed(data) if isinstance(item, Frame))

    take(world.boot())
    world.receive(framer.encode(Start(1, 100, 10, 1), 0, 0))
    for _ in range(round(seconds / 0.25)):
        take(world.advance(0.25))
    return _Told(messages)


def _both(chosen: Scenario, seed: int, seconds: float) -> tuple[_Told, _Told]:
    world = PinWorld(built.or_skip("in_simavr"), chosen, seed)
    try:
        firmware = _told(world, seconds)
    finally:
        world.close()
    return _told(World(chosen, seed), seconds), firmware


@pytest.fixture(scope="module", params=["with-retard", "jerky-hand"])
def both(request: pytest.FixtureRequest) -> tuple[_Told, _Told]:
    return _both(scenarios.load(request.param), 21, 35.0)


def test_the_same_encoder_edges_at_the_same_times(both: tuple[_Told, _Told]) -> None:
    python, firmware = both
    number = min(len(python.edges), len(firmware.edges))
    # The last frame of either may not have come yet.
    assert number > 10_000
    assert abs(len(python.edges) - len(firmware.edges)) < 400
    assert [c for _, c in python.edges[:number]] == [c for _, c in firmware.edges[:number]]
    apart = [abs(python.since(p) - firmware.since(f)) for (p, _), (f, _) in zip(python.edges, firmware.edges)]
    assert max(apart) <= LATCH_TICKS


def test_the_same_contacts_with_the_same_neighbours(both: tuple[_Told, _Told]) -> None:
    python, firmware = ([m for m in told.messages if isinstance(m, Contact)] for told in both)
    number = min(len(python), len(firmware))
    assert number > 15
    assert abs(len(python) - len(firmware)) <= 3
    by_channel = [sorted(m[:number], key=lambda c: c.channel) for m in (python, firmware)]
    other_side = 0
    for p, f in zip(*by_channel, strict=True):
        assert (p.channel, p.opened, p.storm_edges, p.storm_open, p.flags) == (
            f.channel,
            f.opened,
            f.storm_edges,
            f.storm_open,
            f.flags,
        )
        assert abs(both[0].since(p.tick) - both[1].since(f.tick)) <= LATCH_TICKS
        if p.count != f.count:
            other_side += 1
            assert abs(p.count - f.count) == 1
            continue
        assert (p.before_steps, p.after_steps) == (f.before_steps, f.after_steps)
        for ours, theirs in ((p.before_ages, f.before_ages), (p.after_delays, f.after_delays)):
            assert all(abs(a - b) <= LATCH_TICKS for a, b in zip(ours, theirs, strict=True))
    assert other_side <= number / 10


def test_the_same_index_and_presses(both: tuple[_Told, _Told]) -> None:
    python, firmware = both
    found = [[(m.count, m.step) for m in told.messages if isinstance(m, Index)] for told in both]
    assert found[0] == found[1]
    assert found[0]
    presses = [[m for m in told.messages if isinstance(m, Press)] for told in both]
    assert presses[0]
    for p, f in zip(*presses, strict=True):
        assert (p.source, p.down, p.request) == (f.source, f.down, f.request)
        assert abs(p.count - f.count) <= 1
        assert abs(python.since(p.tick) - firmware.since(f.tick)) <= LATCH_TICKS


def test_positions_carry_the_count_that_the_other_board_saw_then(both: tuple[_Told, _Told]) -> None:
    python, firmware = both
    ticks = [python.since(tick) for tick, _ in python.edges]
    checked = 0
    for position in (m for m in firmware.messages if isinstance(m, Position)):
        at = firmware.since(position.tick)
        if not ticks[0] + LATCH_TICKS < at < ticks[-1] - LATCH_TICKS:
            continue
        places = {bisect_right(ticks, at - LATCH_TICKS), bisect_right(ticks, at + LATCH_TICKS)}
        assert position.count in {python.edges[place - 1][1] for place in range(min(places), max(places) + 1)}
        checked += 1
    assert checked > 2_000


def test_tallies_levels_and_the_pedal_end_alike(both: tuple[_Told, _Told]) -> None:
    python, firmware = ([m for m in told.messages if isinstance(m, Position)] for told in both)
    for before, after in zip(firmware, firmware[1:], strict=False):
        assert (after.tick - before.tick) % 2**32 == pytest.approx(20_000, abs=3_000)
    # The firmware has one probe more, with nothing on it.
    assert firmware[-1].contact_edges[0] == pytest.approx(python[-1].contact_edges[0], abs=3)
    assert firmware[-1].levels & 4
    assert sum(p.flags == PositionFlag.PEDAL_DOWN for p in firmware) == pytest.approx(
        sum(p.flags == PositionFlag.PEDAL_DOWN for p in python), abs=10
    )


def test_neither_tells_of_trouble(both: tuple[_Told, _Told]) -> None:
    for told in both:
        assert [m for m in told.messages if isinstance(m, Trouble)] == []


def test_a_snap_is_doubted_by_both() -> None:
    chosen = scenarios.load("impulse-fitted")
    python, firmware = _both(chosen, 22, 12.0)
    codes = [{t.code for t in told.messages if isinstance(t, Trouble)} for told in (python, firmware)]
    doubting = [bool(c & COUNT_DOUBTFUL) for c in codes]
    print(codes)
    assert doubting[0] == doubting[1]
    counts = [[m for m in told.messages if isinstance(m, Position)][-1].count for told in (python, firmware)]
    print(counts)
    assert len([m for m in firmware.messages if isinstance(m, Hello)]) == 1
