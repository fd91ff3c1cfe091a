"""Contact messages: each waits for the encoder edges after it; a chatter storm is merged."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from firmware_protocol.messages import Contact, ContactFlag, TroubleCode
from sim.edges_report import Outgoing
from sim.latch import Latched, Noted

NEIGHBOURS = 4
WAIT_S = 0.05
QUIET_S = 0.002
MERGE_FROM = 8
MOST_MERGED = 0xFFFF
MOST_WAITING = 40
#: Edges this far back are kept as neighbours.
_KEPT_S = 0.12


@dataclass(slots=True)
class _Waiting:
    tick: int
    count: int
    opened: bool
    storm_edges: int = 0
    storm_ticks: int = 0
    storm_open: bool = False


class ContactReport:
    """All contact channels. Ticks are since the clock began; `base` added gives the board's own."""

    def __init__(self, channels: int, tick_hz: int) -> None:
        self._hz = tick_hz
        self._wait = int(WAIT_S * tick_hz)
        self._waiting: list[deque[_Waiting]] = [deque() for _ in range(channels)]
        self._last_edge: list[int] = [-1 << 40] * channels
        self._edges = Latched()
        self._base = 0

    def begin(self, base: int) -> None:
        """A session begins."""
        self._base = base
        for waiting in self._waiting:
            waiting.clear()

    def forget_edges(self) -> None:
        """The board was reset: it knows no edge before."""
        self._edges = Latched()

    def add_edges(self, edges: Latched, end: int) -> None:
        """The next encoder edges, all before tick `end`; old ones are forgotten, but for the last few."""
        if len(edges):
            old = int(self._edges.tick.searchsorted(end - int(_KEPT_S * self._hz)))
            old = min(old, max(len(self._edges) - 2 * NEIGHBOURS, 0))
            self._edges = self._edges.part(old, len(self._edges)).then(edges)

    def count_at(self, tick: int, otherwise: int) -> int:
        """Count with all edges up to a tick included; `otherwise` if none is known."""
        place = int(self._edges.tick.searchsorted(tick, side="right"))
        if place:
            return int(self._edges.count[place - 1])
        if len(self._edges) and self._edges.step[0]:
            return int(self._edges.count[0] - self._edges.step[0])
        return otherwise

    def edge(self, tick: int, channel: int, opened: bool, otherwise: int) -> tuple[list[Outgoing], Noted | None]:
        """A contact edge was latched."""
        out = self.due(tick)
        waiting = self._waiting[channel]
        quiet = tick - self._last_edge[channel] >= QUIET_S * self._hz
        self._last_edge[channel] = tick
        if len(waiting) >= MERGE_FROM and not quiet and waiting[-1].storm_edges < MOST_MERGED:
            newest = waiting[-1]
            newest.storm_edges += 1
            newest.storm_ticks = tick - newest.tick
            newest.storm_open = opened
        elif len(waiting) >= MOST_WAITING:
            return out, Noted(tick, TroubleCode.CONTACT_OVERRUN, 1, channel)
        else:
            waiting.append(_Waiting(tick, self.count_at(tick, otherwise), opened))
        return out, None

    def due(self, until: int, everything: bool = False) -> list[Outgoing]:
        """Contacts that are complete by tick `until`, or all."""
        out: list[Outgoing] = []
        for channel, waiting in enumerate(self._waiting):
            while waiting:
                head = waiting[0]
                ready = head.tick + self._wait
                after = int(self._edges.tick.searchsorted(head.tick, side="right"))
                if after + NEIGHBOURS <= len(self._edges):
                    ready = min(ready, int(self._edges.tick[after + NEIGHBOURS - 1]))
                if ready > until and not everything:
                    break
                waiting.popleft()
                ready = min(ready, until)
                out.append(Outgoing(ready, self._message(channel, head, after, ready)))
        return out

    def _message(self, channel: int, edge: _Waiting, after: int, until: int) -> Contact:
        edges = self._edges
        first = max(after - NEIGHBOURS, 0)
        # More than 2^31 ticks ago is left out.
        before = [
            (edge.tick - t, s)
            for t, s in zip(edges.tick[first:after].tolist(), edges.step[first:after].tolist(), strict=True)
            if edge.tick - t <= 1 << 31
        ][::-1]
        following = [
            (t - edge.tick, s)
            for t, s in zip(
                edges.tick[after : after + NEIGHBOURS].tolist(),
                edges.step[after : after + NEIGHBOURS].tolist(),
                strict=True,
            )
            if t <= until
        ]
        before, following = _up_to_jump(before), _up_to_jump(following)
        flags = (0 if following else ContactFlag.NO_NEXT_EDGE) | (ContactFlag.ONE_OF_STORM if edge.storm_edges else 0)
        return Contact(
            tick=(edge.tick + self._base) & 0xFFFFFFFF,
            count=edge.count,
            channel=channel,
            opened=int(edge.opened),
            flags=int(flags),
            storm_edges=edge.storm_edges,
            storm_ticks=edge.storm_ticks,
            storm_open=int(edge.storm_open),
            before_ages=tuple(age for age, _ in before),
            before_steps=tuple(step for _, step in before),
            after_delays=tuple(delay for delay, _ in following),
            after_steps=tuple(step for _, step in following),
        )


def _up_to_jump(edges: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Edges up to an illegal transition: beyond it, steps no longer tell where they lay."""
    for place, (_, step) in enumerate(edges):
        if step == 0:
            return edges[:place]
    return edges
