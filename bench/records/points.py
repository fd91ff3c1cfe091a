"""The points between which a process may be killed. A test sets `observer` and ends the process at one of them."""

from __future__ import annotations

from collections.abc import Callable

#: Called with the name of each point that is reached.
observer: Callable[[str], None] | None = None


def reached(point: str) -> None:
    """The process stands at `point`."""
    if observer is not None:
        observer(point)
