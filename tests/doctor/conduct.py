"""A whole conformance run in this process, in simulated time: the steps as `ConformanceSession` does them, a person who does as asked."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, Protocol

from bench.conformance import Conformance
from bench.conformance_steps import REQUESTS, Step, StepKind, done, steps_for
from bench.errors import LinkSilent, NoBoard, WrongFirmware
from bench.journal import Kind, Record
from bench.link import Handshake, Sender
from tests.doctor.bench_board import STEP_S, Bench, Faults

STEP_WITHIN_S = 14.0
HELLO_WITHIN_S = 1.6
SILENT_AFTER_S = 1.0
#: PROTOCOL.md, section 8: Hello after Stop.
STOP_WITHIN_S = 0.2


class Device(Protocol):
    """A board, and what is behind it."""

    def receive(self, data: bytes) -> None:
        """The host's bytes."""

    def advance(self) -> bytes:
        """10 ms pass."""


Person = Callable[[Step, float], None]


def obedient(bench: Bench) -> Person:
    """Somebody who does what each step asks; called with the step and the seconds since it began."""

    def act(step: Step, since_s: float) -> None:
        bench.turning = {StepKind.TURN: 1, StepKind.TURN_BACK: -1, StepKind.PROBE: int(bench.faults.cam)}.get(
            step.kind, 0
        )
        # A second on the ground, a second off, from half a second after being asked.
        touching = step.kind is StepKind.PROBE and 0.5 <= since_s < 4.5 and (since_s - 0.5) % 2 < 1
        bench.touched = step.channel if touching else None
        bench.pedal = step.kind is StepKind.PEDAL and 0.5 <= since_s < 1.5

    return act


def idle(step: Step, since_s: float) -> None:
    """Nobody is there."""


class Conduct:
    """`records` is what the journal would hold."""

    def __init__(self, device: Device, person: Person, attended: bool, skipping: bool = False) -> None:
        self.conformance = Conformance()
        self.records: list[Record] = []
        self._device = device
        self._person = person
        self._attended = attended
        self._skipping = skipping
        self._sender = Sender()
        self._now_s = 0.0
        self._heard_s = 0.0
        self._silent = False
        self._session = 0

    def run(self) -> Conformance:
        """From the first question to Stop."""
        if self._greet():
            evidence = self.conformance.evidence
            assert evidence.hello is not None
            for step in steps_for(evidence.hello):
                if not self._silent:
                    self._step(step)
            if not self._silent:
                self._send(self._sender.stop())
                for _ in range(round(STOP_WITHIN_S / STEP_S)):
                    self._pass()
        return self.conformance

    def _greet(self) -> bool:
        handshake = Handshake(self._sender)
        while handshake.greeting is None:
            if self._now_s >= HELLO_WITHIN_S:
                failure = handshake.failure("the port", self._now_s)
                assert isinstance(failure, NoBoard)
                self._error(failure.code, failure.text)
                return False
            self._send(handshake.question())
            try:
                handshake.feed(self._pass())
            except WrongFirmware as error:
                self._error(error.code, error.text)
                return False
        self._session = handshake.greeting.session
        self._send(self._sender.start(self._session))
        self._heard_s = self._now_s
        return True

    def _step(self, step: Step) -> None:
        self._entry({"kind": "step", "name": step.name, "state": "begun", "attended": self._attended})
        began = self._now_s
        asked: float | None = None
        requests = 0
        state = "skipped" if self._skipping and step.needs_hands else "time-limit"
        while self._now_s - began < STEP_WITHIN_S + (REQUESTS if step.kind is StepKind.REQUESTS else 0):
            if step.kind is StepKind.REQUESTS:
                if asked is not None and self.conformance.evidence.answered(requests):
                    self._entry({"kind": "round-trip", "seconds": self._now_s - asked})
                    asked = None
                elif asked is not None and self._now_s - asked > 1:
                    self._entry({"kind": "round-trip", "seconds": None})
                    asked = None
                elif asked is None and requests < REQUESTS:
                    requests, data = self._sender.press()
                    asked = self._now_s
                    self._send(data)
            self._person(step, self._now_s - began)
            self._pass()
            if self._silent:
                return
            if self.conformance.evidence.restart_wanted:
                self.conformance.evidence.restart_wanted = False
                self._session += 1
                self._send(self._sender.start(self._session))
            if done(step, self.conformance.evidence):
                state = "seen"
                break
            if state == "skipped":
                break
        self._entry({"kind": "step", "name": step.name, "state": state, "attended": self._attended})

    def _pass(self) -> bytes:
        data = self._device.advance()
        self._now_s += STEP_S
        if data:
            self._heard_s = self._now_s
            self._take(Kind.FROM_BOARD, data)
        elif self._session and self._now_s - self._heard_s >= SILENT_AFTER_S and not self._silent:
            self._silent = True
            self._error(LinkSilent.code, "The board fell silent.")
        if round(self._now_s / STEP_S) % 25 == 0:
            self._entry({"kind": "clock", "host_s": self._now_s})
        return data

    def _send(self, data: bytes) -> None:
        self._take(Kind.TO_BOARD, data)
        self._device.receive(data)

    def _error(self, code: str, text: str) -> None:
        self._entry({"kind": "error", "code": code, "text": text})

    def _entry(self, entry: dict[str, Any]) -> None:
        self._take(Kind.ENTRY, json.dumps(entry).encode())

    def _take(self, kind: Kind, payload: bytes) -> None:
        record = Record(kind, payload, 0)
        self.records.append(record)
        self.conformance.feed(record)


def conduct(faults: Faults, attended: bool = True, person: Person | None = None, skipping: bool = False) -> Conduct:
    """A run on a small bench with these faults; without `person`, somebody who does as asked."""
    bench = Bench(faults)
    run = Conduct(bench, person or obedient(bench), attended, skipping)
    run.run()
    return run
