"""The unchanged program measures through a port behind which the real firmware runs."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.end_to_end.commands import JOB, breakerbench
from tests.firmware import built


@contextmanager
def _port(*arguments: str) -> Iterator[str]:
    command = [sys.executable, "-m", "tests.firmware.serve", *arguments, "--until-stdin-closes"]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8")
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        yield json.loads(process.stdout.readline())["port"]
    finally:
        process.stdin.close()
        process.terminate()
        process.wait(10)
        process.stdout.close()


def test_a_job_is_measured_through_a_pseudo_terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    built.or_skip("in_simavr")
    monkeypatch.setenv("BREAKERBENCH_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("BREAKERBENCH_PORT", raising=False)
    capture = tmp_path / "run.capture"
    with _port("--pty", "--scenario", "plain-single", "--seed", "3", "--rate", "0") as port:
        done = breakerbench("measure", JOB, "--port", port, "--headless", "--json", "--capture", capture)
    assert done.status == 0, done.err
    assert done.document["link"]["losses"] == 0
    # Ordinary bounce voids no pass.
    openings = done.document["breakers"][0]["openings"]
    assert {o["passes_void"] for o in openings} == {0}
    again = breakerbench("replay", capture, "--json")
    assert (again.status, again.out) == (0, done.out)
