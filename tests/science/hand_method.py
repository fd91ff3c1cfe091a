"""The hand method beside which the instrument stands: a plate divided in degrees, a pointer, and an eye.

The plate is zeroed at the same neutral, so that both methods share its error; what differs is the reading. An eye takes the nearest
division, so that the reading is off by anything up to half a degree, evenly: u = 1°/√12 = 0.289° (JCGM 100:2008, F.2.2.1).
"""

from __future__ import annotations

import math

DIVISION_DEG = 1.0


def read_by_eye(angle_deg: float) -> float:
    """What is written down of an angle."""
    return math.floor(angle_deg / DIVISION_DEG + 0.5) * DIVISION_DEG


def hand_error_deg(true_deg: float, zero_error_deg: float, crossing_error_deg: float) -> float:
    """Error of one reading of an opening at `true_deg`, the plate's zero being so far off, and the points opening so much late."""
    return read_by_eye(true_deg + crossing_error_deg - zero_error_deg) - true_deg
