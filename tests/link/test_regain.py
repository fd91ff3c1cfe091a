"""A guided job outlives its link: the port is lost, found again, and the job goes on in the same journal; what it voids is void."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench import bench_file, job_file
from bench.procedure import Step
from bench.replay import replay
from bench.result import document
from bench.session import Session
from bench.settings import Rehearsal, header
from sim import scenario as scenarios
from tests.support.processes import end_simulator

PORT = 47_613
WITHIN_S = 60.0


@contextlib.contextmanager
def board(port: int, scenario: str = "plain-single") -> Iterator[str]:
    """A simulated board on TCP, as fast as the host reads."""
    process = subprocess.Popen(
        [
            *(sys.executable, "-P", "-m", "sim.serve", "--tcp", f"127.0.0.1:{port}", "--rate", "0"),
            *("--scenario", scenario, "--seed", "2", "--until-stdin-closes"),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        yield str(json.loads(process.stdout.readline())["port"])
    finally:
        end_simulator(process)


def guided(folder: Path, port: str) -> Session:
    scenario = scenarios.load("plain-single")
    assert scenario.job_path is not None
    assert scenario.bench_path is not None
    head = header(
        job_file.load(scenario.job_path),
        bench_file.load(scenario.bench_path),
        2,
        "2026-01-01T00:00:00+00:00",
        "test",
        Rehearsal("plain-single", 2),
        guided=True,
    )
    return Session(head, folder / "run.capture", port, 500_000, 5.0)


def until(session: Session, step: Step | None = None, lost: bool | None = None) -> None:
    deadline = time.monotonic() + WITHIN_S
    while time.monotonic() < deadline:
        session.poll(0.02)
        assert session.run.failure is None, session.run.failure
        if (step is None or session.run.step is step) and (lost is None or session.run.link_lost is lost):
            return
    pytest.fail(f"still {session.run.step} after {WITHIN_S:.0f} s")


def test_a_lost_port_is_found_again_and_the_job_goes_on_with_what_was_found_before(tmp_path: Path) -> None:
    with board(PORT) as port:
        session = guided(tmp_path, port)
        session.start()
        until(session, Step.ADJUST)
    try:
        until(session, lost=True)
        assert session.run.as_found is not None
        assert [n.code for n in session.run.notes][-1] == "link-lost"
        with board(PORT):
            until(session, Step.ADJUST, lost=False)
            assert session.run.as_found is not None
            session.lead(Step.NEUTRAL)
            until(session, Step.NEUTRAL)
    finally:
        session.interrupt()
        session.close()
    again = replay(tmp_path / "run.capture")
    assert document(again.run, "run.capture").to_json() == document(session.run, "run.capture").to_json()
