"""An impulse coupling between hand and magnet.

At hand speed a flyweight catches at a certain angle: the magnet stands still while the hand goes on and winds a spring, until
the coupling trips; then the spring throws the magnet forward until it meets the hand. Wound by w degrees, a spring with which
the magnet would swing at f hertz gives a peak of about 2πf·w degrees a second: 7,850 for 25° and 50 Hz.
"""

from __future__ import annotations

import math
from enum import Enum

from sim.figures import Draws
from sim.rotor import Rotor
from sim.scenario import Scenario


class _State(Enum):
    FREE = "free"
    CAUGHT = "caught"
    SNAP = "snap"


class Coupling:
    """Moves the rotor in place of a hand that grips it directly."""

    def __init__(self, catch_deg: float, every_deg: float, wind_deg: float, spring_hz: float) -> None:
        self._catch = catch_deg
        self._every = every_deg
        self._wind = wind_deg
        self._spring = (2.0 * math.pi * spring_hz) ** 2
        self._state = _State.FREE
        self._caught_at = 0.0

    @property
    def fast(self) -> bool:
        """True while the spring drives the magnet."""
        return self._state is _State.SNAP

    def about_to_trip(self, target_deg: float) -> bool:
        """True if a hand at `target_deg` trips the coupling."""
        return self._state is _State.CAUGHT and target_deg - self._caught_at >= self._wind

    def step(self, rotor: Rotor, dt_s: float, target_deg: float, target_speed_deg_s: float, held: bool) -> None:
        """Move the rotor on by `dt_s`."""
        if self._state is _State.CAUGHT:
            if not held or target_deg < self._caught_at:
                self._state = _State.FREE
            elif target_deg - self._caught_at >= self._wind:
                self._state = _State.SNAP
            else:
                rotor.wind(target_deg - self._caught_at, self._spring)
                return
        if self._state is _State.SNAP:
            rotor.spring_step(dt_s, target_deg, self._spring)
            if rotor.angle_deg >= target_deg or not held:
                rotor.speed_deg_s = min(rotor.speed_deg_s, max(target_speed_deg_s, 0.0))
                self._state = _State.FREE
            return
        before = rotor.angle_deg
        rotor.step(dt_s, target_deg, target_speed_deg_s, held)
        if held and rotor.speed_deg_s > 0 and target_speed_deg_s > 0:
            place = math.floor((rotor.angle_deg - self._catch) / self._every) * self._every + self._catch
            if before < place <= rotor.angle_deg:
                rotor.angle_deg, rotor.speed_deg_s = place, 0.0
                self._caught_at = place
                self._state = _State.CAUGHT


def coupling_of(scenario: Scenario, draws: Draws) -> Coupling | None:
    """The coupling that was left on, or None."""
    table = scenario.impulse
    if table is None:
        return None
    return Coupling(
        catch_deg=draws.take("impulse.catch_deg", table.catch_deg),
        every_deg=360.0 if table.catches == "turn" else 360.0 / scenario.unit.poles,
        wind_deg=draws.take("impulse.wind_deg", table.wind_deg),
        spring_hz=draws.take("impulse.spring_hz", table.spring_hz),
    )
