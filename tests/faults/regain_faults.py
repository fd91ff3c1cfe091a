"""A guided job whose board is unplugged at each step and plugged in again: it goes on in the same journal, and what that voids is void.

The board is a process of its own on TCP, which is killed and started anew on the same port; its hand begins from the start, as a person who
marks neutral again does. The job is played up to the end of what was found before the adjustment.
"""

from __future__ import annotations

import contextlib
import json
import random
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from bench import bench_file, job_file
from bench.errors import BenchError
from bench.evaluation import evaluate_as_found
from bench.procedure import Step
from bench.replay import replay
from bench.result import document
from bench.session import Session
from bench.settings import Rehearsal, header
from sim import scenario as scenarios
from sim.world import World
from tests.faults.fault import Fault
from tests.faults.row import SLACK_DEG, WRONG_TIMES_U, Outcome, Row

STEPS = (Step.SENSE, Step.NEUTRAL, Step.AS_FOUND, Step.ADJUST)
DEADLINE_S = 90.0
SCENARIO = "plain-single"


class _Board:
    """A simulated board that can be unplugged."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self._port = free.getsockname()[1]
        self._process: subprocess.Popen[str] | None = None

    def plug(self) -> str:
        """It answers from now on; gives its port."""
        command = [sys.executable, "-P", "-m", "sim.serve", "--tcp", f"127.0.0.1:{self._port}", "--rate", "0"]
        command += ["--scenario", SCENARIO, "--seed", str(self._seed), "--until-stdin-closes"]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        return str(json.loads(self._process.stdout.readline())["port"])

    def unplug(self) -> None:
        """It is gone."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    pipe.close()


def _until(session: Session, step: Step | None, lost: bool | None = None) -> None:
    limit = time.monotonic() + DEADLINE_S
    while time.monotonic() < limit:
        session.poll(0.01)
        if session.run.failure is not None:
            raise AssertionError(f"ended: {session.run.failure}")
        if (step is None or session.run.step is step) and (lost is None or session.run.link_lost is lost):
            return
    raise AssertionError(f"still in {session.run.step}, lost: {session.run.link_lost}")


def run(row: Row, seed: int) -> Outcome:
    """One job."""
    scenario = scenarios.load(SCENARIO)
    assert scenario.job_path is not None
    assert scenario.bench_path is not None
    job, bench = job_file.load(scenario.job_path), bench_file.load(scenario.bench_path)
    settings = header(job, bench, 2, "2026-01-01T00:00:00+00:00", "test", Rehearsal(SCENARIO, seed), guided=True)
    board = _Board(seed)
    with tempfile.TemporaryDirectory(prefix="faults-") as folder, contextlib.ExitStack() as undo:
        undo.callback(board.unplug)
        path = Path(folder) / "run.capture"
        session = Session(settings, path, board.plug(), 500_000, 5.0)
        try:
            session.start()
            faults, struck, told = _played(session, board, STEPS[seed % len(STEPS)])
        except (AssertionError, BenchError) as error:
            faults, struck, told = (str(error)[:500],), None, None
        finally:
            session.interrupt()
            session.close()
        after = None if struck is None or told is None else told - struck
        again = replay(path)
        differs = document(again.run, "x").to_json() != document(session.run, "x").to_json()
        found = evaluate_as_found(session.run)
        told_truth: Any = World(scenario, seed).truth()
        truth = {o["lobe"]: o["from_neutral_deg"] for o in told_truth["openings"]}
        openings = [] if found is None else [o for b in found.breakers for o in b.openings]
        errors = [
            (abs(o.from_neutral.value_deg - truth[o.mean.lobe]), o.from_neutral.budget.expanded_uncertainty_deg)
            for o in openings
            if o.from_neutral is not None
        ]
        return Outcome(
            row=row.name,
            seed=seed,
            valid=not faults and len(errors) == len(openings) > 0,
            exit_status=4 if faults else 0,
            failure="" if session.run.failure is None else session.run.failure.code,
            notes=tuple(n.code for n in session.run.notes),
            struck_s=0.0,
            ended_s=DEADLINE_S,
            told=told is not None,
            told_after_s=after,
            clock="wall",
            openings=len(errors),
            beyond_u=sum(e > u for e, u in errors),
            wrong=sum(e > WRONG_TIMES_U * u + SLACK_DEG for e, u in errors),
            worst_over_u=max((e / u for e, u in errors), default=0.0),
            replay_differs=differs,
            faults=faults,
        )


def _played(session: Session, board: _Board, step: Step) -> tuple[tuple[str, ...], float, float]:
    """Unplugged in `step`, plugged in again, and on until all is found; what is wrong, when it was unplugged, when that was told."""
    _until(session, step)
    while session.run.procedure is None:
        # Nothing has been said by the board yet, so that there is no session to lose.
        _until(session, step)
    before = session.run.as_found
    struck = time.monotonic()
    board.unplug()
    _until(session, None, lost=True)
    told = time.monotonic()
    faults = []
    if "link-lost" not in [n.code for n in session.run.notes]:
        faults.append("the loss was not told")
    if any(any(n) for n in session.run.lobe_counts().values()):
        faults.append("passes outlived the loss")
    board.plug()
    _until(session, Step.ADJUST, lost=False)
    if before is not None and session.run.as_found is not before:
        faults.append("what was found before the adjustment did not stay")
    return tuple(faults), struck, told


ROWS = (
    Row(
        "unplugged and plugged in again at each step of a guided job",
        "the board's process killed and started anew",
        lambda d, _: Fault(random.Random(d.random())),
        1.0,
        frozenset({"link-lost"}),
        tell_within_s=2.0,
        kind="regain",
        seeds=4,
        most_runs=12,
    ),
)
