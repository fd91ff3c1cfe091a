"""The transmit side of the serial line: a bounded queue, and ten bits a byte at the baud rate in device time."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

#: A time by which everything has left.
ALL = 1e18


@dataclass(slots=True)
class _Sending:
    start: float
    data: bytes
    due: bool
    gone: int = 0


class Line:
    """Times are ticks of the board's timer since the clock began."""

    def __init__(self, baud: int, tick_hz: int, queue_bytes: int) -> None:
        self._byte_ticks = 10.0 * tick_hz / baud
        self._room = queue_bytes
        self._free_at = 0.0
        self._queue: deque[_Sending] = deque()

    def waiting(self, at: int) -> float:
        """Bytes that have not left at a time."""
        return max(self._free_at - at, 0.0) / self._byte_ticks

    def fits(self, at: int, length: int) -> bool:
        """True if so many bytes more find room at a time."""
        return self.waiting(at) + length <= self._room

    def put(self, at: int, data: bytes, must: bool = False, due: bool = False) -> bool:
        """Queue bytes at a time (not before that of the last call); false, and nothing queued, if they find no room.

        With `must` the board waits for room, which looks the same on the wire. What is `due` outlives a new session.
        """
        if not must and not self.fits(at, len(data)):
            return False
        start = max(float(at), self._free_at)
        self._queue.append(_Sending(start, data, due))
        self._free_at = start + len(data) * self._byte_ticks
        return True

    def cut(self, at: int) -> None:
        """The board is reset: what has not left at a time never will."""
        for item in self._queue:
            item.data = item.data[: max(self._left(item, at), item.gone)]
        self._queue = deque(item for item in self._queue if len(item.data) > item.gone)
        self._free_at = float(at)

    def drop(self, at: int) -> None:
        """A new session: a frame that has begun to leave is finished, what is due is still sent, all else is dropped."""
        kept: deque[_Sending] = deque()
        self._free_at = float(at)
        for item in self._queue:
            if item.start >= at and not item.due:
                continue
            if item.start >= at:
                item.start = self._free_at
            kept.append(item)
            self._free_at = max(self._free_at, item.start + len(item.data) * self._byte_ticks)
        self._queue = kept

    def _left(self, item: _Sending, now: float) -> int:
        if now <= item.start:
            return 0
        return min(int((now - item.start) / self._byte_ticks + 1e-6), len(item.data))

    def take(self, now: float) -> bytes:
        """The bytes whose last bit has left by `now` and that were not given before."""
        parts: list[bytes] = []
        while self._queue:
            item = self._queue[0]
            left = self._left(item, now)
            if left > item.gone:
                parts.append(item.data[item.gone : left])
                item.gone = left
            if item.gone < len(item.data):
                break
            self._queue.popleft()
        return b"".join(parts)
