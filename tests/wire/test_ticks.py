"""The 32-bit tick runs on over its wrap, backwards a little, and over a restart of the board's timer."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.ticks import TickUnwrapper

TURN = 1 << 32


@given(st.integers(0, TURN - 1), st.lists(st.integers(0, TURN // 2 - 1), max_size=30))
def test_ticks_run_on_over_any_number_of_wraps(start: int, steps: list[int]) -> None:
    ticks = TickUnwrapper()
    assert ticks.unwrap(start) == 0
    at = 0
    for step in steps:
        at += step
        assert ticks.unwrap((start + at) % TURN) == at


HALF = TURN // 2


@given(st.integers(0, TURN - 1), st.integers(0, HALF - 1), st.integers(1, HALF), st.integers(0, HALF - 1))
def test_a_tick_from_before_the_latest_is_placed_before_it_and_changes_nothing_for_those_after(
    start: int, ahead: int, back: int, onward: int
) -> None:
    # A Contact waits for edges after it, so that its tick may lie before that of a Position already sent.
    ticks = TickUnwrapper()
    ticks.unwrap(start)
    assert ticks.unwrap((start + ahead) % TURN) == ahead
    assert ticks.unwrap((start + ahead - back) % TURN) == ahead - back
    assert ticks.unwrap((start + ahead + onward) % TURN) == ahead + onward


def test_one_tick_before_the_wrap_and_one_after_are_two_apart() -> None:
    ticks = TickUnwrapper()
    assert [ticks.unwrap(tick) for tick in (TURN - 1, 1)] == [0, 2]


def test_exactly_half_a_turn_is_taken_as_before() -> None:
    ticks = TickUnwrapper()
    ticks.unwrap(5)
    assert ticks.unwrap(5 + TURN // 2) == -TURN // 2


@pytest.mark.parametrize("after_reset", [0, 17, TURN - 3])
def test_after_a_restart_ticks_go_on_from_the_latest_one(after_reset: int) -> None:
    ticks = TickUnwrapper()
    ticks.unwrap(100)
    assert ticks.unwrap(5_100) == 5_000
    ticks.restart()
    assert ticks.unwrap(after_reset) == 5_000
    assert ticks.unwrap((after_reset + 10) % TURN) == 5_010


def test_a_restart_before_the_first_tick_changes_nothing() -> None:
    ticks = TickUnwrapper()
    ticks.restart()
    assert ticks.unwrap(77) == 0
    ticks.restart()
    ticks.restart()
    assert ticks.unwrap(3) == 0
