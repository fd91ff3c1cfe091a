"""The simulator's process, as the command line sees it."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from types import TracebackType
from typing import Any

from bench.errors import BenchError

READY_WITHIN_S = 20.0
TRUTH_WITHIN_S = 3.0


class Simulator:
    """The simulator's process. Use as a context; `port` is where its board answers."""

    def __init__(self, scenario: str, seed: int, rate: float, acting: bool = False) -> None:
        where = ["--pty"] if os.name == "posix" else ["--tcp", "127.0.0.1:0"]
        self._process = subprocess.Popen(
            [
                *(sys.executable, "-P", "-m", "sim.serve", *where),
                *("--scenario", scenario, "--seed", str(seed), "--rate", str(rate), "--truth", "--until-stdin-closes"),
                *(("--acting",) if acting else ()),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            start_new_session=True,
        )
        self._truth: dict[str, Any] | None = None
        self._lines: queue.Queue[dict[str, Any] | None] = queue.Queue()
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()
        #: The first line: port, files, and of an exercise what there is to see and to mend.
        self.about = self._wait("port", READY_WITHIN_S, "The simulator did not come up.")
        self.port = str(self.about["port"])

    def __enter__(self) -> Simulator:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(3)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def truth(self) -> dict[str, Any]:
        """What the simulator knows to be true; to be asked after the session has stopped."""
        found = self._wait("truth", TRUTH_WITHIN_S, "The simulator did not tell the truth.")["truth"]
        return found if isinstance(found, dict) else {}

    def last_truth(self) -> dict[str, Any]:
        """Ends the simulator; what it knew to be true then."""
        self.__exit__(None, None, None)
        self._listener.join(TRUTH_WITHIN_S)
        if self._truth is None:
            raise BenchError("The simulator did not tell the truth.")
        return self._truth

    def lines_until(self, key: str, within_s: float) -> Iterator[dict[str, Any]]:
        """What the simulator tells, up to the first line with `key`, or for so long."""
        deadline = time.monotonic() + within_s
        while (left := deadline - time.monotonic()) > 0:
            try:
                line = self._lines.get(timeout=left)
            except queue.Empty:
                return
            if line is None:
                return
            yield line
            if key in line:
                return

    def tell(self, command: dict[str, Any]) -> None:
        """One act of the hand. If the simulator is gone, the board's silence tells it."""
        if self._process.stdin is not None:
            with contextlib.suppress(OSError, ValueError):
                self._process.stdin.write(json.dumps(command) + "\n")
                self._process.stdin.flush()

    def lines(self) -> Iterator[dict[str, Any]]:
        """What the simulator has told since the last time; does not wait."""
        while True:
            try:
                line = self._lines.get_nowait()
            except queue.Empty:
                return
            if line is None:
                return
            yield line

    def _wait(self, key: str, within_s: float, failure: str) -> dict[str, Any]:
        for line in self.lines_until(key, within_s):
            if key in line:
                return line
        raise BenchError(failure)

    def _listen(self) -> None:
        if self._process.stdout is not None:
            with self._process.stdout as told:
                for text in told:
                    try:
                        line = json.loads(text)
                    except ValueError:
                        continue
                    if isinstance(line, dict):
                        if isinstance(line.get("truth"), dict):
                            self._truth = line["truth"]
                        self._lines.put(line)
        self._lines.put(None)
