"""How much memory the process that reads the port takes over an hour of a busy board's stream."""

from __future__ import annotations

import json
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

from firmware_protocol.framing import Frame, Framer, FrameReader
from firmware_protocol.messages import Identify, Start, Stop
from tests.performance import stream
from tests.performance.figures import Figure
from tests.performance.processor import memory_kb

PART_S = 30.0
PARTS = 120
DEADLINE_S = 300.0


def measure() -> Iterator[Figure]:
    """Figures of memory."""
    if not Path("/proc/self/status").exists():
        yield Figure("peak resident memory", None, "MB", most=150, note="needs /proc")
        return
    samples, peak_kb, kept = resident(PARTS)
    quarter = len(samples) // 4
    growth = (statistics.mean(samples[-quarter:]) - statistics.mean(samples[:quarter])) / 1024
    note = f"{PARTS * PART_S / 3600:g} h of stream, {kept / 1e6:.0f} MB of journal"
    yield Figure("peak resident memory", peak_kb / 1024, "MB", most=150, note=note)
    yield Figure("growth, last quarter over first", growth, "MB", most=2)


def resident(parts: int) -> tuple[list[int], int, int]:
    """Resident memory after each part of PART_S, the highest ever, kB; and the size of the journal, bytes."""
    data = stream.wire(stream.busy(PART_S))
    with tempfile.TemporaryDirectory() as folder, socket.create_server(("127.0.0.1", 0)) as server:
        journal = Path(folder) / "hour.capture"
        samples, peak_kb = _run(server, journal, data, parts)
        kept = journal.stat().st_size
    assert kept > parts * len(data)
    return samples, peak_kb, kept


def _run(server: socket.socket, journal: Path, data: bytes, parts: int) -> tuple[list[int], int]:
    url = f"socket://127.0.0.1:{server.getsockname()[1]}"
    order = {"journal": str(journal), "header": {}, "port": url, "baud": 500_000, "hello_deadline_s": 10.0}
    command = [sys.executable, "-m", "bench.acquisition"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps(order) + "\n")
        process.stdin.flush()
        board = _Board(server, process.pid, data, parts)
        board.start()
        board.join(DEADLINE_S)
        ended, _ = process.communicate('{"do": "stop"}\n', timeout=30)
        assert board.failure is None, board.failure
        assert "error" not in ended, ended
    return board.samples, board.peak_kb


class _Board(threading.Thread):
    """Greets, starts, sends all parts as fast as they are taken, and takes a sample after each."""

    def __init__(self, server: socket.socket, pid: int, data: bytes, parts: int) -> None:
        super().__init__(daemon=True)
        self.samples: list[int] = []
        self.peak_kb = 0
        self.failure: Exception | None = None
        self._server, self._pid, self._data, self._parts = server, pid, data, parts

    def run(self) -> None:
        try:
            self._server.settimeout(DEADLINE_S)
            connection, _ = self._server.accept()
            connection.settimeout(DEADLINE_S)
            self._talk(connection)
        except Exception as failure:
            self.failure = failure

    def _talk(self, connection: socket.socket) -> None:
        reader, hello = FrameReader(), Framer().encode(stream.HELLO, 0, 0)
        begun = False
        while not begun:
            for frame in reader.feed(connection.recv(4096)):
                if isinstance(frame, Frame) and isinstance(frame.message, Identify):
                    connection.sendall(hello)
                begun |= isinstance(frame, Frame) and isinstance(frame.message, Start)
        for _ in range(self._parts):
            connection.sendall(self._data)
            self.samples.append(memory_kb(self._pid))
        self.peak_kb = memory_kb(self._pid, "VmHWM")
        threading.Thread(target=self._see_off, args=(connection, hello), daemon=True).start()

    def _see_off(self, connection: socket.socket, hello: bytes) -> None:
        reader = FrameReader()
        with connection:
            while received := connection.recv(4096):
                if any(isinstance(f, Frame) and isinstance(f.message, Stop) for f in reader.feed(received)):
                    connection.sendall(hello)
