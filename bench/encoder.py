"""From encoder counts to angles: where boundaries really lie, and where a probe edge fell between them.

Convention. Positions are in counts on the disc. Boundary b lies at b plus the learnt offset of its phase (b mod 4; phase 0
is the anchor with offset 0, because the four edges of a line are not evenly spaced). A rotor at rest at count c stands
anywhere between boundaries c and c+1, so for their middle: about c + 1/2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firmware_protocol.messages import Contact

#: An edge's step kept in bit 15 of an Edges step.
_DOWN = 0x8000
#: Lines used for learning must be this evenly paced (ratio of successive line times).
_EVEN = 0.1
#: Edges that are learnt from together: one by one they would cost more time than all the rest of a replay.
_AT_ONCE = 2048
#: Standard uncertainty of a place found between two boundaries of which nothing more is known: 1/√12 count.
REST_U_COUNTS = 1 / math.sqrt(12)
#: Least standard uncertainty claimed for an interpolated place, counts (tick of 0.5 µs and latch jitter at hand speed).
LEAST_U_COUNTS = 0.02
#: Below this, the determinant of normal equations in scaled times tells that the times do not differ enough for a fit.
_SINGULAR = 1e-12


@dataclass(frozen=True, slots=True)
class Place:
    """A position on the disc in counts, its standard uncertainty, and the speed there in counts per tick (0 if unknown)."""

    counts: float
    u_counts: float
    speed: float
    interpolated: bool


class PhaseTable:
    """Learns the four phase offsets of the quadrature signal from evenly paced lines in the Edges stream.

    Three successive anchor edges give a parabola of place over time, which follows a steady acceleration; the mean
    residual of each other phase is its offset.
    """

    def __init__(self) -> None:
        self._sum = np.zeros(4)
        self._n = np.zeros(4, dtype=np.int64)
        self._ticks: list[NDArray[np.int64]] = []
        self._boundaries: list[NDArray[np.int64]] = []
        self._waiting = 0

    @property
    def lines(self) -> int:
        """Number of places learnt from, of the least-seen phase."""
        return int(self._totals()[1][1:].min())

    def offsets(self) -> tuple[float, float, float, float]:
        """Offset of each phase, counts; zero while too little was seen."""
        sums, n = self._totals()
        if n[1:].min() < 20:
            return (0.0, 0.0, 0.0, 0.0)
        mean = sums[1:] / n[1:]
        return (0.0, float(mean[0]), float(mean[1]), float(mean[2]))

    def forget_run(self) -> None:
        """The next edges do not continue the last ones."""
        self._sum, self._n = self._totals()
        self._ticks, self._boundaries, self._waiting = [], [], 0

    def learn(self, ticks: NDArray[np.int64], boundaries: NDArray[np.int64]) -> None:
        """Edges that continue those given before: their ticks and boundaries, shape (n,)."""
        self._ticks.append(ticks)
        self._boundaries.append(boundaries)
        self._waiting += len(ticks)
        if self._waiting >= _AT_ONCE:
            self._sum, self._n = self._totals()
            # The last eight have not begun two lines yet.
            last = np.concatenate(self._ticks)[-8:], np.concatenate(self._boundaries)[-8:]
            self._ticks, self._boundaries, self._waiting = [last[0]], [last[1]], len(last[0])

    def _totals(self) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Sum and number of residuals of each phase, shape (4,), those of waiting edges with them.

        Nothing is taken in by being asked, so that what is learnt does not depend on who asks when.
        """
        if self._waiting <= 8:
            return self._sum, self._n
        t, b = np.concatenate(self._ticks), np.concatenate(self._boundaries)
        n = len(t) - 8
        steps = np.diff(b)
        same = np.concatenate(([0], np.cumsum(np.abs(np.diff(steps)))))
        anchor = np.nonzero((b[:n] % 4 == 0) & (np.abs(steps[:n]) == 1))[0]
        anchor = anchor[same[anchor + 7] == same[anchor]]
        first = t[anchor + 4] - t[anchor]
        second = t[anchor + 8] - t[anchor + 4]
        anchor = anchor[(first > 0) & (second > 0) & (np.abs(second - first) < _EVEN * first)]
        phases, residuals = _residuals(t, b, anchor)
        return (
            self._sum + np.bincount(phases, weights=residuals, minlength=4),
            self._n + np.bincount(phases, minlength=4),
        )


def _residuals(
    t: NDArray[np.int64], b: NDArray[np.int64], anchor: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Phase and residual, counts, of the six other edges of each two lines that begin at `anchor`, shape (6 n,)."""
    middle = t[anchor + 4]
    t0 = (t[anchor] - middle).astype(float)
    t2 = (t[anchor + 8] - middle).astype(float)
    step = (b[anchor + 1] - b[anchor]).astype(float)
    p0, p2 = -4.0 * step, 4.0 * step
    # place = s·τ + a·τ² through (t0, p0), (0, 0), (t2, p2)
    a = (p2 / t2 - p0 / t0) / (t2 - t0)
    s = p0 / t0 - a * t0
    others = (1, 2, 3, 5, 6, 7)
    taus = [(t[anchor + j] - middle).astype(float) for j in others]
    residuals = [(s + a * tau) * tau - step * (j - 4) for j, tau in zip(others, taus, strict=True)]
    return np.concatenate([b[anchor + j] % 4 for j in others]).astype(np.intp), np.concatenate(residuals)


def directions_of(steps: tuple[int, ...]) -> NDArray[np.int64]:
    """Direction of each step of an Edges message, +1 or -1, shape (n,)."""
    return np.where(np.array(steps, dtype=np.int64) & _DOWN, -1, 1).astype(np.int64)


def edges_of(tick: int, count: int, steps: tuple[int, ...]) -> tuple[NDArray[np.int64], NDArray[np.int64], int]:
    """An Edges message unpacked: ticks and boundaries, shape (n,), and the count after the last step."""
    raw = np.array(steps, dtype=np.int64)
    direction = directions_of(steps)
    ticks = tick + np.cumsum(raw & (_DOWN - 1))
    after = count + np.cumsum(direction)
    return ticks, np.where(direction > 0, after, after + 1), int(after[-1]) if len(after) else count


def rest_place(count: int, offsets: tuple[float, float, float, float]) -> Place:
    """The middle between the boundaries around a rotor at rest at `count`."""
    middle = count + 0.5 + (offsets[count % 4] + offsets[(count + 1) % 4]) / 2
    return Place(middle, REST_U_COUNTS, 0.0, False)


def neighbours(contact: Contact) -> list[tuple[int, int, int]]:
    """Encoder edges around a Contact, earliest first: ticks relative to it, boundary, step."""
    edges: list[tuple[int, int, int]] = []
    count = contact.count
    for age, step in zip(contact.before_ages, contact.before_steps, strict=True):
        edges.append((-age, count if step > 0 else count + 1, step))
        count -= step
    edges.reverse()
    count = contact.count
    for delay, step in zip(contact.after_delays, contact.after_steps, strict=True):
        edges.append((delay, count + 1 if step > 0 else count, step))
        count += step
    return edges


def edge_place(contact: Contact, offsets: tuple[float, float, float, float]) -> Place:
    """Where the rotor was at a Contact, between the encoder edges around it.

    A least-squares parabola of place over time through up to four edges each side (a line if fewer than six) when they
    all run one way; else the middle of the count, as at rest.
    """
    edges = neighbours(contact)
    split = len(contact.before_ages)
    before, after = edges[:split], edges[split:]
    if not before or not after or before[-1][2] == 0 or before[-1][2] != after[0][2]:
        return rest_place(contact.count, offsets)
    step = before[-1][2]
    earlier, later = _run_back(before, step), _run_on(after, step)
    kept = earlier + later
    place = [e[1] - contact.count + offsets[e[1] % 4] for e in kept]
    low, high = sorted((place[len(earlier) - 1], place[len(earlier)]))
    scale = float(max(abs(e[0]) for e in kept)) or 1.0
    fitted = _polynomial([e[0] / scale for e in kept], place, 2 if len(kept) >= 6 else 1)
    if fitted is None:
        return rest_place(contact.count, offsets)
    found = min(max(fitted.value, low), high)
    spread = (high - low) ** 2 / 12 if fitted.variance is None else fitted.variance
    u = math.sqrt(spread * (1.0 + fitted.leverage))
    u = min(max(u, LEAST_U_COUNTS), max((high - low) / math.sqrt(12), LEAST_U_COUNTS))
    return Place(contact.count + found, u, fitted.slope / scale, True)


@dataclass(frozen=True, slots=True)
class _Fit:
    """Value and slope at 0, the residuals' variance (None without a degree of freedom), and the value's variance per unit of it."""

    value: float
    slope: float
    variance: float | None
    leverage: float


def _polynomial(t: list[float], y: list[float], order: int) -> _Fit | None:
    """Least-squares line or parabola through a handful of points with |t| ≤ 1, by the normal equations; None if t does not vary.

    Written out, since a job has tens of thousands of them and each has eight points at most.
    """
    n = len(t)
    s1, s2 = math.fsum(t), math.fsum(x * x for x in t)
    y0, y1 = math.fsum(y), math.fsum(x * v for x, v in zip(t, y, strict=True))
    if order == 1:
        determinant = n * s2 - s1 * s1
        if determinant <= _SINGULAR:
            return None
        c00, c01, c11 = s2 / determinant, -s1 / determinant, n / determinant
        value, slope, curve = c00 * y0 + c01 * y1, c01 * y0 + c11 * y1, 0.0
    else:
        s3, s4 = math.fsum(x**3 for x in t), math.fsum(x**4 for x in t)
        y2 = math.fsum(x * x * v for x, v in zip(t, y, strict=True))
        m00, m01, m02 = s2 * s4 - s3 * s3, s2 * s3 - s1 * s4, s1 * s3 - s2 * s2
        determinant = n * m00 + s1 * m01 + s2 * m02
        if determinant <= _SINGULAR:
            return _polynomial(t, y, 1)
        c00, c01, c02 = m00 / determinant, m01 / determinant, m02 / determinant
        c11, c12, c22 = (
            (n * s4 - s2 * s2) / determinant,
            (s1 * s2 - n * s3) / determinant,
            (n * s2 - s1 * s1) / determinant,
        )
        value = c00 * y0 + c01 * y1 + c02 * y2
        slope = c01 * y0 + c11 * y1 + c12 * y2
        curve = c02 * y0 + c12 * y1 + c22 * y2
    freedom = n - order - 1
    residuals = math.fsum((v - value - (slope + curve * x) * x) ** 2 for x, v in zip(t, y, strict=True))
    return _Fit(value, slope, residuals / freedom if freedom > 0 else None, c00)


def _run_back(before: list[tuple[int, int, int]], step: int) -> list[tuple[int, int, int]]:
    kept: list[tuple[int, int, int]] = []
    for edge in reversed(before):
        if edge[2] != step:
            break
        kept.append(edge)
    return kept[::-1]


def _run_on(after: list[tuple[int, int, int]], step: int) -> list[tuple[int, int, int]]:
    kept: list[tuple[int, int, int]] = []
    for edge in after:
        if edge[2] != step:
            break
        kept.append(edge)
    return kept
