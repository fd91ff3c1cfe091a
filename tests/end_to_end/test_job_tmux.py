"""The real screen in a real terminal: tmux, the command, an acting board on a pseudo-terminal, real time."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bench import check_list
from sim import scenario as scenarios
from tests.end_to_end.acted_unit import ActedUnit, acted
from tests.screen.terminal import Terminal

PROGRAM = f"{sys.executable} -m tui.command_line"


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A data folder whose bench file is that of the simulated bench."""
    folder = tmp_path / "home"
    folder.mkdir()
    bench = scenarios.load("outside").bench_path
    assert bench is not None
    shutil.copy(bench, folder / "bench.toml")
    monkeypatch.setenv("BREAKERBENCH_HOME", str(folder))
    return folder


@pytest.fixture
def terminal(tmp_path: Path, home: Path) -> Iterator[Terminal]:  # noqa: ARG001 - the terminal inherits its environment
    found = Terminal(tmp_path)
    yield found
    found.close()


def begin(terminal: Terminal, unit: ActedUnit) -> None:
    """The intake form, filled in by the job file: cautions are acknowledged, F2 begins."""
    job = scenarios.load("outside").job_path
    terminal.start(f"{PROGRAM} measure {job} --port {unit.port}; echo status $?; cat")
    terminal.until("Still needed: caution 1, caution 2, caution 3.")
    for field in ("service hours", "recheck of record", "state as received", "caution 1"):
        terminal.keys("Tab")
        terminal.until(f"▸ {field}")
    for n in (1, 2, 3):
        terminal.until(f"▸ caution {n}")
        terminal.keys("Right")
        terminal.until(f"caution {n} ○ not yet ● read and understood")
        terminal.keys("Tab")
    terminal.keys("F2")
    terminal.until("[instrument check]")


def mark_neutral(terminal: Terminal, unit: ActedUnit) -> None:
    """One whole turn, then two presses from each side, by the space bar."""
    unit.go(do="turn", by_deg=400, speed_deg_s=120)
    terminal.until("[neutral]")
    for n, side in enumerate(("below", "above", "below", "above")):
        unit.go(**{"do": "seek", "from": side})
        terminal.keys("Space")
        terminal.until(f"{'turning up to it' if side == 'below' else 'coming back to it'} {'●' * (n // 2 + 1)}")


def check_what_stops_the_job(terminal: Terminal) -> None:
    """In the list of other checks, the lines without which it cannot end: as they should be."""
    terminal.until("cannot go on: distributor timing: not done yet")
    terminal.keys("c")
    terminal.until("Other checks: what your manual asks for")
    at = 0
    for place, line in enumerate(check_list.DEFAULT.check):
        if line.stops_job:
            terminal.keys(*["Down"] * (place - at))
            at = place
            terminal.until(f"▸ – not done {line.name}")
            terminal.keys("Enter")
            terminal.until(f"Check: {line.name}")
            terminal.keys("Right")
            terminal.until("✓ done. F2 keeps it.")
            terminal.keys("F2")
            terminal.until(f"▸ ✓ done {line.name}")
    terminal.keys("Escape")
    terminal.until("Everything that stops the job is done")


def command(home: Path, *arguments: str) -> str:
    done = subprocess.run(
        [*PROGRAM.split(), *arguments],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "BREAKERBENCH_HOME": str(home)},
    )
    return done.stdout


def records(home: Path) -> list[dict[str, Any]]:
    return list(json.loads(command(home, "records", "list", "--json"))["records"])


def test_a_whole_job_on_screen_from_intake_to_record(terminal: Terminal, home: Path) -> None:
    with acted("outside") as unit:
        begin(terminal, unit)
        mark_neutral(terminal, unit)
        assert "past neutral" in terminal.text()
        unit.do(do="keep_turning", speed_deg_s=200)
        terminal.until("[adjust]")
        assert "BEYOND LIMITS" in " ".join(terminal.text().split())
        unit.go(do="hold")
        unit.do(do="loosen", breaker="main")
        unit.do(do="points", breaker="main", by_deg=-4.0)
        unit.do(do="tighten", breaker="main")
        # Openings count as those of another setting once the rotor has been held for two seconds.
        for _ in range(60):
            unit.felt()
        unit.do(do="keep_turning", speed_deg_s=60)
        terminal.until("All openings lie within their limits.")
        unit.go(do="hold")
        terminal.keys("Space")
        terminal.until("[verify]")
        unit.do(do="keep_turning", speed_deg_s=200)
        assert "✓ INSIDE" in terminal.until("[other checks]")
        check_what_stops_the_job(terminal)
        terminal.keys("e")
        done = " ".join(terminal.until("NOT FOR RECORD").split())
        assert "[record]" in done
        assert done.index("✗ OUTSIDE") < done.index("AS LEFT") < done.index("✓ INSIDE")
        terminal.keys("q")
        after = " ".join(terminal.until("status 0").split())
        assert "Traceback" not in after
    (kept,) = records(home)
    assert (kept["serial_number"], kept["verdict"]) == ("SIM-0004", "inside")
    # Nothing was skipped: that the board is a simulated one is the only reason.
    shown = json.loads(command(home, "records", "show", kept["id"], "--json"))["record"]["record"]
    assert len(shown["not_for_record"]) == 1
    assert [c["verdict"] for c in shown["checks"]] == ["done", "done"]
    assert shown["result"]["as_found"] is not None


def test_a_killed_screen_leaves_its_journal_whole_and_starting_again_offers_to_go_on(
    terminal: Terminal, home: Path
) -> None:
    with acted("outside") as unit:
        begin(terminal, unit)
        unit.go(do="turn", by_deg=400, speed_deg_s=120)
        unit.go(**{"do": "seek", "from": "below"})
        terminal.keys("Space")
        terminal.until("turning up to it ●○ 1")
        os.kill(terminal.command_pid(), signal.SIGKILL)
        terminal.until(f"status {128 + signal.SIGKILL}")
    (journal,) = (home / "journals").iterdir()
    replayed = subprocess.run(
        [*PROGRAM.split(), "replay", str(journal), "--json"], capture_output=True, text=True, check=False
    )
    document = json.loads(replayed.stdout)
    assert document["error"]["code"] == "ended"
    # The press is in it: one more is needed from that side, two from the other.
    assert "Missing: 1 more press at neutral turning up to it" in document["error"]["text"]
    terminal.start_again(f"{PROGRAM} measure; echo status $?; cat")
    assert "SIM-0004" in terminal.until("Interrupted jobs: go on with one?")
    terminal.keys("Escape")


def test_leaving_asks_first_and_keeps_everything(terminal: Terminal, home: Path) -> None:
    with acted("outside") as unit:
        begin(terminal, unit)
        terminal.keys("q")
        terminal.until("Leave now?")
        terminal.keys("y")
        after = " ".join(terminal.until("status 130").split())
        assert "What was read so far is kept" in after
        assert "The job is open: breakerbench measure --resume" in after
    assert len(list((home / "journals").iterdir())) == 1
