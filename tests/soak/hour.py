"""An hour in real time over pseudo-terminals: board, screen, acquiring process, and a store that is kept busy beside.

Most of the time the rotor is turned so that the screen has time to show each opening; between, as fast as the simulated hand can. That is
not half of what the line can carry, so a second acquiring process reads a line beside that is full all the time (`full_line`).
"""

from __future__ import annotations

import contextlib
import json
import math
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from bench.records.store import open_store
from bench.records.verification import verify
from tests.performance.figures import Figure
from tests.performance.processor import memory_kb, used_s
from tests.performance.screen_bench import Part, ScreenBench
from tests.records.support import record

#: Watched for so long, degrees per second meanwhile; then fast for so long.
WATCHED_S, WATCHED_DEG_S = 50.0, 240.0
FAST_S, FAST_DEG_S = 10.0, 1000.0
#: Of a quarter of the run against another.
MOST_GROWTH_MB, MOST_GROWTH_MS = 3.0, 20.0
#: A record is added so often.
ADD_EVERY_S = 2.0
WITHIN_S = 120.0


@dataclass(frozen=True, slots=True)
class Minute:
    """One part of the run. `bytes_s`: of the line, while the rotor was turned fast."""

    at_min: float
    p50_ms: float
    p99_ms: float
    unseen: int
    screen_mb: float
    acquiring_mb: float
    screen_share: float
    acquiring_share: float
    bytes_s: float
    records: int
    full_line_mb: float
    lateness_ms: float


def run(minutes: float, tell: Callable[[str], None]) -> Iterator[Figure]:
    """The run; `tell` gets a line for each minute."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        keeping = stack.enter_context(_Keeping(folder / "records.sqlite"))
        bench = stack.enter_context(ScreenBench(folder))
        bench.begin_job()
        bench.to_adjusting()
        acquiring = _child(bench.screen_pid)
        full = subprocess.Popen(
            [sys.executable, "-m", "tests.soak.full_line", str(minutes)], stdout=subprocess.PIPE, text=True
        )
        stack.callback(full.kill)
        found: list[Minute] = []
        began = time.monotonic()
        tell(HEAD)
        while time.monotonic() - began < minutes * 60:
            found.append(_minute(bench, acquiring, keeping, full.pid, began))
            tell(_line(found[-1]))
        told, _ = full.communicate(timeout=WITHIN_S)
        line: dict[str, float] = json.loads(told)
        bench.act({"do": "hold"})
        bench.leave()
        missing, note = bench.missing()
        added = keeping.stop()
        with open_store(str(folder / "records.sqlite")) as store:
            whole, count = verify(store, folder, journals=False).whole, store.head().count
    yield from figures(found)
    yield Figure("board's bytes missing in the journal", missing, "bytes", most=1, note=note)
    yield Figure("acknowledged records missing in the store", added - count, "", most=1, note=f"{count} were added")
    yield Figure("the store's chain is broken", 0 if whole else 1, "", most=1)
    yield Figure(
        "full line: bytes missing in the journal", line["missing"], "bytes", most=1, note=f"of {line['sent']:.0f}"
    )
    yield Figure("full line: acquiring process", line["share"], "% of a core")
    yield Figure("full line: bytes to journal, p50, last quarter", line["last_p50_ms"], "ms")
    yield Figure("full line: bytes to journal, p99, last quarter", line["last_p99_ms"], "ms")
    growth = line["last_p50_ms"] - line["first_p50_ms"]
    yield Figure("full line: bytes to journal, p50, growth", growth, "ms", most=MOST_GROWTH_MS)


def figures(found: list[Minute]) -> Iterator[Figure]:
    """What the minutes say: the last quarter of them against the first."""
    quarter = max(len(found) // 4, 1)
    first, last = found[:quarter], found[-quarter:]

    def growth(of: Callable[[Minute], float]) -> float:
        return _median(map(of, last)) - _median(map(of, first))

    yield Figure(
        "minutes", len(found), "", note=f"rotor at {WATCHED_DEG_S:g}°/s, {FAST_S:g} s of each at {FAST_DEG_S:g}°/s"
    )
    yield Figure("line at its fullest", max(m.bytes_s for m in found) / 1000, "kB/s")
    yield Figure("screen's memory at the end", found[-1].screen_mb, "MB")
    yield Figure("screen's memory, growth", growth(lambda m: m.screen_mb), "MB", most=MOST_GROWTH_MB)
    yield Figure("acquiring process's memory at the end", found[-1].acquiring_mb, "MB")
    yield Figure("acquiring process's memory, growth", growth(lambda m: m.acquiring_mb), "MB", most=MOST_GROWTH_MB)
    yield Figure(
        "full line: acquiring process's memory, growth", growth(lambda m: m.full_line_mb), "MB", most=MOST_GROWTH_MB
    )
    yield Figure("bytes to screen, p50, median of minutes", statistics.median(m.p50_ms for m in found), "ms")
    yield Figure("bytes to screen, p99, median of minutes", statistics.median(m.p99_ms for m in found), "ms")
    yield Figure("bytes to screen, p50, growth", growth(lambda m: m.p50_ms), "ms", most=MOST_GROWTH_MS)
    yield Figure("edges that the screen never showed", sum(m.unseen for m in found), "")
    yield Figure("screen's processor time, growth", growth(lambda m: m.screen_share), "% of a core")
    yield Figure("acquiring process's processor time, growth", growth(lambda m: m.acquiring_share), "% of a core")


def _median(values: Iterable[float]) -> float:
    """Of those that could be taken."""
    return statistics.median(value for value in values if not math.isnan(value))


HEAD = "   min   p50 ms   p99 ms  unseen  screen MB  acquiring MB  screen %  acquiring %  kB/s  records  full line MB  late ms"


def _line(m: Minute) -> str:
    return (
        f"{m.at_min:6.1f} {m.p50_ms:8.1f} {m.p99_ms:8.1f} {m.unseen:7d} {m.screen_mb:10.1f} {m.acquiring_mb:13.1f} "
        f"{m.screen_share:9.1f} {m.acquiring_share:12.1f} {m.bytes_s / 1000:5.1f} {m.records:8d} "
        f"{m.full_line_mb:13.1f} {m.lateness_ms:8.1f}"
    )


def _minute(bench: ScreenBench, acquiring: int, keeping: _Keeping, full_line: int, began: float) -> Minute:
    at, used = time.monotonic(), used_s(acquiring)
    bench.act({"do": "keep_turning", "speed_deg_s": WATCHED_DEG_S})
    watched: Part = bench.part(WATCHED_S)
    bench.act({"do": "keep_turning", "speed_deg_s": FAST_DEG_S})
    sent, fast_at = bench.bytes_sent, time.monotonic()
    time.sleep(FAST_S)
    bytes_s = (bench.bytes_sent - sent) / (time.monotonic() - fast_at)
    now = time.monotonic()
    if not Path(f"/proc/{acquiring}").exists():
        raise AssertionError(f"The session is over: {bench.text}")
    times = sorted(watched.from_bytes) or [float("nan")]
    return Minute(
        at_min=(now - began) / 60,
        p50_ms=statistics.median(times),
        p99_ms=times[int(len(times) * 0.99)],
        unseen=watched.unseen,
        screen_mb=memory_kb(bench.screen_pid) / 1024,
        acquiring_mb=memory_kb(acquiring) / 1024,
        screen_share=watched.share,
        acquiring_share=100 * (used_s(acquiring) - used) / (now - at),
        bytes_s=bytes_s,
        records=keeping.added,
        # At its end the line may be through a little before the last minute is.
        full_line_mb=_memory_of_child_mb(full_line),
        lateness_ms=watched.lateness_ms,
    )


def _child(process: int) -> int:
    """The process that the screen started to read the port."""
    found = subprocess.run(
        ["pgrep", "-P", str(process), "-f", "bench.acquisition"], capture_output=True, text=True, check=True
    )
    return int(found.stdout.split()[0])


def _memory_of_child_mb(process: int) -> float:
    try:
        return memory_kb(_child(process)) / 1024
    except (subprocess.CalledProcessError, FileNotFoundError):
        return float("nan")


class _Keeping:
    """A process that adds records to a store beside, one after another, and says each that was acknowledged."""

    def __init__(self, store: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.soak.hour", str(store)], stdout=subprocess.PIPE, text=True
        )
        self.added = 0
        self._listening = threading.Thread(target=self._listen, daemon=True)
        self._listening.start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for _ in self._process.stdout:
            self.added += 1

    def stop(self) -> int:
        """End it; how many records were acknowledged."""
        self._process.terminate()
        self._process.wait(30)
        self._listening.join(30)
        return self.added

    def __enter__(self) -> _Keeping:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def _keep_adding(store: str) -> None:
    number = 0
    with open_store(store) as opened, contextlib.suppress(BrokenPipeError):
        while True:
            opened.add(record(number))
            print(number, flush=True)
            number += 1
            time.sleep(ADD_EVERY_S)


if __name__ == "__main__":
    _keep_adding(sys.argv[1])
