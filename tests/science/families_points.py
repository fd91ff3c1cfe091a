"""What cam, points, capacitor and probe make of a motion: the edges that the board's pin sees, and when."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sim.hermite import crossing
from tests.science.families_motion import Floats, Track

#: The first return of a bounce comes no sooner than this, seconds.
FIRST_BOUNCE_S = 5e-5
#: Play between cam and follower when the rotor turns back, degrees.
BACKLASH_DEG = 0.3


@dataclass(frozen=True)
class Points:
    """One set of points: where it opens for the nth time (n may be negative), and how it behaves."""

    opens_at: Callable[[int], float]
    dwell_deg: float
    scatter_deg: float
    #: Mean number of returns after an opening, and how long they go on, milliseconds.
    bounces: float
    bounce_ms: tuple[float, float]
    #: From parting to the level that the pin takes for open, while the points stay apart, seconds.
    delay_s: float


@dataclass(frozen=True)
class PinEdges:
    """Edges at the pin in order: seconds, and whether they open; `first_open` is the state before them."""

    time_s: Floats
    opened: tuple[bool, ...]
    first_open: bool


def pin_edges(points: Points, track: Track, first: int, rng: np.random.Generator) -> PinEdges:
    """Edges over a whole motion. `first` is an opening at or before the place where it starts."""
    settled, is_open = _settled(points, track, first, rng)
    moved = _bouncing(settled, points, rng)
    times, opened = [], []
    for (at, opens), following in zip(moved, [*(t for t, _ in moved[1:]), np.inf]):
        # The capacitor charges while the points stay apart, and is emptied at once when they meet.
        if opens and following - at > points.delay_s:
            times.append(at + points.delay_s)
            opened.append(True)
        elif not opens and (opened[-1] if opened else is_open):
            times.append(at)
            opened.append(False)
    return PinEdges(np.array(times), tuple(opened), is_open)


def _settled(
    points: Points, track: Track, first: int, rng: np.random.Generator
) -> tuple[list[tuple[float, bool]], bool]:
    """When the points part and meet for good. Each approach to an edge of the cam has a scatter of its own."""

    def edge(n: int) -> float:
        place, closing = divmod(n, 2)
        true = points.opens_at(place + 1) - points.dwell_deg if closing else points.opens_at(place)
        return true + float(rng.normal()) * points.scatter_deg

    angle = track.angle_deg
    follower = float(angle[0])
    ahead = 2 * first
    upper = edge(ahead)
    lower = upper
    while upper <= follower:
        lower, ahead = upper, ahead + 1
        upper = edge(ahead)
    first_open = ahead % 2 == 1
    nodes: list[int] = []
    levels: list[float] = []
    opens: list[bool] = []
    direction = np.sign(np.diff(angle))
    starts = [0, *(np.nonzero(np.diff(direction))[0] + 1).tolist(), len(direction)]
    for start, end in zip(starts, starts[1:]):
        stretch = angle[start : end + 1]
        if direction[start] > 0:
            follower = max(follower, float(stretch[-1]))
            while upper <= follower:
                nodes.append(start + int(np.searchsorted(stretch, upper)) - 1)
                levels.append(upper)
                opens.append(ahead % 2 == 0)
                lower, ahead = upper, ahead + 1
                upper = edge(ahead)
        elif direction[start] < 0:
            follower = min(follower, float(stretch[-1]) + BACKLASH_DEG)
            while lower > follower:
                nodes.append(start + int(np.searchsorted(-stretch, BACKLASH_DEG - lower)) - 1)
                levels.append(lower - BACKLASH_DEG)
                ahead -= 1
                opens.append(ahead % 2 == 1)
                upper, lower = lower, edge(ahead - 1)
    at = np.array(nodes, dtype=np.intp)
    time, speed = track.time_s, track.speed_deg_s
    into = crossing(angle[at], angle[at + 1], speed[at], speed[at + 1], time[at + 1] - time[at], np.array(levels))
    return list(zip((time[at] + into).tolist(), opens)), first_open


def _bouncing(settled: list[tuple[float, bool]], points: Points, rng: np.random.Generator) -> list[tuple[float, bool]]:
    moved: list[tuple[float, bool]] = []
    for (at, opens), following in zip(settled, [*(t for t, _ in settled[1:]), np.inf]):
        moved.append((at, opens))
        longest = float(rng.uniform(*points.bounce_ms)) / 1000
        moments = np.sort(
            rng.uniform(FIRST_BOUNCE_S, max(longest, 2 * FIRST_BOUNCE_S), 2 * rng.poisson(points.bounces))
        )
        if at + moments.max(initial=0.0) < following:
            moved += [(at + m, opens == bool(n % 2)) for n, m in enumerate(moments.tolist())]
    return moved


def lifted(edges: PinEdges, until_s: float) -> PinEdges:
    """The same with the followers off the cam until then: open all the while, and closed when let down where the cam does not hold them."""
    earlier = int(np.searchsorted(edges.time_s, until_s))
    is_open = edges.opened[earlier - 1] if earlier else edges.first_open
    times, opened = edges.time_s[earlier:], edges.opened[earlier:]
    if is_open:
        return PinEdges(times, opened, True)
    return PinEdges(np.concatenate(([until_s], times)), (False, *opened), True)
