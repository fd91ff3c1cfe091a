"""Processes that tests start."""

from __future__ import annotations

import subprocess


def end_simulator(process: subprocess.Popen[str]) -> None:
    """Kill a simulator's process, even one that is stopped, and close what it was spoken to by."""
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            pipe.close()
