"""How long the command takes until it does something, against an interpreter that does nothing."""

from __future__ import annotations

import statistics
import subprocess
import sys
from collections.abc import Iterator

from tests.performance.figures import Figure, seconds
from tests.performance.programs import breakerbench

RUNS = 15


def measure() -> Iterator[Figure]:
    """Figures of starting up."""
    bare, ours = [sys.executable, "-c", "pass"], [*breakerbench(), "--help"]
    for command in (bare, ours):
        _run(command)
    nothing: list[float] = []
    help_text: list[float] = []
    for _ in range(RUNS):
        # Alternating, so that what else the machine does falls on both alike.
        nothing.append(seconds(lambda: _run(bare)))
        help_text.append(seconds(lambda: _run(ours)))
    wall, peer = statistics.median(help_text), statistics.median(nothing)
    yield Figure("breakerbench --help", wall * 1000, "ms", most=150)
    yield Figure("breakerbench --help / bare python", wall / peer, "times", note=f"bare python: {peer * 1000:.0f} ms")


def _run(command: list[str]) -> None:
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True, timeout=60)
