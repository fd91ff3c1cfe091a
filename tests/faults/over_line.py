"""The short job of the fault matrix over a pseudo-terminal or TCP: at one end `bench`'s own session with its acquiring process, its watches
and its journal, at the other `sim`'s own server with the faulty world behind it.

The world's clock: the next piece of device time begins when the run knows all bytes of the last one, has learnt a later tick from them, and
the technician has heeded what it says. Where the run knows all bytes and has learnt no later tick, the piece lasts as long as in the
world; where bytes are still on their way, half a second at the most. So a job takes a few seconds and goes by the same pieces in each
run of a seed; where nothing readable reaches the host, and only there, the world keeps real time, by which the session watches over
silence and rubbish. Considered: real time all along (20 s a job, the technician's reactions as late as the machine is busy), and as
fast as the host reads (the technician would be behind by what the pipes hold, and a silence of 1.2 s would pass in no time).

What the board says before the host has asked is thrown away, as by an adapter that is opened later: else it would be a race whether
the host starts by the greeting at boot or by the one that answers its question.

Not repeatable: how the bytes are cut into the journal's records; the times by the wall clock; and on a machine so busy that a piece is
half a second on its way, the piece at which the technician reacts, or that an answer of the board takes more than 0.2 s, the number of
questions before Start, and with it a fault that draws for each byte.
"""

from __future__ import annotations

import bisect
import contextlib
import json
import math
import os
import socket
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from bench.journal import Kind, Record
from bench.run import Run
from bench.session import Session
from bench.settings import Settings
from sim.scenario import Scenario
from sim.serve import Options, _Server
from sim.world import World
from tests.faults.row import Outcome, Row
from tests.faults.short_job import LONGEST_S, PIECE_S, FaultyWorld, Told, concluded, prepared

PEERS = ("pty", "tcp")
#: Decided by the session's clock, not by the stream.
WALL = frozenset({"no-board", "link-silent", "link-unreadable"})
#: A piece that came so much later than it should have says that the machine was busy, and the silence was the test's own. 0.8 s are to
#: pass for no silence, and 1 s for one.
LATE_S = 0.15
#: So long does the world wait for bytes that are on their way to the run; the acquiring process, which may have read them, waits for 1 s.
UNDER_WAY_S = 0.5
#: So often is a run played in which the silence was the test's own; the last one counts whatever it was.
MOST_PLAYS = 3
BAUD = 500_000
HELLO_WITHIN_S = 5.0
_POLL_S = 0.002
#: A job that takes longer hangs.
_DEADLINE_S = 600.0


class _Line(_Server):
    """The server, in a thread of its own. Whoever looks at the world, or tells the technician, holds `lock`."""

    def __init__(self, world: FaultyWorld, scenario: Scenario, seed: int, peer: str) -> None:
        reader, writer = os.pipe()
        address = ("127.0.0.1", 0) if peer == "tcp" else None
        super().__init__(scenario, seed, Options(address, rate=0), os.fdopen(writer, "w", encoding="utf-8"))
        self.lock = threading.RLock()
        #: Bytes given to the line.
        self.sent = 0
        #: When each piece of device time was given, on this machine's clock, and how many bytes the line had then had from the first on.
        self.given_at: list[float] = []
        self._sent_by: list[int] = []
        #: Bytes given before the world's clock ran.
        self._greeted = 0
        self._faulty = world
        self._known = 0
        self._released = True
        self._due = 0.0
        self._failure: BaseException | None = None
        self._wake, self._woken = socket.socketpair()
        self._woken.setblocking(False)
        self._selector.register(self._woken, 1, "woken")
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        with os.fdopen(reader, encoding="utf-8") as told:
            ready = told.readline()
        if not ready:
            self.close()
        self.port = str(json.loads(ready)["port"])

    def heeded(self, known: int, released: bool) -> None:
        """The run knows so many bytes, and has been heeded; `released`: the next piece may begin."""
        with self.lock:
            self._known, self._released = known, released
            self._due = max(self._due, time.monotonic())
        self._wake.send(b"x")

    def close(self) -> None:
        """End it. Raises what it failed with."""
        self._ending = True
        self._wake.send(b"x")
        self._thread.join()
        for end in (self._wake, self._woken, self._out):
            end.close()
        if self._failure is not None:
            raise self._failure

    @property
    def late_s(self) -> float:
        """The longest time by which a piece came later than the unit's clock would have had it."""
        gaps = [b - a for a, b in zip(self.given_at, self.given_at[1:], strict=False)]
        return max(gaps, default=0.0) - PIECE_S

    def wall_s(self, at_s: float) -> float:
        """When the piece with a moment of device time was given, on this machine's clock."""
        return self.given_at[max(math.ceil(at_s / PIECE_S - 1e-6) - 1, 0)]

    def pieces_known(self, known: int) -> int:
        """Pieces of device time of which a host knows all that knows so many bytes."""
        return bisect.bisect_right(self._sent_by, known)

    def known_s(self, known: int) -> float:
        """The device time to which a host belongs that knows so many bytes."""
        whole = self.pieces_known(known)
        begun = known > (self._sent_by[whole - 1] if whole else self._greeted)
        return PIECE_S * (whole + begun)

    def _serve(self) -> None:
        try:
            self.run()
        except BaseException as failure:
            self._failure = failure
            self._out.close()

    # --- as the server asks ------------------------------------------------------------------------------------------

    def _new_world(self) -> World:
        self._faulty.boot()
        return self._faulty

    def _patience(self) -> float | None:
        with contextlib.suppress(BlockingIOError):
            self._woken.recv(4096)
        patience = super()._patience()
        if self._pending or not self._faulty.started:
            return patience
        return max(self._left_s(), 0.0)

    def _left_s(self) -> float:
        """How long the next piece has to wait."""
        if self._released:
            return 0.0
        under_way = 0.0 if self._known >= self.sent else UNDER_WAY_S - PIECE_S
        return self._due + under_way - time.monotonic()

    def _read(self) -> None:
        with self.lock:
            super()._read()

    def _pass_time(self) -> None:
        if self._world is None or not self._faulty.started:
            return
        if self._pending:
            super()._send(b"")
            return
        with self.lock:
            if self._left_s() > 0:
                return
            # In silence a piece that came late does not put off those behind it.
            silent = not self._released and self._known >= self.sent
            self._due = (self._due if silent else time.monotonic()) + PIECE_S
            self._released = False
            if not self.given_at:
                self._greeted = self.sent
            self._send(self._faulty.advance(PIECE_S))
            self.given_at.append(time.monotonic())
            self._sent_by.append(self.sent)

    def _send(self, data: bytes) -> None:
        """What the world has said goes through the fault before it is on the line."""
        data = self._faulty.fault.line(data, self._faulty.now_s)
        self.sent += len(data)
        super()._send(data)


class _Followed(Run):
    """The session's run, which notes what it has been fed."""

    def __init__(self, settings: Settings, line: _Line) -> None:
        super().__init__(settings)
        self.told = _ToldOverLine(self, line)
        #: Bytes of the board, and of its journal, that it knows.
        self.known = 0
        self.length = 0

    def feed(self, record: Record) -> None:
        """See Run."""
        super().feed(record)
        self.known += len(record.payload) if record.kind is Kind.FROM_BOARD else 0
        self.length = record.offset + 9 + len(record.payload)
        self.told.look(self.length)


class _ToldOverLine(Told):
    """In the device time of the bytes that tell it; what the session's clock decides, by the clock."""

    def __init__(self, run: _Followed, line: _Line) -> None:
        super().__init__(run)
        self._followed, self._line = run, line
        self._told_at: dict[str, float] = {}

    def look(self, length: int) -> None:
        """See Told."""
        self.now_s = self._line.known_s(self._followed.known)
        super().look(length)

    def tell(self, code: str) -> None:
        """See Told."""
        super().tell(code)
        self._told_at.setdefault(code, time.monotonic())

    def delay(self, code: str, since_s: float) -> tuple[float, str]:
        """See Told."""
        if code in WALL and self._line.given_at:
            return self._told_at[code] - self._line.wall_s(since_s), "wall"
        return super().delay(code, since_s)


def run_row(row: Row, seed: int, peer: str) -> Outcome:
    """One run of a row over a line."""
    for _ in range(MOST_PLAYS):
        with tempfile.TemporaryDirectory(prefix="faults-") as folder:
            outcome, late_s = _play(row, seed, peer, Path(folder) / "run.capture")
        if outcome.failure not in WALL or late_s <= LATE_S:
            break
    return outcome


def _play(row: Row, seed: int, peer: str, path: Path) -> tuple[Outcome, float]:
    """How it went, and by how much the world was late at the most."""
    fault, scenario, settings = prepared(row, seed)
    world = FaultyWorld(scenario, seed, fault)
    line = _Line(world, scenario, seed, peer)
    try:
        session = Session(settings, path, line.port, BAUD, HELLO_WITHIN_S)
        run = session.run = _Followed(session.run.settings, line)
        try:
            session.start()
            _conduct(session, run, line, world)
        finally:
            # The technician gives up by stopping the program.
            session.interrupt()
            session.close()
    finally:
        line.close()
    return concluded(row, seed, path, run.told, world), line.late_s


def _conduct(session: Session, run: _Followed, line: _Line, world: Any) -> None:
    """On until the run has finished or the technician gives up."""
    heeded = tick = 0
    limit = time.monotonic() + _DEADLINE_S
    while not session.over and heeded * PIECE_S < LONGEST_S:
        session.poll(_POLL_S)
        if run.failure is not None:
            # One that stands in no record is told as well.
            run.told.look(run.length)
        if time.monotonic() > limit:
            raise TimeoutError(f"still in {run.step} after {_DEADLINE_S:.0f} s")
        with line.lock:
            pieces = line.pieces_known(run.known)
            if pieces == heeded:
                continue
            heeded = pieces
            world.fault.reached(run.step, len(line.given_at) * PIECE_S)
            world.technician.heed(run)
            # A board that has reset waits for Start, which is on its way.
            released = run.known == line.sent and run.tick != tick and world.board.in_session
            line.heeded(run.known, released)
            tick = run.tick
