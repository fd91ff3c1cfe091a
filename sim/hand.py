"""The hand's program: what a technician does from picking up the handwheel to the last turn.

A hand yields, step by step of `STEP_S`, a target angle, whether it grips, and whether the pedal is down. It sees no more
than where the magnet stands and how fast it turns; where the points open it knows from having felt it. Another hand with the
same attributes and `step` can take its place.
Moves are minimum-jerk (Flash & Hogan, J. Neuroscience 5, 1985).
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from sim.scenario import HandTable

STEP_S = 0.001
#: An opening that is to be crossed by creeping is at least so far ahead when the hand begins to slow down for it.
_ROOM_DEG = 20.0
#: If the magnet is still not there when the hand is so far beyond, it gives up: the hand is too weak.
_BEYOND_DEG = 10.0

_Program = Generator[None, None, None]


class Hand(Protocol):
    """What the world asks of a hand."""

    target_deg: float
    held: bool
    pedal: bool
    done: bool

    def step(self, angle_deg: float, speed_deg_s: float) -> None:
        """Set the attributes for the next step; the magnet is at this angle and speed."""


@dataclass(frozen=True, slots=True)
class Balance:
    """Where the pull vanishes coming from below and from above, and the equilibrium between, degrees."""

    from_below_deg: float
    from_above_deg: float
    centre_deg: float


@dataclass(frozen=True, slots=True)
class Feel:
    """What the hand finds on this unit, degrees.

    Neutral, and neutral with the followers lifted if it is to be felt so first; the openings of one turn of the cam, for a hand
    that fumbles about them or creeps over them; the No. 1 lobe's mark of a compensated cam and the manual's angle mark.
    """

    neutral: Balance
    lifted: Balance | None
    openings_deg: tuple[float, ...]
    cam_turn_deg: float
    lobe_mark_deg: float | None
    mark_deg: float | None


class ProgrammedHand:
    """Turns to the marks and to neutral, presses from both sides, lets go from both sides, turns through all lobes, rests.

    `followers_lifted` is true until it has let the followers down on the cam.
    """

    def __init__(self, table: HandTable, feel: Feel, start_deg: float, rng: np.random.Generator) -> None:
        self.followers_lifted = feel.lifted is not None
        self._table = table
        self._feel = feel
        self._rng = rng
        self._angle = start_deg
        self._speed = 0.0
        self.target_deg = start_deg
        self.held = True
        self.pedal = False
        self.done = False
        self._program = self._whole()

    def step(self, angle_deg: float, speed_deg_s: float) -> None:
        """The next step of the program."""
        self._angle, self._speed = angle_deg, speed_deg_s
        if not self.done:
            next(self._program, None)

    # --- the program -------------------------------------------------------------------------------------------------

    def _whole(self) -> _Program:
        yield from self._hold(0.3, 0.8)
        if self._table.wrong_way:
            yield from self._move(self.target_deg - self._between(28, 38), self._between(40, 70))
            yield from self._hold(0.4, 0.8)
        if self._feel.lobe_mark_deg is not None:
            yield from self._mark(self._feel.lobe_mark_deg, self._table.lobe_mark_sd_deg)
        if self._feel.mark_deg is not None:
            yield from self._mark(self._feel.mark_deg, 0.05)
        if self._feel.lifted is not None:
            yield from self._locate(self._feel.lifted)
            yield from self._let_followers_down()
        yield from self._locate(self._feel.neutral)
        yield from self._passes()
        self.done = True
        yield

    def _mark(self, at_deg: float, sd_deg: float) -> _Program:
        """Bring a mark into line and press."""
        yield from self._move(at_deg - 8.0, self._between(50, 90))
        yield from self._move(at_deg + self._normal(sd_deg), self._between(5, 9))
        yield from self._press()

    def _locate(self, neutral: Balance) -> _Program:
        yield from self._move(neutral.centre_deg - self._reach(self._table.below_deg), self._between(50, 90))
        yield from self._hold(0.2, 0.5)
        yield from self._feel_neutral(neutral)
        yield from self._releases(neutral)

    def _let_followers_down(self) -> _Program:
        """Held a little below neutral, where the points are closed once their followers are on the cam."""
        yield from self._move(self._feel.neutral.centre_deg - self._reach(self._table.below_deg), self._between(12, 25))
        yield from self._hold(2.0, 4.0)
        self.followers_lifted = False
        yield from self._hold(2.0, 4.0)

    def _feel_neutral(self, neutral: Balance) -> _Program:
        table = self._table
        for _ in range(table.presses_per_side):
            if self.target_deg > neutral.centre_deg - table.below_deg / 2:
                yield from self._move(neutral.centre_deg - self._reach(table.below_deg), self._between(12, 25))
                yield from self._hold(0.1, 0.4)
            yield from self._seek(neutral.from_below_deg)
            yield from self._press()
            yield from self._move(neutral.centre_deg + self._reach(table.overshoot_deg), self._between(12, 25))
            yield from self._hold(0.1, 0.4)
            yield from self._seek(neutral.from_above_deg)
            yield from self._press()

    def _seek(self, vanishing_deg: float) -> _Program:
        """Creep up to where the pull vanishes, as this person feels it."""
        goal = vanishing_deg + self._normal(self._table.feel_sd_deg)
        direction = math.copysign(1.0, goal - self.target_deg)
        yield from self._move(goal - 1.5 * direction, self._between(8, 16))
        yield from self._move(goal, self._between(1.5, 3.0))

    def _press(self) -> _Program:
        yield from self._hold(0.3, 0.8)
        self.pedal = True
        yield from self._hold(0.15, 0.3)
        self.pedal = False
        yield from self._hold(0.1, 0.3)

    def _releases(self, neutral: Balance) -> _Program:
        for turn in range(2 * self._table.releases_per_side):
            side = 1.0 if turn % 2 == 0 else -1.0
            away = side * (self._table.release_deg + self._between(-0.5, 0.5))
            yield from self._move(neutral.centre_deg + away, self._between(10, 20))
            yield from self._hold(0.3, 0.6)
            self.held = False
            still = 0.0
            wait = self._between(0.8, 1.5)
            while still < wait:
                yield
                still = still + STEP_S if self._speed == 0.0 else 0.0
            self.target_deg = self._angle
            self.held = True
            yield from self._hold(0.1, 0.3)

    def _passes(self) -> _Program:
        """Turn on, unevenly as people do: a base speed per stretch, ±20 % of slow wandering, and what the jerkiness adds.

        Some openings are crossed by creeping instead.
        """
        low, high = self._table.speeds_deg_s
        middle = (low + high) / 2
        end = self.target_deg + self._feel.cam_turn_deg * self._table.turns
        speed, goal, cap = 0.0, 0.0, 360.0
        stretch_end = event_at = self.target_deg
        rates, shifts = self._rng.uniform(2.0, 12.0, 3).tolist(), self._rng.uniform(0.0, 2 * math.pi, 3).tolist()
        fast = bool(self._rng.integers(2))
        clock = 0.0
        event_at = self._next_event(self.target_deg)
        crept = self._next_crept(self.target_deg, end)
        while self.target_deg < end:
            if self.target_deg >= stretch_end:
                goal = self._between(middle, high) if fast else self._between(low, middle)
                fast = not fast
                stretch_end = self.target_deg + (
                    self._between(200, 420) if self._table.pace == "stretches" else self._feel.cam_turn_deg
                )
            if self.target_deg >= crept - _ROOM_DEG:
                yield from self._creep_over(speed, crept)
                speed, crept = 0.0, self._next_crept(self.target_deg, end)
            if self.target_deg >= event_at:
                speed = yield from self._fumble(speed)
                event_at = self._next_event(self.target_deg)
            clock += STEP_S
            wander = sum(math.sin(r * clock + s) for r, s in zip(rates, shifts, strict=True)) / 3
            speed += (min(goal * (1.0 + 0.2 * wander), cap) - speed) * (STEP_S / 0.15)
            self.target_deg += speed * STEP_S
            yield
        yield from self._stop(speed)
        yield from self._hold(0.3, 0.5)

    def _next_event(self, here: float) -> float:
        """Where the hand fumbles next: anywhere, or just behind an opening."""
        jerkiness = self._table.jerkiness
        if jerkiness <= 0.0:
            return math.inf
        anywhere = here + float(self._rng.exponential(150.0 / jerkiness)) + 5.0
        behind = self._opening_after(here + 5.0) + self._between(0.3, 4.0)
        return min(anywhere, behind) if self._rng.random() < 0.35 * jerkiness else anywhere

    def _opening_after(self, here: float) -> float:
        """The next opening at or after a place."""
        turn = self._feel.cam_turn_deg
        return min((o + turn * math.ceil((here - o) / turn) for o in self._feel.openings_deg), default=math.inf)

    def _next_crept(self, here: float, end: float) -> float:
        """The next opening that is crossed by creeping, far enough ahead to slow down for."""
        if self._table.creep_share <= 0.0:
            return math.inf
        opening = self._opening_after(here + _ROOM_DEG)
        while opening < end and self._rng.random() >= self._table.creep_share:
            opening = self._opening_after(math.nextafter(opening, math.inf))
        return opening

    def _creep_over(self, speed: float, opening_deg: float) -> _Program:
        """Hold just before an opening, then creep over it with stops of less than a count between."""
        yield from self._stop(speed)
        yield from self._move(opening_deg - self._between(2.0, 3.0), self._between(15, 25))
        hold_at = opening_deg - self._between(0.04, 0.09)
        yield from self._bring(hold_at - 0.3, self._between(5, 8))
        yield from self._bring(hold_at, self._between(0.8, 1.5))
        yield from self._hold(0.4, 1.0)
        goal = hold_at
        while goal < opening_deg + 0.3:
            goal = max(goal, self._angle) + self._between(0.01, 0.03)
            yield from self._bring(goal, self._between(0.5, 1.8))
            yield from self._hold(0.03, 0.1)

    def _bring(self, to_deg: float, speed_deg_s: float) -> _Program:
        """Turn on until the magnet itself stands there; the grip gives a little, so that the hand is not where the magnet is."""
        while self._angle < to_deg and self.target_deg < to_deg + _BEYOND_DEG:
            self.target_deg += speed_deg_s * STEP_S
            yield

    def _fumble(self, speed: float) -> Generator[None, None, float]:
        """A jerk, a pause or backing up; gives the speed with which it goes on."""
        kind = self._rng.random()
        if kind < 0.3:
            return min(speed * self._between(1.4, 2.2), 300.0)
        yield from self._stop(speed)
        if kind < 0.6:
            yield from self._hold(0.1, 0.8)
        else:
            yield from self._hold(0.05, 0.2)
            yield from self._move(self.target_deg - self._between(1.0, 6.0), self._between(8, 25))
            yield from self._hold(0.05, 0.3)
        return 0.0

    # --- small moves -------------------------------------------------------------------------------------------------

    def _move(self, to_deg: float, mean_speed_deg_s: float) -> _Program:
        start, distance = self.target_deg, to_deg - self.target_deg
        steps = max(int(abs(distance) / mean_speed_deg_s / STEP_S), 80)
        for k in range(1, steps + 1):
            s = k / steps
            self.target_deg = start + distance * s * s * s * (10.0 + s * (6.0 * s - 15.0))
            yield

    def _stop(self, speed: float) -> _Program:
        while speed > 0.5:
            speed -= speed * (STEP_S / 0.06)
            self.target_deg += speed * STEP_S
            yield

    def _hold(self, least_s: float, most_s: float) -> _Program:
        for _ in range(int(self._between(least_s, most_s) / STEP_S)):
            yield

    def _between(self, low: float, high: float) -> float:
        return float(self._rng.uniform(low, high))

    def _normal(self, sd: float) -> float:
        return float(self._rng.normal(0.0, sd)) if sd else 0.0

    def _reach(self, mean: float) -> float:
        return mean + min(max(self._normal(self._table.reach_sd_deg), -1.0), 1.0)
