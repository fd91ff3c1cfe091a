"""kill -9 at a random moment, of each process of a measurement; then the job is listed as open, resumed, and ends with right angles.

Store and crash points of its own: `tests.records.crash`. Here it is whole commands, from the first word to the record.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from typing import Any

from tests.faults.programs import Program, Stage, gone, until_ended, until_grown
from tests.faults.terminal_scenes import begun

#: The short job's journal has 143 to 155 thousand bytes.
WHOLE_BYTES = 140_000
#: Shares of kills while the programs start, and while the result is told and its record written; all else falls in the job itself.
STARTING, ENDING = 0.15, 0.15
#: How long either takes, and some more, on a machine with other work.
STARTING_S, ENDING_S = 1.0, 0.5


def _moment(on: Stage, job: Program) -> None:
    """Wait for this seed's moment."""
    share = on.draw.random()
    if share < STARTING:
        # The fault itself is that it comes at any time.
        time.sleep(on.draw.uniform(0.0, STARTING_S))
    elif share < 1.0 - ENDING:
        until_grown(on.capture, on.draw.randrange(WHOLE_BYTES), lambda: job.process.poll() is None)
    else:
        job.until_out()
        time.sleep(on.draw.uniform(0.0, ENDING_S))


def _killed(pids: list[int]) -> None:
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


def killed_command(on: Stage) -> tuple[Program, float | None]:
    """kill -9 of the command at a random moment."""
    _, port = on.simulator()
    job = on.measure(port)
    _moment(on, job)
    children = job.children()
    struck = time.monotonic()
    _killed([job.process.pid])
    job.end()
    gone(children)
    return _resumed(on, job, struck)


def killed_reader(on: Stage) -> tuple[Program, float | None]:
    """kill -9 of the process that reads the port at a random moment."""
    _, port = on.simulator()
    job = on.measure(port)
    _moment(on, job)
    struck = time.monotonic()
    _killed(job.children())
    job.end()
    return _resumed(on, job, struck)


def killed_board(on: Stage) -> tuple[Program, float | None]:
    """kill -9 of the process behind the port at a random moment."""
    board, port = on.simulator(where=(("--pty",), ("--tcp", "127.0.0.1:0"))[on.seed % 2])
    job = on.measure(port)
    _moment(on, job)
    struck = time.monotonic()
    _killed([board.pid])
    job.end()
    return _resumed(on, job, struck)


def kill_while_record_is_written(on: Stage) -> tuple[Program, float | None]:
    """kill -9 of the command between its result and its end: while its record is written."""
    _, port = on.simulator()
    job = on.measure(port)
    job.until_out()
    time.sleep(on.draw.uniform(0.0, ENDING_S))
    struck = time.monotonic()
    _killed([job.process.pid])
    job.end()
    return _resumed(on, job, struck)


def killed_screen(on: Stage) -> tuple[Program, float | None]:
    """kill -9 of the screen at a random moment; the job goes on without one."""
    terminal = begun(on, {}, rate="0")
    time.sleep(on.draw.uniform(0.0, 3.0))
    struck = time.monotonic()
    terminal.kill()
    until_ended(on.capture)
    terminal.close()
    return _resumed(on, on.replayed(), struck, begun_before=True)


def _resumed(on: Stage, job: Program, struck: float, begun_before: bool = False) -> tuple[Program, float | None]:
    """What was killed is open, or has its record, never both or neither once it was begun; open, it goes on to its end.

    Gives the job that has ended with a result, with `on.journal` as its journal. `begun_before`: it was seen to measure.
    """
    on.earlier.append((job, on.capture, struck))
    begun_told = begun_before or any(text.startswith("step:") for _, text in job.said)
    open_jobs, recorded = _kept(on)
    if len(open_jobs) + len(recorded) > 1 or (begun_told and not open_jobs and not recorded):
        raise AssertionError(f"open: {open_jobs}, recorded: {recorded}, told: {job.said[-2:]}")
    if recorded:
        _verified(on)
        # It was done before it was killed: what has the record has its evidence.
        return on.replayed(), struck
    on.journal = "resumed.capture"
    _, port = on.simulator()
    if open_jobs:
        shared = ("--port", port, "--passes", "2", "--headless", "--json", "--capture", on.capture)
        again = on.start("measure", "--resume", open_jobs[0]["id"], *shared)
    else:
        again = on.measure(port)
    again.end()
    left, done = _kept(on)
    if left or len(done) != 1:
        on.faults.append(f"resumed; open: {left}, recorded: {done}; {again.said[-2:]}")
    if open_jobs and done and done[0]["id"] != open_jobs[0]["id"]:
        on.faults.append("the resumed job has another id")
    _verified(on)
    return again, struck


def _kept(on: Stage) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Open jobs, and records."""
    return (
        on.document("records", "list", "--open")["open_jobs"],
        on.document("records", "list")["records"],
    )


def _verified(on: Stage) -> None:
    if not on.document("records", "verify")["verification"]["whole"]:
        on.faults.append("the store does not verify")
