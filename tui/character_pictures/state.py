"""What a picture of the rotor and its openings shows, frozen."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tui.character_pictures.grid import known


@dataclass(frozen=True, slots=True)
class RingState:
    """What a ring or strip shows. All angles in degrees of the rotating magnet past the angle reference, in the running direction.

    `angle_deg`, target, limits and openings are as the job states them (10.2, not 100.2): each opening counts from its own
    lobe's reference, the rotor from that of `place`. `neutrals` are the places of all neutrals once round, `span_deg` that
    round: 360, or a whole turn of a compensated cam. `openings` holds (breaker, lobe, angle); the last of each breaker and
    lobe is shown. Target and limits belong to the breaker `at_work`, or to the first. What is None or no finite number is
    not known.
    """

    angle_deg: float | None
    #: Words after "degrees": "past neutral 0".
    counts_from: str
    span_deg: float
    neutrals: tuple[float, ...]
    target_deg: float | None
    lower_deg: float | None
    upper_deg: float | None
    openings: tuple[tuple[str, int, float], ...]
    place: int = 0
    #: All sets of points in the job's order, so that a shape does not depend on which opened first.
    breakers: tuple[str, ...] = ()
    at_work: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.span_deg) and self.span_deg > 0):
            raise ValueError(f"span_deg is {self.span_deg}; once round is a positive angle")

    @property
    def names(self) -> tuple[str, ...]:
        """The sets of points in the order of their shapes."""
        return tuple(dict.fromkeys((*self.breakers, *(name for name, _, _ in self.openings))))

    @property
    def limited(self) -> str:
        """The set of points that target and limits belong to."""
        return self.at_work or next(iter(self.names), "")

    def last_openings(self, name: str) -> dict[int, float]:
        """The last opening of each lobe of `name`, as far as it can be drawn."""
        return {lobe: at for n, lobe, at in self.openings if n == name and known(at) is not None}

    def turned(self, angle_deg: float, place: int) -> float:
        """Degrees round the ring, of 360, of an angle that counts from the reference of neutral (or lobe) `place`."""
        if self.neutrals:
            angle_deg += self.neutrals[place % len(self.neutrals)] - self.neutrals[0]
        return math.remainder(angle_deg, self.span_deg) / self.span_deg * 360.0
