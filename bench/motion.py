"""How the rotor was turned: direction of approach, turning points, rests after a release, stalls and snaps.

Works on counts at Position ticks (50 to 100 Hz). At a hand's speed nothing of a tenth of a degree hides between two.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from itertools import pairwise

#: A reversal counts as a turning point when the rotor has come back by this much, degrees.
TURN_DEG = 0.1
#: A press takes its side from the direction of this last travel, degrees.
SIDE_DEG = 2.0
#: Overshoot beyond the place of a press that still leaves its side clear, degrees.
OVERSHOOT_DEG = 0.5
#: A rotor that has not moved for this long is at rest, seconds.
REST_S = 0.5
#: A free swing has at least this many legs longer than LEG_DEG, each at least LEG_RATIO of the one before.
LEGS = 3
LEG_DEG = 0.5
LEG_RATIO = 0.3
#: The leg before one shorter than LEG_DEG is at most this long, degrees.
LAST_LEG_DEG = 3.0
#: An impulse coupling: still for STALL_S (moving less than STALL_DEG), then SNAP_DEG within SNAP_S. From a standstill no
#: hand does that; spring couplings wind up by about 20 to 35 degrees (common practice, no source).
STALL_S = 0.15
STALL_DEG = 1.0
SNAP_DEG = 10.0
SNAP_S = 0.02

_MOST_KEPT = 6000


@dataclass(frozen=True, slots=True)
class TurningPoint:
    """Where the direction changed. `high` is true at a largest count."""

    tick: int
    count: int
    high: bool


@dataclass(frozen=True, slots=True)
class Rest:
    """The rotor was let go and came to rest: place, time, and the count from which it had started to swing."""

    tick: int
    count: int
    released_from: int


class Motion:
    """Fed with (tick, count) in order. Counts are raw: the caller applies the sense."""

    def __init__(self, counts_per_turn: int, tick_hz: int) -> None:
        self._per_deg = counts_per_turn / 360.0
        self._tick_hz = tick_hz
        self._path: deque[tuple[int, int]] = deque(maxlen=_MOST_KEPT)
        self._recent: deque[tuple[int, int]] = deque()
        self._turns: deque[TurningPoint] = deque(maxlen=64)
        self._direction = 0
        self._extreme: tuple[int, int] | None = None
        self._still: tuple[int, int] | None = None
        self._rest_told = False
        self.start_count: int | None = None
        self._origin: int | None = None

    def feed(self, tick: int, count: int) -> Rest | None:
        """One sample more; gives a Rest when one has just been recognised."""
        if self.start_count is None:
            self.start_count = count
        if self._origin is None:
            self._origin = count
        if not self._path or abs(count - self._path[-1][1]) >= 0.05 * self._per_deg:
            self._path.append((tick, count))
        self._recent.append((tick, count))
        while self._recent[0][0] < tick - self._tick_hz // 2:
            self._recent.popleft()
        self._turn(tick, count)
        return self._rest(tick, count)

    def direction_before(self, tick: int, count: int, travel_deg: float = SIDE_DEG) -> int:
        """+1 or -1: direction in counts of the last `travel_deg` before `tick`.

        0 if the rotor has not moved so far, or had overshot and come back by a part of it: then friction holds it on no known side.
        """
        reach = travel_deg * self._per_deg
        low = high = count
        for past_tick, past in reversed(self._path):
            if past_tick > tick:
                continue
            if abs(count - past) >= reach:
                overshoot = high - count if count > past else count - low
                return 0 if overshoot > OVERSHOOT_DEG * self._per_deg else (1 if count > past else -1)
            low, high = min(low, past), max(high, past)
        return 0

    def cut(self) -> None:
        """What happened lately is not known: sides and approaches count from the next sample."""
        self._path.clear()
        self._recent.clear()
        self._turns.clear()
        self._direction = 0
        self._extreme = None
        self._still = None
        self._origin = None

    def approach_deg(self, tick: int, count: int, sense: int) -> float:
        """How far the rotor had run in the running direction, without turning back, when it was at `count`.

        Negative when it was running backwards.
        """
        origin: int | None = None
        for turn in reversed(self._turns):
            if turn.tick <= tick:
                if turn.high == (sense > 0):
                    return -abs(count - turn.count) / self._per_deg
                origin = turn.count
                break
        if origin is None:
            origin = self._origin if self._origin is not None else count
        return (count - origin) * sense / self._per_deg

    def speed(self) -> float:
        """Speed over about the last 50 ms, counts per tick."""
        if len(self._recent) < 2:
            return 0.0
        last_tick, last = self._recent[-1]
        for tick, count in reversed(self._recent):
            if last_tick - tick >= self._tick_hz // 20:
                return (last - count) / (last_tick - tick)
        return 0.0

    def snapped(self, sense: int) -> bool:
        """True when the rotor has just snapped forward out of a standstill."""
        samples = self._recent
        if len(samples) < 3:
            return False
        tick, count = samples[-1]
        start: tuple[int, int] | None = None
        for past in reversed(samples):
            if tick - past[0] > SNAP_S * self._tick_hz:
                break
            if (count - past[1]) * sense >= SNAP_DEG * self._per_deg:
                start = past
                break
        if start is None:
            return False
        stall = [
            c for t, c in samples if start[0] - (STALL_S + 0.02) * self._tick_hz <= t <= start[0] - 0.02 * self._tick_hz
        ]
        return len(stall) >= 5 and max(stall) - min(stall) <= STALL_DEG * self._per_deg

    def _turn(self, tick: int, count: int) -> None:
        if self._extreme is None:
            self._extreme = (tick, count)
            return
        back = TURN_DEG * self._per_deg
        ahead = count - self._extreme[1]
        if self._direction == 0:
            if abs(ahead) >= back:
                self._direction = 1 if ahead > 0 else -1
                self._turns.append(TurningPoint(*self._extreme, high=self._direction < 0))
                self._extreme = (tick, count)
        elif ahead * self._direction >= 0:
            self._extreme = (tick, count)
        elif abs(ahead) >= back:
            self._turns.append(TurningPoint(*self._extreme, high=self._direction > 0))
            self._direction = -self._direction
            self._extreme = (tick, count)

    def _rest(self, tick: int, count: int) -> Rest | None:
        if self._still is None or abs(count - self._still[1]) > 1:
            self._still = (tick, count)
            self._rest_told = False
            return None
        if self._rest_told or tick - self._still[0] < REST_S * self._tick_hz:
            return None
        self._rest_told = True
        released = self._released_from(self._still[0], count)
        return None if released is None else Rest(tick, count, released)

    def _released_from(self, rest_tick: int, count: int) -> int | None:
        """Count at which a free, dying swing into this rest began; None if the way here does not look like one."""
        points: list[tuple[int, int]] = [(rest_tick, count)]
        for turn in reversed(self._turns):
            if rest_tick - turn.tick > 5 * self._tick_hz:
                break
            points.append((turn.tick, turn.count))
        points.reverse()
        legs = [abs(b[1] - a[1]) / self._per_deg for a, b in pairwise(points)]
        times = [(b[0] - a[0]) / self._tick_hz for a, b in pairwise(points)]
        # Walk back from the rest over legs that grow steadily: a swing dying out, seen backwards.
        first = len(legs)
        while first > 0:
            following = legs[first] if first < len(legs) else 0.0
            leg = legs[first - 1]
            # Friction takes about the same off each leg, so that the last ones may shrink to any ratio; longer ones may not.
            short = following < LEG_DEG
            if leg <= following or (leg > LAST_LEG_DEG if short else following < LEG_RATIO * leg):
                break
            first -= 1
        swing = legs[first:]
        large = [leg for leg in swing if leg >= LEG_DEG]
        # The first leg may have begun with the hand still on; the later ones must keep the rotor's own time.
        paced = times[first + 1 : first + len(large)]
        if len(large) < LEGS or not paced or max(paced) > 1.6 * min(paced) or max(paced) > 0.6:
            return None
        return points[first][1]
