"""An impulse coupling holds the magnet, then throws it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim.hand import ProgrammedHand
from sim.impulse import Coupling
from sim.mover import Mover
from sim.rotor import Body, Rotor
from sim.unit import Neutrals


class SteadyHand:
    """Turns at one speed."""

    def __init__(self, speed_deg_s: float) -> None:
        self.target_deg = 0.0
        self.held = True
        self.pedal = False
        self.done = False
        self._speed = speed_deg_s

    def step(self, angle_deg: float, speed_deg_s: float) -> None:  # noqa: ARG002
        """One millisecond on."""
        self.target_deg += self._speed * 0.001


def motion(every_deg: float, speed_deg_s: float, seconds: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    body = Body(0.25, 8e-4, 0.003, 0.0, 0.002, 0.0, 40.0, 3.0)
    rotor = Rotor(Neutrals((0.0, 90.0, 180.0, 270.0)), body, 0.0)
    mover = Mover(rotor, SteadyHand(speed_deg_s), Coupling(30.0, every_deg, 25.0, 50.0))
    tracks = [mover.run(20) for _ in range(round(seconds / 0.02))]
    return tuple(np.concatenate([getattr(t, k)[1:] for t in tracks]) for k in ("time_s", "angle_deg", "speed_deg_s"))  # type: ignore[return-value]


def test_the_magnet_stands_while_the_hand_winds_and_is_then_thrown() -> None:
    time_s, angle, speed = motion(360.0, 100.0, 3.0)
    held = time_s[np.abs(angle - 30.0) < 1e-9]
    # The hand winds 25° at 100 °/s.
    assert held[-1] - held[0] == pytest.approx(0.25, abs=0.01)
    # Peak of a swing from 25° at 50 Hz, a little damped and pulled at by the magnet.
    assert 5000 < speed.max() < 2 * math.pi * 50 * 25 * 1.05
    snap = time_s[speed > 1000]
    assert snap[-1] - snap[0] < 0.01


def test_after_the_snap_the_magnet_is_with_the_hand_again() -> None:
    time_s, angle, _ = motion(360.0, 100.0, 1.0)
    assert angle[-1] == pytest.approx(100.0 * time_s[-1], abs=1.0)


@pytest.mark.parametrize(("every_deg", "snaps"), [(360.0, 2), (90.0, 8)])
def test_it_catches_once_a_turn_or_once_a_pole(every_deg: float, snaps: int) -> None:
    _, _, speed = motion(every_deg, 100.0, 7.2)
    fast = speed > 2000
    assert int(((~fast[:-1]) & fast[1:]).sum()) == snaps


def test_backwards_it_does_not_catch() -> None:
    _, angle, speed = motion(90.0, -100.0, 3.0)
    assert speed.max() < 200
    assert angle[-1] == pytest.approx(-300.0, abs=1.0)


def test_the_programmed_hand_is_a_hand() -> None:
    assert {"target_deg", "held", "pedal", "done"} <= set(vars(SteadyHand(1.0)))
    assert hasattr(ProgrammedHand, "step")
