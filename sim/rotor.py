"""The rotating magnet as a body: what pulls it, what holds it, and how it moves.

    J·θ'' = T_magnet(θ) + T_cam + T_hand - d·θ' - friction

- T_magnet: towards the equilibrium, -T0·sin(2π(θ - a)/(b - a)) between two neighbouring equilibria a and b, so that each
  pole interval may have a length of its own. Near an equilibrium the stiffness is p·T0 per radian for p poles.
- T_cam: cam spring load as a constant, fraction·T0. A real one varies with the lobe; near neutral, where balance is
  sought, a constant is a fair model. It moves the equilibrium by asin(fraction)/p: 0.143° for 1 % on 4 poles.
- friction: Coulomb with true stick, (1 + asymmetry)·T_c against running forward and (1 - asymmetry)·T_c against running
  backward, stepped implicitly after Moreau (1988): a step that friction could stop, it stops.

Integration is semi-implicit (symplectic Euler); for a swing of angular frequency w its relative error of period is
(w·step)²/24 (Hairer, Lubich & Wanner, Geometric Numerical Integration, I.1), 5e-5 at 35 rad/s and 1 ms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.figures import Draws
from sim.scenario import Scenario
from sim.unit import Neutrals

_DEG = 180.0 / math.pi


@dataclass(frozen=True, slots=True)
class Body:
    """Resolved figures of the rotating magnet; torques in N·m, grip in N·m per radian."""

    detent_peak_nm: float
    inertia_kg_m2: float
    coulomb_nm: float
    coulomb_asymmetry: float
    viscous_nm_s: float
    cam_torque_fraction: float
    grip_nm_per_rad: float
    torque_limit_nm: float
    shift_deg: float = 0.0


def body_of(scenario: Scenario, draws: Draws) -> Body:
    """The figures of `scenario`, drawn."""
    unit = scenario.unit
    half_pole = 180.0 / unit.poles
    return Body(
        detent_peak_nm=draws.take("unit.detent_peak_nm", unit.detent_peak_nm),
        inertia_kg_m2=draws.take("unit.inertia_kg_m2", unit.inertia_kg_m2),
        coulomb_nm=draws.take("unit.coulomb_nm", unit.coulomb_nm),
        coulomb_asymmetry=draws.take("unit.coulomb_asymmetry", unit.coulomb_asymmetry),
        viscous_nm_s=draws.take("unit.viscous_nm_s", unit.viscous_nm_s),
        cam_torque_fraction=draws.take("unit.cam_torque_fraction", unit.cam_torque_fraction),
        grip_nm_per_rad=scenario.hand.grip_nm_per_rad,
        torque_limit_nm=scenario.hand.torque_limit_nm,
        shift_deg=half_pole if unit.equilibrium == "register" else 0.0,
    )


class Rotor:
    """State of the magnet: `angle_deg` and `speed_deg_s`, positive in the running direction."""

    def __init__(self, neutrals: Neutrals, body: Body, angle_deg: float) -> None:
        self.neutrals = neutrals
        self.body = body
        self.angle_deg = angle_deg
        self.speed_deg_s = 0.0
        #: What the hand adds, degrees per second squared.
        self.hand_pull = 0.0
        per_nm = _DEG / body.inertia_kg_m2
        self._magnet = body.detent_peak_nm * per_nm
        self._cam = self._cam_down = body.cam_torque_fraction * body.detent_peak_nm * per_nm
        self._forward = body.coulomb_nm * (1.0 + body.coulomb_asymmetry) * per_nm
        self._backward = body.coulomb_nm * (1.0 - body.coulomb_asymmetry) * per_nm
        self._viscous = body.viscous_nm_s / body.inertia_kg_m2
        self._grip = body.grip_nm_per_rad / body.inertia_kg_m2
        self._grip_damping = 2.0 * math.sqrt(self._grip)
        self._grip_limit = body.torque_limit_nm * per_nm
        self._low = self._high = self._rate = 0.0

    def lift_followers(self, lifted: bool) -> None:
        """Lift the followers off the cam, whose springs then pull no more, or let them down on it."""
        self._cam = 0.0 if lifted else self._cam_down

    def equilibrium(self, index: int) -> float:
        """Where the magnet alone, without cam or friction, is drawn to at neutral `index`."""
        if self.body.shift_deg == 0.0:
            return self.neutrals.at(index)
        return (self.neutrals.at(index) + self.neutrals.at(index + 1)) / 2

    def magnet(self, angle_deg: float) -> float:
        """Pull of the magnet as acceleration, degrees per second squared."""
        if not self._low <= angle_deg < self._high:
            index = self.neutrals.below(angle_deg - self.body.shift_deg)
            while self.equilibrium(index) > angle_deg:
                index -= 1
            while self.equilibrium(index + 1) <= angle_deg:
                index += 1
            self._low, self._high = self.equilibrium(index), self.equilibrium(index + 1)
            self._rate = 2.0 * math.pi / (self._high - self._low)
        return -self._magnet * math.sin((angle_deg - self._low) * self._rate)

    def balance(self, index: int, direction: int) -> float:
        """Where the pull felt by a hand that creeps in `direction` (+1, -1; 0: without friction) vanishes near `index`.

        Solves T_magnet(θ) + T_cam = friction against that direction. If friction exceeds all pull, the place where the
        pull is greatest.
        """
        friction = self._forward if direction > 0 else -self._backward if direction < 0 else 0.0
        middle, reach = self.equilibrium(index), self.neutrals.spacing_deg / 4
        low, high = middle - reach, middle + reach
        for _ in range(60):
            half = (low + high) / 2
            if self.magnet(half) + self._cam > friction:
                low = half
            else:
                high = half
        return (low + high) / 2

    def step(self, dt_s: float, target_deg: float, target_speed_deg_s: float, held: bool) -> None:
        """Move on by `dt_s` with the hand's grip drawn to a target, or let go."""
        angle, speed = self.angle_deg, self.speed_deg_s
        pull = self.magnet(angle) + self._cam
        damping = self._viscous
        hand = 0.0
        if held:
            stretch = self._grip * (target_deg - angle)
            hand = stretch + self._grip_damping * (target_speed_deg_s - speed)
            if -self._grip_limit <= hand <= self._grip_limit:
                pull += stretch + self._grip_damping * target_speed_deg_s
                damping += self._grip_damping
            else:
                hand = self._grip_limit if hand > 0 else -self._grip_limit
                pull += hand
        self.hand_pull = hand
        self._move(dt_s, pull, damping)

    @property
    def hand_torque_nm(self) -> float:
        """Torque of the hand on the magnet over the last step, positive in the running direction."""
        return self.hand_pull * self.body.inertia_kg_m2 / _DEG

    def wind(self, wound_deg: float, spring_per_s2: float) -> None:
        """The hand winds a coupling's spring while the magnet is caught; it feels the spring, up to its own limit."""
        self.hand_pull = min(wound_deg * spring_per_s2, self._grip_limit)

    def spring_step(self, dt_s: float, target_deg: float, spring_per_s2: float) -> None:
        """Move on while an undamped spring draws the magnet to a target, degrees per second squared and degree."""
        pull = self.magnet(self.angle_deg) + self._cam + spring_per_s2 * (target_deg - self.angle_deg)
        self._move(dt_s, pull, self._viscous)

    def _move(self, dt_s: float, pull: float, damping: float) -> None:
        divisor = 1.0 + dt_s * damping
        speed = (self.speed_deg_s + dt_s * pull) / divisor
        forward = self._forward * dt_s / divisor
        backward = self._backward * dt_s / divisor
        if speed > forward:
            speed -= forward
        elif speed < -backward:
            speed += backward
        else:
            speed = 0.0
        self.speed_deg_s = speed
        self.angle_deg += speed * dt_s
