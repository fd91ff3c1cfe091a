"""From probe edges to openings and closings that count.

A state is settled when it lasts for the criteria's time and angle. An opening is the first departure from settled closed
that leads to settled open; what flickers between is bounce, kept and reported. Nothing is decided beyond the horizon up
to which all edges are known.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import Enum

from bench.horizon import Confirmed
from firmware_protocol.messages import Contact


@dataclass(frozen=True, slots=True)
class ContactEdge:
    """One edge of a probe: unwrapped tick, count, new state, and the frame that told it."""

    tick: int
    count: int
    opened: bool
    contact: Contact
    wire: bytes


@dataclass(frozen=True, slots=True)
class Change:
    """A settled change of a channel. `edge` is its first departure; `forward` tells how the rotor ran on after it."""

    channel: int
    edge: ContactEdge
    opened: bool
    forward: bool
    bounce_edges: int
    bounce_ticks: int
    settled_tick: int


class Settled(Enum):
    """What a channel was last known to be for good."""

    UNKNOWN = "unknown"
    CLOSED = "closed"
    OPEN = "open"


class ChannelTracker:
    """Follows one channel. Sense +1 or -1 turns counts into the running direction."""

    def __init__(self, channel: int, settled_ticks: int, settled_counts: float) -> None:
        self.channel = channel
        self.settled = Settled.UNKNOWN
        self._settled_ticks = settled_ticks
        self._settled_counts = settled_counts
        self._pending: deque[ContactEdge] = deque()
        self._level: bool | None = None
        self._since: tuple[int, int] | None = None
        self._departure: ContactEdge | None = None
        self._returns = 0
        self._last_return = 0

    @property
    def departure_count(self) -> int | None:
        """Count at the first departure of a change that is still under way."""
        return None if self._departure is None else self._departure.count

    def edge(self, edge: ContactEdge) -> None:
        """An edge came; it is looked at when the horizon has passed it."""
        self._pending.append(edge)
        end = edge.contact
        if end.storm_edges:
            self._pending.append(
                ContactEdge(edge.tick + end.storm_ticks, edge.count, bool(end.storm_open), end, edge.wire)
            )

    def lose_track(self) -> None:
        """Edges may be missing: whatever was under way cannot be trusted."""
        self._pending.clear()
        self._forget()

    def confirm(self, horizon: Confirmed, sense: int) -> list[Change]:
        """All settled changes up to the horizon."""
        changes: list[Change] = []
        level = bool(horizon.levels >> self.channel & 1)
        if horizon.fresh:
            while self._pending and self._pending[0].tick <= horizon.tick:
                self._pending.popleft()
            self._forget()
        while self._pending and self._pending[0].tick <= horizon.tick:
            edge = self._pending.popleft()
            self._settle(edge.tick, edge.count, sense, changes)
            self._take(edge)
        if self._level is None or self._since is None:
            self._level, self._since = level, (horizon.tick, horizon.count)
        elif self._level != level:
            # The tallies matched, yet the level contradicts the edges: trust neither.
            self._forget()
            self._level, self._since = level, (horizon.tick, horizon.count)
        self._settle(horizon.tick, horizon.count, sense, changes)
        return changes

    def _forget(self) -> None:
        self.settled = Settled.UNKNOWN
        self._level, self._since, self._departure = None, None, None

    def _take(self, edge: ContactEdge) -> None:
        if self._departure is not None:
            self._returns += 1
            self._last_return = edge.tick
        elif self.settled is not Settled.UNKNOWN and edge.opened != (self.settled is Settled.OPEN):
            self._departure, self._returns, self._last_return = edge, 0, edge.tick
        self._level, self._since = edge.opened, (edge.tick, edge.count)

    def _settle(self, tick: int, count: int, sense: int, changes: list[Change]) -> None:
        if self._since is None or self._level is None:
            return
        travel = (count - self._since[1]) * sense
        if tick - self._since[0] < self._settled_ticks or abs(travel) < self._settled_counts:
            return
        state = Settled.OPEN if self._level else Settled.CLOSED
        if state is not self.settled and self._departure is not None:
            changes.append(
                Change(
                    self.channel,
                    self._departure,
                    self._level,
                    travel > 0,
                    self._returns,
                    self._last_return - self._departure.tick,
                    tick,
                )
            )
        self.settled = state
        self._departure = None
