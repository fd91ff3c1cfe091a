"""The board's 32-bit tick made to run on for ever."""

from __future__ import annotations

_TURN = 1 << 32
_HALF = 1 << 31


class TickUnwrapper:
    """Places each 32-bit tick within half a turn of the latest one seen."""

    def __init__(self) -> None:
        self._latest: int | None = None
        self._offset = 0
        self._restart_at = 0

    def unwrap(self, tick: int) -> int:
        """`tick` on the unbroken scale; the first one gives 0."""
        if self._latest is None:
            self._offset = self._restart_at - tick
            self._latest = self._restart_at
            return self._latest
        ahead = (tick + self._offset - self._latest + _HALF) % _TURN - _HALF
        unwrapped = self._latest + ahead
        if ahead > 0:
            self._latest = unwrapped
        return unwrapped

    def restart(self) -> None:
        """The board's timer started anew: the next tick follows the latest one on the unbroken scale."""
        if self._latest is not None:
            self._restart_at = self._latest
            self._latest = None
