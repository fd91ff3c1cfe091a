"""Faults of points, probe and coupling: stuck, chattering, coil on, leads swapped or jumpered, an impulse coupling that snaps."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

from bench.procedure import Step
from sim.contact import Transition
from sim.mover import Track
from sim.scenario import BreakerTable, FaultTable, ImpulseTable, Scenario
from tests.faults.fault import STEPS, AtStep, Fault
from tests.faults.row import BOTH, Row
from tests.faults.short_job import JOB

#: Notes that say that passes of one lobe do not agree.
DISTURBED = frozenset({"passes-apart"})
STUCK = frozenset({"no-opening", "no-closing"})


class Stuck(AtStep):
    """From a moment on the points stay open, or closed."""

    def __init__(self, draw: random.Random, seed: int, is_open: bool, *, always: bool = False) -> None:
        super().__init__(draw, seed, STEPS[1:])
        self._is_open = is_open
        if always:
            self.at_s = 0.0

    def transitions(self, channel: int, found: list[Transition], track: Track) -> list[Transition]:
        """See Fault."""
        at = float(track.time_s[0])
        if channel or self.at_s is None or at < self.at_s:
            return found
        first = self.due(at)
        return [Transition(at, self._is_open)] if first else []


class Chatter(AtStep):
    """For some seconds the contact parts and meets as it likes, 0.1 to 3 ms each time."""

    def __init__(self, draw: random.Random, seed: int) -> None:
        super().__init__(draw, seed, STEPS[1:])
        self._seconds = draw.uniform(1.0, 4.0)
        self._truth: bool | None = None
        self._next = 0.0

    def transitions(self, channel: int, found: list[Transition], track: Track) -> list[Transition]:
        """See Fault."""
        begin, end = float(track.time_s[0]), float(track.time_s[-1])
        if channel:
            return found
        before = self._truth
        if found:
            self._truth = found[-1].is_open
        if self.at_s is None or begin < self.at_s:
            return found
        self.due(begin)
        if begin >= self.at_s + self._seconds:
            # It rests as the cam has it.
            rest = [] if before is None else [Transition(begin, before)]
            return [*rest, *found]
        out = []
        self._next = max(self._next, begin)
        state = bool(self.draw.getrandbits(1))
        while self._next < end:
            out.append(Transition(self._next, state))
            state = not state
            self._next += self.draw.uniform(1e-4, 3e-3)
        return out


RETARD = BreakerTable.model_validate(
    {"name": "retard", "channel": 1, "opens_deg": {"uniform": [29.7, 30.3]}, "dwell_deg": {"uniform": [55, 65]}}
)


class Scenarios(Fault):
    """A fault that the simulator's scenarios can tell by themselves, all along: its table."""

    def __init__(self, draw: random.Random, more: dict[str, FaultTable | ImpulseTable], second: bool = False) -> None:
        super().__init__(draw)
        self._more, self._second = more, second
        if second:
            self.job = two_breakers()

    def scenario(self, plain: Scenario) -> Scenario:
        """See Fault."""
        self.strike(0.0)
        return plain.model_copy(
            update={**self._more, **({"breaker": (*plain.breaker, RETARD)} if self._second else {})}
        )


def two_breakers() -> dict[str, Any]:
    """The short job with a retard breaker 30° past neutral."""
    main = JOB["breaker"][0]
    retard = {**main, "name": "retard", "channel": 1, "opens_at_deg": 30.0}
    return {**JOB, "breaker": [main, retard]}


def _with(more: dict[str, FaultTable | ImpulseTable], second: bool = False) -> Any:
    return lambda draw, _: Scenarios(draw, more, second)


class LeadOff(AtStep):
    """The probe's clip comes off (the points read open) and is put on again, so many times."""

    def __init__(self, draw: random.Random, seed: int) -> None:
        super().__init__(draw, seed, STEPS[1:])
        self._off_s = draw.uniform(0.02, 0.8)
        self._truth: bool | None = None
        self._over = False

    def transitions(self, channel: int, found: list[Transition], track: Track) -> list[Transition]:
        """See Fault."""
        begin = float(track.time_s[0])
        if channel:
            return found
        if self._truth is None:
            self._truth = self.step is Step.NEUTRAL and bool(found and not found[-1].is_open)
        before = self._truth
        if found:
            self._truth = found[-1].is_open
        if self.at_s is None or begin < self.at_s or self._over:
            return found
        if self.due(begin):
            return [Transition(begin, True)]
        if begin >= self.at_s + self._off_s:
            self._over = True
            return [Transition(begin, before), *found]
        return []


ROWS = tuple(
    replace(row, peers=BOTH)
    for row in (
        Row(
            "points stuck open from the start",
            "never closed",
            lambda d, s: Stuck(d, s, True, always=True),
            0.0,
            STUCK,
            STUCK,
        ),
        Row(
            "points stuck closed from the start",
            "never open",
            lambda d, s: Stuck(d, s, False, always=True),
            0.0,
            STUCK,
            STUCK,
        ),
        Row("points stick open", "from a moment on", lambda d, s: Stuck(d, s, True), 0.0, STUCK, STUCK),
        Row("points stick closed", "from a moment on", lambda d, s: Stuck(d, s, False), 0.0, STUCK, STUCK),
        Row(
            "contact chatters for seconds",
            "0.1 to 3 ms each, 1 to 4 s",
            Chatter,
            0.9,
            doubted=DISTURBED | {"opened-twice"},
        ),
        Row("probe's clip off for a moment", "20 to 800 ms", LeadOff, 0.9, doubted=DISTURBED),
        Row(
            "coil lead left on",
            "the primary across the points",
            _with({"fault": FaultTable(coil_lead_on=True)}),
            0.0,
            STUCK,
            STUCK,
        ),
        Row(
            "leads swapped between breakers",
            "main reads retard's points",
            _with({"fault": FaultTable(swapped_leads=True)}, second=True),
            1.0,
            frozenset({"leads-perhaps-swapped"}),
            # Each angle is right, of the other breaker: told by the note. The simulator's truth goes by the cam, not by the lead.
            swapped=True,
        ),
        Row(
            "breakers jumpered",
            "one wire for both: open only while both are",
            _with({"fault": FaultTable(jumpered=True)}, second=True),
            0.0,
            frozenset({"probes-change-together"}) | STUCK,
            STUCK,
            doubted=frozenset({"probes-change-together"}),
        ),
        Row(
            "impulse coupling snaps",
            "left on, against the job's word",
            _with({"impulse": ImpulseTable()}),
            0.0,
            # The snap may be too fast to be counted: then that is told.
            frozenset({"impulse-coupling", "count-lost"}),
            frozenset({"impulse-coupling", "count-lost"}),
        ),
    )
)
