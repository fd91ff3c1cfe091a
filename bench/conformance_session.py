"""A conformance run on a port: the acquiring process, its journal, and the steps one after another.

Everything that the findings depend on goes through the journal: what came from the board, when a step began and ended, the host's
clock. So `Conformance`, fed with the same journal, says the same again.
"""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from bench.acquisition import Order
from bench.acquisition_process import AcquisitionProcess
from bench.conformance import Conformance
from bench.conformance_steps import REQUESTS, Step, StepKind, done, steps_for

CLOCK_EVERY_S = 0.25
#: How often the journal is looked at: often enough not to matter in a round trip.
POLL_S = 0.002
ANSWER_WITHIN_S = 1.0
#: A session without a Position for so long is no session: bytes may come, but nothing that can be read.
UNREADABLE_AFTER_S = 2.0
#: The steps that need no hands are given this much longer than they take.
NO_HANDS_WITHIN_S = 30.0
#: An entry gets this long to come back through the journal.
NOTED_WITHIN_S = 1.0
UNREADABLE = (
    "The board was greeted, but then no position report that could be read came for two seconds. "
    "Check cable, ground, baud rate and firmware."
)
INTERRUPTED = "Stopped by the user. What was seen so far is kept."
ENDED = "The process that reads the port ended unexpectedly. What it had read is kept."
UNSECURED = "The journal could not be secured on the disk to its end. Check the disk, then run this again."


class ConformanceSession:
    """Start it, call `poll` until `over`, then `close`; `conformance` then has the findings.

    `step` is the one under way, None before the greeting and after the last; `left_s` is its time left. `seconds` is the time limit of
    each step that needs hands; `attended`: a person at a terminal is asked, and may skip.
    """

    def __init__(
        self,
        header: dict[str, Any],
        journal: Path,
        port: str | None,
        baud: int,
        hello_deadline_s: float,
        seconds: float,
        attended: bool,
    ) -> None:
        self.journal = journal
        self.conformance = Conformance()
        self.step: Step | None = None
        self.steps: tuple[Step, ...] = ()
        #: Steps that have ended, with their state, see `conformance_steps`.
        self.ended_steps: list[tuple[Step, str]] = []
        self._acquiring = AcquisitionProcess(Order(str(journal), header, port, baud, hello_deadline_s))
        self._seconds = seconds
        self._attended = attended
        self._skip = False
        self._complete = False
        self._step_ends_at = 0.0
        self._next_clock = 0.0
        self._asked_at: float | None = None
        self._requests = 0
        self._positions = 0
        self._position_at = 0.0

    def start(self) -> None:
        """Spawn the acquiring process and hand it its order."""
        self._acquiring.start()

    @property
    def recorded(self) -> bool:
        """True once the acquiring process has made its journal."""
        return self._acquiring.recorded

    @property
    def over(self) -> bool:
        """True when all steps have ended, or the run has."""
        return self._complete or self._acquiring.ended or self.conformance.evidence.failure is not None

    @property
    def left_s(self) -> float:
        """Time left for the present step."""
        return max(self._step_ends_at - time.monotonic(), 0.0)

    def skip(self) -> None:
        """The person cannot or will not do the present step."""
        self._skip = self.step is not None and self.step.needs_hands

    def poll(self) -> None:
        """Take in what has come, and go on to the next step when the present one has ended."""
        if not self._follow():
            self._hear(POLL_S)
        evidence = self.conformance.evidence
        if self.over or evidence.stream.session is None or evidence.hello is None:
            return
        now = time.monotonic()
        self._check_readable(now)
        if evidence.restart_wanted:
            evidence.restart_wanted = False
            self._acquiring.tell({"do": "start"})
        if now >= self._next_clock:
            self._next_clock = now + CLOCK_EVERY_S
            self._acquiring.enter({"kind": "clock", "host_s": time.monotonic()})
        if not self.steps:
            self.steps = steps_for(evidence.hello)
            self._begin(0, now)
        elif self.step is not None:
            self._go_on(self.step, now)

    def interrupt(self) -> None:
        """The user stops the run: noted in the journal."""
        self._acquiring.enter({"kind": "error", "code": "interrupted", "text": INTERRUPTED})
        deadline = time.monotonic() + NOTED_WITHIN_S
        while self.conformance.evidence.failure is None and not self._acquiring.ended and time.monotonic() < deadline:
            if not self._follow():
                self._hear(POLL_S)
        self.conformance.evidence.fail("interrupted", INTERRUPTED)

    def close(self) -> None:
        """Stop the board, close the journal, take in the rest of it."""
        acquiring = self._acquiring
        if not acquiring.started:
            return
        in_time = acquiring.finish()
        while acquiring.reports_wait:
            self._hear(0.0)
        self._follow()
        acquiring.release()
        if not in_time:
            self.conformance.evidence.fail("journal", UNSECURED)

    # --- steps -------------------------------------------------------------------------------------------------------

    def _begin(self, number: int, now: float) -> None:
        if number >= len(self.steps):
            self.step, self._complete = None, True
            return
        self.step = self.steps[number]
        self._skip = False
        self._step_ends_at = now + (self._seconds if self.step.needs_hands else NO_HANDS_WITHIN_S)
        self._note(self.step, "begun")

    def _go_on(self, step: Step, now: float) -> None:
        evidence = self.conformance.evidence
        if evidence.begun(step.name) is None:
            # The entry is on its way through the journal; what came before it does not count.
            return
        if step.kind is StepKind.REQUESTS:
            self._request(now)
        if done(step, evidence):
            self._end(step, "seen", now)
        elif self._skip:
            self._end(step, "skipped", now)
        elif now >= self._step_ends_at:
            self._end(step, "time-limit", now)

    def _end(self, step: Step, state: str, now: float) -> None:
        self._note(step, state)
        self.ended_steps.append((step, state))
        self._begin(self.steps.index(step) + 1, now)

    def _note(self, step: Step, state: str) -> None:
        self._acquiring.enter({"kind": "step", "name": step.name, "state": state, "attended": self._attended})

    def _request(self, now: float) -> None:
        """Ask for a press, then wait for its answer, one after another."""
        if self._asked_at is not None:
            if self.conformance.evidence.answered(self._requests):
                self._acquiring.enter({"kind": "round-trip", "seconds": now - self._asked_at})
            elif now - self._asked_at >= ANSWER_WITHIN_S:
                self._acquiring.enter({"kind": "round-trip", "seconds": None})
            else:
                return
            self._asked_at = None
        elif self._requests < REQUESTS:
            # The acquiring process numbers its requests from 1.
            self._requests += 1
            self._asked_at = now
            self._acquiring.tell({"do": "press"})

    def _check_readable(self, now: float) -> None:
        positions = len(self.conformance.evidence.positions)
        if positions != self._positions or self._position_at == 0.0:
            self._positions, self._position_at = positions, now
        elif now - self._position_at > UNREADABLE_AFTER_S:
            self._position_at = now
            self._acquiring.enter({"kind": "error", "code": "link-unreadable", "text": UNREADABLE})

    # --- the acquiring process ---------------------------------------------------------------------------------------

    def _follow(self) -> bool:
        grown = False
        for record in self._acquiring.records():
            grown = True
            self.conformance.feed(record)
        return grown

    def _hear(self, wait_s: float) -> None:
        ended = self._acquiring.ended
        report = self._acquiring.report(wait_s)
        evidence = self.conformance.evidence
        if self._acquiring.ended and not ended:
            self._follow()
            if not self._complete:
                evidence.fail("acquisition-ended", ENDED)
        elif report is not None and "error" in report:
            self._follow()
            evidence.fail(report["error"]["code"], report["error"]["text"])
