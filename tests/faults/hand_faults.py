"""What a hand and a foot may do: bounce on the pedal, press at the wrong time, turn back through an opening, stop in it, jerk."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace

from sim.scenario import Scenario
from tests.faults.fault import AtStep, Fault
from tests.faults.row import BOTH, Row

_BOUNCE_S = 0.03


class Bounce(Fault):
    """The pedal's contact bounces for some 30 ms at each press and each letting go."""

    def __init__(self, draw: random.Random) -> None:
        super().__init__(draw)
        self._down = False
        self._since = -1.0

    def pedal(self, down: bool, now_s: float) -> bool:
        """See Fault."""
        if down != self._down:
            self._down, self._since = down, now_s
            self.strike(now_s)
        return self.draw.random() < 0.5 if now_s - self._since < _BOUNCE_S else down


class Presses(AtStep):
    """One press of 0.2 s, at any moment of any step."""

    def pedal(self, down: bool, now_s: float) -> bool:
        """See Fault."""
        if self.at_s is None or not self.at_s <= now_s < self.at_s + 0.2:
            return down
        self.strike(now_s)
        return True


class Held(AtStep):
    """The pedal is held down for seconds, as by a foot that rests on it."""

    def pedal(self, down: bool, now_s: float) -> bool:
        """See Fault."""
        if self.at_s is None or not self.at_s <= now_s < self.at_s + 5.0:
            return down
        self.strike(now_s)
        return True


class Back(Fault):
    """In the passes the hand goes back and forth, or waits, at chosen places past neutral; the program waits meanwhile.

    The offset to the program's target: `way(seconds since)` in degrees, for as long as it gives a figure.
    """

    def __init__(
        self, draw: random.Random, at_deg: Callable[[random.Random], float], way: Callable[[float], float | None]
    ) -> None:
        super().__init__(draw)
        self._at = at_deg(draw)
        self._way = way
        self._since: float | None = None
        self._before: float | None = None
        #: How far the hand is behind its program.
        self._lag_deg = 0.0
        self._marked = 0
        self._down = False
        self._left = draw.randint(1, 2)

    def pedal(self, down: bool, now_s: float) -> bool:
        """See Fault."""
        del now_s
        self._marked += self._down and not down
        self._down = down
        return down

    def hand(self, target_deg: float, angle_deg: float, now_s: float) -> float:
        """See Fault."""
        del angle_deg
        if self._before is None:
            self._before = target_deg
        here = target_deg - self._lag_deg
        crossed = math.floor((here - self._at) / 180.0) > math.floor((self._before - self._at) / 180.0)
        if self._since is None and self._marked >= 4 and self._left and crossed:
            self._since, self._held = now_s, self._before
            self._left -= 1
            self.strike(now_s)
        if self._since is not None:
            offset = self._way(now_s - self._since)
            if offset is None:
                self._lag_deg = target_deg - self._held
                self._since = None
            else:
                return self._held + offset
        self._before = target_deg - self._lag_deg
        return self._before

    def anew(self) -> None:
        """What was under way is given up, and what is left of it waits for the new marks."""
        self._since = self._before = None
        self._lag_deg = 0.0
        self._marked = 0


def _smooth(x: float) -> float:
    x = min(max(x, 0.0), 1.0)
    return x * x * (3.0 - 2.0 * x)


def _there_and_back(degrees: float, seconds: float) -> Callable[[float], float | None]:
    def way(t: float) -> float | None:
        if t > 2 * seconds + 0.3:
            return None
        return -degrees * (_smooth(t / seconds) - _smooth((t - seconds - 0.3) / seconds))

    return way


def _wait(seconds: float) -> Callable[[float], float | None]:
    return lambda t: 0.0 if t < seconds else None


def _tremble(t: float) -> float | None:
    """To and fro over the opening by a degree at 3 Hz for two seconds."""
    return None if t > 2.0 else math.sin(2 * math.pi * 3 * t)


class Jerky(Fault):
    """The simulator's own jerky hand: jerks, pauses, backing up, at openings and elsewhere."""

    def scenario(self, plain: Scenario) -> Scenario:
        """See Fault."""
        self.strike(0.0)
        changed = {"jerkiness": 1.0, "turns": 5.3, "speeds_deg_s": (60.0, 220.0)}
        return plain.model_copy(update={"hand": plain.hand.model_copy(update=changed)})


class Creeping(Fault):
    """All openings are crossed by creeping, with stops of less than a count between."""

    def scenario(self, plain: Scenario) -> Scenario:
        """See Fault."""
        self.strike(0.0)
        return plain.model_copy(update={"hand": plain.hand.model_copy(update={"creep_share": 1.0})})


def _near(draw: random.Random) -> float:
    """About the opening, which lies 9 to 11° past neutral."""
    return draw.uniform(8.0, 13.0)


def _after(draw: random.Random) -> float:
    return draw.uniform(12.0, 60.0)


ROWS = tuple(
    replace(row, peers=BOTH)
    for row in (
        Row("pedal bounces", "30 ms of bounce at each press and letting go", lambda d, _: Bounce(d), 1.0, seeds=2),
        Row(
            "pedal at the wrong time",
            "one press more at any moment",
            Presses,
            0.9,
            seeds=3,
        ),
        Row("pedal held down", "for 5 s", Held, 0.9),
        Row(
            "hand turns back through the opening",
            "30° back and on again",
            lambda d, _: Back(d, _after, _there_and_back(30.0, 0.8)),
            1.0,
        ),
        Row(
            "hand turns back a whole turn",
            "400° back and on again",
            lambda d, _: Back(d, _after, _there_and_back(400.0, 5.0)),
            1.0,
        ),
        Row("hand stops in the opening", "about the opening, for 1.5 s", lambda d, _: Back(d, _near, _wait(1.5)), 1.0),
        Row("hand trembles over the opening", "± 1° at 3 Hz", lambda d, _: Back(d, _near, _tremble), 1.0, seeds=2),
        Row("hand jerks", "jerks, pauses, backs up", lambda d, _: Jerky(d), 1.0),
        Row("hand creeps over each opening", "stops of less than a count between", lambda d, _: Creeping(d), 1.0),
    )
)
