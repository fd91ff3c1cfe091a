"""Crossings of a motion that is known at nodes, with its rate: cubic Hermite between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_Floats = NDArray[np.float64]
_ROUNDS = 4


def crossing(
    start: _Floats, end: _Floats, start_rate: _Floats, end_rate: _Floats, duration: _Floats, level: _Floats
) -> _Floats:
    """Time after the first node at which each curve passes its level; all arguments of shape (n,).

    Each level must lie between its start and end. Newton's method, kept inside a bracket that it narrows.
    """
    m0, m1 = start_rate * duration, end_rate * duration
    distance = end - start
    c2 = 3.0 * distance - 2.0 * m0 - m1
    c3 = m0 + m1 - 2.0 * distance
    wanted = level - start
    low, high = np.zeros_like(wanted), np.ones_like(wanted)
    rising = distance >= 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        u = np.clip(np.where(distance != 0.0, wanted / distance, 0.0), 0.0, 1.0)
        for _ in range(_ROUNDS):
            off = u * (m0 + u * (c2 + u * c3)) - wanted
            below = (off < 0.0) == rising
            low, high = np.where(below, u, low), np.where(below, high, u)
            slope = m0 + u * (2.0 * c2 + 3.0 * u * c3)
            u_next = u - off / slope
            u = np.where((u_next >= low) & (u_next <= high), u_next, 0.5 * (low + high))
    result: _Floats = u * duration
    return result
