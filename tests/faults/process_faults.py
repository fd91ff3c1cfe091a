"""Faults of the machine around the programs: ports, processes, clocks, disks and terminals. The real commands, in processes of their own.

The simulator runs as fast as the host reads, or in real time where a fault is that bytes come while nobody reads. Each scene gives the
job's end and the moment (monotonic clock) at which its fault struck, or from which on it can be told.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import time
from dataclasses import replace
from pathlib import Path

from bench.errors import BenchError
from bench.journal import JournalReader
from bench.result import document
from bench.run import Run
from bench.settings import read_header
from sim import scenario as scenarios
from sim.world import World
from tests.faults.kill_scenes import (
    WHOLE_BYTES,
    kill_while_record_is_written,
    killed_board,
    killed_command,
    killed_reader,
    killed_screen,
)
from tests.faults.programs import STEP_WORDS_OF, Program, Scene, Stage, gone, stage, until_grown
from tests.faults.row import SLACK_DEG, WRONG_TIMES_U, Outcome, Row, misses
from tests.faults.short_job import SCENARIO
from tests.faults.terminal_scenes import (
    NO_UTF8,
    dumb_terminal,
    no_utf8,
    screen_signalled,
    terminal_closed,
    terminal_lost,
    tiny_terminal,
)
from tui.words import STEP_WORDS

YEAR_S = 31_557_600
MINUTE_S = 60.0
#: The hand of the short job, going on until long after the minute.
TURNING_ON = SCENARIO.replace("turns = 3.3", "turns = 90")


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
    gone(children)
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


def _suspended(on: Stage, which: str, step: str) -> tuple[Program, float | None]:
    """Stopped for a minute in one step, while the board sends on in real time; can be told from when they go on."""
    _, port = on.simulator(rate="1", scenario=TURNING_ON)
    job = on.measure(port)
    job.until(f"step: {STEP_WORDS_OF[step]}")
    time.sleep(on.draw.uniform(0.0, 0.5))
    pids = {"command": [job.process.pid], "reader": job.children(), "both": [job.process.pid, *job.children()]}[which]
    for pid in pids:
        os.kill(pid, signal.SIGSTOP)
    # The fault itself is that time passes.
    time.sleep(MINUTE_S)
    struck = time.monotonic()
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGCONT)
    job.end()
    return job, struck


def board_stopped(on: Stage) -> tuple[Program, float | None]:
    """The process behind the port, pty or TCP, is stopped and does not go on."""
    board, port = on.simulator(where=(("--pty",), ("--tcp", "127.0.0.1:0"))[on.seed // 3 % 2], rate="1")
    job = on.measure(port)
    job.until(f"step: {STEP_WORDS_OF[on.step]}")
    struck = time.monotonic()
    os.kill(board.pid, signal.SIGSTOP)
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


# --- signals and pipes ---------------------------------------------------------------------------------------------------


def signalled(on: Stage) -> tuple[Program, float | None]:
    """SIGTERM, SIGHUP or SIGINT to the command without a screen, once or twice quickly, at any moment of the job."""
    sign = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)[on.seed % 3]
    _, port = on.simulator()
    job = on.measure(port)
    job.until("step:")
    until_grown(on.capture, on.draw.randrange(WHOLE_BYTES), lambda: job.process.poll() is None)
    children = job.children()
    struck = time.monotonic()
    for _ in range(1 + on.seed // 3 % 2):
        job.process.send_signal(sign)
        time.sleep(on.draw.uniform(0.0, 0.3))
    job.end()
    gone(children)
    return job, struck


def output_closed(on: Stage) -> tuple[Program, float | None]:
    """Who read standard output is gone before the result comes: its record is kept all the same."""
    _, port = on.simulator()
    job = on.measure(port, before=("bash", "-c", 'set -o pipefail; "$@" | head -n "$0"', str((on.seed + 1) % 2)))
    job.end()
    told = sum("output could not be written" in text for _, text in job.said)
    # Who takes one line may have been given all before it went.
    if (job.process.returncode, told) not in (((4, 1),) if on.seed % 2 == 1 else ((4, 1), (0, 0))):
        on.faults.append(f"exit status {job.process.returncode}, told {told} times: {job.said[-3:]}")
    if len(on.document("records", "list")["records"]) != 1:
        on.faults.append("a whole measurement has no record")
    return on.replayed(), job.ended_at


def error_closed(on: Stage) -> tuple[Program, float | None]:
    """Standard error is closed from the beginning."""
    _, port = on.simulator()
    job = on.measure(port, before=("bash", "-c", 'exec "$@" 2>&-', "x"))
    job.end()
    return job, job.ended_at


def no_utf8_headless(on: Stage) -> tuple[Program, float | None]:
    """Standard output and error without UTF-8."""
    on.environment |= NO_UTF8 | {"PYTHONIOENCODING": "ascii"}
    return plain(on)


# --- how it went ---------------------------------------------------------------------------------------------------------

LINK = frozenset({"link-lost", "link-silent", "no-port", "no-board", "link-unreadable"})
KILLED = frozenset({"killed", "ended", "incomplete-recording", "acquisition-ended"})
ENDED = KILLED | {"incomplete"}
DISK = frozenset({"journal"})
STOPPED = frozenset({"interrupted"})


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
    most_runs: int = 12,
    **more: object,
) -> Row:
    SCENES[name] = scene
    # The first sentence of what the scene says of itself.
    injected = (scene.__doc__ or name).split("\n")[0]
    return Row(name, injected, lambda _d, _s: None, least, told, failures, kind="process", most_runs=most_runs, **more)  # type: ignore[arg-type]


SCENES: dict[str, Scene] = {}
TROUBLED = frozenset({"frames-lost", "time-lost", "contact-lost", "count-doubtful", "bad-line", "line"})
#: Runs of rows that take about a second each, of those that kill at a random moment, and of those that take minutes.
QUICK, ANY_MOMENT, MINUTES = 100, 40, 6
ROWS = (
    _row("whole programs, nothing happens", plain, 1.0),
    _row("unplugged at each step, pty", _pty, 0.0, LINK, LINK, QUICK),
    _row("unplugged at each step, TCP", _tcp, 0.0, LINK, LINK, QUICK),
    _row("board's process killed", board_killed, 0.0, LINK, LINK, QUICK, tell_within_s=2.0),
    _row("board's process stopped", board_stopped, 0.0, LINK, LINK, tell_within_s=2.0),
    _row("another program reads the port", thief, 0.0, TROUBLED | LINK, TROUBLED | LINK | {"incomplete"}),
    _row("two copies of ours on one port", two_copies, 0.0, LINK, LINK),
    _row("command killed", kill_job, 0.0, KILLED, KILLED, QUICK),
    _row("reading process killed", kill_acquisition, 0.0, ENDED, ENDED, QUICK),
    _row("command killed at any moment, resumed", killed_command, 1.0, most_runs=ANY_MOMENT),
    _row("reading process killed at any moment, resumed", killed_reader, 1.0, most_runs=ANY_MOMENT),
    _row("board killed at any moment, resumed", killed_board, 1.0, most_runs=ANY_MOMENT),
    _row("screen killed at any moment, resumed", killed_screen, 1.0),
    _row("command killed while its record is written", kill_while_record_is_written, 1.0, most_runs=ANY_MOMENT),
    _row("command stopped for 3 s", lambda on: _stopped(on, "command", 3.0), 1.0),
    _row("reader stopped for 3 s", lambda on: _stopped(on, "reader", 3.0), 0.0, failures=LINK),
    _row("both stopped for 3 s", lambda on: _stopped(on, "both", 3.0), 0.9, failures=LINK),
    _row("command stopped for a minute", lambda on: _suspended(on, "command", on.step), 1.0, most_runs=MINUTES),
    *(
        _row(
            f"{which} stopped for a minute in the {step}",
            lambda on, which=which, step=step: _suspended(on, which, step),
            least,
            TROUBLED | LINK,
            LINK | {"incomplete"},
            MINUTES,
            tell_within_s=2.0,
        )
        for which, step, least in (
            ("reader", "neutral", 0.0),
            ("reader", "passes", 0.0),
            ("both", "neutral", 0.0),
            ("both", "passes", 1.0),
        )
    ),
    _row("a tenth of the processor", starved, 0.9, failures=LINK),
    _row("clock set back, then forward", clock_set, 1.0),
    _row("disk full", disk_full, 0.0, DISK, DISK, QUICK),
    _row("folder read-only", read_only, 0.0, DISK, DISK, QUICK),
    _row("journal's folder removed", folder_removed, 0.0, DISK, DISK, QUICK),
    _row("terminal closed", terminal_closed, 0.0, KILLED, KILLED),
    _row("terminal closed, hang-up ignored", terminal_lost, 0.0, STOPPED, STOPPED),
    _row("terminal 1 × 1", tiny_terminal, 0.0, KILLED, KILLED),
    _row("terminal without UTF-8", no_utf8, 0.0, KILLED, KILLED),
    _row("terminal of a poor kind or none", dumb_terminal, 0.0, KILLED, KILLED),
    _row("signals to the screen", screen_signalled, 0.0, KILLED | STOPPED, KILLED | STOPPED),
    _row("signals to the command", signalled, 0.0, STOPPED, STOPPED, QUICK, tell_within_s=2.0),
    _row("output closed by its reader", output_closed, 1.0, most_runs=QUICK),
    _row("standard error closed", error_closed, 1.0, most_runs=QUICK),
    _row("output without UTF-8", no_utf8_headless, 1.0),
)


def run(row: Row, seed: int) -> Outcome:
    """One scene."""
    with stage(row.name, seed) as on:
        try:
            job, struck = SCENES[row.name](on)
        except (AssertionError, subprocess.TimeoutExpired) as failed:
            return Outcome(row.name, seed, False, 4, "hangs", struck_s=0.0, faults=(str(failed)[:1000],))
        found = _seen(row, seed, on, job, on.capture, struck)
        # Those before it had to end with a result, or tell why there is none: within two seconds, once the board had greeted.
        ended = ENDED | LINK | STOPPED
        for earlier, capture, at in on.earlier:
            greeted = at is not None and any(when < at and text.startswith("step:") for when, text in earlier.said)
            before = replace(row, told=ended, failures=ended, tell_within_s=2.0 if greeted else None)
            on.faults += misses(before, _seen(before, seed, on, earlier, capture, at))
        return replace(found, faults=(*found.faults, *on.faults))


def _seen(row: Row, seed: int, on: Stage, job: Program, capture: Path, struck: float | None) -> Outcome:
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
        if not result["valid"] and result["error"]["code"] in STOPPED and job.process.returncode != 130:
            faults.append(f"stopped, and exit status {job.process.returncode}")
        failure = "" if result["valid"] else result["error"]["code"]
        notes = tuple(n["code"] for n in result["notes"])
        if not result["valid"] and sum(result["error"]["text"] in text for _, text in job.said) != 1:
            faults.append("the failure was not told once")
    lost, differs = _again(capture, job, result)
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
        # Killed or stopped by its user: no result, by a status of their own.
        exit_status=4 if job.process.returncode < 0 or failure in STOPPED else job.process.returncode,
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


def _again(capture: Path, job: Program, result: dict[str, object] | None) -> tuple[int, bool]:
    """Steps and notes that the user was told of and that the journal does not tell; and whether its replay differs."""
    said = [text.partition(": ")[2] for _, text in job.said if text.startswith(("step:", "note:"))]
    if not capture.exists():
        # Nothing acknowledged, nothing lost; and what was told before it was taken away is none of the program's doing.
        return 0, False
    told: set[str] = set()
    try:
        with JournalReader(capture) as reader:
            run = Run(read_header(reader.header(), str(capture)))
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
    again, out = document(run, str(capture)).to_json(), job.out.rstrip("\n")
    # Where the output knows ASCII only, the same document stands there with escapes.
    return lost, again != out and not (out.isascii() and json.loads(again) == json.loads(out))


def _judged(outcome: Outcome, on: Stage, result: dict[str, object] | None) -> Outcome:
    truth = World(scenarios.read(on.folder / "short.toml"), on.seed).truth()
    true = {o["lobe"]: o["from_neutral_deg"] for o in truth["openings"]}  # type: ignore[attr-defined]
    beyond = wrong = 0
    rows = result["breakers"][0]["openings"]  # type: ignore[index]
    for o in rows:
        error, u = abs(o["from_neutral_deg"] - true[o["lobe"]]), o["from_neutral_expanded_uncertainty_deg"]
        beyond += error > u
        wrong += error > WRONG_TIMES_U * u + SLACK_DEG
    return replace(outcome, openings=len(rows), beyond_u=beyond, wrong=wrong)
