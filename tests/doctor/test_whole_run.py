"""A whole run in real time: the command, a port, and a person who reads the prompts and does as they ask."""

from __future__ import annotations

import json
import re
import select
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from bench.conformance_steps import Step, steps_for
from tests.doctor.bench_board import HELLO, STEP_S, Bench, Faults
from tests.doctor.conduct import obedient
from tests.end_to_end.commands import running
from tests.link.boards import tcp_server


class Attended:
    """A bench on a port in real time, and a person who acts on the step that is asked for."""

    def __init__(self, faults: Faults) -> None:
        self._bench = Bench(faults)
        self._act = obedient(self._bench)
        self._steps = steps_for(faults.hello)
        self._asked: tuple[Step, float] | None = None

    def ask(self, number: int) -> None:
        """The prompt of step `number`, from 1, was read."""
        self._asked = self._steps[number - 1], time.monotonic()

    def serve(self, connection: socket.socket) -> None:
        """Serve the bench until the host hangs up."""
        next_at = time.monotonic()
        try:
            while True:
                wait = max(next_at - time.monotonic(), 0.0)
                if select.select([connection], [], [], wait)[0]:
                    data = connection.recv(4096)
                    if not data:
                        return
                    self._bench.receive(data)
                while time.monotonic() >= next_at:
                    next_at += STEP_S
                    if self._asked is not None:
                        self._act(self._asked[0], time.monotonic() - self._asked[1])
                    connection.sendall(self._bench.advance())
        except OSError:
            return


def _prompts(lines: Callable[[], str], heard: Callable[[int], None]) -> None:
    for line in iter(lines, ""):
        found = re.match(r"Step (\d+) of", line)
        if found:
            heard(int(found[1]))


def test_a_good_board_and_a_willing_person_end_with_all_passed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BREAKERBENCH_HOME", str(tmp_path))
    bench = Attended(Faults(hello=HELLO))
    with tcp_server(bench.serve) as port, running("doctor", "--port", port, "--json") as process:
        assert process.stderr is not None
        assert process.stdout is not None
        reader = threading.Thread(target=_prompts, args=(process.stderr.readline, bench.ask))
        reader.start()
        told = json.loads(process.stdout.read())
        reader.join()
        assert process.wait(20) == 0, told
    assert {f["status"] for f in told["findings"]} == {"pass"}
    assert told["outcome"] == "pass"
