"""A full serial line without a board: bytes into a pseudo-terminal at the pace of a baud rate, for whoever reads its other end.

The journal's process is greeted as by a board first. When each piece went in is noted, so that a reader can tell how long it took.
"""

from __future__ import annotations

import bisect
import contextlib
import json
import os
import pty
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from bench.journal import JournalReader, Kind
from firmware_protocol.framing import Frame, Framer, FrameReader
from firmware_protocol.messages import Identify, Start
from tests.performance import stream
from tests.performance.processor import used_s

#: A serial adapter hands on what came in so long (USB's usual latency is 1 to 16 ms).
PIECE_S = 0.005
#: Start, data, stop: ten bits a byte.
BITS_PER_BYTE = 10
WITHIN_S = 30.0
#: The journal is looked at so often for what is new in it.
LOOK_S = 0.001


@dataclass(frozen=True)
class Carried:
    """What carrying some seconds of a full line cost. Latencies in seconds: from a piece's going in to its being in the file."""

    sent_bytes: int
    kept_bytes: int
    lasted_s: float
    used_s: float
    latencies_s: tuple[float, ...] = ()

    @property
    def share(self) -> float:
        """Part of a core."""
        return self.used_s / self.lasted_s

    def latency_s(self, share: float) -> float:
        """The latency that so great a share of the pieces did not exceed."""
        ordered = sorted(self.latencies_s)
        return ordered[min(int(len(ordered) * share), len(ordered) - 1)]


class _Line:
    """The board's end of a pseudo-terminal; `port` names the other one."""

    def __init__(self) -> None:
        self.end, self._far = pty.openpty()
        tty.setraw(self._far)
        self.port = os.ttyname(self._far)
        self.went_at: list[float] = []
        self.went_to: list[int] = []

    def close(self) -> None:
        for end in (self.end, self._far):
            with contextlib.suppress(OSError):
                os.close(end)

    def send(self, data: bytes, baud: int, seconds: float) -> None:
        """So many seconds of `data` over and over, each piece when its last byte would have come."""
        per_piece = round(baud / BITS_PER_BYTE * PIECE_S)
        pieces = round(seconds / PIECE_S)
        whole = data * (pieces * per_piece // len(data) + 1)
        began = time.monotonic()
        for n in range(pieces):
            due = began + (n + 1) * PIECE_S
            time.sleep(max(0.0, due - time.monotonic()))
            piece = memoryview(whole)[n * per_piece : (n + 1) * per_piece]
            at = time.monotonic()
            while piece:
                piece = piece[os.write(self.end, piece) :]
            self.went_at.append(at)
            self.went_to.append((n + 1) * per_piece)


@contextlib.contextmanager
def _line() -> Iterator[_Line]:
    line = _Line()
    try:
        yield line
    finally:
        line.close()


def by_journal(folder: Path, data: bytes, baud: int, seconds: float) -> Carried:
    """The process that keeps the journal reads the line; with latencies up to what any other process can read in its file."""
    journal = folder / f"line-{baud}.capture"
    with _line() as line:
        order = {"journal": str(journal), "header": {}, "port": line.port, "baud": baud, "hello_deadline_s": 10.0}
        command = [sys.executable, "-P", "-m", "bench.acquisition"]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdin is not None
            process.stdin.write(json.dumps(order) + "\n")
            process.stdin.flush()
            greeting = _greet(line.end)
            watch = _Watch(journal, greeting)
            watch.start()
            before, began = used_s(process.pid), time.monotonic()
            line.send(data, baud, seconds)
            watch.until(line.went_to[-1])
            used, lasted = used_s(process.pid) - before, time.monotonic() - began
            watch.done.set()
            watch.join()
            # The line goes before the process is told to stop: nobody is left to answer it.
            line.close()
            ended, _ = process.communicate('{"do": "stop"}\n', timeout=WITHIN_S)
            assert '"ended"' in ended, ended
    assert watch.kept[:1000] == data[:1000]
    return Carried(line.went_to[-1], len(watch.kept), lasted, used, watch.latencies(line))


def by_copy(command: list[str], file: Path, data: bytes, baud: int, seconds: float) -> Carried:
    """A program that copies the line into `file`; PORT in its command stands for the line's name."""
    with _line() as line, subprocess.Popen([part.replace("PORT", line.port) for part in command]) as process:
        _until(lambda: file.exists(), "the copying program did not open its file")
        before, began = used_s(process.pid), time.monotonic()
        line.send(data, baud, seconds)
        _until(lambda: file.stat().st_size >= line.went_to[-1], "not all bytes were copied")
        used, lasted = used_s(process.pid) - before, time.monotonic() - began
        process.terminate()
    kept = file.read_bytes()
    assert kept[:1000] == data[:1000]
    return Carried(line.went_to[-1], len(kept), lasted, used)


def bare_s(data: bytes, baud: int, seconds: float, file: Path) -> float:
    """Processor seconds of this process for the least that any reader has to do: read each piece, write it to a file."""
    per_piece = round(baud / BITS_PER_BYTE * PIECE_S)
    with _line() as line, open(file, "wb", buffering=0) as out:
        far = os.open(line.port, os.O_RDONLY | os.O_NOCTTY)
        used = 0.0
        for n in range(round(seconds / PIECE_S)):
            os.write(line.end, data[n * per_piece % (len(data) - per_piece) :][:per_piece])
            before = time.thread_time()
            left = per_piece
            while left:
                got = os.read(far, left)
                out.write(got)
                left -= len(got)
            used += time.thread_time() - before
        os.close(far)
    return used


def _until(condition: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + WITHIN_S
    while not condition():
        assert time.monotonic() < deadline, what
        time.sleep(0.01)


def _greet(end: int) -> int:
    """Hello to each Identify until Start comes; the bytes sent."""
    reader, hello = FrameReader(), Framer().encode(stream.HELLO, 0, 0)
    sent = 0
    while True:
        for frame in reader.feed(os.read(end, 4096)):
            if isinstance(frame, Frame) and isinstance(frame.message, Identify):
                sent += os.write(end, hello)
            if isinstance(frame, Frame) and isinstance(frame.message, Start):
                return sent


class _Watch(threading.Thread):
    """Follows the journal as a run does; notes when what is there could be read."""

    def __init__(self, journal: Path, greeting: int) -> None:
        super().__init__(daemon=True)
        self.kept = bytearray()
        self.done = threading.Event()
        self._there_at: list[float] = []
        self._there_to: list[int] = []
        self._left = greeting
        self._reader = JournalReader(journal)
        self._reader.header()

    def run(self) -> None:
        while not self.done.wait(LOOK_S):
            grown = False
            for record in self._reader.records():
                if record.kind is Kind.FROM_BOARD:
                    fresh = record.payload[self._left :]
                    self._left = max(0, self._left - len(record.payload))
                    self.kept += fresh
                    grown |= bool(fresh)
            if grown:
                self._there_at.append(time.monotonic())
                self._there_to.append(len(self.kept))
        self._reader.close()

    def until(self, size: int) -> None:
        """Return when so many bytes are there."""
        _until(lambda: len(self.kept) >= size, "not all bytes came into the journal")

    def latencies(self, line: _Line) -> tuple[float, ...]:
        """Of each piece: from its going in to its last byte's being readable."""
        found = []
        for at, size in zip(line.went_at, line.went_to, strict=True):
            place = bisect.bisect_left(self._there_to, size)
            if place < len(self._there_at):
                found.append(self._there_at[place] - at)
        return tuple(found)
