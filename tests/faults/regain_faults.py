"""A guided job whose board is lost and comes back: the job goes on in the same journal, and what that voids is void, nothing else.

The board is a process of its own on TCP, which is killed and started anew on the same port, or stopped for a while; its hand begins
from the start, as a person who marks neutral again does. The job is played to its very end, so that what was found before the adjustment
and what was left after it are both held against the truth.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from bench import bench_file, job_file
from bench.errors import BenchError
from bench.evaluation import Evaluation, evaluate, evaluate_as_found
from bench.procedure import Step
from bench.replay import replay
from bench.result import document
from bench.session import Session
from bench.settings import Rehearsal, header
from sim import scenario as scenarios
from sim.scenario import Scenario
from sim.world import World
from tests.faults.fault import Fault
from tests.faults.row import SLACK_DEG, WRONG_TIMES_U, Outcome, Row
from tests.support.processes import end_simulator

DEADLINE_S = 90.0
#: So many that the steps in which they are taken last long enough to be seen, however fast the board goes.
PASSES = 4
BASE = "plain-single"
#: A brisk hand that goes on turning for as long as any job takes.
HAND = "\n[hand]\npresses_per_side = 2\nreleases_per_side = 0\nspeeds_deg_s = [150, 220]\nturns = 400\n"
FIRST_BOOT = 7
STOPPED_S, MINUTE_S = 4.0, 60.0


class Place(StrEnum):
    """Where in the guided job the board is lost."""

    SENSE = "sense"
    NEUTRAL = "neutral"
    AS_FOUND = "as found"
    ADJUST = "adjust"
    #: Neutral is being marked again, as led to from the adjustment.
    MARKED_AGAIN = "marked again"
    VERIFY = "verify"
    CHECKS = "checks"


PLACES = tuple(Place)
#: Where the job is at each of them, and where it is once all that was lost is made good.
STEP_AT = {p: Step.NEUTRAL if p is Place.MARKED_AGAIN else Step(p.value) for p in PLACES}


@dataclass
class Board:
    """A simulated board that can be lost. `boot_counter`, `seed`: those of the one that is plugged in next."""

    folder: Path
    seed: int
    boot_counter: int = FIRST_BOOT
    _process: subprocess.Popen[str] | None = None

    def __post_init__(self) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self._port = free.getsockname()[1]

    def scenario(self) -> Scenario:
        """What it simulates."""
        path = self.folder / f"boot-{self.boot_counter}.toml"
        for name in (f"{BASE}.job.toml", "rehearsal.bench.toml"):
            (self.folder / name).write_text((scenarios.BUILT_IN_FOLDER / name).read_text("utf-8"), "utf-8")
        text = (scenarios.BUILT_IN_FOLDER / f"{BASE}.toml").read_text("utf-8")
        path.write_text(f"{text}{HAND}[board]\nboot_counter = {self.boot_counter}\n", "utf-8")
        return scenarios.load(path)

    def plug(self) -> str:
        """It answers from now on; gives its port."""
        file = str(self.scenario().job_path).replace(f"{BASE}.job", f"boot-{self.boot_counter}")
        command = [sys.executable, "-P", "-m", "sim.serve", "--tcp", f"127.0.0.1:{self._port}", "--rate", "0"]
        command += ["--scenario", file, "--seed", str(self.seed), "--until-stdin-closes"]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        return str(json.loads(self._process.stdout.readline())["port"])

    def unplug(self) -> None:
        """It is gone."""
        process, self._process = self._process, None
        if process is not None:
            end_simulator(process)

    def signal(self, sign: signal.Signals) -> None:
        """To its process."""
        assert self._process is not None
        os.kill(self._process.pid, sign)


@dataclass
class Played:
    """What a job has come to: what is wrong in words, and the moments of the latest loss and of its being told."""

    session: Session
    board: Board
    draw: random.Random
    faults: list[str] = field(default_factory=list)
    struck: float | None = None
    told: float | None = None

    def until(self, step: Step | None, lost: bool | None = None, failing: bool = False) -> None:
        """Follow the journal until the job is there; `failing`: until it has ended without a result."""
        session, limit = self.session, time.monotonic() + DEADLINE_S
        while time.monotonic() < limit:
            session.poll(0.01)
            if session.run.failure is not None:
                if failing:
                    return
                raise AssertionError(f"ended: {session.run.failure}")
            if (
                not failing
                and (step is None or session.run.step is step)
                and (lost is None or session.run.link_lost is lost)
            ):
                return
        raise AssertionError(f"still in {session.run.step}, lost: {session.run.link_lost}")

    def reach(self, place: Place) -> None:
        """On to `place`, from the one before."""
        if place is Place.MARKED_AGAIN:
            self.session.lead(Step.NEUTRAL)
        elif place is Place.VERIFY:
            self.session.press()
        self.until(STEP_AT[place])
        while self.session.run.procedure is None:
            # Nothing has been said by the board yet, so that there is no session to lose.
            self.until(None)

    def lose(self, place: Place, lose: Callable[[], None], regain: Callable[[], None]) -> None:
        """The board is lost at `place` and comes back, and the job with it."""
        run = self.session.run
        before, left, notes = run.as_found, run.as_left, _losses(self.session)
        self.struck = time.monotonic()
        lose()
        self.until(None, lost=True)
        self.told = time.monotonic()
        if _losses(self.session) != notes + 1:
            self.faults.append(f"{place}: the loss was told {_losses(self.session) - notes} times")
        if any(any(n) for n in run.lobe_counts().values()):
            self.faults.append(f"{place}: passes outlived the loss")
        regain()
        self.until(None, lost=False)
        if run.as_found is not before or run.as_left is not left:
            self.faults.append(f"{place}: what was found before did not stay")

    def come_back(self, place: Place) -> None:
        """To where the job was, with all made good that the loss has voided."""
        self.until(Step.ADJUST if place is Place.MARKED_AGAIN else STEP_AT[place])

    def finish(self) -> None:
        """The other checks are done with."""
        self.session.lead(Step.DONE)
        self.until(Step.DONE)


def _losses(session: Session) -> int:
    return sum(n.times for n in session.run.notes if n.code == "link-lost")


# --- scenes --------------------------------------------------------------------------------------------------------------


def _through(
    job: Played, seed: int, lose: Callable[[], None], regain: Callable[[], None], everywhere: bool = False
) -> None:
    """The whole guided job, losing the board at one place, by the seed, or at every one."""
    one = PLACES[seed % len(PLACES)]
    for place in PLACES:
        losing = everywhere or place is one
        if place is Place.MARKED_AGAIN and not losing:
            # The simulated hand marks neutral once only, at the beginning.
            continue
        job.reach(place)
        if losing:
            job.lose(place, lose, regain)
            job.come_back(place)
    job.finish()


def replugged(job: Played, seed: int) -> None:
    """The board is unplugged, and plugged in again."""
    _through(job, seed, job.board.unplug, lambda: _plug(job.board))


def replugged_everywhere(job: Played, seed: int) -> None:
    """Unplugged and plugged in again at every step of one job."""
    _through(job, seed, job.board.unplug, lambda: _plug(job.board), everywhere=True)


def counter_changed(job: Played, seed: int) -> None:
    """The board comes back with its boot counter forgotten, or gone on."""
    _through(
        job, seed, job.board.unplug, lambda: _plug(job.board, 1 if seed // len(PLACES) % 2 == 0 else FIRST_BOOT + 1)
    )


def stopped(job: Played, seed: int, seconds: float = STOPPED_S) -> None:
    """The board stands still for some seconds with its port open, then goes on."""

    def go_on() -> None:
        # The fault itself is that time passes; the job is followed meanwhile.
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            job.session.poll(0.05)
        job.board.signal(signal.SIGCONT)

    _through(job, seed, lambda: job.board.signal(signal.SIGSTOP), go_on)


def stopped_for_a_minute(job: Played, seed: int) -> None:
    """The board stands still for a minute with its port open, then goes on."""
    stopped(job, seed, MINUTE_S)


def gone_for_good(job: Played, seed: int) -> None:
    """The board is unplugged in the other checks and not plugged in again: all is measured, so the job ends with its result."""
    del seed
    for place in PLACES:
        if place is not Place.MARKED_AGAIN:
            job.reach(place)
    time.sleep(job.draw.uniform(0.0, 0.2))
    job.struck = time.monotonic()
    job.board.unplug()
    job.until(None, lost=True)
    job.told = time.monotonic()
    job.finish()


def another_board(job: Played, seed: int) -> None:
    """Another board is plugged in: the job ends, and says why."""
    one = PLACES[seed % len(PLACES)]
    for place in PLACES[: PLACES.index(one) + 1]:
        if place is one or place is not Place.MARKED_AGAIN:
            job.reach(place)
    run = job.session.run
    before = run.as_found, run.as_left
    job.board.unplug()
    job.until(None, lost=True)
    job.board.seed += 1
    job.board.plug()
    job.struck = time.monotonic()
    job.until(None, failing=True)
    job.told = time.monotonic()
    if (run.as_found, run.as_left) != before:
        job.faults.append("what was found before did not stay")


def _plug(board: Board, boot_counter: int = FIRST_BOOT) -> None:
    board.boot_counter = boot_counter
    board.plug()


# --- rows ----------------------------------------------------------------------------------------------------------------

LOST = frozenset({"link-lost"})
OTHER = frozenset({"other-board"})
SCENES: dict[str, Callable[[Played, int], None]] = {}


def _row(
    name: str,
    scene: Callable[[Played, int], None],
    least: float = 1.0,
    told: frozenset[str] = LOST,
    failures: frozenset[str] = frozenset(),
    most_runs: int = 2 * len(PLACES),
) -> Row:
    SCENES[name] = scene
    injected = (scene.__doc__ or "").split("\n")[0]
    return Row(
        name,
        injected,
        lambda d, _: Fault(random.Random(d.random())),
        least,
        told,
        failures,
        tell_within_s=2.0,
        kind="regain",
        most_runs=most_runs,
    )


ROWS = (
    _row("unplugged and plugged in again at each step of a guided job", replugged),
    _row("unplugged and plugged in again at every step of one guided job", replugged_everywhere, most_runs=6),
    _row("plugged in again with another boot counter", counter_changed),
    _row("another board plugged in, guided job", another_board, 0.0, OTHER, OTHER),
    _row("unplugged for good in the checks of a guided job", gone_for_good),
    _row("board stands still for some seconds, guided job", stopped),
    _row("board stands still for a minute, guided job", stopped_for_a_minute, most_runs=len(PLACES)),
)


def run(row: Row, seed: int) -> Outcome:
    """One job."""
    with tempfile.TemporaryDirectory(prefix="faults-") as folder, contextlib.ExitStack() as undo:
        board = Board(Path(folder), seed)
        scenario = board.scenario()
        assert scenario.job_path is not None
        assert scenario.bench_path is not None
        job, bench = job_file.load(scenario.job_path), bench_file.load(scenario.bench_path)
        settings = header(job, bench, PASSES, "2026-01-01T00:00:00+00:00", "test", Rehearsal(BASE, seed), guided=True)
        undo.callback(board.unplug)
        path = Path(folder) / "run.capture"
        session = Session(settings, path, board.plug(), 500_000, 5.0)
        played = Played(session, board, random.Random(f"{row.name} {seed}"))
        try:
            session.start()
            SCENES[row.name](played, seed)
        except (AssertionError, BenchError) as error:
            played.faults.append(str(error)[:500])
        finally:
            session.interrupt()
            session.close()
        result = document(session.run, "x")
        differs = document(replay(path).run, "x").to_json() != result.to_json()
        truth = _truth(scenario, seed)
        errors = _errors(evaluate_as_found(session.run), truth)
        if result.valid:
            errors += _errors(evaluate(session.run), truth)
        struck, told = played.struck, played.told
        return Outcome(
            row=row.name,
            seed=seed,
            valid=result.valid,
            exit_status=result.exit_status(),
            failure="" if session.run.failure is None else session.run.failure.code,
            notes=tuple(n.code for n in session.run.notes),
            struck_s=None if struck is None else 0.0,
            ended_s=DEADLINE_S,
            told=told is not None,
            told_after_s=None if struck is None or told is None else told - struck,
            clock="wall",
            openings=len(errors),
            beyond_u=sum(e > u for e, u in errors),
            wrong=sum(e > WRONG_TIMES_U * u + SLACK_DEG for e, u in errors),
            worst_over_u=max((e / u for e, u in errors), default=0.0),
            replay_differs=differs,
            faults=tuple(played.faults),
        )


def _truth(scenario: Scenario, seed: int) -> dict[Any, float]:
    told: Any = World(scenario, seed).truth()
    return {o["lobe"]: o["from_neutral_deg"] for o in told["openings"]}


def _errors(found: Evaluation | None, truth: dict[Any, float]) -> list[tuple[float, float]]:
    """Each opening's error and expanded uncertainty, degrees."""
    openings = [] if found is None else [o for b in found.breakers for o in b.openings]
    return [
        (abs(o.from_neutral.value_deg - truth[o.mean.lobe]), o.from_neutral.budget.expanded_uncertainty_deg)
        for o in openings
        if o.from_neutral is not None
    ]
