"""The two encoder signals as places in their cycle, and what a change between two places means.

A state is written A·2 + B. Its places 0 to 3 are in the order in which the signals run while the count rises (a Gray code: one signal
changes at a time); a count modulo 4 is the place of its state.
"""

from __future__ import annotations

#: Place of each state A·2 + B: 00, 01, 10, 11.
PLACE_OF_STATE = (0, 3, 1, 2)


def step_between_places(before: int, after: int) -> int | None:
    """+1, -1 or 0; None for the opposite place, which no single edge reaches: an illegal transition."""
    change = (after - before) % 4
    return None if change == 2 else -1 if change == 3 else change


def step_between_states(before: int, after: int) -> int | None:
    """The same for two states A·2 + B."""
    return step_between_places(PLACE_OF_STATE[before], PLACE_OF_STATE[after])
