"""What the pictures show, in plain figures: made where results are known, drawn where only the drawing library is loaded."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PassPoint:
    """One pass: its number among those of its lobe, from 1, and its angle relative to the breaker's `from`, degrees."""

    lobe: int
    number: int
    angle_deg: float


@dataclass(frozen=True, slots=True)
class CloseUp:
    """One opening, with times in seconds from its first departure from closed.

    `contact` holds (time, open) of the first edge and all bounce edges, in order; `encoder` (time, boundary) of the encoder's edges.
    `settled_s` is when it was known to be open for good. `told_by_number`: bounce edges of which no time is known.
    """

    breaker: str
    lobe: int
    speed_deg_s: float
    count_deg: float
    contact: tuple[tuple[float, bool], ...]
    encoder: tuple[tuple[float, int], ...]
    settled_s: float
    bounce_s: float
    told_by_number: int


@dataclass(frozen=True, slots=True)
class DrawnOpening:
    """An opening as in the result; None where a figure is not known or there is no limit. `verdict` is the result's word."""

    lobe: int
    angle_deg: float | None
    expanded_uncertainty_deg: float | None
    from_neutral_deg: float | None
    target_deg: float | None
    lower_limit_deg: float | None
    upper_limit_deg: float | None
    offset_deg: float | None
    verdict: str


@dataclass(frozen=True, slots=True)
class DrawnBreaker:
    """One set of points; `name` and `from_` may come from the user's file and are printable already."""

    name: str
    from_: str
    openings: tuple[DrawnOpening, ...]


@dataclass(frozen=True, slots=True)
class PassesPicture:
    """Every pass of every lobe; `found` is None where nothing was measured before an adjustment."""

    left: DrawnBreaker
    passes: tuple[PassPoint, ...]
    found: DrawnBreaker | None
    found_passes: tuple[PassPoint, ...]


@dataclass(frozen=True, slots=True)
class RingPicture:
    """Once around the cam; lobes are `spacing_deg` of the magnet apart."""

    breaker: DrawnBreaker
    spacing_deg: float
    clockwise: bool


Wanted = PassesPicture | RingPicture | CloseUp
