"""A rehearsal acted over the process's own lines: what is told, and one unit for whatever hosts come and go."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from firmware_protocol.messages import Hello, Identify, Position, Stop
from sim.exercises import FAULTS
from sim.serve import main
from tests.sim.device import START, frames, of, wire
from tests.sim.test_serve import ROOT, WITHIN_S, Port, Server, connected, greet_and_start, opened, posix_only

TCP = ("--tcp", "127.0.0.1:0")


class Actor:
    """Talks to the process by its lines."""

    def __init__(self, server: Server) -> None:
        self.server = server
        self.felt: list[dict[str, Any]] = []

    def send(self, text: str) -> None:
        """A line to the process."""
        assert self.server.process.stdin is not None
        self.server.process.stdin.write(text)
        self.server.process.stdin.flush()

    def next(self, key: str) -> Any:
        """What the next line with this key tells; lines of what is felt are kept."""
        end = time.monotonic() + WITHIN_S
        while time.monotonic() < end:
            line = json.loads(self.server.line())
            if key in line:
                return line[key]
            assert set(line) == {"felt"}, line
            self.felt.append(line["felt"])
        raise AssertionError(f"no {key} was told")

    def do(self, answer: str = "did", **command: object) -> Any:
        """A command and its answer."""
        self.send(json.dumps(command) + "\n")
        return self.next(answer)

    def until_still(self) -> None:
        """Until the hand has done what it was told."""
        while self.next("felt")["busy"]:
            pass


@contextmanager
def acted(*arguments: str) -> Iterator[Actor]:
    process = subprocess.Popen(
        [sys.executable, "-m", "sim.serve", *arguments, "--seed", "3", "--acting", "--truth"],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield Actor(_Lines(process))
    finally:
        if process.poll() is None:
            process.terminate()
        process.communicate(timeout=WITHIN_S)


class _Lines(Server):
    """Lines read from the descriptor itself, so that several that come at once are not hidden in a buffer."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._waiting = b""
        super().__init__(process)

    def line(self) -> str:
        assert self.process.stdout is not None
        fd = self.process.stdout.fileno()
        while b"\n" not in self._waiting:
            assert select.select([fd], [], [], WITHIN_S)[0], "nothing more was told"
            data = os.read(fd, 65536)
            assert data, "stdout ended"
            self._waiting += data
        line, _, self._waiting = self._waiting.partition(b"\n")
        return line.decode()


def test_the_first_line_tells_files_places_and_mends_but_not_the_faults() -> None:
    with acted(*TCP, "--scenario", "exercise-retard-reference") as actor:
        ready = actor.server.ready
        assert ready["acting"]
        assert Path(ready["job"]).name == "exercise-b.job.toml"
        assert Path(ready["job_right"]).name == "exercise-a.job.toml"
        assert ready["bench"] == ready["bench_right"]
        shown = ready["exercise"]
        assert set(shown) == {"title", "sheet", "places", "mends"}
        assert [p["key"] for p in shown["places"]] == [f.place for f in FAULTS]
        assert [m["key"] for m in shown["mends"]] == [f.key for f in FAULTS]
        assert all(len(line) < 120 for line in shown["sheet"])


def test_each_command_has_one_answer_in_order_also_before_the_clock_runs() -> None:
    with acted(*TCP, "--scenario", "exercise-wrong-tooth") as actor:
        actor.send(
            '{"do": "press"}\n{"do": "points", "breaker": "main", "by_deg": 1}\n\n{"do": "look", "at": "coil-lead"}\nrubbish\n'
        )
        assert actor.next("did") == "press"
        assert "loosen" in actor.next("refused")
        assert actor.next("seen")["at"] == "coil-lead"
        assert "JSON" in actor.next("refused")
        assert actor.felt == []


def test_a_command_may_come_in_pieces_and_an_endless_one_is_refused() -> None:
    with acted(*TCP) as actor:
        actor.send('{"do": ')
        actor.send('"press"}\n')
        assert actor.next("did") == "press"
        actor.send("x" * 50_000)
        actor.send('\n{"do": "press"}\n')
        assert "JSON" in actor.next("refused")
        assert actor.next("did") == "press"


def test_the_clock_begins_with_start_and_the_hand_turns_the_magnet_that_the_board_reports() -> None:
    with acted(*TCP) as actor, connected(actor.server) as port:
        greet_and_start(port)
        port.until(kind=Position)
        assert actor.do(do="turn", by_deg=30, speed_deg_s=120) == "turn"
        actor.until_still()
        assert actor.felt[0]["held"]
        # 30° are 833 counts; the magnet lags behind the hand by up to 0.36° each time, 10 counts.
        first = counts(port)[0]
        while abs(counts(port)[-1] - first - 833) > 25:
            port.until(len(port.data) + 500)


def counts(port: Port) -> list[int]:
    """Counts of the positions that have come."""
    return [p.count for p in of(Position, frames(port.data[: port.data.rfind(b"\0") + 1]))]


def unit_after_reconnecting(actor: Actor) -> dict[str, Any]:
    """The truth when the process ends: stdin closes."""
    assert actor.server.process.stdin is not None
    actor.server.process.stdin.close()
    truth: dict[str, Any] = actor.next("truth")
    assert actor.server.process.wait(WITHIN_S) == 0
    actor.server.process.stdin = None
    return truth


def work(actor: Actor) -> None:
    actor.do(do="loosen", breaker="main")
    actor.do(do="points", breaker="main", by_deg=2)
    actor.do("mended", do="mend", what="wrong-clearance")


def test_over_tcp_each_host_finds_a_fresh_board_and_the_same_unit() -> None:
    with acted(*TCP, "--scenario", "exercise-wrong-clearance") as actor:
        counters = []
        for turn in range(3):
            with connected(actor.server) as port:
                greeting = of(Hello, frames(port.until(kind=Hello).partition(b"\0")[2]))[0]
                counters.append(greeting.boot_counter)
                port.data = b""
                port.send(b"\0" + wire(Identify(1)))
                port.until(kind=Hello)
                port.data = b""
                port.send(wire(START))
                port.until(kind=Position)
                if turn == 0:
                    work(actor)
            truth = actor.next("truth")
            assert truth["points"][0] == {"breaker": "main", "moved_deg": 2.0, "loose": True, "tightened": 0}
            assert truth["exercise"]["faults"][0]["mended"]
        assert counters == [1, 2, 3]
        actor.do(do="tighten", breaker="main")
        assert unit_after_reconnecting(actor)["points"][0]["tightened"] == 1


@posix_only
def test_on_a_pty_a_second_session_goes_on_with_the_same_unit() -> None:
    with acted("--pty", "--scenario", "exercise-wrong-clearance") as actor:
        with opened(actor.server) as port:
            greet_and_start(port)
            work(actor)
            port.data = b""
            port.send(wire(Stop()))
            first = actor.next("truth")
        with opened(actor.server) as port:
            port.until(kind=Hello)
            port.data = b""
            port.send(wire(START))
            port.until(kind=Position)
            port.send(wire(Stop()))
            second = actor.next("truth")
        assert second["openings"] == first["openings"]
        assert second["points"] == first["points"]
        assert second["exercise"]["faults"] == first["exercise"]["faults"]


def test_the_hand_acts_on_while_no_host_is_there() -> None:
    with acted(*TCP) as actor:
        with connected(actor.server) as port:
            greet_and_start(port)
            port.until(kind=Position)
        actor.next("truth")
        actor.do(do="turn", by_deg=20, speed_deg_s=100)
        actor.until_still()
        actor.do(do="hold")


def test_nobody_who_reads_along_does_not_hold_up_the_board() -> None:
    # A pipe holds 64 KiB, which is some 350 lines of what is felt: at 20 times the speed, a second.
    with acted(*TCP, "--rate", "20") as actor, connected(actor.server) as port:
        greet_and_start(port)
        begin = of(Position, frames(port.until(kind=Position)[: port.data.rfind(b"\0") + 1]))[0].tick
        last = begin
        end = time.monotonic() + WITHIN_S
        while ((last - begin) & 0xFFFFFFFF) / 2e6 < 40.0:
            assert time.monotonic() < end
            port.data = b""
            data = port.until(20_000)
            whole = data[data.find(b"\0") + 1 : data.rfind(b"\0") + 1]
            last = of(Position, frames(whole))[-1].tick


def test_acting_as_fast_as_the_host_reads_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main([*TCP, "--acting", "--rate", "0"])
    assert "--rate above 0" in capsys.readouterr().err
