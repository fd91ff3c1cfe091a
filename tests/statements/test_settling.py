"""Statements about one probe's edges: when a state is settled, what is bounce, what is a flicker, and what a loss leaves.

An opening is the first departure from closed that leads to settled open, which is open for at least 2 ms and over at least 0.2°
(METHOD.md). At 2,000,000 ticks a second that is 4,000 ticks; six counts stand for the angle.
"""

from __future__ import annotations

import tracemalloc

import pytest

from bench.contacts import (
    RESTLESS_TIMES,
    Change,
    ChannelTracker,
    ContactEdge,
    Flicker,
    LevelReading,
    LevelReadings,
    Settled,
)
from bench.horizon import Confirmed
from firmware_protocol.messages import Contact, ContactFlag

TICKS = 4_000
COUNTS = 6.0
#: When and where the points leave the closed state below.
AT, COUNT = 100_000, 500
OPEN, CLOSED = 1, 0


class Probe:
    """One channel; every other one reads the opposite. What is found settled is collected in `changes`."""

    def __init__(self, channel: int = 0, sense: int = 1) -> None:
        self.tracker = ChannelTracker(channel, TICKS, COUNTS)
        self.changes: list[Change] = []
        self._channel, self._sense = channel, sense

    def known(self, after: int, count: int, level: int, fresh: bool = False) -> None:
        """Everything is known up to so many ticks behind `AT`."""
        here = 1 << self._channel
        self.changes += self.tracker.confirm(
            Confirmed(AT + after, count, here if level else 0xFF ^ here, fresh), self._sense
        )

    def edge(self, after: int, level: int, count: int = COUNT, storm: tuple[int, int, int] = (0, 0, 0)) -> None:
        """An edge so many ticks behind `AT`. `storm`: further edges merged into it, their ticks, and the state behind them."""
        flags = ContactFlag.ONE_OF_STORM if storm[0] else 0
        contact = Contact(AT + after, count, self._channel, level, flags, *storm, (), (), (), ())
        self.tracker.edge(ContactEdge(AT + after, count, bool(level), contact, b""))

    @property
    def flickers(self) -> list[Flicker]:
        return list(self.tracker.flickers)


def settled_closed(channel: int = 0, sense: int = 1) -> Probe:
    """A probe that was turned 100 counts while closed, up to `COUNT` and shortly before `AT`."""
    probe = Probe(channel, sense)
    probe.known(-AT, COUNT - 100 * sense, CLOSED)
    probe.known(-1_000, COUNT, CLOSED)
    assert probe.tracker.settled is Settled.CLOSED
    return probe


# --- settled --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("after", "counts", "settles"),
    [(TICKS, 6, True), (TICKS - 1, 6, False), (TICKS, 5, False), (TICKS - 1, 600, False), (600 * TICKS, 5, False)],
)
def test_a_state_is_settled_after_its_time_and_its_angle_and_not_before(after: int, counts: int, settles: bool) -> None:
    probe = settled_closed()
    probe.edge(0, OPEN)
    probe.known(after, COUNT + counts, OPEN)
    assert [c.edge.tick for c in probe.changes] == [AT] * settles
    assert probe.tracker.settled is (Settled.OPEN if settles else Settled.CLOSED)
    assert probe.tracker.departure_count == (None if settles else COUNT)
    assert probe.tracker.has_opened == settles


@pytest.mark.parametrize(("sense", "counts", "forward"), [(1, 6, True), (1, -6, False), (-1, -6, True), (-1, 6, False)])
def test_a_change_is_forward_if_the_rotor_ran_on_in_the_running_direction(
    sense: int, counts: int, forward: bool
) -> None:
    probe = settled_closed(sense=sense)
    probe.edge(0, OPEN)
    probe.known(TICKS, COUNT + counts, OPEN)
    assert [c.forward for c in probe.changes] == [forward]


@pytest.mark.parametrize("count", [1, -1])
def test_of_a_coarse_encoder_a_single_count_tells_the_direction(count: int) -> None:
    # 0.2° of 400 counts a turn are 0.22 counts.
    tracker = ChannelTracker(0, TICKS, 0.2 * 400 / 360)
    tracker.confirm(Confirmed(0, 9, 0, False), 1)
    tracker.confirm(Confirmed(TICKS, 10, 0, False), 1)
    tracker.edge(ContactEdge(AT, 10, True, Contact(AT, 10, 0, OPEN, 0, 0, 0, 0, (), (), (), ()), b""))
    (change,) = tracker.confirm(Confirmed(AT + TICKS, 10 + count, 1, False), 1)
    assert change.forward == (count > 0)


def test_a_channel_is_read_from_its_own_bit() -> None:
    probe = settled_closed(channel=2)
    probe.edge(0, OPEN)
    probe.known(TICKS, COUNT + 6, OPEN)
    assert [(c.channel, c.opened) for c in probe.changes] == [(2, True)]


def test_the_first_state_of_all_is_no_change() -> None:
    probe = Probe()
    probe.known(0, 0, OPEN)
    probe.known(TICKS, 6, OPEN)
    assert probe.tracker.settled is Settled.OPEN
    assert (probe.changes, probe.flickers) == ([], [])


def test_what_lies_behind_the_horizon_waits_for_it() -> None:
    probe = settled_closed()
    probe.edge(10, OPEN)
    probe.known(9, COUNT + 50, CLOSED)
    assert probe.tracker.departure_count is None
    probe.known(10, COUNT + 50, OPEN)
    assert probe.tracker.departure_count == COUNT


# --- bounce ---------------------------------------------------------------------------------------------------------------


def test_bounce_is_told_by_its_edges_its_time_its_longest_return_and_its_way() -> None:
    probe = settled_closed()
    for after, level, count in (
        (0, OPEN, COUNT),
        (300, CLOSED, COUNT + 1),
        (380, OPEN, COUNT + 1),
        (400, CLOSED, COUNT + 2),
        (460, OPEN, COUNT + 3),
    ):
        probe.edge(after, level, count)
    probe.known(460 + TICKS, COUNT + 9, OPEN)
    (change,) = probe.changes
    assert (change.edge.tick, change.edge.count) == (AT, COUNT)
    # Four edges follow the first, the last 460 ticks and 3 counts behind it; closed again for 80 and for 60 ticks.
    assert (change.bounce_edges, change.bounce_ticks, change.bounce_counts) == (4, 460, 3)
    assert (change.returns, change.longest_return_ticks, change.merged_edges) == (2, 80, 0)
    assert change.settled_tick == AT + 460 + TICKS


def test_of_a_merged_storm_the_edges_count_and_no_time_within_is_believed() -> None:
    probe = settled_closed()
    probe.edge(0, OPEN)
    # The one at 50 stands for 9 more up to 650, where it is open.
    probe.edge(50, CLOSED, storm=(9, 600, OPEN))
    probe.known(650 + TICKS, COUNT + 6, OPEN)
    (change,) = probe.changes
    assert (change.bounce_edges, change.bounce_ticks, change.merged_edges) == (10, 650, 9)
    assert change.longest_return_ticks == 0


def test_points_that_settle_again_where_they_were_only_flickered() -> None:
    probe = settled_closed()
    for after, level in ((0, OPEN), (300, CLOSED), (350, OPEN), (370, CLOSED)):
        probe.edge(after, level)
    probe.known(370 + TICKS, COUNT + 6, CLOSED)
    assert probe.changes == []
    # Open for 300 and for 20 ticks.
    assert probe.flickers == [Flicker(0, AT, COUNT, False, 4, 300)]
    assert not probe.tracker.has_opened
    assert probe.tracker.departure_count is None


def test_of_a_flicker_that_was_merged_no_time_is_known() -> None:
    probe = settled_closed()
    probe.edge(0, OPEN, storm=(9, 600, CLOSED))
    probe.known(600 + TICKS, COUNT + 6, CLOSED)
    assert probe.flickers == [Flicker(0, AT, COUNT, False, 10, 0)]


def test_open_points_that_touch_flicker_too() -> None:
    probe = Probe()
    probe.known(-AT, COUNT - 100, OPEN)
    probe.known(-1_000, COUNT, OPEN)
    probe.edge(0, CLOSED)
    probe.edge(20, OPEN)
    probe.known(20 + TICKS, COUNT + 6, OPEN)
    assert probe.flickers == [Flicker(0, AT, COUNT, True, 2, 20)]


def test_a_longer_bounce_is_one_opening_at_its_first_edge_though_the_rotor_turns_on() -> None:
    probe = settled_closed()
    # Each state lasts 1.9 ms: none of them settles, over whatever angle.
    for n in range(21):
        probe.edge(3_800 * n, OPEN if n % 2 == 0 else CLOSED, COUNT + 10 * n)
    probe.known(3_800 * 20 + TICKS, COUNT + 210, OPEN)
    assert [(c.edge.tick, c.bounce_edges) for c in probe.changes] == [(AT, 20)]


# --- losses ---------------------------------------------------------------------------------------------------------------


def test_after_a_loss_nothing_that_came_before_it_makes_an_opening() -> None:
    probe = settled_closed()
    probe.edge(0, OPEN)
    probe.tracker.lose_track()
    assert probe.tracker.settled is Settled.UNKNOWN
    assert probe.tracker.departure_count is None
    probe.known(1_000, COUNT + 1, OPEN, fresh=True)
    probe.known(1_000 + TICKS, COUNT + 7, OPEN)
    assert probe.changes == []
    # Known again from there on.
    assert probe.tracker.settled is Settled.OPEN


def test_edges_up_to_the_first_known_moment_after_a_loss_tell_nothing() -> None:
    probe = settled_closed()
    probe.edge(0, OPEN)
    probe.edge(20, CLOSED)
    # Others may have been lost up to here: closed since 20 is not known.
    probe.known(1_000, COUNT, CLOSED, fresh=True)
    probe.known(1_000 + TICKS - 1, COUNT + 6, CLOSED)
    assert probe.tracker.settled is Settled.UNKNOWN
    probe.known(1_000 + TICKS, COUNT + 6, CLOSED)
    assert probe.tracker.settled is Settled.CLOSED
    assert (probe.changes, probe.flickers) == ([], [])


def test_an_edge_behind_the_first_known_moment_after_a_loss_counts() -> None:
    probe = Probe()
    # It came before that moment was known.
    probe.edge(2 * TICKS, OPEN, COUNT + 7)
    probe.known(0, COUNT, CLOSED, fresh=True)
    probe.known(TICKS, COUNT + 6, CLOSED)
    probe.known(3 * TICKS, COUNT + 13, OPEN)
    assert [c.edge.tick for c in probe.changes] == [AT + 2 * TICKS]


def test_an_edge_that_comes_before_anything_is_known_makes_no_opening() -> None:
    probe = settled_closed()
    probe.tracker.lose_track()
    probe.edge(0, OPEN)
    probe.known(TICKS - 1, COUNT + 6, OPEN)
    assert probe.tracker.settled is Settled.UNKNOWN
    probe.known(TICKS, COUNT + 6, OPEN)
    assert probe.tracker.settled is Settled.OPEN
    assert (probe.changes, probe.flickers) == ([], [])


def test_points_that_part_before_they_were_settled_closed_make_no_opening() -> None:
    probe = Probe()
    probe.known(-1_000, COUNT, CLOSED)
    probe.edge(0, OPEN)
    probe.known(TICKS, COUNT + 6, OPEN)
    assert probe.tracker.settled is Settled.OPEN
    assert (probe.changes, probe.flickers) == ([], [])


def test_a_level_that_contradicts_the_edges_makes_no_opening() -> None:
    probe = settled_closed()
    probe.known(0, COUNT, OPEN)
    assert probe.tracker.settled is Settled.UNKNOWN
    probe.known(TICKS, COUNT + 6, OPEN)
    assert probe.changes == []
    assert probe.tracker.settled is Settled.OPEN


def test_a_level_that_agrees_changes_nothing() -> None:
    probe = settled_closed()
    probe.known(0, COUNT, CLOSED)
    assert probe.tracker.settled is Settled.CLOSED


# --- readings -------------------------------------------------------------------------------------------------------------


def test_a_reading_is_kept_with_its_place_its_state_and_the_beginning_of_the_stretch() -> None:
    probe = settled_closed()
    probe.tracker.level(AT - 1, 3)
    # From the edge on the points are open.
    probe.tracker.level(AT, 4_989)
    probe.edge(0, OPEN)
    probe.known(TICKS, COUNT + 6, OPEN)
    probe.tracker.level(AT + TICKS + 1, 4_990)
    probe.tracker.level(AT + TICKS + 2, 4_991)
    probe.known(TICKS + 1, COUNT + 8, OPEN)
    # Closed since the start, open since the edge; the last reading lies behind the horizon.
    assert list(probe.tracker.readings) == [
        LevelReading(AT - 1, COUNT, 3, False, 0),
        LevelReading(AT, COUNT + 6, 4_989, True, AT),
        LevelReading(AT + TICKS + 1, COUNT + 8, 4_990, True, AT),
    ]


def test_of_many_readings_the_latest_are_kept_and_little_more_memory_than_they_need() -> None:
    readings = LevelReadings(100)
    tracemalloc.start()
    try:
        for tick in range(5_000):
            readings.append(LevelReading(tick, -tick, 7, tick % 2 == 0, 3))
            assert len(readings) == min(tick + 1, 100)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert list(readings) == [LevelReading(tick, -tick, 7, tick % 2 == 0, 3) for tick in range(4_900, 5_000)]
    # Five figures of eight bytes each are 4 kB; all would be 200 kB.
    assert peak < 15_000


def test_readings_before_anything_is_settled_are_not_kept() -> None:
    probe = Probe()
    probe.known(0, 0, CLOSED)
    probe.tracker.level(AT + 1, 3)
    probe.known(TICKS - 1, 600, CLOSED)
    assert list(probe.tracker.readings) == []


# --- stuck ----------------------------------------------------------------------------------------------------------------


def test_flickers_do_not_end_an_unchanged_state_but_a_state_that_lasts_does() -> None:
    probe = Probe()
    probe.known(0, 0, CLOSED)
    probe.known(TICKS, 300, CLOSED)
    assert (probe.tracker.unchanged_counts, probe.tracker.lasting_open) == (300, False)
    probe.edge(TICKS + 10, OPEN, 250)
    probe.edge(TICKS + 20, CLOSED, 250)
    # Turned back below where it began: what counts is the range.
    probe.known(3 * TICKS, -200, CLOSED)
    assert probe.tracker.unchanged_counts == 500
    probe.edge(3 * TICKS + 10, OPEN, -190)
    probe.known(5 * TICKS, -150, OPEN)
    assert (probe.tracker.unchanged_counts, probe.tracker.lasting_open) == (40, True)


def test_watched_anew_the_counts_begin_anew() -> None:
    probe = settled_closed()
    probe.tracker.watch_anew()
    assert (probe.tracker.unchanged_counts, probe.tracker.lasting_open) == (0, None)
    # Nothing else is forgotten.
    assert probe.tracker.settled is Settled.CLOSED


@pytest.mark.parametrize("way", [1, -1])
def test_a_probe_that_flickers_over_too_long_a_way_is_neither_open_nor_closed(way: int) -> None:
    far = round(RESTLESS_TIMES * COUNTS)
    assert far == 150
    probe = settled_closed()

    def flicker_to(count: int, after: int) -> None:
        probe.edge(after, OPEN, count)
        probe.edge(after + 10, CLOSED, count)
        probe.known(after + 20, count, CLOSED)

    flicker_to(COUNT, 0)
    flicker_to(COUNT + way * far, 1_000)
    assert (probe.tracker.unchanged_counts, probe.tracker.lasting_open) == (100, False)
    flicker_to(COUNT + way * (far + 1), 2_000)
    assert (probe.tracker.unchanged_counts, probe.tracker.lasting_open) == (0, None)
