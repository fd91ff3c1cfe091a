"""The simulator in this process and in device time: the same lines as its own process tells, without a clock."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from sim import scenario as scenarios
from sim.exercises import exercise_of, papers
from sim.rehearsal import Rehearsal


class SimulatorHere:
    """Stands where `tui.simulator.Simulator` does. `advance` lets time pass; the board's bytes are then read by `take`."""

    port = "in this process"

    def __init__(self, scenario: str, seed: int) -> None:
        chosen = scenarios.load(scenario)
        exercise = exercise_of(chosen, seed)
        self.scenario = chosen
        self.about: dict[str, Any] = {
            "port": self.port,
            **{key: str(path) for key, path in papers(chosen, exercise).items()},
            "exercise": None if exercise is None else exercise.document(),
        }
        self._rehearsal = Rehearsal(chosen, seed)
        self._bytes = self._rehearsal.world.boot()
        self._lines: list[dict[str, Any]] = []
        self.now_s = 0.0

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        data, felt = self._rehearsal.advance(seconds)
        self._bytes += data
        self._lines += felt
        self.now_s += seconds

    def take(self) -> bytes:
        """What the board has sent since the last time."""
        data, self._bytes = self._bytes, b""
        return data

    def receive(self, data: bytes) -> None:
        """What a host sends."""
        self._rehearsal.world.receive(data)

    def stopped(self) -> None:
        """A host has ended its session: the truth is told then."""
        self._lines.append({"truth": self.last_truth()})

    def last_truth(self) -> dict[str, Any]:
        """What is true now, as a line of JSON would bring it."""
        truth: dict[str, Any] = json.loads(json.dumps(self._rehearsal.truth()))
        return truth

    def tell(self, command: dict[str, Any]) -> None:
        """One act of the hand."""
        self._lines.append(self._rehearsal.obey(json.dumps(command)))

    def lines(self) -> Iterator[dict[str, Any]]:
        """What was told since the last time."""
        told, self._lines = self._lines, []
        yield from told

    def lines_until(self, key: str, within_s: float) -> Iterator[dict[str, Any]]:  # noqa: ARG002
        """The same: here nothing is still on its way."""
        yield from self.lines()
