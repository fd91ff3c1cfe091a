"""The simulated board behind a port: the same bytes as in process, and clean ends."""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from firmware_protocol.messages import Hello, Identify, Position, Stop
from sim.scenario import load
from sim.serve import main, tcp_address
from sim.world import World
from tests.sim.device import START, frames, of, session, wire

ROOT = Path(__file__).parents[2]
WITHIN_S = 20.0
SEED = 3
posix_only = pytest.mark.skipif(os.name != "posix", reason="there are no pseudo-terminals here")


class Server:
    """A process that serves, with what it said when it was ready."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.ready: dict[str, Any] = json.loads(self.line())

    def line(self) -> str:
        """The next line on its stdout; fails at the deadline."""
        assert self.process.stdout is not None
        assert select.select([self.process.stdout], [], [], WITHIN_S)[0]
        return self.process.stdout.readline()

    @property
    def address(self) -> tuple[str, int]:
        """Host and port of a TCP server."""
        host, _, port = str(self.ready["port"]).removeprefix("socket://").rpartition(":")
        return host, int(port)


@contextmanager
def served(*arguments: str) -> Iterator[Server]:
    process = subprocess.Popen(
        [sys.executable, "-m", "sim.serve", *arguments, "--seed", str(SEED)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield Server(process)
    finally:
        if process.poll() is None:
            process.terminate()
        process.communicate(timeout=WITHIN_S)


class Port:
    """An open descriptor, read with a deadline."""

    def __init__(self, fd: int) -> None:
        self.fd = fd
        self.data = b""

    def until(self, number: int = 0, kind: type | None = None) -> bytes:
        """Read until so many bytes are there, or a whole frame of the kind."""
        deadline = time.monotonic() + WITHIN_S
        while len(self.data) < number or (kind is not None and not self._has(kind)):
            assert select.select([self.fd], [], [], max(deadline - time.monotonic(), 0.0))[0], "nothing more came"
            more = os.read(self.fd, 65536)
            assert more, "the port was closed"
            self.data += more
        return self.data

    def _has(self, kind: type) -> bool:
        start = self.data.find(b"\0") + 1 if self.data.startswith(b"boot") else 0
        end = self.data.rfind(b"\0") + 1
        return start < end and bool(of(kind, frames(self.data[start:end])))

    def send(self, data: bytes) -> None:
        """Write all."""
        while data:
            data = data[os.write(self.fd, data) :]


@contextmanager
def connected(server: Server) -> Iterator[Port]:
    with socket.create_connection(server.address, WITHIN_S) as connection:
        connection.setblocking(True)
        yield Port(connection.fileno())


@contextmanager
def opened(server: Server) -> Iterator[Port]:
    fd = os.open(str(server.ready["port"]), os.O_RDWR | os.O_NOCTTY)
    try:
        yield Port(fd)
    finally:
        os.close(fd)


def greet_and_start(port: Port) -> None:
    port.until(kind=Hello)
    port.data = b""
    port.send(b"\0" + wire(Identify(1)))
    port.until(kind=Hello)
    port.data = b""
    port.send(wire(START))


EXPECTED = session(World(load(), SEED), 8.0)


@posix_only
@pytest.mark.parametrize("rate", ["0", "200"])
def test_a_pty_gives_the_same_bytes_as_in_process(rate: str) -> None:
    with served("--pty", "--rate", rate) as server, opened(server) as port:
        greet_and_start(port)
        assert port.until(20_000)[:20_000] == EXPECTED[:20_000]


@pytest.mark.parametrize("rate", ["0", "50"])
def test_tcp_gives_the_same_bytes_as_in_process(rate: str) -> None:
    with served("--tcp", "127.0.0.1:0", "--rate", rate) as server, connected(server) as port:
        greet_and_start(port)
        assert port.until(20_000)[:20_000] == EXPECTED[:20_000]


def test_it_says_what_it_serves() -> None:
    with served("--tcp", "127.0.0.1:0", "--scenario", "dual") as server:
        files = {"job", "bench", "job_right", "bench_right"}
        assert set(server.ready) == {"port", "scenario", "seed", "acting", "exercise"} | files
        assert server.ready["exercise"] is None
        assert server.ready["scenario"] == "dual"
        assert server.ready["seed"] == SEED
        assert Path(server.ready["job"]).name == "dual.job.toml"
        assert server.ready["port"].startswith("socket://127.0.0.1:")


def test_each_connection_is_a_reset_of_the_same_world() -> None:
    counters, sessions = [], []
    with served("--tcp", "127.0.0.1:0", "--rate", "0") as server:
        for _ in range(3):
            with connected(server) as port:
                data = port.until(kind=Hello)
                counters.append(of(Hello, frames(data.partition(b"\0")[2]))[0].boot_counter)
                port.data = b""
                port.send(b"\0" + wire(Identify(1)))
                port.until(kind=Hello)
                port.data = b""
                port.send(wire(START))
                sessions.append(port.until(5000)[:5000])
    assert counters == [1, 2, 3]
    assert sessions == [EXPECTED[:5000]] * 3


def test_a_second_host_is_turned_away() -> None:
    with served("--tcp", "127.0.0.1:0") as server, connected(server) as first:
        first.until(kind=Hello)
        with connected(server) as second, pytest.raises(AssertionError, match="closed"):
            second.until(1)
        first.data = b""
        first.send(b"\0" + wire(Identify(1)))
        first.until(kind=Hello)


@posix_only
def test_a_host_may_leave_a_pty_and_another_come() -> None:
    with served("--pty", "--rate", "0") as server:
        with opened(server) as port:
            port.until(kind=Hello)
        with opened(server) as port:
            port.send(b"\0" + wire(Identify(1)))
            assert of(Hello, frames(port.until(kind=Hello)))[0].boot_counter == 1


def test_in_real_time_a_second_is_a_second() -> None:
    with served("--tcp", "127.0.0.1:0", "--rate", "1") as server, connected(server) as port:
        greet_and_start(port)
        begin = time.monotonic()
        port.until(2500)
        took = time.monotonic() - begin
        whole = port.data[: port.data.rfind(b"\0") + 1]
        ticks = [p.tick for p in of(Position, frames(whole))]
        device_s = ((ticks[-1] - ticks[0]) & 0xFFFFFFFF) / 2e6
        assert device_s == pytest.approx(took, abs=0.2)


def test_the_truth_is_told_after_stop() -> None:
    with served("--tcp", "127.0.0.1:0", "--rate", "0", "--truth") as server, connected(server) as port:
        greet_and_start(port)
        port.until(2000)
        port.send(wire(Stop()))
        truth = json.loads(server.line())["truth"]
        assert truth["openings"] == World(load(), SEED).truth()["openings"]


def test_the_truth_is_told_when_the_host_goes() -> None:
    with served("--tcp", "127.0.0.1:0", "--rate", "0", "--truth") as server:
        with connected(server) as port:
            greet_and_start(port)
            port.until(2000)
        assert "openings" in json.loads(server.line())["truth"]


def test_stop_is_answered_and_then_all_is_quiet() -> None:
    with served("--tcp", "127.0.0.1:0", "--rate", "0") as server, connected(server) as port:
        greet_and_start(port)
        port.until(2000)
        port.send(wire(Stop()))
        port.until(kind=Hello)
        assert not select.select([port.fd], [], [], 0.2)[0]


def test_a_board_that_stays_quiet_uses_no_time(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('description = "d"\n[[breaker]]\nname = "main"\nopens_deg = 10\n[fault]\nsilent_at_s = 1\n')
    with served("--tcp", "127.0.0.1:0", "--rate", "0", "--scenario", str(own)) as server, connected(server) as port:
        greet_and_start(port)
        while select.select([port.fd], [], [], 0.3)[0]:
            assert os.read(port.fd, 65536)
        stat = Path(f"/proc/{server.process.pid}/stat")
        if stat.exists():
            before = sum(map(int, stat.read_text().split()[13:15]))
            assert not select.select([port.fd], [], [], 0.5)[0]
            assert sum(map(int, stat.read_text().split()[13:15])) - before <= 5


def test_a_port_that_goes_away_is_closed(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('description = "d"\n[[breaker]]\nname = "main"\nopens_deg = 10\n[fault]\nclose_at_s = 0.5\n')
    with served("--tcp", "127.0.0.1:0", "--rate", "0", "--scenario", str(own)) as server, connected(server) as port:
        greet_and_start(port)
        with pytest.raises(AssertionError, match="closed"):
            port.until(10**9)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
@pytest.mark.parametrize("where", [("--tcp", "127.0.0.1:0"), pytest.param(("--pty",), marks=posix_only)])
def test_a_signal_ends_it_cleanly(number: signal.Signals, where: tuple[str, ...]) -> None:
    with served(*where) as server:
        server.process.send_signal(number)
        out, err = server.process.communicate(timeout=WITHIN_S)
        assert (server.process.returncode, out, err) == (0, "", "")


def test_it_ends_when_stdin_closes_if_so_asked() -> None:
    with served("--tcp", "127.0.0.1:0", "--until-stdin-closes") as server:
        assert server.process.stdin is not None
        server.process.stdin.close()
        assert server.process.wait(WITHIN_S) == 0
        server.process.stdin = None


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["--pty", "--tcp", "127.0.0.1:0"],
        ["--tcp", "nowhere"],
        ["--tcp", "127.0.0.1:99999"],
        ["--pty", "--seed", "-1"],
        ["--pty", "--rate", "nan"],
        ["--pty", "--rate", "-1"],
        ["--pty", "--acting", "--rate", "0"],
    ],
)
def test_bad_usage_is_refused(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert "usage" in capsys.readouterr().err


def test_an_unknown_scenario_is_refused_with_the_choices(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--tcp", "127.0.0.1:0", "--scenario", "nothing"]) == 2
    assert "plain-single" in capsys.readouterr().err


def test_a_port_that_is_taken_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        assert main(["--tcp", f"127.0.0.1:{taken.getsockname()[1]}"]) == 2
    assert "cannot be opened" in capsys.readouterr().err


def test_addresses() -> None:
    assert tcp_address("localhost:80") == ("localhost", 80)
    assert tcp_address("[::1]:0") == ("::1", 0)
    for bad in ("", "localhost", ":80", "a:b", "a:-1", "a:65536"):
        with pytest.raises(ValueError, match="HOST:PORT"):
            tcp_address(bad)
