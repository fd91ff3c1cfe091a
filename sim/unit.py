"""The unit's own geometry: where its neutrals lie, in the frame whose zero is neutral 0."""

from __future__ import annotations

from dataclasses import dataclass

from sim.figures import Draws
from sim.scenario import Scenario


@dataclass(frozen=True, slots=True)
class Neutrals:
    """Places without flux in the coil core, one per pole, for any number of turns.

    `within_turn_deg` rises from 0 (neutral 0) and stays below 360.
    """

    within_turn_deg: tuple[float, ...]

    @property
    def poles(self) -> int:
        """Neutrals per turn."""
        return len(self.within_turn_deg)

    @property
    def spacing_deg(self) -> float:
        """Mean distance between two neutrals."""
        return 360.0 / self.poles

    def at(self, index: int) -> float:
        """Angle of neutral `index`, any integer."""
        turn, place = divmod(index, self.poles)
        return 360.0 * turn + self.within_turn_deg[place]

    def nearest(self, angle_deg: float) -> int:
        """Index of the neutral nearest to an angle."""
        guess = round(angle_deg / self.spacing_deg)
        return min((guess - 1, guess, guess + 1), key=lambda i: abs(self.at(i) - angle_deg))

    def below(self, angle_deg: float) -> int:
        """Index of the last neutral at or below an angle."""
        index = self.nearest(angle_deg)
        return index if self.at(index) <= angle_deg else index - 1

    def folded(self, angle_deg: float) -> float:
        """Angle from the nearest neutral."""
        return angle_deg - self.at(self.nearest(angle_deg))


def neutrals_of(scenario: Scenario, draws: Draws) -> Neutrals:
    """Neutrals of this unit: evenly spaced, each but the first off by an error of its own."""
    poles = scenario.unit.poles
    errors = [0.0] + [
        draws.take(f"unit.pole_spacing_error_deg.{k}", scenario.unit.pole_spacing_error_deg) for k in range(1, poles)
    ]
    return Neutrals(tuple(k * 360.0 / poles + error for k, error in enumerate(errors)))
