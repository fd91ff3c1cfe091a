"""The real commands in processes of their own, with a simulator behind a port: what the rows of whole programs are played with."""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomlkit

from bench.journal import JournalReader, Kind
from tests.faults.short_job import JOB, PASSES, SCENARIO
from tests.support.processes import end_simulator
from tui.words import STEP_WORDS

COMMAND = (sys.executable, "-m", "tui.command_line")
#: Nothing takes so long unless it hangs, however busy the machine is.
DEADLINE_S = 60.0
STEPS = ("sense", "neutral", "passes")
#: How a step is called on standard error.
STEP_WORDS_OF = {step.value: words for step, words in STEP_WORDS.items()}


class Hangs(AssertionError):
    """Something did not come in time."""


@dataclass
class Program:
    """A command in its own process group; what it says on standard error, with the moment of each line."""

    process: subprocess.Popen[str]
    said: list[tuple[float, str]] = field(default_factory=list)
    out: str = ""
    ended_at: float = 0.0

    def __post_init__(self) -> None:
        self._new = threading.Condition()
        self._ears = [threading.Thread(target=self._hear), threading.Thread(target=self._read)]
        for ear in self._ears:
            ear.start()

    def _hear(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            with self._new:
                self.said.append((time.monotonic(), line.rstrip("\n")))
                self._new.notify_all()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._new:
                self.out += line
                self._new.notify_all()

    def until(self, words: str) -> None:
        """Wait for a line on standard error that holds `words`, or for the end."""
        self._until(lambda: any(words in text for _, text in self.said), self._ears[0], words)

    def until_out(self) -> None:
        """Wait for the first word on standard output, or for the end."""
        self._until(lambda: bool(self.out), self._ears[1], "standard output")

    def _until(self, come: Callable[[], bool], ear: threading.Thread, what: str) -> None:
        limit = time.monotonic() + DEADLINE_S
        with self._new:
            while not come() and ear.is_alive():
                if not self._new.wait(0.5) and time.monotonic() > limit:
                    raise Hangs(f"{what!r} was never said: {self.said}")

    def end(self) -> None:
        """Wait for its end."""
        self.process.wait(DEADLINE_S)
        self.ended_at = time.monotonic()
        for ear in self._ears:
            ear.join(DEADLINE_S)

    def close(self) -> None:
        """Nobody listens any more."""
        for ear, pipe in zip(self._ears, (self.process.stderr, self.process.stdout), strict=True):
            ear.join(DEADLINE_S)
            assert pipe is not None
            pipe.close()

    def children(self) -> list[int]:
        """Processes that it has started."""
        with contextlib.suppress(OSError):
            return [
                int(p) for p in Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
            ]
        return []


@dataclass
class Stage:
    """A folder with the short job, a simulator, and programs that are seen off at the end."""

    folder: Path
    seed: int
    draw: random.Random
    programs: list[Program] = field(default_factory=list)
    environment: dict[str, str] = field(default_factory=dict)
    #: What a scene itself has found wrong, in words.
    faults: list[str] = field(default_factory=list)
    #: Name of the journal of the job that is looked at.
    journal: str = "run.capture"
    #: Jobs before that one: each with its journal, and the moment at which its fault struck.
    earlier: list[tuple[Program, Path, float | None]] = field(default_factory=list)

    @property
    def capture(self) -> Path:
        """Where the journal goes."""
        return self.folder / "run" / self.journal

    @property
    def step(self) -> str:
        """The step in which this seed's fault strikes."""
        return STEPS[self.seed % len(STEPS)]

    def start(self, *arguments: str | Path, before: tuple[str, ...] = ()) -> Program:
        """A command."""
        environment = {**os.environ, "BREAKERBENCH_HOME": str(self.folder / "home"), **self.environment}
        environment.pop("BREAKERBENCH_PORT", None)
        process = subprocess.Popen(
            [*before, *COMMAND, *map(str, arguments)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            env=environment,
            start_new_session=True,
        )
        self.programs.append(Program(process))
        return self.programs[-1]

    def simulator(
        self, fault: str = "", where: tuple[str, ...] = ("--pty",), rate: str = "0", scenario: str = SCENARIO
    ) -> tuple[subprocess.Popen[str], str]:
        """A simulated board standing, and its port."""
        path = self.folder / "short.toml"
        path.write_text(scenario + (f"[fault]\n{fault}\n" if fault else ""), "utf-8")
        process = subprocess.Popen(
            [*COMMAND, "simulate", *where, "--scenario", str(path), "--seed", str(self.seed), "--rate", rate],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,
        )
        self._simulators.append(process)
        assert process.stdout is not None
        return process, process.stdout.readline().strip()

    def __post_init__(self) -> None:
        self._simulators: list[subprocess.Popen[str]] = []
        (self.folder / "home").mkdir()
        (self.folder / "run").mkdir()
        (self.folder / "home" / "bench.toml").write_text(
            'counts_per_turn = 10000\nencoder_sense = "clockwise"\n', "utf-8"
        )
        (self.folder / "job.toml").write_text(tomlkit.dumps(JOB), "utf-8")

    def measure(self, port: str, *more: str, capture: Path | None = None, before: tuple[str, ...] = ()) -> Program:
        """The short job on a port."""
        passes = ("--passes", str(PASSES), "--headless", "--json", "--capture", capture or self.capture)
        return self.start("measure", self.folder / "job.toml", "--port", port, *passes, *more, before=before)

    def document(self, *arguments: str | Path) -> dict[str, Any]:
        """What a command that ends well says as JSON."""
        told = self.start(*arguments, "--json")
        told.end()
        if told.process.returncode:
            raise AssertionError(f"{arguments} ended with {told.process.returncode}: {told.said[-3:]}")
        found: dict[str, Any] = json.loads(told.out)
        return found

    def replayed(self) -> Program:
        """The journal through the same run again, as its document."""
        again = self.start("replay", self.capture, "--json")
        again.end()
        return again

    def close(self) -> None:
        """See everything off that was started here."""
        for program in self.programs:
            for pid in (*program.children(), program.process.pid):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGCONT)
            program.process.kill()
            program.process.wait()
            program.close()
        for process in self._simulators:
            end_simulator(process)


@contextlib.contextmanager
def stage(name: str, seed: int) -> Iterator[Stage]:
    """A fresh stage."""
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        found = Stage(Path(folder), seed, random.Random(f"{name} {seed}"))
        try:
            yield found
        finally:
            found.close()


Scene = Callable[[Stage], tuple[Program, float | None]]


def gone(pids: list[int]) -> None:
    """Wait until the processes have ended by themselves."""
    limit = time.monotonic() + DEADLINE_S
    while any(_runs(pid) for pid in pids):
        if time.monotonic() > limit:
            raise Hangs(f"{pids} go on without their parent")
        time.sleep(0.02)


def _runs(pid: int) -> bool:
    try:
        return ") Z" not in Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False


def until_grown(capture: Path, size: int, going_on: Callable[[], bool]) -> None:
    """Wait until the journal has so many bytes, or nothing goes on any more."""
    limit = time.monotonic() + DEADLINE_S
    while going_on() and not (capture.exists() and capture.stat().st_size >= size):
        if time.monotonic() > limit:
            raise Hangs(f"the journal did not grow to {size} bytes")
        time.sleep(0.002)


def until_ended(capture: Path) -> None:
    """Wait until the acquiring process has ended the journal in good order."""
    limit = time.monotonic() + DEADLINE_S
    with JournalReader(capture) as reader:
        reader.header()
        while time.monotonic() < limit:
            for record in reader.records():
                if record.kind is Kind.ENTRY and record.document().get("kind") in ("end", "error"):
                    return
            time.sleep(0.02)
    raise Hangs("the journal was not ended")
