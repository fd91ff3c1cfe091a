"""A live measurement: the acquiring process, and the run that follows its journal as it grows."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from bench.acquisition import Order
from bench.acquisition_process import AcquisitionProcess
from bench.procedure import Step
from bench.run import Failure, Run
from bench.settings import read_header

#: Bytes come, but no frame can be read from them for so long: the line has become unreadable.
UNREADABLE_AFTER_S = 1.2
#: Not polled for so long: this process was stopped, or had no share of the processor.
SLEPT_S = 0.6
#: A disk that takes longer than this to secure the journal is not waited for; the journal's own thread goes on trying.
SECURE_WITHIN_S = 1.0


class Session:
    """Start it, call `poll` until `over`, then `close`. `run` holds what is known at any time."""

    def __init__(
        self, header: dict[str, Any], journal: Path, port: str | None, baud: int, hello_deadline_s: float
    ) -> None:
        """A guided job looks for a lost port until it is back; any other ends."""
        self.journal = journal
        self.run = Run(read_header(header, str(journal)))
        self.hello: dict[str, Any] | None = None
        self._acquiring = AcquisitionProcess(
            Order(str(journal), header, port, baud, hello_deadline_s, self.run.settings.guided)
        )
        self._error: Failure | None = None
        self._position_seen = 0
        self._frames_at = 0.0
        self._polled_at = 0.0
        self._unreadable_told = False
        self._synced = 0
        self._sync_number = 0
        self._secured: tuple[object, ...] = ()

    def start(self) -> None:
        """Spawn the acquiring process and hand it its order."""
        self._acquiring.start()
        self._frames_at = time.monotonic()

    @property
    def recorded(self) -> bool:
        """True once the acquiring process has made its journal."""
        return self._acquiring.recorded

    @property
    def over(self) -> bool:
        """True when nothing more will come: the run has finished, or the acquiring process has ended."""
        return self.run.finished

    def poll(self, wait_s: float) -> None:
        """Take in what the board and the acquiring process have said; waits up to `wait_s` if there is nothing."""
        grown = self._follow()
        self._hear(0.0 if grown else wait_s)
        self._secure()
        if self.run.restart_wanted:
            self.run.restart_wanted = False
            self._acquiring.tell({"do": "start"})
        if self._acquiring.ended and not self.run.finished:
            self._follow()
            if not self.run.finished:
                self.run.failure = self._error or Failure(
                    "acquisition-ended",
                    f"The process that reads the port ended unexpectedly. What it had read is kept in {self.journal}.",
                )
        elif self.hello is not None and not self.run.finished and not self.run.link_lost:
            self._check_readable()

    def press(self) -> None:
        """Ask the board to latch a press; it counts when its answer comes back."""
        self._acquiring.tell({"do": "press"})

    def enter(self, entry: dict[str, Any]) -> None:
        """What the person at the screen enters or leads to (see `Run`); it counts when the journal has it."""
        self._acquiring.enter(entry)

    def lead(self, step: Step) -> None:
        """Lead the guided job to another step: neutral, adjust, or done."""
        self.enter({"kind": "step", "to": step.value})

    def interrupt(self) -> None:
        """The user stops the program: note it in the journal, so that a replay ends the same way, and go on up to that note."""
        if self.run.finished:
            return
        self._acquiring.enter({"kind": "error", "code": "interrupted", "text": INTERRUPTED})
        deadline = time.monotonic() + SECURE_WITHIN_S
        while not self.run.finished and not self._acquiring.ended and time.monotonic() < deadline:
            if not self._follow():
                self._hear(0.02)
        if not self.run.finished:
            self.run.failure = Failure("interrupted", INTERRUPTED)

    def end(self) -> None:
        """Stop the board; nothing more is needed from it. Does not wait."""
        self._acquiring.end()

    def close(self) -> None:
        """Stop the board, close the journal, and see the acquiring process off."""
        acquiring = self._acquiring
        if not acquiring.started:
            return
        in_time = acquiring.finish()
        while acquiring.reports_wait:
            self._hear(0)
        acquiring.release()
        failed = self._error is not None and self._error.code == "journal"
        if self.run.failure is None and (failed or not in_time):
            self.run.failure = self._error if failed else Failure("journal", UNSECURED)

    def _hear(self, wait_s: float) -> None:
        """Take one report, if one comes in time."""
        report = self._acquiring.report(wait_s)
        if report is None:
            return
        if "error" in report:
            self._error = Failure(report["error"]["code"], report["error"]["text"])
        elif "hello" in report:
            self.hello = report["hello"]
            self._frames_at = time.monotonic()
        elif "synced" in report:
            self._synced = max(self._synced, int(report["synced"]))

    def _secure(self) -> None:
        """At each press, step, void and end: return only when the journal is on the disk up to there.

        Whoever draws after `poll` so shows nothing as taken that a power cut could still take away.
        """
        run = self.run
        state = (run.step, run.finished, sum(n.times for n in run.notes), run.presses_taken, len(run.entries))
        if state == self._secured or self.hello is None:
            return
        self._secured = state
        self._sync_number += 1
        self._acquiring.tell({"do": "sync", "id": self._sync_number})
        deadline = time.monotonic() + SECURE_WITHIN_S
        while self._synced < self._sync_number and not self._acquiring.ended and time.monotonic() < deadline:
            self._hear(0.02)

    def _follow(self) -> bool:
        grown = False
        for record in self._acquiring.records():
            grown = True
            self.run.feed(record)
            if self.run.finished:
                break
        return grown

    def _check_readable(self) -> None:
        position, now = self.run.tick, time.monotonic()
        slept, self._polled_at = now - self._polled_at > SLEPT_S, now
        if position != self._position_seen or slept:
            # Time in which this process itself was stopped says nothing about the line.
            self._position_seen, self._frames_at = position, now
        elif now - self._frames_at > UNREADABLE_AFTER_S and not self._unreadable_told:
            self._unreadable_told = True
            self._acquiring.enter({"kind": "error", "code": "link-unreadable", "text": UNREADABLE})


INTERRUPTED = "Stopped by the user before the measurement was complete. What was read so far is kept."
UNREADABLE = (
    "Bytes come from the board, but no position reports that could be read. Check cable, ground, baud rate and firmware, "
    "then start again."
)
UNSECURED = (
    "The journal could not be secured on the disk to its end, so that this result has no evidence. Check the disk, then "
    "measure again."
)
