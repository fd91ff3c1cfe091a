"""Do both of the encoder's lines still change? Told from which boundaries its edges lie at.

The two lines change in turn, so that a rotor that turns crosses boundaries one behind the other. A line that is dead (broken, shorted, its
receiver gone) leaves the other one alone: the count goes one up and one down again for ever, and all edges lie at one boundary. A rotor at
rest upon a boundary, which trembles, does the same. What tells the two apart is how many edges come: a trembling hand does some ten to and
fro in a second (physiological tremor 8 to 12 Hz, from memory), a turning one thousands.

Limits: both lines dead look like a rotor at rest; a line dead on a board that sends no Edges shows in no progress alone.
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

#: A line is dead if edges at one boundary make up so much turning, degrees (the other line gives half of all edges) ...
ONE_LINE_DEG = 20.0
#: ... but no fewer than this, twice what a hand's tremor gives ...
LEAST_EDGES = 80
#: ... all within so many seconds.
WITHIN_S = 2.0


class LineWatch:
    """Fed with all encoder edges in order; see the module's text."""

    def __init__(self, counts_per_turn: int, tick_hz: int) -> None:
        self._enough = max(LEAST_EDGES, round(ONE_LINE_DEG * counts_per_turn / 720.0))
        self._within = round(WITHIN_S * tick_hz)
        self._boundary: int | None = None
        self._ticks: deque[int] = deque(maxlen=self._enough)
        self._quiet_until: int | None = None

    def feed(self, ticks: NDArray[np.int64], boundaries: NDArray[np.int64]) -> bool:
        """Further edges: ticks and boundaries, shape (n,). True if one line alone has changed for too long; every `WITHIN_S` at most."""
        if not len(boundaries):
            return False
        last = int(boundaries[-1])
        others = np.nonzero(boundaries != last)[0]
        if len(others) or last != self._boundary:
            self._ticks.clear()
            self._boundary = last
        alone = ticks[others[-1] + 1 :] if len(others) else ticks
        for tick in alone.tolist():
            self._ticks.append(tick)
            if self._quiet_until is not None and tick < self._quiet_until:
                continue
            if len(self._ticks) == self._enough and tick - self._ticks[0] <= self._within:
                self._quiet_until = tick + self._within
                return True
        return False

    def cut(self) -> None:
        """What comes next does not follow on what came."""
        self._boundary = None
        self._ticks.clear()
