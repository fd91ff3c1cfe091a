"""Faults of the board: resets at each step, a forgotten boot counter, ticks that wrap, queues that run over, counts lost silently."""

from __future__ import annotations

import random
from collections.abc import Callable

from bench.procedure import Step
from sim.scenario import Scenario
from sim.world import World
from tests.faults.fault import STEPS, AtStep, Fault
from tests.faults.row import Row

RESET = frozenset({"board-reset"})
DOUBTFUL = frozenset({"count-doubtful"})
_TURN = 2**32


class Reset(AtStep):
    """The board starts anew, `times` times within two seconds."""

    def __init__(self, draw: random.Random, seed: int, *, forgets: bool = False, times: int = 1) -> None:
        super().__init__(draw, seed)
        self._forgets = forgets
        self._left = times
        self._next = 0.0

    def chunk(self, world: World, now_s: float) -> None:
        """See Fault."""
        if self._left and (self.due(now_s) or (self.struck_s is not None and now_s >= self._next)):
            world.board.reset(world.scenario.board.boot_counter if self._forgets else None)
            self._left -= 1
            self._next = now_s + self.draw.uniform(0.05, 0.7)


class ResetWhileIdentified(Fault):
    """The board starts anew between its greeting and Start."""

    def line(self, data: bytes, now_s: float) -> bytes:
        """See Fault."""
        if self.struck_s is None and now_s == 0.0 and data:
            self.strike(0.0)
            self.world.board.reset(None)
        return data

    def prepare(self, world: World) -> None:
        """See Fault."""
        self.world = world


class Wrap(AtStep):
    """The tick wraps at a moment of a step, by the times at which the short job's steps come without any fault."""

    BEGINS_S = (0.0, 1.5, 13.5)

    def __init__(self, draw: random.Random, seed: int) -> None:
        super().__init__(draw, seed)
        self._at_s = self.BEGINS_S[seed % 3] + self.after_s

    def scenario(self, plain: Scenario) -> Scenario:
        """See Fault."""
        tick = (_TURN - round(self._at_s * plain.board.tick_hz)) % _TURN
        self.strike(self._at_s)
        return plain.model_copy(update={"board": plain.board.model_copy(update={"start_tick": tick})})


class Overrun(AtStep):
    """For half a second the board's queue holds next to nothing: the line is held up."""

    def chunk(self, world: World, now_s: float) -> None:
        """See Fault."""
        line = world.board.line
        if self.due(now_s):
            self._room, self._until = line._room, now_s + self.draw.uniform(0.05, 0.5)
            line._room = self.draw.choice((0, 10, 20))
        elif self.struck_s is not None and now_s >= self._until:
            line._room = self._room


class Overload(Fault):
    """Interrupts of the encoder take so long that edges come in between: the handler sees only where they led."""

    def __init__(self, draw: random.Random, service_us: float) -> None:
        super().__init__(draw)
        self._service_us = service_us

    def scenario(self, plain: Scenario) -> Scenario:
        """See Fault."""
        board = plain.board.model_copy(update={"service_us": self._service_us, "rated_edge_hz": 10_000_000})
        self.strike(0.0)
        return plain.model_copy(update={"board": board})


class Lost(AtStep):
    """The board misses edges, four at a time, and does not know it."""

    def __init__(self, draw: random.Random, seed: int, most: int) -> None:
        super().__init__(draw, seed, STEPS[1:])
        self._counts = 4 * draw.randint(1, most // 4)
        if self.step is Step.NEUTRAL:
            # Before the first index there is nothing that the count could be compared with, and no mark that it could spoil.
            self.after_s = draw.uniform(6.0, 13.0)

    def chunk(self, world: World, now_s: float) -> None:
        """See Fault."""
        if self.due(now_s):
            world.board.encoder.lose(self._counts)


class Muted(AtStep):
    """The board's troubles go unsaid: an older firmware that does not tell. Its counts are lost by fours."""

    def __init__(self, draw: random.Random, seed: int) -> None:
        super().__init__(draw, seed, STEPS[2:])

    def scenario(self, plain: Scenario) -> Scenario:
        """See Fault."""
        return plain.model_copy(update={"board": plain.board.model_copy(update={"edges": False})})

    def chunk(self, world: World, now_s: float) -> None:
        """See Fault."""
        if self.due(now_s):
            world.board.encoder.lose(4 * self.draw.randint(1, 20))


def _reset(**how: bool | int) -> Callable[[random.Random, int], Fault]:
    return lambda draw, seed: Reset(draw, seed, **how)  # type: ignore[arg-type]


BOTH = ("memory", "firmware")
ROWS = (
    Row("reset at each step", "one reset", _reset(), 1.0, RESET, tell_within_s=2.0, peers=BOTH, seeds=3),
    Row(
        "reset, boot counter forgotten",
        "a reset after which the boot counter is what it was",
        _reset(forgets=True),
        1.0,
        RESET,
        tell_within_s=2.0,
        peers=BOTH,
        seeds=3,
    ),
    Row(
        "reset three times",
        "three resets within two seconds",
        _reset(times=3),
        1.0,
        RESET,
        tell_within_s=2.0,
        peers=BOTH,
    ),
    Row("reset between greeting and Start", "a reset before Start", lambda d, _: ResetWhileIdentified(d), 1.0),
    Row("tick wraps at each step", "the 32-bit tick wraps", Wrap, 1.0, seeds=3),
    Row(
        "queue overrun told",
        "the board's queue is full for up to half a second",
        Overrun,
        0.9,
        frozenset({"board-overrun", "count-doubtful"}),
        tell_within_s=2.0,
    ),
    Row(
        "interrupt overload",
        "an encoder interrupt of 0.3 ms at some 5,000 edges a second",
        lambda d, _: Overload(d, 300.0),
        0.0,
        DOUBTFUL,
        frozenset({"count-lost", "incomplete"}),
    ),
    Row("counts lost silently", "4 to 200 counts", lambda d, s: Lost(d, s, 200), 1.0, DOUBTFUL, peers=BOTH),
    Row("counts lost silently, no Edges", "4 to 80 counts, a board without Edges", Muted, 1.0, DOUBTFUL),
)
