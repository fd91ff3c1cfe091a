"""How long a report of a two-breaker job takes, start-up included: the command itself, in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.performance.figures import Figure, best_of
from tests.reports.support import Kept, keep

#: Seconds that a person waits for the page without asking what went wrong.
GOAL_S = 2.0
TIMES = 3
#: The jobs with two breakers: one counted from the other, and two that are to open together.
SCENARIOS = ("with-retard", "dual")


def measure() -> Iterator[Figure]:
    """Wall time and processor time of `breakerbench report`, HTML and PDF; the best of three."""
    bare_s = best_of(TIMES, lambda: subprocess.run([sys.executable, "-c", "pass"], check=True))
    yield Figure("python alone, started and ended", bare_s, "s", note="tells how busy this computer is just now")
    for scenario in SCENARIOS:
        with tempfile.TemporaryDirectory() as folder:
            kept = keep(Path(folder), scenario)
            for kind in ("html", "pdf"):
                _once(kept, kind, TIMES)
                name = f"report of {scenario} as {kind.upper()}"
                wall_s, busy_s, size = min(_once(kept, kind, number) for number in range(TIMES))
                yield Figure(f"{name}, whole command", wall_s, "s", most=GOAL_S, note=f"{size / 1000:.0f} kB")
                # Of both processes: what a computer with one core would need.
                yield Figure(f"{name}, processor time", busy_s, "s", note="of both its processes")


def _once(kept: Kept, kind: str, number: int) -> tuple[float, float, int]:
    """Wall time, processor time of the process, bytes of the file."""
    file = kept.folder / f"report-{number}.{kind}"
    command = [sys.executable, "-m", "tui.command_line", "report", kept.record.id, "-o", str(file)]
    # As installed: pip compiles a program once, and it is not compiled again at each start.
    environment = {
        **{name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"},
        "BREAKERBENCH_HOME": str(kept.folder),
        "PYTHONPYCACHEPREFIX": str(kept.folder / "compiled"),
    }
    before = os.times()
    begun = time.perf_counter()
    subprocess.run(command, env=environment, check=True, capture_output=True, timeout=100)
    wall_s = time.perf_counter() - begun
    after = os.times()
    busy_s = after.children_user + after.children_system - before.children_user - before.children_system
    return wall_s, busy_s, file.stat().st_size
