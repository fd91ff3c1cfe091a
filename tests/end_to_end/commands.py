"""Running the real commands in processes of their own."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.journal import JournalReader, Kind
from sim import scenario as scenarios
from tui import command_line

COMMAND = [sys.executable, "-m", "tui.command_line"]
SCENARIOS = Path(scenarios.__file__).parent / "scenarios"
JOB = SCENARIOS / "plain-single.job.toml"
#: For tests to which it is all one how long a job is: two presses from each side, a brisk hand; with TWO passes it is soon over.
BRISK_HAND = "\n[hand]\npresses_per_side = 2\nreleases_per_side = 0\nspeeds_deg_s = [150, 220]\n"
TWO = ("--passes", "2")


@dataclass(frozen=True)
class Outcome:
    """How a command ended."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """The one JSON document on standard output."""
        found = json.loads(self.out, parse_constant=_refuse)
        assert isinstance(found, dict)
        return found


def _refuse(constant: str) -> None:
    raise AssertionError(f"{constant} in a JSON document")


def breakerbench(*arguments: str | Path) -> Outcome:
    """Run a command to its end; no command may ever show a traceback."""
    done = subprocess.run(
        [*COMMAND, *map(str, arguments)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=100,
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    assert "defect" not in done.stdout
    return Outcome(done.returncode, done.stdout, done.stderr)


def here(*arguments: str | Path) -> Outcome:
    """The same by its entry function in this process, which starts in no time: to look at what another command has left.

    Each command and each of its exit statuses is run by `breakerbench` somewhere.
    """
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = command_line.main([*map(str, arguments)])
    assert "Traceback" not in err.getvalue(), err.getvalue()
    assert "defect" not in out.getvalue()
    assert "Unexpected" not in err.getvalue(), err.getvalue()
    return Outcome(status, out.getvalue(), err.getvalue())


@contextmanager
def running(*arguments: str | Path) -> Iterator[subprocess.Popen[str]]:
    """A command while it runs."""
    process = subprocess.Popen(
        [*COMMAND, *map(str, arguments)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )
    try:
        yield process
    finally:
        process.terminate()
        process.communicate(timeout=20)


@contextmanager
def simulator(
    scenario: str | Path = "plain-single", rate: str = "0", where: tuple[str, ...] = ("--pty",)
) -> Iterator[str]:
    """`breakerbench simulate` standing; gives the port's name."""
    with running("simulate", *where, "--scenario", scenario, "--seed", "3", "--rate", rate) as process:
        assert process.stdout is not None
        yield process.stdout.readline().strip()


def brisk(folder: Path, base: str = "plain-single") -> Path:
    """A built-in scenario with a brisk hand, as a file."""
    path = folder / "brisk.toml"
    path.write_text((SCENARIOS / f"{base}.toml").read_text("utf-8") + BRISK_HAND, "utf-8")
    for name in (f"{base}.job.toml", "rehearsal.bench.toml"):
        (folder / name).write_text((SCENARIOS / name).read_text("utf-8"), "utf-8")
    return path


def with_fault(folder: Path, fault: str, base: str = "plain-single") -> Path:
    """A built-in scenario with a fault added, as a file."""
    path = folder / "faulty.toml"
    text = (SCENARIOS / f"{base}.toml").read_text("utf-8")
    path.write_text(text + "\n[fault]\n" + fault + "\n", "utf-8")
    for name in (f"{base}.job.toml", "rehearsal.bench.toml"):
        (folder / name).write_text((SCENARIOS / name).read_text("utf-8"), "utf-8")
    return path


def board_bytes(capture: Path) -> bytes:
    """Everything that the board sent after Start."""
    started, data = False, b""
    with JournalReader(capture) as reader:
        reader.header()
        for record in reader.records():
            if record.kind is Kind.TO_BOARD and len(record.payload) > 11:
                started = True
            elif record.kind is Kind.FROM_BOARD and started:
                data += record.payload
    return data
