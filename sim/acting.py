"""A hand that a person leads, command by command, in place of the program in `hand`.

What is told is a goal; the hand goes there as hands do, speeding up and slowing down, and stops there. It knows no more of the unit
than where the pull vanishes, and that only when it is asked to seek neutral.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sim.hand import STEP_S
from sim.rotor import Rotor

#: How long speeding up and slowing down take, and the least that either is done by, degrees per second squared.
_RAMP_S = 0.12
_LEAST_RAMP_DEG_S2 = 40.0
#: Braking to a hold, and gathering speed for long turning: time constants.
_BRAKE_S = 0.06
_GATHER_S = 0.15
_STOPPED_DEG_S = 0.5
#: A pedal is down for so long.
PRESS_S = 0.2
#: Neutral is sought from so far out, with the last stretch crept; speeds in degrees per second.
_BELOW_DEG, _ABOVE_DEG, _CREPT_DEG = 6.0, 4.5, 1.5
_AWAY, _APPROACH, _CREEP = 25.0, 12.0, 2.0

Side = Literal["below", "above"]


@dataclass(frozen=True, slots=True)
class _Goal:
    at_deg: float
    speed_deg_s: float


class ActingHand:
    """Holds still until told otherwise. `meet` lets it take hold of a unit's magnet; its methods are what a person can do."""

    def __init__(self, feel_sd_deg: float, rng: np.random.Generator) -> None:
        self._feel_sd_deg = feel_sd_deg
        self._rng = rng
        self._rotor: Rotor | None = None
        self._angle = 0.0
        self._speed = 0.0
        self._goals: deque[_Goal] = deque()
        self._cruise: float | None = None
        self._braking = False
        self._after_braking: _Goal | None = None
        self._clock = 0.0
        self._pedal_left = 0
        self._rates = rng.uniform(2.0, 12.0, 3).tolist()
        self._shifts = rng.uniform(0.0, 2 * math.pi, 3).tolist()
        #: What it was told last; `held` follows with the next step.
        self.holds = True
        self.target_deg = 0.0
        self.held = True
        self.pedal = False
        self.done = False

    def meet(self, rotor: Rotor) -> None:
        """Take hold of the magnet where it is."""
        self._rotor = rotor
        self._angle = rotor.angle_deg
        self.grip()

    # --- what it can be told -----------------------------------------------------------------------------------------

    @property
    def keeps_turning(self) -> bool:
        """True between `keep_turning` and the next command that ends it."""
        return self._cruise is not None

    @property
    def busy(self) -> bool:
        """True while it turns, seeks, or comes to a hold."""
        return self.holds and (self._cruise is not None or self._braking or bool(self._goals))

    def turn(self, by_deg: float, speed_deg_s: float) -> None:
        """Move the goal; after long turning it counts from where the hand comes to a stop."""
        if self._cruise is not None or self._braking:
            waiting = self._after_braking
            by = by_deg + (0.0 if waiting is None else waiting.at_deg)
            self._brake(_Goal(by, speed_deg_s))
            return
        goal = self._goals[-1].at_deg if len(self._goals) == 1 else self.target_deg
        self._goals = deque([_Goal(goal + by_deg, speed_deg_s)])

    def keep_turning(self, speed_deg_s: float) -> None:
        """Turn on, unevenly as people do, forward or backward."""
        self._stop_all()
        self._cruise = speed_deg_s

    def hold(self) -> None:
        """Come to a stop and hold there."""
        self._goals.clear()
        self._brake(None)

    def release(self) -> None:
        """Let go."""
        self._stop_all()
        self._speed = 0.0
        self.holds = False

    def grip(self) -> None:
        """Take hold where the magnet is."""
        self._stop_all()
        self._speed = 0.0
        self.target_deg = self._angle
        self.holds = True

    def press(self) -> None:
        """Pedal down, and soon up again."""
        self._pedal_left = round(PRESS_S / STEP_S)

    def seek(self, side: Side) -> None:
        """Go to the nearest neutral from one side and stop where the pull vanishes, as this person feels it."""
        rotor = self._rotor
        if rotor is None:
            raise RuntimeError("the hand has no unit")
        self._stop_all()
        at = rotor.neutrals.nearest(self.target_deg - rotor.body.shift_deg)
        sign = 1.0 if side == "below" else -1.0
        vanishing = rotor.balance(at, int(sign)) + float(self._rng.normal(0.0, self._feel_sd_deg))
        out = rotor.balance(at, 0) - sign * (_BELOW_DEG if side == "below" else _ABOVE_DEG)
        self._goals = deque(
            [_Goal(out, _AWAY), _Goal(vanishing - sign * _CREPT_DEG, _APPROACH), _Goal(vanishing, _CREEP)]
        )

    # --- step by step ------------------------------------------------------------------------------------------------

    def step(self, angle_deg: float, speed_deg_s: float) -> None:  # noqa: ARG002
        """Set the attributes for the next step."""
        self._angle = angle_deg
        self._clock += STEP_S
        self.pedal = self._pedal_left > 0
        self._pedal_left = max(self._pedal_left - 1, 0)
        self.held = self.holds
        if not self.held:
            # The hand stays by the rim, so that it takes hold without a jerk.
            self.target_deg = angle_deg
        elif self._cruise is not None:
            wander = sum(math.sin(r * self._clock + s) for r, s in zip(self._rates, self._shifts, strict=True)) / 3
            self._speed += (self._cruise * (1.0 + 0.2 * wander) - self._speed) * (STEP_S / _GATHER_S)
            self.target_deg += self._speed * STEP_S
        elif self._braking:
            self._speed -= self._speed * (STEP_S / _BRAKE_S)
            self.target_deg += self._speed * STEP_S
            if abs(self._speed) < _STOPPED_DEG_S:
                self._stopped()
        elif self._goals:
            self._towards(self._goals[0])

    def _towards(self, goal: _Goal) -> None:
        left = goal.at_deg - self.target_deg
        ramp = max(abs(self._speed), goal.speed_deg_s) / _RAMP_S
        ramp = max(ramp, _LEAST_RAMP_DEG_S2)
        wanted = math.copysign(min(goal.speed_deg_s, math.sqrt(1.6 * ramp * abs(left))), left)
        most = 1.5 * ramp * STEP_S
        self._speed += min(max(wanted - self._speed, -most), most)
        if self._speed * left >= 0 and abs(left) <= max(abs(self._speed) * STEP_S, 1e-4):
            self.target_deg = goal.at_deg
            self._speed = 0.0
            self._goals.popleft()
        else:
            self.target_deg += self._speed * STEP_S

    def _brake(self, then: _Goal | None) -> None:
        """`then` counts from where it stops."""
        self._cruise = None
        self._braking = True
        self._after_braking = then

    def _stopped(self) -> None:
        then = self._after_braking
        self._braking, self._after_braking, self._speed = False, None, 0.0
        if then is not None:
            self._goals = deque([_Goal(self.target_deg + then.at_deg, then.speed_deg_s)])

    def _stop_all(self) -> None:
        self._goals.clear()
        self._cruise = None
        self._braking, self._after_braking = False, None
