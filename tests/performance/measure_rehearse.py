"""How long a whole simulated job takes, and how much device time passes meanwhile."""

from __future__ import annotations

import json
import os
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from bench.journal import JournalReader, Kind
from bench.ticks import TickUnwrapper
from firmware_protocol.framing import Frame, FrameReader
from firmware_protocol.messages import Hello, Position
from tests.performance.figures import Figure
from tests.performance.programs import breakerbench

RUNS = 3


def measure() -> Iterator[Figure]:
    """Figures of a rehearsal."""
    walls, device_s, failure = [], 0.0, ""
    for _ in range(RUNS):
        with tempfile.TemporaryDirectory() as folder:
            capture = Path(folder) / "rehearsal.capture"
            command = [*breakerbench(), "rehearse", "--headless", "--json", "--seed", "1", "--capture", str(capture)]
            surroundings = {**os.environ, "BREAKERBENCH_HOME": folder}
            began = time.perf_counter()
            done = subprocess.run(command, env=surroundings, capture_output=True, text=True, timeout=120, check=False)
            wall = time.perf_counter() - began
            failure = _failure(done.stdout)
            if failure:
                break
            walls.append(wall)
            device_s = _device_seconds(capture)
    if failure:
        yield Figure("a whole job", None, "s", most=3, note=failure)
        return
    wall = min(walls)
    yield Figure("a whole job", wall, "s", most=3, note=f"{device_s:.0f} s of device time")
    yield Figure("device time / wall time", device_s / wall, "times")


def _failure(output: str) -> str:
    try:
        document = json.loads(output)
    except ValueError:
        return "the command gave no result document"
    return "" if document.get("valid") else str(document.get("error"))


def _device_seconds(capture: Path) -> float:
    """From the first Position to the last, by the board's own tick."""
    reader, ticks = FrameReader(), TickUnwrapper()
    tick_hz, last = 0, 0
    with JournalReader(capture) as journal:
        journal.header()
        for record in journal.records():
            if record.kind is not Kind.FROM_BOARD:
                continue
            for frame in reader.feed(record.payload):
                if isinstance(frame, Frame) and isinstance(frame.message, Hello):
                    tick_hz = frame.message.tick_hz
                elif isinstance(frame, Frame) and isinstance(frame.message, Position):
                    last = ticks.unwrap(frame.message.tick)
    return last / tick_hz if tick_hz else 0.0
