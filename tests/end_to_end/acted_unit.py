"""The simulator's own process with a hand that obeys, in real time."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterator
from typing import Any


class ActedUnit:
    """What the hand is told, and its wait until it is where it was sent."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        assert process.stdout is not None
        self.port = str(json.loads(process.stdout.readline())["port"])

    def do(self, **command: Any) -> None:
        """One act."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(command) + "\n")
        self._process.stdin.flush()

    def felt(self) -> dict[str, Any]:
        """What hand and eye tell next."""
        assert self._process.stdout is not None
        while True:
            line = json.loads(self._process.stdout.readline())
            if "felt" in line:
                return dict(line["felt"])

    def go(self, **command: Any) -> None:
        """Do it and wait until the hand has arrived and stands."""
        self.do(**command)
        assert self._process.stdout is not None
        while json.loads(self._process.stdout.readline()).get("did") != command["do"]:
            pass
        still = 0
        while still < 8:
            felt = self.felt()
            still = still + 1 if not felt["busy"] and abs(felt["speed_deg_s"]) < 0.5 else 0


@contextlib.contextmanager
def acted(name: str) -> Iterator[ActedUnit]:
    """The simulated unit of scenario `name`."""
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "sim.serve", "--pty", "--acting", "--scenario", name, "--seed", "3"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield ActedUnit(process)
    finally:
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()
