"""Up to which tick the probes' edges are known: by the tallies in Positions against the Contacts that came (PROTOCOL.md, section 4)."""

from __future__ import annotations

import pytest

from bench.horizon import Confirmed, Horizon

TICK_HZ = 2_000_000
#: A Contact comes up to 50 ms after its edge; twice that without it is a loss.
PATIENCE = TICK_HZ // 10


def begun(watched: tuple[int, ...] = (0,), edges: tuple[int, ...] = (0,)) -> Horizon:
    """Everything known up to tick 0."""
    horizon = Horizon(watched, TICK_HZ)
    assert horizon.position(0, 5, 0, edges) == [Confirmed(0, 5, 0, False)]
    return horizon


def test_a_position_is_known_as_soon_as_all_contacts_that_it_counts_have_come() -> None:
    horizon = begun()
    assert horizon.position(1_000, 6, 1, (2,)) == []
    horizon.contact(0, 400, 400, 1)
    assert horizon.position(2_000, 7, 1, (2,)) == []
    horizon.contact(0, 500, 500, 1)
    assert horizon.position(3_000, 8, 1, (2,)) == [
        Confirmed(1_000, 6, 1, False),
        Confirmed(2_000, 7, 1, False),
        Confirmed(3_000, 8, 1, False),
    ]


def test_of_two_probes_each_must_have_told_all_its_edges() -> None:
    horizon = begun((0, 1), (0, 0))
    horizon.contact(0, 500, 500, 1)
    assert horizon.position(1_000, 6, 3, (1, 1)) == []
    horizon.contact(1, 600, 600, 1)
    assert [c.tick for c in horizon.position(2_000, 7, 3, (1, 1))] == [1_000, 2_000]


@pytest.mark.parametrize("at", [1_000, 40 * TICK_HZ])
def test_a_contact_behind_a_position_is_not_counted_for_it(at: int) -> None:
    horizon = begun()
    horizon.contact(0, at + 500, at + 500, 1)
    assert horizon.position(at, 6, 0, (0,)) == [Confirmed(at, 6, 0, False)]
    assert horizon.position(at + 1_000, 7, 1, (1,)) == [Confirmed(at + 1_000, 7, 1, False)]


def test_an_edge_at_the_very_tick_of_a_position_is_among_its_edges() -> None:
    horizon = begun()
    horizon.contact(0, 1_000, 1_000, 1)
    assert horizon.position(1_000, 6, 1, (1,)) == [Confirmed(1_000, 6, 1, False)]


def test_a_position_within_a_merged_storm_waits_for_none_and_the_next_one_tells() -> None:
    horizon = begun()
    # Ten edges between 100 and 600 in one message; four of them, perhaps, up to 300.
    horizon.contact(0, 100, 600, 10)
    assert horizon.position(300, 6, 0, (4,)) == []
    assert horizon.position(600, 7, 1, (10,)) == [Confirmed(600, 7, 1, False)]
    assert horizon.position(600 + 2 * PATIENCE, 8, 1, (10,)) == [Confirmed(600 + 2 * PATIENCE, 8, 1, False)]
    assert not horizon.contact_lost


def test_after_a_loss_a_position_within_a_storm_is_not_what_is_counted_from() -> None:
    horizon = begun()
    horizon.restart()
    # Of 34 edges up to 600 the last ten came in one message; 24 were before, told or lost.
    horizon.contact(0, 100, 600, 10)
    assert horizon.position(300, 6, 0, (28,)) == []
    assert horizon.position(700, 7, 1, (34,)) == []
    assert horizon.position(301 + PATIENCE, 8, 1, (34,)) == []
    last = 701 + PATIENCE
    assert horizon.position(last, 9, 1, (34,)) == [
        Confirmed(700, 7, 1, True),
        Confirmed(301 + PATIENCE, 8, 1, False),
        Confirmed(last, 9, 1, False),
    ]


@pytest.mark.parametrize(("waited", "lost"), [(PATIENCE, False), (PATIENCE + 1, True)])
def test_a_contact_that_does_not_come_within_a_tenth_of_a_second_is_lost(waited: int, lost: bool) -> None:
    horizon = begun()
    assert horizon.position(1_000, 6, 1, (1,)) == []
    assert horizon.position(1_000 + waited, 7, 1, (1,)) == []
    assert horizon.contact_lost == lost


def test_after_a_loss_the_first_position_is_known_once_no_contact_for_it_can_be_under_way() -> None:
    horizon = begun()
    horizon.restart()
    assert horizon.position(1_000, 6, 1, (7,)) == []
    assert horizon.position(1_000 + PATIENCE, 7, 1, (7,)) == []
    assert horizon.position(1_001 + PATIENCE, 8, 1, (8,)) == [
        Confirmed(1_000, 6, 1, True),
        Confirmed(1_000 + PATIENCE, 7, 1, False),
    ]
    horizon.contact(0, 1_001 + PATIENCE, 1_001 + PATIENCE, 1)
    assert horizon.position(1_002 + PATIENCE, 9, 0, (8,)) == [
        Confirmed(1_001 + PATIENCE, 8, 1, False),
        Confirmed(1_002 + PATIENCE, 9, 0, False),
    ]
    assert not horizon.contact_lost


def test_a_probe_that_is_not_watched_may_chatter() -> None:
    horizon = begun((1,), (900, 0))
    horizon.contact(0, 10, 10, 1)
    assert horizon.position(1_000, 6, 0, (2_000, 0)) == [Confirmed(1_000, 6, 0, False)]
    assert horizon.position(2_000, 7, 2, (3_000, 1)) == []
    horizon.contact(1, 1_500, 1_500, 1)
    assert [c.tick for c in horizon.position(3_000, 8, 2, (4_000, 1))] == [2_000, 3_000]


def test_the_tally_wraps_at_65536() -> None:
    horizon = begun()
    horizon.contact(0, 100, 600, 65_535)
    horizon.contact(0, 700, 700, 1)
    assert horizon.position(1_000, 6, 0, (0,)) == [Confirmed(1_000, 6, 0, False)]
