"""A day at the bench in the unit's own time, in one process: half of it one session, then one job after another.

The player of `tests.rehearsal` does what the screen says. In the long session the unit stands ready to be verified for hours, turned by
hand now and then, while the board's clock wraps again and again; the verification at its end must still be right. Between the jobs after
it the next unit stands connected.
"""

from __future__ import annotations

import gc
import os
import re
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from statistics import median

from tests.performance.figures import Figure
from tests.performance.processor import memory_kb
from tests.rehearsal.play import INSIDE
from tests.rehearsal.player import Player
from tests.rehearsal.screen import ScreenHere

SCENARIO = "outside"
HOUR_S = 3600.0
#: Once a minute the rotor is turned for so long.
TURNED_S, STANDS_S = 5.0, 55.0
#: From one job to the next.
BETWEEN_S = 840.0
#: Of the last quarter of the hours against the second. In the first, caches of bounded size fill up: what the screen's library keeps of
#: the widths of 4,096 texts, 1,024 points of Student's t, four sets of Monte Carlo sums; what it takes is told, and has no goal.
MOST_GROWTH_MB, MOST_GROWTH = 3.0, 1.25
#: Blocks that Python holds: what memory cannot tell from the allocator's own habits. The hours end at different places of a job.
MOST_BLOCKS = 1.02


@dataclass(frozen=True, slots=True)
class Hour:
    """What an hour took. `processor_s`: in all of this process, simulator included. `blocks`: Python's, after all that is dead is gone."""

    at_h: float
    memory_mb: float
    processor_s: float
    blocks: int


@dataclass(frozen=True, slots=True)
class Ended:
    """How a job ended, as its debrief says."""

    inside: bool
    told: int
    of: int
    seconds: float


class _Clock:
    """Notes each hour as it passes."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        self.hours: list[Hour] = []
        self._tell = tell
        self._passed_s = self._hour_s = 0.0
        self._used_s = time.process_time()

    @property
    def passed_s(self) -> float:
        return self._passed_s

    def pass_by(self, seconds: float) -> None:
        self._passed_s += seconds
        if self._passed_s < self._hour_s + HOUR_S:
            return
        self._hour_s += HOUR_S
        used = time.process_time()
        gc.collect()
        hour = Hour(
            self._passed_s / HOUR_S, memory_kb(os.getpid()) / 1024, used - self._used_s, sys.getallocatedblocks()
        )
        self._used_s = time.process_time()
        self.hours.append(hour)
        self._tell(
            f"{hour.at_h:5.1f} h  {hour.memory_mb:7.1f} MB  {hour.blocks:9,} blocks  {hour.processor_s:7.1f} s of processor"
        )


class _Patient(Player):
    """Stands by for `hours` before it verifies."""

    def __init__(self, screen: ScreenHere, clock: _Clock, until_s: float) -> None:
        super().__init__(screen)
        self._clock = clock
        self._until_s = until_s

    def _wait(self, seconds: float) -> None:
        self._screen.wait(seconds)
        self._clock.pass_by(seconds)

    def _adjust(self, do: str) -> None:
        if "press to verify" in do and self._clock.passed_s < self._until_s:
            self._key("t")
            self._wait(TURNED_S)
            self._stop()
            self._wait(STANDS_S)
            return
        super()._adjust(do)


def run(hours: float, tell: Callable[[str], None]) -> Iterator[Figure]:
    """The run; `tell` gets a line for each hour."""
    clock = _Clock(tell)
    ended = [_job(clock, 1, hours / 2 * HOUR_S)]
    tell(f"one session of {ended[0].seconds / HOUR_S:.1f} h: {ended[0].told} of {ended[0].of} angles inside their ±")
    long_hours = len(clock.hours)
    while clock.passed_s < hours * HOUR_S:
        ended.append(_job(clock, len(ended) + 1, 0.0))
    yield Figure(
        "one session", ended[0].seconds / HOUR_S, "h", note=f"{ended[0].told} of {ended[0].of} angles inside their ±"
    )
    yield from _growth("one session", clock.hours[:long_hours])
    yield Figure("further jobs", len(ended) - 1, "", note=f"{hours:g} h in all")
    yield from _growth("further jobs", clock.hours[long_hours:])
    yield Figure("jobs that did not end inside", sum(not e.inside for e in ended), "", most=1)
    told, of = sum(e.told for e in ended), sum(e.of for e in ended)
    yield Figure("angles inside their ±", 100 * told / of, "%", note=f"of {of}, of which 95 % are to be expected")


def _growth(name: str, hours: list[Hour]) -> Iterator[Figure]:
    if len(hours) < 4:
        yield Figure(f"{name}: growth", None, "MB", note="too short to tell")
        return
    quarter = len(hours) // 4
    first, second, last = hours[:quarter], hours[quarter : 2 * quarter], hours[-quarter:]

    def memory(part: list[Hour]) -> float:
        return median(h.memory_mb for h in part)

    ratio = median(h.processor_s for h in last) / median(h.processor_s for h in first)
    blocks = median(h.blocks for h in last) / median(h.blocks for h in second)
    yield Figure(f"{name}: memory at the end", hours[-1].memory_mb, "MB")
    yield Figure(f"{name}: memory, from the first quarter to the last", memory(last) - memory(first), "MB")
    yield Figure(
        f"{name}: memory, from the second quarter to the last", memory(last) - memory(second), "MB", most=MOST_GROWTH_MB
    )
    yield Figure(f"{name}: blocks of Python, last quarter to second", blocks, "times", most=MOST_BLOCKS)
    yield Figure(f"{name}: time for an hour, last quarter to first", ratio, "times", most=MOST_GROWTH)


def _job(clock: _Clock, seed: int, until_s: float) -> Ended:
    screen = ScreenHere(SCENARIO, seed)
    if seed > 1:
        # The next unit stands there, connected, until somebody has time for it.
        screen.wait(BETWEEN_S)
        clock.pass_by(BETWEEN_S)
    text = _Patient(screen, clock, until_s).play()
    verdict = re.search(r"result as a whole: (.*)", text)
    inside, beyond = (len(re.findall(rf"  {word} ±$", text, re.MULTILINE)) for word in ("inside", "BEYOND"))
    return Ended(verdict is not None and verdict[1] == INSIDE, inside, inside + beyond, screen.seconds)
