"""Faults of the board: resets at each step, a forgotten boot counter, ticks that wrap, queues that run over, counts lost silently."""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np

from bench.procedure import Step
from firmware_protocol.framing import Framer
from firmware_protocol.messages import Identify
from sim.encoder import Crossings
from sim.scenario import Scenario
from sim.world import World
from tests.faults.fault import STEPS, AtStep, Fault
from tests.faults.row import BOTH, Row

RESET = frozenset({"board-reset"})
DOUBTFUL = frozenset({"count-doubtful"})
QUEUE_FULL = frozenset({"board-overrun", "count-doubtful"})
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


class Asked(AtStep):
    """For 0.1 to 0.2 s the host's line carries Identify without a gap; the answers, which are longer, fill the board's queue."""

    #: Ten bits a byte at 500,000 baud, in a chunk of 20 ms.
    CHUNK_BYTES = 1_000

    def __init__(self, draw: random.Random, seed: int) -> None:
        super().__init__(draw, seed)
        self._left = draw.randint(5, 10)
        question = Framer().encode(Identify(1), 0, 0)
        self._questions = question * (self.CHUNK_BYTES // len(question))

    def chunk(self, world: World, now_s: float) -> None:
        """See Fault."""
        if self._left and (self.due(now_s) or self.struck_s is not None):
            self._left -= 1
            world.board.receive(self._questions)


class Overload(Fault):
    """Interrupts of the encoder take so long that edges come in between: the handler sees only where they led."""

    def __init__(self, draw: random.Random, service_us: float) -> None:
        super().__init__(draw)
        self._service_us = service_us
        self._last_s = -1.0

    def scenario(self, plain: Scenario) -> Scenario:
        """See Fault."""
        board = plain.board.model_copy(update={"service_us": self._service_us, "rated_edge_hz": 10_000_000})
        return plain.model_copy(update={"board": board})

    def crossings(self, crossings: Crossings, now_s: float) -> Crossings:
        """See Fault. It begins with the first edge that must wait for the handler, which leaves the count in doubt."""
        times = crossings.time_s
        if len(times) and (np.diff(times, prepend=self._last_s) < self._service_us * 1e-6).any():
            self.strike(now_s)
        self._last_s = float(times[-1]) if len(times) else self._last_s
        return crossings


class Burst(AtStep):
    """Once, the edges of 20 ms come together at 200,000 to 1,000,000 a second: twice what a board is rated for, or more."""

    FEWEST = 24

    def __init__(self, draw: random.Random, seed: int) -> None:
        super().__init__(draw, seed, STEPS[1:])
        self._gap_s = 1e-6 * 5.0 ** draw.random()

    def crossings(self, crossings: Crossings, now_s: float) -> Crossings:
        """See Fault."""
        times = crossings.time_s
        if len(times) < self.FEWEST or not self.due(now_s):
            return crossings
        together = times[-1] - self._gap_s * np.arange(len(times) - 1, -1, -1)
        return Crossings(np.maximum(times, together), crossings.step, crossings.count, crossings.index)


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
    Row(
        "reset between greeting and Start",
        "a reset before Start",
        lambda d, _: ResetWhileIdentified(d),
        1.0,
        peers=BOTH,
    ),
    # The firmware's clock cannot be set: half an hour of it passes before the job, in half a minute or so.
    Row("tick wraps at each step", "the 32-bit tick wraps", Wrap, 1.0, peers=BOTH, seeds=3),
    # Inside the simulated board; "asked without end" fills the firmware's queue.
    Row(
        "queue overrun told",
        "the board's queue is full for up to half a second",
        Overrun,
        0.9,
        QUEUE_FULL,
        tell_within_s=2.0,
    ),
    Row(
        "asked without end",
        "Identify without a gap for 0.1 to 0.2 s",
        Asked,
        0.9,
        QUEUE_FULL,
        tell_within_s=2.0,
        peers=BOTH,
    ),
    # Inside the simulated board; "edges in a burst" come too fast for the firmware's interrupt.
    Row(
        "interrupt overload",
        "an encoder interrupt of 0.3 ms at some 5,000 edges a second",
        lambda d, _: Overload(d, 300.0),
        0.0,
        DOUBTFUL,
        frozenset({"count-lost", "incomplete"}),
        tell_within_s=2.0,
    ),
    Row(
        "edges in a burst",
        "those of 20 ms together, 200,000 to 1,000,000 a second",
        Burst,
        1.0,
        DOUBTFUL,
        tell_within_s=2.0,
        peers=BOTH,
    ),
    Row("counts lost silently", "4 to 200 counts", lambda d, s: Lost(d, s, 200), 1.0, DOUBTFUL, peers=BOTH),
    # The firmware has Edges.
    Row("counts lost silently, no Edges", "4 to 80 counts, a board without Edges", Muted, 1.0, DOUBTFUL),
)
