"""A geared cam with a lobe for each cylinder, and followers that can be lifted off a cam.

The cam turns once while the magnet turns cylinders / poles times (FAA-H-8083-32 gives both speeds; the rest is arithmetic). Its lobes
are cut one pole spacing apart, each off by an offset of its own, and it is geared: it knows nothing of where the magnet's neutrals
really lie. So a lobe opens at another angle past each neutral that it meets, by the error of that neutral, and lobe and neutral
pair up again only after lcm(cylinders, poles) / poles turns of the magnet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.contact import Cam, JoinedPoints, Points, Transition, cam_of
from sim.figures import Draws
from sim.mover import Track
from sim.scenario import BreakerTable, Scenario
from sim.unit import Neutrals


@dataclass(frozen=True, slots=True)
class Pairing:
    """A lobe meets a neutral (0 to poles - 1): where it opens past it, degrees."""

    neutral: int
    from_neutral_deg: float


@dataclass(frozen=True, slots=True)
class CompensatedCam(Cam):
    """Opening i, any integer, belongs to lobe (i - first) modulo the lobes and lies near neutral i.

    `opens_deg` holds for each lobe how far past the place of an evenly spaced neutral it opens, offset and error included.
    """

    first: int

    @property
    def cylinders(self) -> int:
        """Lobes of the cam."""
        return len(self.opens_deg)

    @property
    def turn_deg(self) -> float:
        """Rotor angle over which the cam turns once."""
        return self.neutrals.spacing_deg * self.cylinders

    def edge(self, index: int) -> float:
        """Angle of edge `index`: 2i is opening i, 2i+1 the closing after it."""
        opening, closing = divmod(index, 2)
        if closing:
            return self.edge(2 * opening + 2) - self.dwell_deg
        return self.neutrals.spacing_deg * opening + self.opens_deg[(opening - self.first) % self.cylinders]

    def openings(self) -> list[tuple[float, float]]:
        """Openings of the first turn of the cam after neutral 0, in order: angle past neutral 0, angle past an even neutral."""
        found = [(self.edge(2 * i) % self.turn_deg, i) for i in range(self.cylinders)]
        return [(angle, self.opens_deg[(i - self.first) % self.cylinders]) for angle, i in sorted(found)]

    def first_after(self, angle_deg: float) -> int:
        """The first opening beyond an angle."""
        opening = math.floor(angle_deg / self.neutrals.spacing_deg) - 2
        while self.edge(2 * opening) <= angle_deg:
            opening += 1
        return opening

    def pairings(self, opening: int) -> list[Pairing]:
        """Every neutral that the lobe of `opening` meets, in the order of its turns, until the first comes again."""
        turns = math.lcm(self.cylinders, self.neutrals.poles) // self.cylinders
        met = [opening + self.cylinders * turn for turn in range(turns)]
        return [Pairing(i % self.neutrals.poles, self.edge(2 * i) - self.neutrals.at(i)) for i in met]


def cams_of(scenario: Scenario, neutrals: Neutrals, draws: Draws) -> list[Cam]:
    """The cam of each breaker of a scenario, drawn."""
    if scenario.unit.cam == "plain":
        return [cam_of(table, neutrals, draws) for table in scenario.breaker]
    tables = {table.name: table for table in scenario.breaker}
    return [
        _compensated(scenario, table, tables[table.same_cam_as or table.name], neutrals, draws)
        for table in scenario.breaker
    ]


def _compensated(
    scenario: Scenario, table: BreakerTable, lobes: BreakerTable, neutrals: Neutrals, draws: Draws
) -> CompensatedCam:
    """`lobes` is the breaker whose cam it rides on, as a rule itself."""
    key = f"breaker.{table.name}"
    opens = draws.take(f"{key}.opens_deg", table.opens_deg)
    cut = [
        draws.take(f"breaker.{lobes.name}.offsets_deg.{k}", offset)
        + draws.take(f"breaker.{lobes.name}.lobe_error_deg.{k}", lobes.lobe_error_deg)
        for k, offset in enumerate(lobes.offsets_deg or ())
    ]
    return CompensatedCam(
        name=table.name,
        channel=table.channel,
        neutrals=neutrals,
        opens_deg=tuple(opens + c for c in cut),
        dwell_deg=draws.take(f"{key}.dwell_deg", table.dwell_deg),
        scatter_deg=draws.take(f"{key}.scatter_deg", table.scatter_deg),
        backlash_deg=draws.take(f"{key}.backlash_deg", table.backlash_deg),
        first=-scenario.hand.neutrals_on,
    )


class LiftablePoints:
    """Points whose followers begin lifted off the cam, which holds them open, and can be let down on it once."""

    def __init__(self, points: Points | JoinedPoints) -> None:
        self._points = points
        self._lifted = self._was_lifted = True

    @property
    def is_open(self) -> bool:
        """State of the points after the last transition given."""
        return self._was_lifted or self._points.is_open

    @property
    def points(self) -> Points | JoinedPoints:
        """The points themselves."""
        return self._points

    def let_down(self) -> None:
        """From the next track on the cam works the points."""
        self._lifted = False

    def run(self, track: Track) -> list[Transition]:
        """Transitions over a track, in order."""
        # A follower comes down on what the cam has turned to by now.
        was_open = self._points.is_open
        found = self._points.run(track)
        if self._lifted:
            return []
        if self._was_lifted:
            self._was_lifted = False
            if not was_open:
                return [Transition(float(track.time_s[0]), False), *found]
        return found
