"""A session in this process: the real handshake and the real run, fed from the simulator in device time."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from bench.journal import Kind, Record
from bench.link import Handshake, Sender
from bench.procedure import Step
from bench.run import Failure, Run
from bench.session import INTERRUPTED
from bench.settings import read_header
from tests.rehearsal.unit import SimulatorHere

#: Questions that are asked before a board counts as silent.
QUESTIONS = 10


class SessionHere:
    """Stands where `bench.session.Session` does; time passes outside of it."""

    recorded = False

    def __init__(self, header: dict[str, Any], journal: Path, simulator: SimulatorHere) -> None:
        self.journal = journal
        self.run = Run(read_header(header, str(journal)))
        self.hello: dict[str, Any] | None = None
        self._simulator = simulator
        self._sender = Sender()
        self._number = 0
        self._stopped = False

    def start(self) -> None:
        """Ask who is there, and begin."""
        handshake = Handshake(self._sender)
        for _ in range(QUESTIONS):
            self._send(handshake.question())
            self._simulator.advance(0.05)
            data = self._simulator.take()
            self._feed(Kind.FROM_BOARD, data)
            handshake.feed(data)
            if handshake.greeting is not None:
                self._number = handshake.greeting.session
                self._send(self._sender.start(self._number))
                return
        raise AssertionError("the simulated board does not answer")

    @property
    def over(self) -> bool:
        """True when nothing more will come."""
        return self.run.finished

    def poll(self, wait_s: float) -> None:  # noqa: ARG002
        """Take in what the board has sent."""
        if data := self._simulator.take():
            self._feed(Kind.FROM_BOARD, data)
        if self.run.restart_wanted:
            self.run.restart_wanted = False
            self._number = self._number % 255 + 1
            self._send(self._sender.start(self._number))

    def enter(self, entry: dict[str, Any]) -> None:
        """What the person enters or leads to."""
        self._feed(Kind.ENTRY, json.dumps(entry).encode())

    def lead(self, step: Step) -> None:
        """Lead the guided job to another step."""
        self.enter({"kind": "step", "to": step.value})

    def interrupt(self) -> None:
        """End it before it is complete."""
        if not self.run.finished:
            self.run.failure = Failure("interrupted", INTERRUPTED)

    def end(self) -> None:
        """Stop the board."""
        if not self._stopped:
            self._stopped = True
            self._simulator.receive(self._sender.stop())
            self._simulator.advance(0.05)
            self._simulator.stopped()

    def close(self) -> None:
        """Nothing is left to close."""
        self.end()

    def _send(self, data: bytes) -> None:
        self._feed(Kind.TO_BOARD, data)
        self._simulator.receive(data)

    def _feed(self, kind: Kind, data: bytes) -> None:
        self.run.feed(Record(kind, data, 0))
