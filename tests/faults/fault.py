"""Where a fault can take hold of a simulated job, all from outside: bytes, encoder edges, points, hand, board."""

from __future__ import annotations

import random

import numpy as np

from bench.procedure import Step
from sim.contact import FixedPoints, JoinedPoints, Points, Transition
from sim.encoder import Crossings
from sim.mover import Track
from sim.scenario import Scenario
from sim.world import World

Wire = Points | FixedPoints | JoinedPoints

#: Steps of a job, and for how long each lasts at the least in the short one, seconds.
STEPS = ((Step.SENSE, 0.6), (Step.NEUTRAL, 8.0), (Step.PASSES, 2.0))


class Fault:
    """Hooks that leave all as it is; a fault overrides what it needs. `struck_s` is the device time at which it first did something."""

    def __init__(self, draw: random.Random) -> None:
        self.draw = draw
        self.struck_s: float | None = None
        self.at_s: float | None = None
        #: From when on the stream shows it, where that is later than when it struck.
        self.shows_s: float | None = None
        #: Beside those of its row, see `Row.doubted`.
        self.doubted: frozenset[str] = frozenset()

    def scenario(self, plain: Scenario) -> Scenario:
        """The scenario to play."""
        return plain

    def prepare(self, world: World) -> None:
        """The world has been made, and nothing has happened yet."""

    def reached(self, step: Step, now_s: float) -> None:
        """Told what the instrument says, piece by piece."""

    def chunk(self, world: World, now_s: float) -> None:
        """Before each chunk of device time."""

    def crossings(self, crossings: Crossings, now_s: float) -> Crossings:
        """Encoder edges on their way to the board."""
        del now_s
        return crossings

    def transitions(self, channel: int, found: list[Transition], track: Track) -> list[Transition]:
        """What a set of points did over a track, on its way to the probe."""
        del channel, track
        return found

    def pedal(self, down: bool, now_s: float) -> bool:
        """The pedal, each millisecond."""
        del now_s
        return down

    def hand(self, target_deg: float, angle_deg: float, now_s: float) -> float:
        """Where the hand is going, each millisecond."""
        del angle_deg, now_s
        return target_deg

    def anew(self) -> None:
        """The technician begins anew, with a hand that is where its program says."""

    def line(self, data: bytes, now_s: float) -> bytes:
        """Bytes on their way to the host."""
        del now_s
        return data

    def strike(self, now_s: float) -> None:
        """Remember when the fault first did something."""
        if self.struck_s is None:
            self.struck_s = now_s


class AtAnyTime(Fault):
    """Strikes once, at a moment anywhere in the job."""

    def __init__(self, draw: random.Random, latest_s: float = 15.0) -> None:
        super().__init__(draw)
        self.at_s = draw.uniform(0.2, latest_s)

    def due(self, now_s: float) -> bool:
        """True once, when its time has come."""
        if self.at_s is None or now_s < self.at_s or self.struck_s is not None:
            return False
        self.strike(now_s)
        return True


class AtStep(AtAnyTime):
    """Strikes once in one step of the job, the steps in turn by the seed."""

    def __init__(self, draw: random.Random, seed: int, steps: tuple[tuple[Step, float], ...] = STEPS) -> None:
        super().__init__(draw)
        self.step, longest = steps[seed % len(steps)]
        self.after_s = draw.uniform(0.0, longest)
        self.at_s = self.after_s if self.step is Step.SENSE else None

    def reached(self, step: Step, now_s: float) -> None:
        """See Fault."""
        if self.at_s is None and step is self.step:
            self.at_s = now_s + self.after_s


class FaultyPoints:
    """Points whose transitions go through the fault."""

    def __init__(self, channel: int, points: Wire, fault: Fault) -> None:
        self._channel, self._points, self._fault = channel, points, fault
        self.is_open = points.is_open

    def run(self, track: Track) -> list[Transition]:
        """See sim.contact.Points."""
        changes = []
        for change in self._fault.transitions(self._channel, self._points.run(track), track):
            if change.is_open != self.is_open:
                self.is_open = change.is_open
                changes.append(change)
        return changes


NONE = np.empty(0, dtype=np.int64)


def crossings_of(rows: list[tuple[float, int, int, bool]]) -> Crossings:
    """Crossings by time, step, count after and index."""
    if not rows:
        return Crossings(np.empty(0), NONE, NONE, np.empty(0, dtype=np.bool_))
    times, steps, counts, index = zip(*rows, strict=True)
    return Crossings(
        np.array(times),
        np.array(steps, dtype=np.int64),
        np.array(counts, dtype=np.int64),
        np.array(index, dtype=np.bool_),
    )
