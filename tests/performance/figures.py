"""What a measurement gives, and what helps to take it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure. `value` None means that it could not be taken; `note` then says why.

    `least` or `most` is the goal; a figure with neither is told for comparison only.
    """

    name: str
    value: float | None
    unit: str
    least: float | None = None
    most: float | None = None
    note: str = ""

    @property
    def goal(self) -> str:
        """The goal in words."""
        if self.least is not None:
            return f"≥ {self.least:g}"
        return "" if self.most is None else f"< {self.most:g}"

    @property
    def met(self) -> bool | None:
        """Whether the goal is met; None if there is none."""
        if self.least is None and self.most is None:
            return None
        if self.value is None:
            return False
        return self.value >= self.least if self.least is not None else self.most is not None and self.value < self.most

    def document(self) -> dict[str, Any]:
        """For JSON."""
        return {**asdict(self), "met": self.met}


def seconds(action: Callable[[], object]) -> float:
    """How long `action` takes once, by the wall clock."""
    began = time.perf_counter()
    action()
    return time.perf_counter() - began


def least_processor_s(times: int, action: Callable[[], object]) -> float:
    """Processor seconds of `action`, the least of several goes: a short one takes twice as long with a cold cache."""
    found = []
    for _ in range(times):
        began = time.process_time()
        action()
        found.append(time.process_time() - began)
    return min(found)


def best_of(times: int, action: Callable[[], object]) -> float:
    """Shortest of several goes, seconds: the one that other programs disturbed least."""
    return min(seconds(action) for _ in range(times))
