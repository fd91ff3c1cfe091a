"""Packs encoder edges into Edges messages, and suspends them while they come faster than the line carries."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from firmware_protocol.messages import MOST_STEPS, Edges, EdgesFlag, Message, Trouble, TroubleCode
from sim.latch import Latched

_MOST_TICKS = 0x7FFF
_DOWN = 0x8000
CLOSE_AFTER_S = 0.02
WINDOW_S = 0.01
RESUME_AFTER_S = 0.05


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message and the tick at which it is queued."""

    tick: int
    message: Message


def _since(ticks: NDArray[np.int64], before: int) -> NDArray[np.int64]:
    """Ticks from each edge's predecessor; `before` is that of the first."""
    steps = np.empty_like(ticks)
    steps[0] = ticks[0] - before
    np.subtract(ticks[1:], ticks[:-1], out=steps[1:])
    return steps


@dataclass(slots=True)
class _Frame:
    reference: int
    count: int
    first: int
    flags: int
    last: int
    steps: list[int] = field(default_factory=list)


class EdgesReport:
    """Ticks are since the clock began; `base` added gives the board's own."""

    def __init__(self, tick_hz: int, baud: int) -> None:
        self._hz = tick_hz
        #: Edges within `WINDOW_S` above which Edges stop: 100 at 500 000 baud, which is 10 000 a second.
        self._most = max(int(baud / 50 * WINDOW_S), 2)
        self._window = int(WINDOW_S * tick_hz)
        self._close = int(CLOSE_AFTER_S * tick_hz)
        self._resume = int(RESUME_AFTER_S * tick_hz)
        self._frame: _Frame | None = None
        self._history = np.empty(0, dtype=np.int64)
        self._last_tick = -1 << 40
        self._last_count = 0
        self._after_suspension = False
        self._resume_at: int | None = None
        self._meanwhile = 0
        self._began = 0
        self.suspended = False
        self.switches: list[tuple[int, bool]] = []
        self._base = 0

    def begin(self, base: int, count: int) -> None:
        """A session begins; `count` as it is."""
        self._base = base
        self._frame = None
        self._history = self._history[:0]
        self._last_count = count
        self._after_suspension = False
        self._resume_at = None
        self.suspended = False

    def run(self, edges: Latched, end: int) -> list[Outgoing]:
        """Messages that follow from the next edges, all before tick `end`. `switches` then tells when suspension changed."""
        out: list[Outgoing] = []
        self.switches = []
        tick = edges.tick
        n = len(tick)
        if not n:
            self._close_idle(end, out)
            return out
        hot = self._hot(edges, self._most)
        warm = self._hot(edges, self._most // 2) if self.suspended or len(hot) else hot
        gaps = np.nonzero((_since(tick, self._last_tick) > _MOST_TICKS) | (edges.step == 0))[0]
        at = 0
        while at < n:
            if self.suspended:
                at = self._wait(edges, at, warm, end, out)
                continue
            first = int(tick[at])
            frame = self._frame
            if frame is not None and (at in gaps or first > frame.first + self._close):
                self._flush(min(first, frame.first + self._close), out)
            if int(edges.step[at]) == 0:
                self._note_last(edges, at)
                at += 1
                continue
            if self._frame is None:
                self._open(edges, at)
            stop = self._reach(edges, at, gaps)
            trip = int(hot.searchsorted(at))
            trips = trip < len(hot) and int(hot[trip]) < stop
            if trips:
                stop = int(hot[trip]) + 1
            self._append(edges, at, stop)
            at = stop
            if trips:
                self._suspend(int(tick[at - 1]), out)
            elif self._frame is not None and len(self._frame.steps) >= MOST_STEPS:
                self._flush(self._frame.last, out)
        self._close_idle(end, out)
        self._history = np.concatenate((self._history, tick))[-self._most :]
        return out

    def _close_idle(self, end: int, out: list[Outgoing]) -> None:
        """What falls due before `end` without a further edge."""
        if self.suspended and self._resume_at is not None and self._resume_at < end:
            self._go_on(out)
        if self._frame is not None and self._frame.first + self._close < end:
            self._flush(self._frame.first + self._close, out)

    def stop(self, at: int) -> list[Outgoing]:
        """The session ends: what is packed so far goes out."""
        out: list[Outgoing] = []
        if self._frame is not None:
            self._flush(at, out)
        return out

    # -----------------------------------------------------------------------------------------------------------------

    def _hot(self, edges: Latched, number: int) -> NDArray[np.intp]:
        """Places of edges that have `number` others before them within the window."""
        ticks = np.concatenate((self._history, edges.tick))
        n = len(edges.tick)
        if len(ticks) <= number or not n:
            return np.empty(0, dtype=np.intp)
        near = np.nonzero(ticks[number:] - ticks[:-number] < self._window)[0] + number - len(self._history)
        return near[near >= 0]

    def _note_last(self, edges: Latched, at: int) -> None:
        self._last_tick, self._last_count = int(edges.tick[at]), int(edges.count[at])

    def _open(self, edges: Latched, at: int) -> None:
        tick = int(edges.tick[at])
        reference = self._last_tick if tick - self._last_tick <= _MOST_TICKS else tick - 1
        flags = EdgesFlag.AFTER_SUSPENSION if self._after_suspension else 0
        self._after_suspension = False
        self._frame = _Frame(reference, int(edges.count[at] - edges.step[at]), tick, int(flags), reference)

    def _reach(self, edges: Latched, at: int, gaps: NDArray[np.intp]) -> int:
        """Place after the last edge that still belongs to the open frame."""
        frame = self._frame
        assert frame is not None
        stop = min(len(edges), at + MOST_STEPS - len(frame.steps))
        later = int(gaps.searchsorted(at, side="right"))
        if later < len(gaps):
            stop = min(stop, int(gaps[later]))
        return max(min(stop, int(edges.tick.searchsorted(frame.first + self._close, side="right"))), at + 1)

    def _append(self, edges: Latched, begin: int, end: int) -> None:
        frame = self._frame
        assert frame is not None
        ticks = edges.tick[begin:end]
        steps = _since(ticks, frame.last) | np.where(edges.step[begin:end] < 0, _DOWN, 0)
        frame.steps.extend(steps.tolist())
        frame.last = int(ticks[-1])
        self._note_last(edges, end - 1)

    def _flush(self, at: int, out: list[Outgoing]) -> None:
        frame = self._frame
        assert frame is not None
        self._frame = None
        tick = (frame.reference + self._base) & 0xFFFFFFFF
        out.append(Outgoing(at, Edges(tick, frame.count, frame.flags, tuple(frame.steps))))

    def _suspend(self, at: int, out: list[Outgoing]) -> None:
        if self._frame is not None:
            self._flush(at, out)
        self.suspended = True
        self._began, self._meanwhile = at, 0
        self._resume_at = at + self._resume
        self.switches.append((at, True))
        rate = round(self._most / WINDOW_S)
        out.append(Outgoing(at, self._trouble(at, TroubleCode.EDGES_SUSPENDED, rate, 0)))

    def _wait(self, edges: Latched, at: int, warm: NDArray[np.intp], end: int, out: list[Outgoing]) -> int:
        """Edges from `at` on while suspended: counted only. Gives the place at which they are reported again."""
        assert self._resume_at is not None
        place = int(warm.searchsorted(at))
        while True:
            until = int(edges.tick.searchsorted(self._resume_at, side="right"))
            if place >= len(warm) or int(warm[place]) >= until:
                break
            self._resume_at = int(edges.tick[int(warm[place])]) + self._resume
            place += 1
        until = max(until, at)
        self._meanwhile += until - at
        if until > at:
            self._note_last(edges, until - 1)
        if until < len(edges) or self._resume_at < end:
            self._go_on(out)
        return until

    def _go_on(self, out: list[Outgoing]) -> None:
        assert self._resume_at is not None
        at, self._resume_at = self._resume_at, None
        self.suspended = False
        self._after_suspension = True
        self.switches.append((at, False))
        out.append(
            Outgoing(at, self._trouble(self._began, TroubleCode.EDGES_RESUMED, self._meanwhile, at - self._began))
        )

    def _trouble(self, tick: int, code: TroubleCode, amount: int, span: int) -> Trouble:
        return Trouble((tick + self._base) & 0xFFFFFFFF, code, 255, amount, span)
