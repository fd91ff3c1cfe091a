"""The acquiring process as its parent sees it: orders to it, reports from it, and the journal that it writes, as it grows."""

from __future__ import annotations

import contextlib
import json
import queue
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from bench.acquisition import Order
from bench.errors import CaptureError
from bench.journal import JournalReader, Record

#: The process gets this long to stop the board and close the journal.
CLOSE_WITHIN_S = 3.0


class AcquisitionProcess:
    """Start it, take `report`s and `records`; at the end `finish`, take what is left, and `release`."""

    def __init__(self, order: Order) -> None:
        #: True once the process has made its journal.
        self.recorded = False
        #: True once the process has ended and all its reports were taken.
        self.ended = False
        self._order = order
        self._journal = Path(order.journal)
        self._process: subprocess.Popen[str] | None = None
        self._listener: threading.Thread | None = None
        self._reports: queue.Queue[dict[str, Any] | None] = queue.Queue()
        self._reader: JournalReader | None = None
        self._stop_told = False

    def start(self) -> None:
        """Spawn the process and hand it its order."""
        # -P: the user's current folder must not be searched for modules.
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "bench.acquisition"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            # Control-C goes to this process alone; the other one ends when its standard input does.
            start_new_session=True,
        )
        self.tell(asdict(self._order))
        self._listener = threading.Thread(target=self._listen, args=(self._process,), daemon=True)
        self._listener.start()

    @property
    def started(self) -> bool:
        """Whether there is a process to be seen off."""
        return self._process is not None

    def tell(self, command: dict[str, Any]) -> None:
        """Send one command. If the process is gone, its end is noticed by `report`."""
        process = self._process
        if process is None or process.stdin is None:
            return
        with contextlib.suppress(OSError, ValueError):
            process.stdin.write(json.dumps(command) + "\n")
            process.stdin.flush()

    def enter(self, entry: dict[str, Any]) -> None:
        """Have `entry` written to the journal, after what has come so far."""
        self.tell({"do": "entry", "entry": entry})

    def end(self) -> None:
        """Stop the board; nothing more is needed from it. Does not wait."""
        if not self._stop_told:
            self._stop_told = True
            self.tell({"do": "stop"})

    def report(self, wait_s: float) -> dict[str, Any] | None:
        """The next report, if one comes in time; None as well at the end, and then `ended`."""
        try:
            report = self._reports.get(timeout=wait_s) if wait_s > 0 else self._reports.get_nowait()
        except queue.Empty:
            return None
        self.ended = self.ended or report is None
        return report

    @property
    def reports_wait(self) -> bool:
        """Whether there are reports that were not taken yet."""
        return not self.ended and not self._reports.empty()

    def records(self) -> Iterator[Record]:
        """What the journal has gained since the last time."""
        if self._reader is None:
            self._open_journal()
        if self._reader is not None:
            yield from self._reader.records()

    def finish(self) -> bool:
        """Stop the board and wait for the process to close the journal; false if it had to be killed."""
        process = self._process
        if process is None:
            return True
        self.end()
        in_time = True
        try:
            process.wait(CLOSE_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            in_time = False
        if process.stdin is not None:
            with contextlib.suppress(OSError):
                process.stdin.close()
        if self._listener is not None:
            self._listener.join(CLOSE_WITHIN_S)
        return in_time

    def release(self) -> None:
        """Close what is still open on this side."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None
        process = self._process
        if process is not None and process.stdout is not None and self.ended:
            process.stdout.close()

    def _open_journal(self) -> None:
        """Open it if it is there with its header."""
        reader = None
        try:
            if self._journal.exists():
                reader = JournalReader(self._journal)
                reader.header()
                self._reader, self.recorded = reader, True
        except CaptureError:
            # Not written far enough yet.
            if reader is not None:
                reader.close()

    def _listen(self, process: subprocess.Popen[str]) -> None:
        if process.stdout is None:
            return
        for line in process.stdout:
            with contextlib.suppress(ValueError):
                report = json.loads(line)
                if isinstance(report, dict):
                    self._reports.put(report)
        self._reports.put(None)
