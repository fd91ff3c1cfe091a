"""Hand and magnet together, chunk by chunk: the motion that everything else is derived from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.hand import STEP_S, Hand
from sim.impulse import Coupling
from sim.rotor import Rotor

#: Above this speed a step is cut into `FINE` parts.
FAST_DEG_S = 700.0
FINE = 10
#: Travel that counts as having come from one side.
TRAVEL_DEG = 2.0


@dataclass(frozen=True, slots=True)
class Track:
    """Motion over one chunk: times, angles and speeds at its nodes, the first being the chunk's beginning, shape (n,).

    Between nodes the motion is the cubic Hermite curve. `moved` is false if the magnet stood still all through.
    """

    time_s: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    speed_deg_s: NDArray[np.float64]
    moved: bool
    pedal: tuple[tuple[float, bool], ...] = ()


@dataclass(frozen=True, slots=True)
class Rest:
    """The hand let go at `released_deg`, and took hold again of a magnet that rested."""

    time_s: float
    angle_deg: float
    released_deg: float


class Mover:
    """Steps hand and rotor; `pedal` events are (time, down)."""

    def __init__(self, rotor: Rotor, hand: Hand, coupling: Coupling | None) -> None:
        self._rotor = rotor
        self._hand = hand
        self._coupling = coupling
        self._steps = 0
        self._pedal = False
        self._released_deg: float | None = None
        self.rests: list[Rest] = []
        self.direction = 0
        self._resting: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
        self._farthest = rotor.angle_deg

    def take_off_coupling(self) -> None:
        """From now on the hand turns the magnet itself."""
        self._coupling = None

    @property
    def at_rest_for_ever(self) -> bool:
        """True when nothing can move any more."""
        return self._hand.done and self._rotor.speed_deg_s == 0.0

    def run(self, steps: int) -> Track:
        """The next `steps` steps."""
        rotor, hand = self._rotor, self._hand
        first = self._steps
        self._steps += steps
        if self.at_rest_for_ever:
            return Track(np.array((first * STEP_S, self._steps * STEP_S)), *self._rest_of_it(), moved=False)
        times, angles, speeds = [first * STEP_S], [rotor.angle_deg], [rotor.speed_deg_s]
        pedal: list[tuple[float, bool]] = []
        for k in range(first, first + steps):
            before = hand.target_deg
            was_held = hand.held
            hand.step(rotor.angle_deg, rotor.speed_deg_s)
            if hand.held != was_held:
                before = hand.target_deg
                self._grip_changed(k * STEP_S)
            if hand.pedal != self._pedal:
                self._pedal = hand.pedal
                pedal.append((k * STEP_S, hand.pedal))
            self._step(k * STEP_S, before, times, angles, speeds)
        start = angles[0]
        self._note_direction(angles)
        moved = any(a != start for a in angles)
        return Track(np.array(times), np.array(angles), np.array(speeds), moved, tuple(pedal))

    def _rest_of_it(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        if self._resting is None:
            self._resting = (np.full(2, self._rotor.angle_deg), np.zeros(2))
        return self._resting

    def _grip_changed(self, time_s: float) -> None:
        angle = self._rotor.angle_deg
        if not self._hand.held:
            self._released_deg = angle
        elif self._released_deg is not None and self._rotor.speed_deg_s == 0.0:
            self.rests.append(Rest(time_s, angle, self._released_deg))

    def _note_direction(self, angles: list[float]) -> None:
        """Keep `direction`: that of the last travel of more than `TRAVEL_DEG`."""
        high, low = max(angles), min(angles)
        if self.direction > 0 and high > self._farthest:
            self._farthest = high
        elif self.direction < 0 and low < self._farthest:
            self._farthest = low
        if angles[-1] < self._farthest - TRAVEL_DEG:
            self.direction, self._farthest = -1, low
        elif angles[-1] > self._farthest + TRAVEL_DEG:
            self.direction, self._farthest = 1, high

    def _step(self, time_s: float, before: float, times: list[float], angles: list[float], speeds: list[float]) -> None:
        rotor, hand, coupling = self._rotor, self._hand, self._coupling
        target = hand.target_deg
        target_speed = (target - before) / STEP_S
        fine = (
            FINE
            if rotor.speed_deg_s > FAST_DEG_S
            or rotor.speed_deg_s < -FAST_DEG_S
            or (coupling is not None and (coupling.fast or coupling.about_to_trip(target)))
            else 1
        )
        dt = STEP_S / fine
        for part in range(1, fine + 1):
            aim = before + (target - before) * part / fine if fine > 1 else target
            if coupling is None:
                rotor.step(dt, aim, target_speed, hand.held)
            else:
                coupling.step(rotor, dt, aim, target_speed, hand.held)
            times.append(time_s + part * dt)
            angles.append(rotor.angle_deg)
            speeds.append(rotor.speed_deg_s)
