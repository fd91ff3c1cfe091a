"""From a contact's edge to the screen: real processes all the way, with and without a report being written beside.

The simulated board's bytes go through a relay in this process, which notes when each leaves for the program; the screen draws on a
pseudo-terminal, whose output this process reads. Both by one clock.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

from tests.performance.figures import Figure
from tests.performance.screen_bench import WITHIN_S, Part, ScreenBench
from tests.reports.support import keep

EDGE_TO_SCREEN_MS = 100.0
SHARE_OF_A_CORE = 10.0
#: Each part of the measurement, seconds.
PART_S = 40.0


def measure() -> Iterator[Figure]:
    """Figures of the screen while the rotor is turned at adjusting, alone and beside a report."""
    if not Path("/proc/self/stat").exists():
        yield Figure(
            "contact edge to screen", None, "ms", most=EDGE_TO_SCREEN_MS, note="needs a system with /proc and ptys"
        )
        return
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        kept = keep(folder / "kept", "with-retard")
        bench = stack.enter_context(ScreenBench(folder))
        bench.begin_job()
        bench.to_adjusting()
        alone = bench.part(PART_S)
        report = [sys.executable, "-m", "tui.command_line", "report", kept.record.id, "-o"]
        beside = bench.part(PART_S, _again_and_again(report, kept.folder))
        bench.act({"do": "hold"})
        standing = bench.part(PART_S / 2)
        bench.leave()
        yield from _figures("turning", alone)
        yield from _figures("turning, reports being written", beside)
        yield Figure("screen standing still: its process", standing.share, "% of a core", most=SHARE_OF_A_CORE)
        missing, note = bench.missing()
        yield Figure("board's bytes missing in the journal", missing, "bytes", most=1, note=note)


def _figures(name: str, part: Part) -> Iterator[Figure]:
    busy = f"sleeps of 10 ms were late by {part.lateness_ms:.0f} ms (p99)"
    for what, times, goal in (
        ("board's bytes to screen", part.from_bytes, EDGE_TO_SCREEN_MS),
        ("points' edge to screen", part.from_edge, EDGE_TO_SCREEN_MS),
    ):
        if len(times) < 20:
            yield Figure(f"{name}: {what}, p99", None, "ms", most=goal, note=f"only {len(times)} edges were seen")
            continue
        yield Figure(f"{name}: {what}, p50", statistics.median(times), "ms", note=f"{len(times)} edges")
        yield Figure(f"{name}: {what}, p99", sorted(times)[int(len(times) * 0.99)], "ms", most=goal, note=busy)
    yield Figure(f"{name}: edges that the screen never showed", part.unseen, "", most=1)
    writes = f"{part.redraws_hz:.0f} writes to the terminal a second"
    yield Figure(
        f"{name}: the screen's process",
        part.share,
        "% of a core",
        most=SHARE_OF_A_CORE,
        note=writes + (f"; {part.beside} reports" if part.beside else ""),
    )


def _again_and_again(report: list[str], home: Path) -> Callable[[threading.Event], int]:
    """Writes one report after another until told to stop; gives how many."""

    def work(done: threading.Event) -> int:
        number = 0
        while not done.is_set():
            subprocess.run(
                [*report, str(home / f"beside-{number}.html")],
                env={**os.environ, "BREAKERBENCH_HOME": str(home)},
                check=True,
                capture_output=True,
                timeout=WITHIN_S,
            )
            number += 1
        return number

    return work
