"""A session with a board whose pins move as written down here, and what came back."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from firmware_protocol.framing import BadFrame, Frame, Framer, FrameReader
from firmware_protocol.messages import (
    COUNT_DOUBTFUL,
    Edges,
    Hello,
    HostMessage,
    Message,
    Position,
    Start,
    Trouble,
    TroubleCode,
)
from tests.firmware.process import (
    BYTE_CYCLES,
    CYCLE_HZ,
    INDEX,
    PIN,
    Board,
    commands,
    host_bytes,
    one,
    quadrature,
)

_Cycles = NDArray[np.int64]
_M = TypeVar("_M", bound=Message)
COUNTS_PER_TURN = 10_000


@dataclass(frozen=True)
class Motion:
    """Encoder edges: cycle of each and the disc's count after it, which was 0 at first."""

    cycle: _Cycles
    count: _Cycles

    def pins(self, index: bool = True) -> NDArray[np.void]:
        """As commands, with an index that is one count wide."""
        edges = quadrature(self.cycle, self.count)
        if not index:
            return edges
        active = (self.count % COUNTS_PER_TURN == 0).astype(np.int64)
        changed = np.nonzero(np.diff(np.concatenate(([1], active))))[0]
        made = commands(len(changed))
        made["cycle"], made["kind"], made["index"] = self.cycle[changed], PIN, INDEX
        made["value"] = active[changed]
        return in_order(edges, made)


def in_order(*parts: NDArray[np.void]) -> NDArray[np.void]:
    """Commands of several kinds, by their cycles."""
    made = np.concatenate(parts)
    return made[np.argsort(made["cycle"], kind="stable")]


def turning(begin: int, edge_hz: float, seconds: float, direction: int = 1, phase_error_deg: float = 0.0) -> Motion:
    """Steady turning from a cycle on. With a phase error of the quadrature, in electrical degrees, B's edges lie off by it from the
    middle between A's: neighbours are 90° less the error apart, then 90° more.
    """
    number = int(edge_hz * seconds)
    nth = np.arange(1, number + 1)
    # 360 electrical degrees are four counts.
    off = np.where(nth % 2 == 0, phase_error_deg / 90.0, 0.0)
    return Motion(begin + np.rint((nth + off) * CYCLE_HZ / edge_hz).astype(np.int64), direction * nth)


@dataclass
class Session:
    """Talks to one board; `messages` holds what came in this session."""

    board: Board
    messages: list[Message] = field(default_factory=list)
    bad: list[BadFrame] = field(default_factory=list)
    sequences: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._reader = FrameReader()
        self._framer = Framer()
        # The index is active at count 0, where every motion begins.
        self.board.give(one(self.board.cycle, PIN, INDEX, 1))
        self.run(0.3)
        self.send(Start(1, 100, 10, 1))
        self.run(0.01)

    @property
    def cycle(self) -> int:
        """Where the board stands."""
        return self.board.cycle

    def send(self, message: HostMessage) -> None:
        """A command, begun now; time passes while it goes over the line."""
        self.raw(self._framer.encode(message, 0, 0))

    def raw(self, data: bytes) -> None:
        """Bytes to the board; time passes while they go over the line."""
        self.board.give(host_bytes(data, self.cycle))
        self.run(len(data) * BYTE_CYCLES / CYCLE_HZ)

    def run(self, seconds: float) -> None:
        """Let time pass."""
        self.until(self.cycle + round(seconds * CYCLE_HZ))

    def until(self, cycle: int) -> None:
        """Let time pass up to a cycle."""
        for item in self._reader.feed(self.board.run(cycle).data):
            if isinstance(item, Frame):
                self.messages.append(item.message)
                self.sequences.append(item.sequence)
            else:
                self.bad.append(item)

    def play(self, made: NDArray[np.void], after_s: float = 0.15) -> None:
        """Commands, and time until so long after the last of them."""
        self.board.give(made)
        self.until(int(made["cycle"][-1]) + round(after_s * CYCLE_HZ))

    def all(self, kind: type[_M]) -> list[_M]:
        """Messages of a kind."""
        return [m for m in self.messages if isinstance(m, kind)]

    def position(self) -> Position:
        """The latest."""
        return self.all(Position)[-1]

    def troubles(self) -> list[Trouble]:
        """All but those that tell of Edges suspended and resumed, which is no fault."""
        usual = (TroubleCode.EDGES_SUSPENDED, TroubleCode.EDGES_RESUMED)
        return [t for t in self.all(Trouble) if t.code not in usual]

    def doubted(self) -> bool:
        """True if the board told that its count may be wrong, or started anew."""
        return any(t.code in COUNT_DOUBTFUL for t in self.all(Trouble)) or len(self.all(Hello)) > 1

    def edges(self) -> list[tuple[int, int]]:
        """Tick and count of each edge told."""
        found = []
        for frame in self.all(Edges):
            tick, count = frame.tick, frame.count
            for step in frame.steps:
                tick += step & 0x7FFF
                count += -1 if step & 0x8000 else 1
                found.append((tick, count))
        return found
