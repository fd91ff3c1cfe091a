"""How a hand turns a magnet and how a magnet swings when it is let go: angle and speed at nodes in time.

Written apart from the simulator, so that the table of families does not rest on the same motion. Cubic Hermite between the nodes. Every
piece lasts a whole number of Position periods, so that each Position falls on a node.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PERIOD_S = 0.02
#: Nodes per Position period: of a hand's motion, and of a free swing.
HAND_NODES, SWING_NODES = 5, 20


@dataclass(frozen=True)
class Track:
    """A motion at its nodes: seconds, degrees in the running direction, degrees per second; shape (n,)."""

    time_s: Floats
    angle_deg: Floats
    speed_deg_s: Floats
    #: Which nodes are moments of a Position.
    beats: NDArray[np.intp]


@dataclass(frozen=True)
class Magnet:
    """What moves a free rotor about neutral at 0: accelerations in degrees and seconds.

    Pull -peak·sin(2π·x/spacing), its own spacing on either side; friction `forward` against running forward and `backward` against
    running backward; `viscous` per second; a constant pull `cam`.
    """

    peak: float
    spacing_below_deg: float
    spacing_above_deg: float
    cam: float
    forward: float
    backward: float
    viscous: float

    def pull(self, x: float) -> float:
        """Acceleration without friction and damping."""
        spacing = self.spacing_above_deg if x > 0 else self.spacing_below_deg
        return self.cam - self.peak * math.sin(2 * math.pi * x / spacing)


class Path:
    """Puts a motion together, piece by piece."""

    def __init__(self, start_deg: float) -> None:
        self._times: list[Floats] = [np.zeros(1)]
        self._angles: list[Floats] = [np.array([start_deg])]
        self._speeds: list[Floats] = [np.zeros(1)]
        self._beats: list[int] = [0]
        self._nodes = 1
        self.now_s = 0.0
        self.at_deg = start_deg

    def hold(self, periods: int) -> None:
        """Stay for so many Position periods."""
        self._add(np.full(periods, self.at_deg), np.zeros(periods), 1)

    def move(self, to_deg: float, speed_deg_s: float) -> None:
        """To a place in one even stroke (fifth-order polynomial: at rest at both ends), at that mean speed."""
        way = to_deg - self.at_deg
        nodes = max(3, math.ceil(abs(way) / speed_deg_s / PERIOD_S)) * HAND_NODES
        s: Floats = np.arange(1, nodes + 1) / nodes
        place: Floats = self.at_deg + way * s**3 * (10 - 15 * s + 6 * s**2)
        speed = way * 30 * (s * (1 - s)) ** 2 / (nodes * PERIOD_S / HAND_NODES)
        self._add(place, speed, HAND_NODES)

    def turn(self, way_deg: float, speeds_deg_s: Sequence[float], jerkiness: float, rng: np.random.Generator) -> None:
        """Forward from rest to rest by `way_deg`, at these speeds one after the other over equal parts of the way.

        A jerky hand is a few sines of 1 to 6 Hz on the speed; at a jerkiness of 1 it would stop now and then.
        """
        part = way_deg / len(speeds_deg_s)
        lasts = [part / v for v in speeds_deg_s]
        nodes = math.ceil(sum(lasts) / PERIOD_S) * HAND_NODES
        step = PERIOD_S / HAND_NODES
        t: Floats = np.arange(nodes + 1, dtype=np.float64) * step
        ends = np.cumsum(lasts)
        knots = [x for end, last in zip(ends, lasts) for x in (end - 0.95 * last, end - 0.05 * last)]
        v: Floats = np.interp(t, knots, np.repeat(speeds_deg_s, 2))
        amplitudes = rng.dirichlet(np.ones(3)) * jerkiness
        for amplitude, hz, phase in zip(amplitudes, rng.uniform(1, 6, 3), rng.uniform(0, 2 * math.pi, 3)):
            v *= 1 + amplitude * np.cos(2 * math.pi * hz * t + phase)
        v *= -np.expm1(-t / 0.1) * -np.expm1(-(t[-1] - t) / 0.1)
        a = np.gradient(v, step)
        # Euler and Maclaurin: angle and speed at the nodes belong to one smooth motion.
        gained = np.cumsum(step / 2 * (v[1:] + v[:-1]) - step**2 / 12 * (a[1:] - a[:-1]))
        scale = way_deg / gained[-1]
        self._add(self.at_deg + gained * scale, v[1:] * scale, HAND_NODES)

    def release(self, magnet: Magnet, periods: int) -> None:
        """Let go at the place reached, from rest; the rotor swings until friction holds it."""
        h = PERIOD_S / SWING_NODES
        x, v = self.at_deg, 0.0
        places, speeds = [], []
        sign = 1.0 if magnet.pull(x) > 0 else -1.0
        friction = magnet.forward if sign > 0 else magnet.backward
        stuck = abs(magnet.pull(x)) <= friction
        a = magnet.pull(x) - sign * friction
        for _ in range(periods * SWING_NODES):
            if not stuck:
                half = v + h / 2 * a
                x += h * half
                pull = magnet.pull(x)
                a = pull - magnet.viscous * half - sign * friction
                v = half + h / 2 * a
                if v * sign <= 0:
                    sign = -sign
                    friction = magnet.forward if sign > 0 else magnet.backward
                    stuck = pull * sign <= friction
                    v = 0.0 if stuck else v
                    a = pull - magnet.viscous * v - sign * friction
            places.append(x)
            speeds.append(v)
        self._add(np.array(places), np.array(speeds), SWING_NODES)

    def track(self) -> Track:
        """The whole motion."""
        return Track(
            np.concatenate(self._times),
            np.concatenate(self._angles),
            np.concatenate(self._speeds),
            np.array(self._beats, dtype=np.intp),
        )

    def _add(self, angle: Floats, speed: Floats, per_period: int) -> None:
        n = len(angle)
        times: Floats = self.now_s + np.arange(1, n + 1, dtype=np.float64) * (PERIOD_S / per_period)
        self._times.append(times)
        self._angles.append(angle)
        self._speeds.append(speed)
        self._beats += range(self._nodes + per_period - 1, self._nodes + n, per_period)
        self._nodes += n
        self.now_s += n * PERIOD_S / per_period
        self.at_deg = float(angle[-1])
