"""A swing's edges as a function of what is unknown of it: integrated motion, times of the edges, their derivatives.

x'' = -ω²·sin(p·x)/p - 2ζω·x' - ω²·δ·sign(x'), let go at rest. Unknown: centre, first amplitude, ω, δ, ζ, the moment of the release.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from sim.hermite import crossing

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

POLES = 4
COUNTS_PER_TURN = 10_000
COUNT_DEG = 360.0 / COUNTS_PER_TURN
#: Edges on each side of a turning point that the estimator looks at.
NEIGHBOURS = 4
_NODES = 500


@dataclass(frozen=True)
class Swing:
    """What a swing is made of: amplitude (degrees), ω (rad/s), δ (degrees), ζ."""

    amplitude_deg: float = 5.0
    omega: float = 35.0
    friction_deg: float = 0.1
    zeta: float = 0.035


@dataclass(frozen=True)
class HalfSwing:
    """From one turning point to the next about a centre at 0: nodes, shape (n,)."""

    time_s: Floats
    angle_deg: Floats
    speed_deg_s: Floats

    def time_at(self, level_deg: Floats) -> Floats:
        """When each level is passed, seconds."""
        way = 1.0 if self.angle_deg[-1] > self.angle_deg[0] else -1.0
        at = np.clip(np.searchsorted(self.angle_deg * way, level_deg * way) - 1, 0, len(self.time_s) - 2)
        t, x, v = self.time_s, self.angle_deg, self.speed_deg_s
        into = crossing(x[at], x[at + 1], v[at], v[at + 1], t[at + 1] - t[at], level_deg)
        times: Floats = t[at] + into
        return times


def halves(swing: Swing, number: int) -> list[HalfSwing]:
    """The first `number` half swings."""
    friction = math.radians(swing.friction_deg) * swing.omega**2
    x, now = math.radians(-swing.amplitude_deg), 0.0
    found = []
    for _ in range(number):
        way = -math.copysign(1.0, x)

        def slope(_: float, z: Floats, way: float = way) -> list[float]:
            pull = -(swing.omega**2) * math.sin(POLES * z[0]) / POLES - 2 * swing.zeta * swing.omega * z[1]
            return [z[1], pull - way * friction]

        def turned(_: float, z: Floats) -> float:
            return float(z[1])

        turned.terminal, turned.direction = True, -way  # type: ignore[attr-defined]
        solved = solve_ivp(
            slope, (0, 1), [x, way * 1e-12], events=[turned], method="DOP853", rtol=1e-11, atol=1e-13, dense_output=True
        )
        assert solved.sol is not None
        # Nodes that crowd at both ends, where the motion is slow.
        t = (1 - np.cos(np.linspace(0, math.pi, _NODES))) / 2 * float(solved.t[-1])
        places, speeds = solved.sol(t)
        speeds[0] = speeds[-1] = 0.0
        found.append(HalfSwing(now + t, np.degrees(places), np.degrees(speeds)))
        now, x = now + float(t[-1]), float(places[-1])
    return found


@dataclass(frozen=True)
class Crossings:
    """Which edges are looked at: half swing, boundary, step; shape (n,)."""

    half: Ints
    boundary: Ints
    step: Ints

    def only(self, wanted: NDArray[np.bool_]) -> Crossings:
        """Some of them."""
        return Crossings(self.half[wanted], self.boundary[wanted], self.step[wanted])


def crossings(motion: list[HalfSwing], centre_deg: float) -> Crossings:
    """All edges of a motion, in order."""
    half, boundary, step = [], [], []
    for k, part in enumerate(motion):
        start, end = ((float(a) + centre_deg) / COUNT_DEG for a in (part.angle_deg[0], part.angle_deg[-1]))
        way = 1 if end > start else -1
        low, high = sorted((start, end))
        crossed = np.arange(math.ceil(low), math.floor(high) + 1)[::way]
        boundary.append(crossed)
        half.append(np.full(len(crossed), k))
        step.append(np.full(len(crossed), way))
    return Crossings(np.concatenate(half), np.concatenate(boundary), np.concatenate(step))


def near_turning(which: Crossings) -> NDArray[np.bool_]:
    """Those next to a turning point between two half swings."""
    near = np.zeros(len(which.half), dtype=bool)
    ends = np.nonzero(np.diff(which.half))[0] + 1
    for begin, turn, end in zip([0, *ends], ends, [*ends[1:], len(near)]):
        near[max(begin, turn - NEIGHBOURS) : min(end, turn + NEIGHBOURS)] = True
    return near


def times(motion: list[HalfSwing], which: Crossings, centre_deg: float) -> Floats:
    """When they come, seconds, shape (n,)."""
    found = np.empty(len(which.half))
    for k, part in enumerate(motion):
        own = which.half == k
        found[own] = part.time_at(which.boundary[own] * COUNT_DEG - centre_deg)
    return found


def best_possible_deg(
    swing: Swing, number: int, which: Crossings, centre_deg: float, edge_s: float, graduation_counts: float
) -> float:
    """Cramér–Rao bound of the centre from these edges, by numerical Fisher information over all six unknowns, degrees.

    Each edge's time scatters normally by `edge_s`; each boundary's place by `graduation_counts`, the same at each crossing of it.
    """

    def shifted(**change: float) -> Floats:
        return times(halves(Swing(**(vars(swing) | change)), number), which, centre_deg)

    at = vars(swing)
    columns = []
    motion = halves(swing, number)
    step = 1e-4 * COUNT_DEG
    by_level = (times(motion, which, centre_deg - step) - times(motion, which, centre_deg + step)) / (2 * step)
    columns.append(-by_level)
    for name in at:
        change = 1e-5 * at[name]
        up, down = shifted(**{name: at[name] + change}), shifted(**{name: at[name] - change})
        columns.append((up - down) / (2 * change))
    columns.append(np.ones(len(which.half)))
    jacobian = np.stack(columns, axis=1)
    places, own = np.unique(which.boundary, return_inverse=True)
    shared = np.zeros((len(own), len(places)))
    shared[np.arange(len(own)), own] = by_level * graduation_counts * COUNT_DEG
    covariance = np.eye(len(own)) * edge_s**2 + shared @ shared.T
    # Whitened and scaled, so that the inverse is well conditioned.
    white = np.linalg.solve(np.linalg.cholesky(covariance), jacobian)
    scale = np.linalg.norm(white, axis=0)
    _, r = np.linalg.qr(white / scale)
    inverse = np.linalg.inv(r)
    return float(np.linalg.norm(inverse[0])) / float(scale[0])


def turning_counts(which: Crossings) -> Floats:
    """What a raw count says of each turning point: the middle of the count in which it lies."""
    ends = np.nonzero(np.diff(which.half))[0]
    return np.array([float(which.boundary[e]) + 0.5 * float(which.step[e]) for e in ends.tolist()])
