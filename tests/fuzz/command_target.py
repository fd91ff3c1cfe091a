"""What the host sends the board: the simulator's board and the firmware's core, held against each other."""

from __future__ import annotations

import atexit
import contextlib
from collections.abc import Iterator

import numpy as np

from firmware_protocol.examples import GOOD
from firmware_protocol.framing import Frame, Framer, FrameReader
from firmware_protocol.messages import (
    HOST_MESSAGES,
    Hello,
    Identify,
    Message,
    Ping,
    Pong,
    Press,
    PressRequest,
    Start,
    Stop,
    Trouble,
    TroubleCode,
)
from sim.board import Board, Inputs
from sim.encoder import NO_CROSSINGS
from sim.scenario import BoardTable
from tests.firmware import built, process
from tests.fuzz.mutations import Frames, resealed
from tests.fuzz.target import Target, hold

_FRAMER = Framer()
_EXAMPLES = [example.message for example in GOOD]
#: Time for each frame's answers to leave the line, so that none of the two boards' queues overflows.
_PAUSE_S = 0.005
_ROOM_S = 0.2
_LAST = (Identify(1), Start(77, 50, 0, 0), Ping(4711), PressRequest(12), Stop())
_HZ = 2_000_000
#: PROTOCOL.md: a board must take host frames of so many bytes; what it makes of longer ones is its own.
_MUST_TAKE = 32


class _Simulated:
    """The simulator's board, at rest."""

    def __init__(self) -> None:
        self._board = Board(BoardTable(), 10_000, True, 0, [True, True], b"FUZZED--", 0, 1, np.random.default_rng(1))
        self._at_s = 0.0

    def say(self, data: bytes) -> None:
        self._board.receive(data)

    def wait(self, seconds: float) -> bytes:
        self._at_s += seconds
        self._board.run(Inputs(self._at_s, NO_CROSSINGS, (), (), lambda _channel, _time_s: 0))
        return self._board.line.take(self._at_s * _HZ)


class _Core:
    """The firmware's core in its process, begun anew."""

    def __init__(self, board: process.Board) -> None:
        self._board = board
        self._said = 0
        board.run(board.cycle + process.CYCLE_HZ)
        board.give(process.one(board.cycle, process.RESET))
        # Its greeting, which is not an answer.
        self.wait(_ROOM_S)

    def say(self, data: bytes) -> None:
        self._board.give(process.host_bytes(data, self._board.cycle))
        self._said += len(data)

    def wait(self, seconds: float) -> bytes:
        # The bytes of the host take their time, too.
        said, self._said = self._said, 0
        cycles = said * process.BYTE_CYCLES + round(seconds * process.CYCLE_HZ)
        return self._board.run(self._board.cycle + cycles).data


def _answers(board: _Simulated | _Core, data: bytes) -> Iterator[tuple[object, ...]]:
    """What the board says to bytes given frame by frame, without what it tells of its own accord."""
    reader = FrameReader()
    pieces = [piece + b"\0" for piece in data.split(b"\0")]
    for command in (b"\0", *pieces, *(_FRAMER.encode(m, 0, 0) for m in _LAST)):
        board.say(command)
        for item in reader.feed(board.wait(_PAUSE_S)):
            hold(isinstance(item, Frame), f"the board sent what is no frame: {item}")
            if isinstance(item, Frame) and (told := _answer(item.message)) is not None:
                yield (item.session, *told)
    for item in reader.feed(board.wait(_ROOM_S)):
        if isinstance(item, Frame) and (told := _answer(item.message)) is not None:
            yield (item.session, *told)


def _answer(message: Message) -> tuple[object, ...] | None:
    if isinstance(message, Hello):
        return ("Hello",)
    if isinstance(message, Pong):
        return ("Pong", message.token)
    if isinstance(message, Press):
        return ("Press", message.request, message.down, message.source)
    if isinstance(message, Trouble) and message.code == TroubleCode.REJECTED_COMMAND:
        return ("rejected", message.amount)
    return None


def check(data: bytes) -> None:
    """Both boards answer alike, send whole frames only, and afterwards work as ever."""
    simulated = list(_answers(_Simulated(), data))
    end = [("Hello",), ("Pong", 4711), ("Press", 12, 1, 1), ("Hello",)]
    hold([a[1:] for a in simulated[-4:]] == end, f"after these bytes the board answers {simulated[-4:]}")
    core = _core()
    if core is None or max(map(len, data.split(b"\0"))) > _MUST_TAKE:
        return
    try:
        answered = list(_answers(_Core(core), data))
    except RuntimeError:
        # It has ended by itself, which is what was looked for; the next input gets another process.
        _end()
        _running.clear()
        raise
    hold(answered == simulated, f"the firmware answers {answered}, the simulator's board {simulated}")


_running: list[process.Board | None] = []


def _core() -> process.Board | None:
    """The firmware's core, if it can be built here; one process serves all inputs."""
    if not _running:
        try:
            _running.append(process.Board(built.core()))
            atexit.register(_end)
        except built.NotBuilt:
            _running.append(None)
    return _running[0]


def _end() -> None:
    for board in _running:
        if board is not None:
            with contextlib.suppress(RuntimeError):
                board.close()


def pool() -> list[bytes]:
    """A whole frame of each message of the host, and one of a type that nobody has, without delimiter."""
    commands = [m for m in _EXAMPLES if isinstance(m, HOST_MESSAGES)]
    return [_FRAMER.encode(m, 0, n)[:-1] for n, m in enumerate(commands)] + [resealed(b"\x70\0\0\0abc")]


def seeds() -> list[bytes]:
    """Sessions begun, ended, begun twice; a board's own message; one that nobody knows; rubbish before a command."""
    starts = [Start(n, 50, 5, 1) for n in (1, 2, 255)]
    orders: list[list[Message]] = [
        [Identify(1), starts[0], Ping(1), PressRequest(1), Stop()],
        [starts[0], starts[1], PressRequest(2), starts[2], Stop(), Stop(), Ping(9), PressRequest(3)],
        [starts[0], Pong(1, 2), Identify(9)],
    ]
    made = [b"\0".join([_FRAMER.encode(m, 0, n)[:-1] for n, m in enumerate(order)]) for order in orders]
    return [b"", *made, made[0][:-3], b"\x07garbage" * 40 + b"\0" + made[1], b"\0".join(pool()) + b"\0" * 5]


TARGET = Target("commands", "the host's commands to both boards", check, Frames(pool()), seeds, 1_500, 0.7)
