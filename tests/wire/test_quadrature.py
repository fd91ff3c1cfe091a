"""All sixteen transitions of the two encoder signals."""

import pytest

from firmware_protocol.quadrature import PLACE_OF_STATE, step_between_states

#: Written out by hand: rows from 00, 01, 10, 11; columns to 00, 01, 10, 11 (A then B). Four do not move, four count up
#: (00 → 10 → 11 → 01 → 00), four count down, four are illegal (both signals change). Gray code, any encoder handbook.
ILLEGAL = None
TABLE = {
    0b00: (0, -1, +1, ILLEGAL),
    0b01: (+1, 0, ILLEGAL, -1),
    0b10: (-1, ILLEGAL, 0, +1),
    0b11: (ILLEGAL, +1, -1, 0),
}


@pytest.mark.parametrize("before", range(4))
@pytest.mark.parametrize("after", range(4))
def test_each_transition_means_what_the_code_says(before: int, after: int) -> None:
    assert step_between_states(before, after) == TABLE[before][after]


def test_there_are_four_of_each_kind() -> None:
    found = [step_between_states(b, a) for b in range(4) for a in range(4)]
    assert {kind: found.count(kind) for kind in (0, 1, -1, None)} == {0: 4, 1: 4, -1: 4, None: 4}


def test_neighbouring_places_differ_in_one_signal() -> None:
    states = sorted(range(4), key=lambda state: PLACE_OF_STATE[state])
    for one, next_one in zip(states, [*states[1:], states[0]]):
        assert (one ^ next_one).bit_count() == 1
