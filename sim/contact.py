"""From cam to points: when each set of points opens and closes, with mechanical scatter, backlash and bounce.

Lobe k opens the points `opens` degrees past neutral k and lets them close `dwell` degrees before lobe k+1 opens them. The cam
follows the magnet at once running forward, and after the backlash running backward. Each time that a lobe's edge is
approached afresh it has a scatter of its own; going back and forth over it keeps it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from sim.figures import Draws
from sim.hermite import crossing
from sim.mover import Track
from sim.scenario import BreakerTable, Scenario
from sim.unit import Neutrals

#: A bounce begins no sooner than this after the points first part or meet, seconds.
FIRST_BOUNCE_S = 5e-5


@dataclass(frozen=True, slots=True)
class Transition:
    """The points part (`is_open`) or meet at a time."""

    time_s: float
    is_open: bool


@dataclass(frozen=True, slots=True)
class Cam:
    """Resolved geometry of one set of points. Angles are exact; scatter comes on top."""

    name: str
    channel: int
    neutrals: Neutrals
    opens_deg: tuple[float, ...]
    dwell_deg: float
    scatter_deg: float
    backlash_deg: float

    def edge(self, index: int) -> float:
        """Angle of edge `index`: 2k is the opening of lobe k, 2k+1 the closing after it."""
        lobe, closing = divmod(index, 2)
        if closing:
            return self.edge(2 * lobe + 2) - self.dwell_deg
        return self.neutrals.at(lobe) + self.opens_deg[lobe % self.neutrals.poles]

    def moved(self, later_deg: float) -> Self:
        """The same points shifted, so that they open and close later by an angle."""
        return replace(self, opens_deg=tuple(opens + later_deg for opens in self.opens_deg))

    def openings(self) -> list[tuple[float, float]]:
        """Openings of the first turn after neutral 0, in order: angle past neutral 0, angle past the lobe's own neutral."""
        return sorted((self.edge(2 * k) % 360.0, self.opens_deg[k]) for k in range(self.neutrals.poles))


def cam_of(table: BreakerTable, neutrals: Neutrals, draws: Draws) -> Cam:
    """The cam of one breaker of a scenario, drawn."""
    key = f"breaker.{table.name}"
    opens = draws.take(f"{key}.opens_deg", table.opens_deg)
    return Cam(
        name=table.name,
        channel=table.channel,
        neutrals=neutrals,
        opens_deg=tuple(
            opens + draws.take(f"{key}.lobe_error_deg.{k}", table.lobe_error_deg) for k in range(neutrals.poles)
        ),
        dwell_deg=draws.take(f"{key}.dwell_deg", table.dwell_deg),
        scatter_deg=draws.take(f"{key}.scatter_deg", table.scatter_deg),
        backlash_deg=draws.take(f"{key}.backlash_deg", table.backlash_deg),
    )


class Points:
    """One set of points: follows the motion and gives its transitions. `is_open` is their state after the last given."""

    def __init__(self, cam: Cam, table: BreakerTable, angle_deg: float, rng: np.random.Generator) -> None:
        self._cam = cam
        self._rng = rng
        self._bounce_as(table)
        self._follower = angle_deg
        index = 2 * cam.neutrals.below(angle_deg) - 2
        while cam.edge(index) <= angle_deg:
            index += 1
        self._next = index
        self._upper = max(self._scattered(index), angle_deg)
        self._lower = min(self._scattered(index - 1), angle_deg)
        self._waiting: list[Transition] = []
        self.is_open = index % 2 == 1

    def _bounce_as(self, table: BreakerTable) -> None:
        self._table = table
        self._opening_ms = table.bounce_opening_ms
        self._closing_ms = table.bounce_closing_ms
        self._bounces = table.bounces

    @property
    def name(self) -> str:
        """The breaker's name."""
        return self._cam.name

    def refit(self, cam: Cam, table: BreakerTable, at_s: float) -> None:
        """Points and cam as they are from now on; the follower stays where it is, so that points may part or meet by this."""
        if cam == self._cam and table == self._table:
            return
        self._cam = cam
        self._bounce_as(table)
        self._lower, self._upper = self._scattered(self._next - 1), self._scattered(self._next)
        was_open = self._next % 2 == 1
        while self._follower >= self._upper:
            self._next += 1
            self._lower, self._upper = self._upper, self._scattered(self._next)
        while self._follower < self._lower:
            self._next -= 1
            self._lower, self._upper = self._scattered(self._next - 1), self._lower
        if (opens := self._next % 2 == 1) is not was_open:
            self._change(at_s, opens)

    def run(self, track: Track) -> list[Transition]:
        """Transitions over a track, in order; a bounce may go on after its end and is given later."""
        if track.moved:
            self._follow(track)
        if not self._waiting:
            return []
        end = float(track.time_s[-1])
        due = [t for t in self._waiting if t.time_s < end]
        self._waiting = self._waiting[len(due) :]
        changes = []
        for transition in due:
            if transition.is_open != self.is_open:
                self.is_open = transition.is_open
                changes.append(transition)
        return changes

    def _follow(self, track: Track) -> None:
        backlash = self._cam.backlash_deg
        follower = self._follower
        for node, angle in enumerate(track.angle_deg.tolist()):
            if angle > follower:
                follower = angle
                while follower >= self._upper:
                    self._passed(track, node, self._upper, self._next % 2 == 0)
                    self._lower = self._upper
                    self._next += 1
                    self._upper = self._scattered(self._next)
            elif angle + backlash < follower:
                follower = angle + backlash
                while follower < self._lower:
                    self._passed(track, node, self._lower - backlash, self._next % 2 == 0)
                    self._upper = self._lower
                    self._next -= 1
                    self._lower = self._scattered(self._next - 1)
        self._follower = follower

    def _passed(self, track: Track, node: int, level: float, opens: bool) -> None:
        time, angle, speed = track.time_s, track.angle_deg, track.speed_deg_s
        step = slice(max(node - 1, 0), max(node - 1, 0) + 1)
        after = slice(step.start + 1, step.start + 2)
        into = crossing(
            angle[step], angle[after], speed[step], speed[after], time[after] - time[step], np.array([level])
        )
        self._change(float(time[step][0] + into[0]), opens)

    def _change(self, time_s: float, opens: bool) -> None:
        """The points part or meet for good; what an earlier bounce would still have done is over."""
        self._waiting = [t for t in self._waiting if t.time_s < time_s]
        self._waiting.append(Transition(time_s, opens))
        low, high = self._opening_ms if opens else self._closing_ms
        longest = max(float(self._rng.uniform(low, high)) / 1000.0, 2 * FIRST_BOUNCE_S)
        number = int(self._rng.poisson(self._bounces))
        moments = np.sort(self._rng.uniform(FIRST_BOUNCE_S, longest, 2 * number)).tolist()
        for place, moment in enumerate(moments):
            self._waiting.append(Transition(time_s + moment, opens if place % 2 else not opens))

    def _scattered(self, index: int) -> float:
        return self._cam.edge(index) + float(self._rng.normal(0.0, 1.0)) * self._cam.scatter_deg


class FixedPoints:
    """Points that never change: stuck open, never opening, or a channel with nothing on it."""

    def __init__(self, is_open: bool) -> None:
        self.is_open = is_open

    def run(self, track: Track) -> list[Transition]:  # noqa: ARG002
        """Nothing ever happens."""
        return []


class JoinedPoints:
    """Several sets of points on one wire, which is open only while all of them are. Each channel on it may ask for the same track."""

    def __init__(self, sets: Sequence[Points | FixedPoints]) -> None:
        self._sets = tuple(sets)
        self._track: Track | None = None
        self._found: list[Transition] = []
        self._open = [s.is_open for s in self._sets]

    @property
    def sets(self) -> tuple[Points | FixedPoints, ...]:
        """The sets of points on the wire."""
        return self._sets

    @property
    def is_open(self) -> bool:
        """State of the wire after the last transition given."""
        return all(self._open)

    def run(self, track: Track) -> list[Transition]:
        """Transitions of the wire over a track, in order."""
        if track is not self._track:
            self._track, self._found = track, []
            changes = [(t.time_s, place, t.is_open) for place, s in enumerate(self._sets) for t in s.run(track)]
            for time_s, place, is_open in sorted(changes):
                before = self.is_open
                self._open[place] = is_open
                if self.is_open is not before:
                    self._found.append(Transition(time_s, self.is_open))
        return list(self._found)


def points_of(
    scenario: Scenario, table: BreakerTable, cam: Cam, angle_deg: float, draws: Draws
) -> Points | FixedPoints:
    """The points of one breaker, with the scenario's faults."""
    if scenario.fault.stuck_open == table.name:
        return FixedPoints(True)
    if scenario.fault.never_opens == table.name:
        return FixedPoints(False)
    return Points(cam, table, angle_deg, draws.stream(f"points.{table.name}"))
