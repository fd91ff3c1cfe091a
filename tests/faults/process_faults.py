"""Faults of the machine around the programs: ports, processes, clocks, disks and terminals. The real commands, in processes of their own.

The simulator runs as fast as the host reads. Each scene gives the job's end and the moment (monotonic clock) at which its fault struck.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import random
import select
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import tomlkit

from bench.errors import BenchError
from bench.journal import JournalReader
from bench.result import document
from bench.run import Run
from bench.settings import read_header
from sim import scenario as scenarios
from sim.world import World
from tests.faults.row import SLACK_DEG, WRONG_TIMES_U, Outcome, Row
from tests.faults.short_job import JOB, PASSES, SCENARIO
from tui.words import STEP_WORDS

COMMAND = (sys.executable, "-m", "tui.command_line")
#: Nothing takes so long unless it hangs, however busy the machine is.
DEADLINE_S = 60.0
STEPS = ("sense", "neutral", "passes")
YEAR_S = 31_557_600
#: Right, which chooses "read and understood" where that is asked for, and F2 of an xterm, which begins or goes to what is missing.
BEGIN = (b"\x1b[C", b"\x1bOQ")


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
        self.out = self.process.stdout.read()

    def until(self, words: str) -> None:
        """Wait for a line that holds `words`, or for the end."""
        limit = time.monotonic() + DEADLINE_S
        with self._new:
            while not any(words in text for _, text in self.said) and self._ears[0].is_alive():
                if not self._new.wait(0.5) and time.monotonic() > limit:
                    raise Hangs(f"{words!r} was never said: {self.said}")

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

    @property
    def capture(self) -> Path:
        """Where the journal goes."""
        return self.folder / "run" / "run.capture"

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
        self, fault: str = "", where: tuple[str, ...] = ("--pty",), rate: str = "0"
    ) -> tuple[subprocess.Popen[str], str]:
        """A simulated board standing, and its port."""
        path = self.folder / "short.toml"
        path.write_text(SCENARIO + (f"[fault]\n{fault}\n" if fault else ""), "utf-8")
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
            process.kill()
            process.wait()
            assert process.stdout is not None
            process.stdout.close()


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


# --- ports ---------------------------------------------------------------------------------------------------------------


def plain(on: Stage) -> tuple[Program, float | None]:
    """Nothing happens."""
    _, port = on.simulator()
    job = on.measure(port)
    job.end()
    return job, job.ended_at


def _goes_away(on: Stage, where: tuple[str, ...]) -> tuple[Program, float | None]:
    """The port goes away at a step: the simulator closes it by its own clock."""
    at_s = (0.5, 9.0, 18.0)[on.seed % 3] + on.draw.uniform(0.0, 0.5)
    _, port = on.simulator(f"close_at_s = {at_s:.3f}", where)
    job = on.measure(port)
    job.end()
    return job, _last_byte(on, job)


def _last_byte(on: Stage, job: Program) -> float:
    """The last moment at which bytes came: that of the journal's last growth before its closing entries cannot be seen afterwards, so the
    moment of the step's last word stands for it, which is never later."""
    del on
    steps = [at for at, text in job.said if text.startswith("step:")]
    return steps[-1] if steps else job.ended_at


def board_killed(on: Stage) -> tuple[Program, float | None]:
    """The process behind the port is killed."""
    board, port = on.simulator()
    job = on.measure(port)
    job.until(f"step: {STEP_WORDS_OF[on.step]}")
    struck = time.monotonic()
    board.kill()
    job.end()
    return job, struck


def thief(on: Stage) -> tuple[Program, float | None]:
    """Another program reads from the port for a while: some bytes go there."""
    _, port = on.simulator()
    job = on.measure(port)
    job.until(f"step: {STEP_WORDS_OF[on.step]}")
    struck = time.monotonic()
    try:
        fd = os.open(port, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError:
        job.end()
        return job, None
    for _ in range(on.draw.randint(1, 3)):
        with contextlib.suppress(BlockingIOError):
            os.read(fd, 2000)
    os.close(fd)
    job.end()
    return job, struck


def two_copies(on: Stage) -> tuple[Program, float | None]:
    """A second copy of ours wants the same port; the first one goes on. The second one is what is looked at."""
    _, port = on.simulator(rate="1")
    first = on.measure(port, capture=on.folder / "first.capture")
    first.until("step:")
    struck = time.monotonic()
    second = on.measure(port)
    second.end()
    if first.process.poll() is not None:
        raise AssertionError("the first copy ended")
    return second, struck


# --- processes -----------------------------------------------------------------------------------------------------------


def kill_job(on: Stage) -> tuple[Program, float | None]:
    """kill -9 of the command itself."""
    _, port = on.simulator()
    job = on.measure(port)
    job.until(f"step: {STEP_WORDS_OF[on.step]}")
    children = job.children()
    struck = time.monotonic()
    job.process.kill()
    job.end()
    _gone(children)
    return job, struck


def kill_acquisition(on: Stage) -> tuple[Program, float | None]:
    """kill -9 of the process that reads the port."""
    _, port = on.simulator()
    job = on.measure(port)
    job.until(f"step: {STEP_WORDS_OF[on.step]}")
    struck = time.monotonic()
    for pid in job.children():
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    job.end()
    return job, struck


def _gone(pids: list[int]) -> None:
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


def _stopped(on: Stage, which: str, seconds: float, rate: str = "0") -> tuple[Program, float | None]:
    """SIGSTOP, then SIGCONT, of the command, of the process that reads, or of both."""
    _, port = on.simulator(rate=rate)
    job = on.measure(port)
    job.until(f"step: {STEP_WORDS_OF[on.step]}")
    pids = {"command": [job.process.pid], "reader": job.children(), "both": [job.process.pid, *job.children()]}[which]
    struck = time.monotonic()
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGSTOP)
    # The fault itself is that time passes.
    time.sleep(seconds)
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGCONT)
    job.end()
    return job, struck


def starved(on: Stage) -> tuple[Program, float | None]:
    """Both processes get a tenth of the time, in slices of 100 ms, for three seconds."""
    _, port = on.simulator()
    job = on.measure(port)
    job.until("step:")
    struck = time.monotonic()
    while time.monotonic() < struck + 3.0 and job.process.poll() is None:
        pids = [job.process.pid, *job.children()]
        for sign, wait in ((signal.SIGSTOP, 0.09), (signal.SIGCONT, 0.01)):
            for pid in pids:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, sign)
            time.sleep(wait)
    job.end()
    return job, struck


def clock_set(on: Stage) -> tuple[Program, float | None]:
    """The wall clock is set back by ten years, then forward by twenty, in the middle of the job."""
    # libfaketime will not do: with the clock set back, its sleeps by the monotonic clock fail (EINVAL), whatever it is told of that clock.
    library, off = on.folder / "set_clock.so", on.folder / "clock"
    source = Path(__file__).with_name("set_clock.c")
    subprocess.run(["cc", "-shared", "-fPIC", "-O", "-o", library, source], check=True)
    off.write_text("0", "utf-8")
    on.environment |= {"LD_PRELOAD": str(library), "CLOCK_OFF_FILE": str(off)}
    _, port = on.simulator()
    job = on.measure(port)
    job.until("step:")
    struck = time.monotonic()
    off.write_text(str(-10 * YEAR_S), "utf-8")
    job.until(f"step: {STEP_WORDS_OF['passes']}")
    off.write_text(str(20 * YEAR_S), "utf-8")
    job.end()
    return job, struck


# --- disks ---------------------------------------------------------------------------------------------------------------


def disk_full(on: Stage) -> tuple[Program, float | None]:
    """No file may grow beyond some tens of kilobytes (a limit of the process; a full disk fails the same write)."""
    _, port = on.simulator()
    kilobytes = on.draw.randint(8, 120)
    job = on.measure(port, before=("bash", "-c", f'ulimit -f {kilobytes}; exec "$@"', "x"))
    job.end()
    return job, _last_byte(on, job)


def read_only(on: Stage) -> tuple[Program, float | None]:
    """The journal's folder can hold no new file."""
    _, port = on.simulator()
    struck = time.monotonic()
    job = on.measure(port, capture=Path("/proc/run.capture"))
    job.end()
    return job, struck


def folder_removed(on: Stage) -> tuple[Program, float | None]:
    """The journal's folder is removed in the middle of the job."""
    _, port = on.simulator()
    job = on.measure(port)
    job.until(f"step: {STEP_WORDS_OF[on.step]}")
    struck = time.monotonic()
    shutil.rmtree(on.capture.parent)
    job.end()
    return job, struck


# --- terminals -----------------------------------------------------------------------------------------------------------


def _in_terminal(on: Stage, environment: dict[str, str], act: Callable[[int], None]) -> tuple[Program, float | None]:
    """The screen in a pseudo-terminal whose other end is `act`'s; afterwards the terminal is closed."""
    _, port = on.simulator(rate="1")
    pid, master = pty.fork()
    if pid == 0:
        os.environ.update(environment | {"BREAKERBENCH_HOME": str(on.folder / "home"), "TERM": "xterm-256color"})
        arguments = ["measure", str(on.folder / "job.toml"), "--port", port, "--capture", str(on.capture)]
        os.execv(COMMAND[0], [*COMMAND, *arguments])
    _size(master, 24, 80)
    shown: list[bytes] = []
    over = threading.Event()
    ear = threading.Thread(target=_drain, args=(master, shown, over), daemon=True)
    ear.start()
    limit = time.monotonic() + DEADLINE_S
    while not (on.capture.exists() and on.capture.stat().st_size > 5_000):
        if time.monotonic() > limit:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            raise Hangs(f"the screen has not begun to measure: {b''.join(shown)[-300:]!r}")
        for keys in BEGIN:
            os.write(master, keys)
            time.sleep(0.4)
    struck = time.monotonic()
    act(master)
    over.set()
    ear.join(5)
    os.close(master)
    status = _ended(pid)
    said = b"".join(shown)
    if b"Traceback" in said:
        raise AssertionError(f"a traceback on the terminal: {said[-800:]!r}")
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) != signal.SIGHUP:
        raise AssertionError(f"ended by signal {os.WTERMSIG(status)}")
    _whole(on.capture)
    # What there is goes the same way again.
    again = on.start("replay", on.capture, "--json")
    again.end()
    return again, struck


def _ended(pid: int) -> int:
    """Exit status of a process of ours as waitpid gives it; one that goes on is killed."""
    limit = time.monotonic() + DEADLINE_S / 4
    while time.monotonic() < limit:
        found, status = os.waitpid(pid, os.WNOHANG)
        if found:
            return status
        time.sleep(0.02)
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    raise Hangs("the screen goes on without a terminal")


def _drain(fd: int, into: list[bytes], over: threading.Event) -> None:
    # A read under way would keep the terminal open after its closing.
    with contextlib.suppress(OSError):
        while not over.is_set():
            if select.select([fd], [], [], 0.05)[0]:
                into.append(os.read(fd, 65_536))


def _size(fd: int, rows: int, columns: int) -> None:
    fcntl.ioctl(fd, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))


def _whole(capture: Path) -> None:
    """Wait until the acquiring process has ended the journal in good order."""
    limit = time.monotonic() + DEADLINE_S
    with JournalReader(capture) as reader:
        reader.header()
        while time.monotonic() < limit:
            for record in reader.records():
                if record.kind == 3 and record.document().get("kind") in ("end", "error"):
                    return
            time.sleep(0.02)
    raise Hangs("the journal was not ended")


def terminal_closed(on: Stage) -> tuple[Program, float | None]:
    """The terminal is closed under the screen."""
    return _in_terminal(on, {}, lambda _: None)


def tiny_terminal(on: Stage) -> tuple[Program, float | None]:
    """The terminal becomes 1 × 1, 1 × 500, 500 × 1, then is closed."""

    def act(master: int) -> None:
        for rows, columns in ((1, 1), (1, 500), (500, 1), (1, 1)):
            _size(master, rows, columns)
            time.sleep(0.4)

    return _in_terminal(on, {}, act)


def no_utf8(on: Stage) -> tuple[Program, float | None]:
    """A terminal without UTF-8."""
    return _in_terminal(
        on, {"LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}, lambda _: time.sleep(1.0)
    )


def no_utf8_headless(on: Stage) -> tuple[Program, float | None]:
    """Standard output and error without UTF-8."""
    on.environment |= {
        "LC_ALL": "C",
        "LANG": "C",
        "PYTHONUTF8": "0",
        "PYTHONCOERCECLOCALE": "0",
        "PYTHONIOENCODING": "ascii",
    }
    return plain(on)


# --- how it went ---------------------------------------------------------------------------------------------------------

#: How a step is called on standard error.
STEP_WORDS_OF = {step.value: words for step, words in STEP_WORDS.items()}
LINK = frozenset({"link-lost", "link-silent", "no-port", "no-board", "link-unreadable"})
KILLED = frozenset({"killed", "ended", "incomplete-recording", "acquisition-ended"})
ENDED = KILLED | {"incomplete"}
DISK = frozenset({"journal"})


def _tcp(on: Stage) -> tuple[Program, float | None]:
    return _goes_away(on, ("--tcp", "127.0.0.1:0"))


def _pty(on: Stage) -> tuple[Program, float | None]:
    return _goes_away(on, ("--pty",))


def _row(
    name: str,
    scene: Scene,
    least: float,
    told: frozenset[str] = frozenset(),
    failures: frozenset[str] = frozenset(),
    **more: object,
) -> Row:
    SCENES[name] = scene
    # The first sentence of what the scene says of itself.
    injected = (scene.__doc__ or name).split("\n")[0]
    return Row(name, injected, lambda _d, _s: None, least, told, failures, kind="process", most_runs=12, **more)  # type: ignore[arg-type]


SCENES: dict[str, Scene] = {}
TROUBLED = frozenset({"frames-lost", "time-lost", "contact-lost", "count-doubtful", "bad-line", "line"})
ROWS = (
    _row("whole programs, nothing happens", plain, 1.0),
    _row("unplugged at each step, pty", _pty, 0.0, LINK, LINK),
    _row("unplugged at each step, TCP", _tcp, 0.0, LINK, LINK),
    _row("board's process killed", board_killed, 0.0, LINK, LINK, tell_within_s=2.0),
    _row("another program reads the port", thief, 0.0, TROUBLED | LINK, TROUBLED | LINK | {"incomplete"}),
    _row("two copies of ours on one port", two_copies, 0.0, LINK, LINK),
    _row("command killed", kill_job, 0.0, KILLED, KILLED),
    _row("reading process killed", kill_acquisition, 0.0, ENDED, ENDED),
    _row("command stopped for 3 s", lambda on: _stopped(on, "command", 3.0), 1.0),
    _row("reader stopped for 3 s", lambda on: _stopped(on, "reader", 3.0), 0.0, failures=LINK),
    _row("both stopped for 3 s", lambda on: _stopped(on, "both", 3.0), 0.9, failures=LINK),
    _row("a tenth of the processor", starved, 0.9, failures=LINK),
    _row("clock set back, then forward", clock_set, 1.0),
    _row("disk full", disk_full, 0.0, DISK, DISK),
    _row("folder read-only", read_only, 0.0, DISK, DISK),
    _row("journal's folder removed", folder_removed, 0.0, DISK, DISK),
    _row("terminal closed", terminal_closed, 0.0, KILLED, KILLED),
    _row("terminal 1 × 1", tiny_terminal, 0.0, KILLED, KILLED),
    _row("terminal without UTF-8", no_utf8, 0.0, KILLED, KILLED),
    _row("output without UTF-8", no_utf8_headless, 1.0),
)


def run(row: Row, seed: int) -> Outcome:
    """One scene."""
    with stage(row.name, seed) as on:
        try:
            job, struck = SCENES[row.name](on)
        except (AssertionError, subprocess.TimeoutExpired) as failed:
            return Outcome(row.name, seed, False, 4, "hangs", struck_s=0.0, faults=(str(failed)[:1000],))
        return _seen(row, seed, on, job, struck)


def _seen(row: Row, seed: int, on: Stage, job: Program, struck: float | None) -> Outcome:
    faults: list[str] = []
    if any("Traceback" in text for _, text in job.said):
        faults.append("a traceback: " + " | ".join(text for _, text in job.said)[-600:])
    result, failure, notes = None, "killed", ()
    if job.process.returncode >= 0:
        try:
            result = json.loads(job.out)
        except ValueError:
            faults.append(f"no JSON document: {job.out[:200]!r}, {job.said[-3:]}")
    if result is not None:
        failure = "" if result["valid"] else result["error"]["code"]
        notes = tuple(n["code"] for n in result["notes"])
        if not result["valid"] and sum(result["error"]["text"] in text for _, text in job.said) != 1:
            faults.append("the failure was not told once")
    lost, differs = _again(on, job, result)
    first = min(
        (
            at
            for at, text in job.said
            if text.startswith(("note:", "breakerbench:")) and struck is not None and at >= struck
        ),
        default=None,
    )
    told = bool(row.told & {failure, *notes}) or (
        "line" in row.told and result is not None and bool(result["link"]["losses"])
    )
    outcome = Outcome(
        row=row.name,
        seed=seed,
        valid=bool(result and result["valid"]),
        exit_status=4 if job.process.returncode < 0 else job.process.returncode,
        failure=failure,
        notes=notes,
        struck_s=None if struck is None else 0.0,
        told=told,
        told_after_s=None if first is None or struck is None else first - struck,
        clock="wall",
        acknowledged_lost=lost,
        replay_differs=differs,
        faults=tuple(faults),
    )
    return _judged(outcome, on, result) if outcome.valid else outcome


def _again(on: Stage, job: Program, result: dict[str, object] | None) -> tuple[int, bool]:
    """Steps and notes that the user was told of and that the journal does not tell; and whether its replay differs."""
    said = [text.partition(": ")[2] for _, text in job.said if text.startswith(("step:", "note:"))]
    if not on.capture.exists():
        # Nothing acknowledged, nothing lost; and what was told before it was taken away is none of the program's doing.
        return 0, False
    told: set[str] = set()
    try:
        with JournalReader(on.capture) as reader:
            run = Run(read_header(reader.header(), str(on.capture)))
            for record in reader.records():
                run.feed(record)
                told.add(STEP_WORDS[run.step])
                if run.finished:
                    break
    except BenchError:
        return len(said), True
    told |= {n.text for n in run.notes}
    lost = sum(text not in told for text in said)
    if result is None or not run.finished or "journal" in json.dumps(result.get("error") or ""):
        return lost, False
    return lost, document(run, str(on.capture)).to_json() != job.out.rstrip("\n")


def _judged(outcome: Outcome, on: Stage, result: dict[str, object] | None) -> Outcome:
    from dataclasses import replace

    truth = World(scenarios.read(on.folder / "short.toml"), on.seed).truth()
    true = {o["lobe"]: o["from_neutral_deg"] for o in truth["openings"]}  # type: ignore[attr-defined]
    beyond = wrong = 0
    rows = result["breakers"][0]["openings"]  # type: ignore[index]
    for o in rows:
        error, u = abs(o["from_neutral_deg"] - true[o["lobe"]]), o["from_neutral_expanded_uncertainty_deg"]
        beyond += error > u
        wrong += error > WRONG_TIMES_U * u + SLACK_DEG
    return replace(outcome, openings=len(rows), beyond_u=beyond, wrong=wrong)
