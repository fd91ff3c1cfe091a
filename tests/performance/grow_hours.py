"""How memory and replay time grow with the hours of a stream: the process that keeps the journal, and a guided job that never ends."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from tests.performance import measure_memory
from tests.performance.figures import Figure
from tests.performance.growth import Curve, Growth

MINUTES = (1, 10, 60, 360)
WITHIN_S = 3600.0


def measure(minutes: Sequence[int] = MINUTES) -> Growth:
    """Each length in a process of its own, which made nothing before."""
    runs = [_run(m * 60) for m in minutes]
    parts = [max(1, round(m * 60 / measure_memory.PART_S)) for m in minutes]
    samples, _, _ = measure_memory.resident(parts[-1])
    taken = (runs[-1]["taken_kb"] - runs[0]["taken_kb"]) / 1024
    return Growth(
        "minutes of stream",
        "minute",
        tuple(map(float, minutes)),
        (
            Curve("replay of a guided job", "s", tuple(r["used_s"] for r in runs), most_exponent=1.1),
            Curve("limit: as fast as it came", "s", tuple(m * 60.0 for m in minutes), peer=True),
            Curve("memory of the process with the run", "MB", _mb(r["resident_kb"] for r in runs), most_exponent=0.05),
            Curve("memory of the journal's process", "MB", _mb(samples[p - 1] for p in parts), most_exponent=0.05),
        ),
        note="replay: 2,000 counts a turn at 60°/s, points being set all the while; journal's process: a busy board's bytes, as fast "
        "as they are taken",
        figures=(
            Figure(f"memory that the run took on from {minutes[0]} to {minutes[-1]} minutes", taken, "MB", most=10),
        ),
    )


def _run(seconds: float) -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.performance.long_run", str(seconds)]
    root = Path(__file__).parents[2]
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, timeout=WITHIN_S, check=True)
    told: dict[str, Any] = json.loads(done.stdout)
    assert (told["losses"], told["bad_frames"]) == (0, 0), told
    return told


def _mb(kilobytes: Iterable[int]) -> tuple[float, ...]:
    return tuple(kb / 1024 for kb in kilobytes)
