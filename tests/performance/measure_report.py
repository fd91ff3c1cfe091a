"""How long a report of a two-breaker job takes, start-up included: the command itself, in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.performance.figures import Figure
from tests.reports.support import Kept, keep

#: Seconds that a person waits for the page without asking what went wrong.
GOAL_S = 2.0
TIMES = 3


def measure() -> Iterator[Figure]:
    """Wall time and processor time of `breakerbench report`, HTML and PDF; the best of three."""
    with tempfile.TemporaryDirectory() as folder:
        kept = keep(Path(folder), "with-retard")
        for kind in ("html", "pdf"):
            wall_s, busy_s, size = min(_once(kept, kind, number) for number in range(TIMES))
            yield Figure(
                f"report as {kind.upper()}, whole command", wall_s, "s", most=GOAL_S, note=f"{size / 1000:.0f} kB"
            )
            yield Figure(
                f"report as {kind.upper()}, processor time",
                busy_s,
                "s",
                note="less of other programs' load than the above",
            )


def _once(kept: Kept, kind: str, number: int) -> tuple[float, float, int]:
    """Wall time, processor time of the process, bytes of the file."""
    file = kept.folder / f"report-{number}.{kind}"
    command = [sys.executable, "-m", "tui.command_line", "report", kept.record.id, "-o", str(file)]
    environment = {**os.environ, "BREAKERBENCH_HOME": str(kept.folder)}
    before = os.times()
    begun = time.perf_counter()
    subprocess.run(command, env=environment, check=True, capture_output=True, timeout=100)
    wall_s = time.perf_counter() - begun
    after = os.times()
    busy_s = after.children_user + after.children_system - before.children_user - before.children_system
    return wall_s, busy_s, file.stat().st_size
