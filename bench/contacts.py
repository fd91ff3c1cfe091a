"""From probe edges to openings and closings that count.

A state is settled when it lasts for the criteria's time and angle. An opening is the first departure from settled closed
that leads to settled open; what flickers between is bounce, kept and reported. What leaves a settled state and falls back to it is a
flicker: no opening, but it tells of the probe and the points. Nothing is decided beyond the horizon up to which all edges
are known.
"""

from __future__ import annotations

from array import array
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from bench.horizon import Confirmed
from firmware_protocol.messages import Contact

#: Flickers that a channel remembers, the latest ones.
MOST_FLICKERS = 1000
#: Analogue readings kept of a probe: an hour and more of them, so that a unit that stands connected all day fills no memory.
MOST_READINGS = 20_000
#: A channel that goes on flickering over this many times the angle of a settled state is neither open nor closed.
RESTLESS_TIMES = 25


@dataclass(frozen=True, slots=True)
class ContactEdge:
    """One edge of a probe: unwrapped tick, count, new state, and the frame that told it.

    `edges` is more than 1 at the end of a merged storm: as many edges lie between the one before and this one, this one included.
    """

    tick: int
    count: int
    opened: bool
    contact: Contact
    wire: bytes
    edges: int = 1


@dataclass(frozen=True, slots=True)
class Change:
    """A settled change of a channel. `edge` is its first departure; `forward` tells how the rotor ran on after it.

    Bounce: `bounce_edges` further edges within `bounce_ticks`, of which `merged_edges` were told by number only. `longest_return_ticks` is
    the longest time back in the old state, of those that were told one by one (a merged one is shorter than 2 ms, PROTOCOL.md).
    `bounce_counts`: how far the count had moved by the last edge.
    """

    channel: int
    edge: ContactEdge
    opened: bool
    forward: bool
    bounce_edges: int
    bounce_ticks: int
    settled_tick: int
    merged_edges: int = 0
    longest_return_ticks: int = 0
    bounce_counts: int = 0

    @property
    def returns(self) -> int:
        """How often the contact went back to the old state before it settled: every second edge."""
        return self.bounce_edges // 2


@dataclass(frozen=True, slots=True)
class Flicker:
    """A settled state was left and came back without another one settling. `longest_ticks` is the longest time away from it."""

    channel: int
    tick: int
    count: int
    was_open: bool
    edges: int
    longest_ticks: int


@dataclass(frozen=True, slots=True)
class LevelReading:
    """An analogue reading in a settled state. `since_tick` is the same for all readings of one stretch of that state."""

    tick: int
    count: int
    millivolts: int
    is_open: bool
    since_tick: int


class LevelReadings:
    """The latest `most` readings, oldest first, in 40 bytes each: as objects they would be five times that."""

    _COLUMNS = 5

    def __init__(self, most: int) -> None:
        self._most = most
        self._flat = array("q")

    def append(self, reading: LevelReading) -> None:
        """Keep one more. Those too many are dropped by the eighth, so that little is moved."""
        self._flat.extend((reading.tick, reading.count, reading.millivolts, reading.is_open, reading.since_tick))
        if len(self._flat) > self._COLUMNS * (self._most + self._most // 8):
            del self._flat[: -self._COLUMNS * self._most]

    def __len__(self) -> int:
        return min(len(self._flat) // self._COLUMNS, self._most)

    def __iter__(self) -> Iterator[LevelReading]:
        first = len(self._flat) - self._COLUMNS * len(self)
        for at in range(first, len(self._flat), self._COLUMNS):
            tick, count, millivolts, is_open, since_tick = self._flat[at : at + self._COLUMNS]
            yield LevelReading(tick, count, millivolts, bool(is_open), since_tick)


class Settled(Enum):
    """What a channel was last known to be for good."""

    UNKNOWN = "unknown"
    CLOSED = "closed"
    OPEN = "open"


@dataclass(slots=True)
class _Departure:
    """A settled state was left at `edge`."""

    edge: ContactEdge
    last_tick: int
    edges: int = 0
    merged: int = 0
    longest_away: int = 0
    longest_return: int = 0


class ChannelTracker:
    """Follows one channel. Sense +1 or -1 turns counts into the running direction.

    `flickers` and `readings` are what was seen besides settled changes, `has_opened` whether it was ever settled open; a loss of
    messages cuts them, but forgets none.
    """

    def __init__(self, channel: int, settled_ticks: int, settled_counts: float) -> None:
        self.channel = channel
        self.settled = Settled.UNKNOWN
        self.has_opened = False
        self.flickers: deque[Flicker] = deque(maxlen=MOST_FLICKERS)
        self.readings = LevelReadings(MOST_READINGS)
        self._settled_ticks = settled_ticks
        self._settled_counts = settled_counts
        self._pending: deque[ContactEdge] = deque()
        self._pending_levels: deque[tuple[int, int]] = deque()
        self._level: bool | None = None
        self._since: tuple[int, int] | None = None
        self._stretch_tick = 0
        self._departure: _Departure | None = None
        self._lasting: bool | None = None
        self._reach: tuple[int, int] | None = None
        self._calm_count = 0

    @property
    def departure_count(self) -> int | None:
        """Count at the first departure of a change that is still under way."""
        return None if self._departure is None else self._departure.edge.count

    @property
    def lasting_open(self) -> bool | None:
        """The state that last lasted as long as a settled one does, over whatever angle; None if not known."""
        return self._lasting

    @property
    def unchanged_counts(self) -> int:
        """Counts over which no other state has lasted as long as a settled one does; flickers do not matter."""
        return 0 if self._reach is None else self._reach[1] - self._reach[0]

    def edge(self, edge: ContactEdge) -> None:
        """An edge came; it is looked at when the horizon has passed it."""
        self._pending.append(edge)
        end = edge.contact
        if end.storm_edges:
            self._pending.append(
                ContactEdge(
                    edge.tick + end.storm_ticks, edge.count, bool(end.storm_open), end, edge.wire, end.storm_edges
                )
            )

    def level(self, tick: int, millivolts: int) -> None:
        """An analogue reading came; it is kept if the channel proves to have been settled then."""
        self._pending_levels.append((tick, millivolts))

    def watch_anew(self) -> None:
        """`unchanged_counts` counts from here on."""
        self._lasting, self._reach = None, None

    def lose_track(self) -> None:
        """Edges may be missing: whatever was under way cannot be trusted."""
        self._pending.clear()
        self._pending_levels.clear()
        self._forget()
        self.watch_anew()

    def confirm(self, horizon: Confirmed, sense: int) -> list[Change]:
        """All settled changes up to the horizon."""
        changes: list[Change] = []
        level = bool(horizon.levels >> self.channel & 1)
        if horizon.fresh:
            while self._pending and self._pending[0].tick <= horizon.tick:
                self._pending.popleft()
            self._forget()
            self.watch_anew()
        while self._pending and self._pending[0].tick <= horizon.tick:
            edge = self._pending.popleft()
            self._read(edge.tick, edge.count)
            self._settle(edge.tick, edge.count, sense, changes)
            self._take(edge)
        if self._level is None or self._since is None:
            self._level, self._since = level, (horizon.tick, horizon.count)
        elif self._level != level:
            # The tallies matched, yet the level contradicts the edges: trust neither.
            self._forget()
            self._level, self._since = level, (horizon.tick, horizon.count)
        self._settle(horizon.tick, horizon.count, sense, changes)
        self._read(horizon.tick + 1, horizon.count)
        return changes

    def _forget(self) -> None:
        self.settled = Settled.UNKNOWN
        self._level, self._since, self._departure = None, None, None

    def _read(self, before_tick: int, count: int) -> None:
        """Keep the readings before a tick, if the channel was settled and not on its way elsewhere."""
        while self._pending_levels and self._pending_levels[0][0] < before_tick:
            tick, millivolts = self._pending_levels.popleft()
            if self.settled is not Settled.UNKNOWN and self._departure is None:
                is_open = self.settled is Settled.OPEN
                self.readings.append(LevelReading(tick, count, millivolts, is_open, self._stretch_tick))

    def _take(self, edge: ContactEdge) -> None:
        departure = self._departure
        if departure is not None:
            lasted = edge.tick - departure.last_tick
            # Before a merged storm's last edge the state changed unseen: no time of it is known.
            if edge.edges == 1:
                if self._level == departure.edge.opened:
                    departure.longest_away = max(departure.longest_away, lasted)
                else:
                    departure.longest_return = max(departure.longest_return, lasted)
            else:
                departure.merged += edge.edges
            departure.edges += edge.edges
            departure.last_tick = edge.tick
        elif self.settled is not Settled.UNKNOWN and edge.opened != (self.settled is Settled.OPEN):
            self._departure = _Departure(edge, edge.tick)
        self._level, self._since = edge.opened, (edge.tick, edge.count)

    def _settle(self, tick: int, count: int, sense: int, changes: list[Change]) -> None:
        if self._since is None or self._level is None:
            return
        if tick - self._since[0] < self._settled_ticks:
            if abs(count - self._calm_count) > RESTLESS_TIMES * self._settled_counts:
                self.watch_anew()
            return
        self._calm_count = count
        if self._level is not self._lasting or self._reach is None:
            self._lasting, self._reach = self._level, (self._since[1], self._since[1])
        self._reach = (min(self._reach[0], count), max(self._reach[1], count))
        travel = (count - self._since[1]) * sense
        if abs(travel) < self._settled_counts:
            return
        state = Settled.OPEN if self._level else Settled.CLOSED
        departure = self._departure
        if departure is not None and state is not self.settled:
            changes.append(
                Change(
                    self.channel,
                    departure.edge,
                    self._level,
                    travel > 0,
                    departure.edges,
                    departure.last_tick - departure.edge.tick,
                    tick,
                    departure.merged,
                    departure.longest_return,
                    self._since[1] - departure.edge.count,
                )
            )
        elif departure is not None:
            edge = departure.edge
            self.flickers.append(
                Flicker(
                    self.channel, edge.tick, edge.count, not edge.opened, departure.edges + 1, departure.longest_away
                )
            )
        if state is not self.settled:
            self._stretch_tick = self._since[0]
        self.settled = state
        self.has_opened = self.has_opened or state is Settled.OPEN
        self._departure = None
