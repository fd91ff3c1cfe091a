"""The boards that the contract suite is played against, and the ways to reach them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from bench.transport import SerialTransport
from sim import scenario as scenarios
from sim.world import World
from tests.firmware import built
from tests.firmware.pins import PinWorld

SEED = 3
SCENARIO = "plain-single"


class Wire(Protocol):
    """Bytes to and from a board."""

    def read(self) -> bytes:
        """What has come; may be empty."""

    def write(self, data: bytes) -> None:
        """Send."""


class MemoryWire:
    """A simulated board by a pipe of bytes in memory; each read lets 5 ms of its time pass."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._first = self._world.boot()

    def read(self) -> bytes:
        """See Wire."""
        data, self._first = self._first + self._world.advance(0.005), b""
        return data

    def write(self, data: bytes) -> None:
        """See Wire."""
        self._world.receive(data)


@contextmanager
def memory() -> Iterator[Wire]:
    """Simulated board over an in-memory pipe."""
    yield MemoryWire(World(scenarios.load(SCENARIO), SEED))


@contextmanager
def _on_pins(command: str) -> Iterator[Wire]:
    world = PinWorld(built.or_skip(command), scenarios.load(SCENARIO), SEED)
    try:
        yield MemoryWire(world)
    finally:
        world.close()


@contextmanager
def firmware() -> Iterator[Wire]:
    """The reference board's firmware, run cycle by cycle."""
    with _on_pins("in_simavr") as wire:
        yield wire


@contextmanager
def core() -> Iterator[Wire]:
    """The firmware's core on this computer, sanitizers on."""
    with _on_pins("core") as wire:
        yield wire


@contextmanager
def _process(arguments: list[str], port_of: Callable[[str], str]) -> Iterator[str]:
    process = subprocess.Popen(
        [sys.executable, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8"
    )
    assert process.stdout is not None
    assert process.stdin is not None
    try:
        yield port_of(process.stdout.readline())
    finally:
        process.stdin.close()
        process.terminate()
        process.wait(10)
        process.stdout.close()


@contextmanager
def _opened(url: str) -> Iterator[Wire]:
    transport = SerialTransport(url, 500_000)
    try:
        yield transport
    finally:
        transport.close()


def simulator(*where: str) -> list[str]:
    """Arguments that stand up the simulated board as fast as the host reads."""
    chosen = ["--scenario", SCENARIO, "--seed", str(SEED), "--rate", "0", "--until-stdin-closes"]
    return ["-m", "sim.serve", *where, *chosen]


def _json_port(line: str) -> str:
    return str(json.loads(line)["port"])


@contextmanager
def pty_port() -> Iterator[str]:
    """Name of a pseudo-terminal behind which the simulated board stands, in a process of its own."""
    with _process(simulator("--pty"), _json_port) as port:
        yield port


@contextmanager
def pty() -> Iterator[Wire]:
    """Simulated board over a pseudo-terminal."""
    with pty_port() as port, _opened(port) as wire:
        yield wire


@contextmanager
def tcp() -> Iterator[Wire]:
    """Simulated board over TCP, in a process of its own."""
    with _process(simulator("--tcp", "127.0.0.1:0"), _json_port) as port, _opened(port) as wire:
        yield wire


@contextmanager
def stranger_port() -> Iterator[str]:
    """URL of the board that was written from PROTOCOL.md alone."""
    board = str(Path(__file__).with_name("stranger_board.py"))
    with _process([board, "--tcp", "127.0.0.1:0", "--fast"], str.strip) as port:
        yield port


@contextmanager
def stranger() -> Iterator[Wire]:
    """The board that was written from PROTOCOL.md alone, over TCP."""
    with stranger_port() as port, _opened(port) as wire:
        yield wire


PEERS = {"memory": memory, "tcp": tcp, "stranger": stranger} | (
    {"pty": pty, "firmware": firmware, "core": core} if os.name == "posix" else {}
)
