"""The simulated board behind a pseudo-terminal or a TCP port: `python -m sim.serve (--pty | --tcp HOST:PORT) …`.

When ready it prints one line of JSON on stdout: port, scenario, seed and job file. Each TCP connection resets the board, as opening
a port does on many; a pseudo-terminal's board starts once, and hosts may come and go.

With --acting a person leads the hand by lines of JSON on stdin, and stdout tells what hands and eyes do (`rehearsal`). The unit is then one
and the same for all hosts, and its clock runs on between them.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import select
import selectors
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TextIO

from sim import scenario as scenarios
from sim.exercises import exercise_of, papers
from sim.rehearsal import MOST_BYTES, Rehearsal
from sim.scenario import Scenario, ScenarioError
from sim.world import World

#: Longest step of device time, and of waiting while time runs, seconds.
STEP_S = 0.02
_WAKE_S = 0.005
_READ = 65536


@dataclass(frozen=True, slots=True)
class Options:
    """How to serve. `tcp` is (host, port), or None for a pseudo-terminal; `rate` 0 is as fast as the host reads, and not for acting."""

    tcp: tuple[str, int] | None = None
    rate: float = 1.0
    truth: bool = False
    until_stdin_closes: bool = False
    acting: bool = False


class _Gone(Exception):
    """The host has gone."""


class _Link:
    """One end of a byte stream to a host: a non-blocking file descriptor."""

    def __init__(self, fd: int, close: Callable[[], None]) -> None:
        os.set_blocking(fd, False)
        self.fd = fd
        self.close = close

    def read(self) -> bytes:
        """What has come; empty if nothing. Raises _Gone at the end."""
        try:
            data = os.read(self.fd, _READ)
        except BlockingIOError:
            return b""
        except OSError:
            raise _Gone from None
        if not data:
            raise _Gone
        return data

    def write(self, data: bytes) -> int:
        """Write what finds room; its length. Raises _Gone."""
        try:
            return os.write(self.fd, data)
        except BlockingIOError:
            return 0
        except OSError:
            raise _Gone from None


class _Server:
    def __init__(self, scenario: Scenario, seed: int, options: Options, out: TextIO) -> None:
        self._scenario = scenario
        self._seed = seed
        self._options = options
        self._out = out
        self._selector = selectors.SelectSelector()
        self._listener: socket.socket | None = None
        self._link: _Link | None = None
        self._world: World | None = None
        self._acting = Rehearsal(scenario, seed) if options.acting else None
        self._told_by_stdin = b""
        self._boots = 0
        self._pending = b""
        self._last = 0.0
        self._truth_due = False
        self._ending = False

    # --- opening and ending ------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Serve until told to end."""
        with self._signals(), contextlib.ExitStack() as stack:
            stack.callback(self._selector.close)
            tcp = self._options.tcp
            port = self._open_pty(stack) if tcp is None else self._open_tcp(stack, tcp)
            if self._options.until_stdin_closes or self._acting is not None:
                self._selector.register(0, selectors.EVENT_READ, "stdin")
            exercise = exercise_of(self._scenario, self._seed)
            files = papers(self._scenario, exercise)
            self._tell(
                {
                    "port": port,
                    "scenario": self._scenario.name,
                    "seed": self._seed,
                    **{key: None if path is None else str(path) for key, path in files.items()},
                    "acting": self._acting is not None,
                    "exercise": None if exercise is None else exercise.document(),
                }
            )
            while not self._ending:
                self._turn()
            self._leave()
            self._tell_truth()

    def _open_pty(self, stack: contextlib.ExitStack) -> str:
        import pty
        import tty

        master, slave = pty.openpty()
        stack.callback(os.close, slave)
        tty.setraw(slave)
        self._take_host(_Link(master, lambda: os.close(master)))
        return os.ttyname(slave)

    def _open_tcp(self, stack: contextlib.ExitStack, address: tuple[str, int]) -> str:
        family = socket.AF_INET6 if ":" in address[0] else socket.AF_INET
        listener = stack.enter_context(socket.create_server(address, family=family))
        listener.setblocking(False)
        self._listener = listener
        self._selector.register(listener, selectors.EVENT_READ, "listener")
        host = f"[{address[0]}]" if ":" in address[0] else address[0]
        return f"socket://{host}:{listener.getsockname()[1]}"

    @contextlib.contextmanager
    def _signals(self) -> Iterator[None]:
        """SIGTERM and SIGINT end the loop; only the main thread can ask for that."""
        reader, writer = socket.socketpair()
        reader.setblocking(False)
        writer.setblocking(False)
        self._selector.register(reader, selectors.EVENT_READ, "signal")
        handlers = {}
        wakeup = None
        try:
            wakeup = signal.set_wakeup_fd(writer.fileno(), warn_on_full_buffer=False)
            for number in (signal.SIGTERM, signal.SIGINT):
                handlers[number] = signal.signal(number, self._on_signal)
        except ValueError:
            pass
        try:
            yield
        finally:
            for number, handler in handlers.items():
                signal.signal(number, handler)
            if wakeup is not None:
                signal.set_wakeup_fd(wakeup)
            reader.close()
            writer.close()

    def _on_signal(self, *_: object) -> None:
        self._ending = True

    def _tell(self, document: dict[str, object], must: bool = True) -> None:
        """A line on stdout. Without `must` it is dropped when nobody reads."""
        if not must and not self._read_along():
            return
        try:
            self._out.write(json.dumps(document) + "\n")
            self._out.flush()
        except (BrokenPipeError, ValueError):
            self._ending = True

    def _read_along(self) -> bool:
        try:
            return bool(select.select([], [self._out], [], 0.0)[1])
        except (OSError, ValueError):
            # Not a stream that could be full.
            return True

    # --- the person --------------------------------------------------------------------------------------------------

    def _stdin(self) -> None:
        data = os.read(0, _READ)
        if not data:
            self._ending = True
        if self._acting is None:
            return
        *lines, self._told_by_stdin = (self._told_by_stdin + data).split(b"\n")
        if len(self._told_by_stdin) > MOST_BYTES:
            # What follows up to the end of the line is refused as no command.
            self._told_by_stdin = b"?"
        for line in lines:
            if line.strip():
                self._pass_time()
                self._truth_due = True
                self._tell(self._acting.obey(line.decode("utf-8", "replace")))

    # --- hosts -------------------------------------------------------------------------------------------------------

    def _take_host(self, link: _Link) -> None:
        if self._acting is None:
            self._world = self._new_world()
        else:
            self._pass_time()
            self._world = self._acting.world
            if self._boots:
                self._world.reconnect()
        self._link = link
        self._boots += 1
        self._pending = b""
        self._last = time.monotonic()
        self._selector.register(link.fd, selectors.EVENT_READ, "host")
        self._send(self._world.boot() if self._acting is None else self._world.advance(0.0))

    def _new_world(self) -> World:
        """What a host that has just come meets."""
        return World(self._scenario, self._seed, boots=self._boots)

    def _leave(self) -> None:
        """The host has gone, or the port closes."""
        if self._link is None:
            return
        self._tell_truth()
        self._selector.unregister(self._link.fd)
        self._link.close()
        self._link = None
        if self._acting is None:
            self._world = None
        self._pending = b""
        if self._listener is None:
            self._ending = True

    def _accept(self) -> None:
        assert self._listener is not None
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return
        if self._link is not None:
            # The old host may have gone in the same moment.
            self._guarded(self._read)
        if self._link is not None:
            connection.close()
            return
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        fd = connection.detach()
        self._take_host(_Link(fd, lambda: os.close(fd)))

    # --- one turn ----------------------------------------------------------------------------------------------------

    def _turn(self) -> None:
        for key, mask in self._selector.select(self._patience()):
            if key.data == "host" and self._link is not None and key.fd == self._link.fd:
                if mask & selectors.EVENT_READ:
                    self._guarded(self._read)
            elif key.data == "listener":
                self._accept()
            elif key.data == "stdin":
                self._stdin()
            elif key.data == "signal":
                self._ending = True
        if (self._link is not None or self._acting is not None) and not self._ending:
            self._guarded(self._pass_time)

    def _patience(self) -> float | None:
        """How long there is nothing to do but wait for others; None for ever."""
        world = self._world
        if world is None or (self._link is None and self._acting is None):
            return None
        if self._options.rate > 0:
            return _WAKE_S if world.started else None
        assert self._link is not None
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._pending else 0)
        self._selector.modify(self._link.fd, wanted, "host")
        return 0.0 if world.speaking and not self._pending else None

    def _guarded(self, action: Callable[[], None]) -> None:
        try:
            action()
        except _Gone:
            self._leave()

    def _read(self) -> None:
        assert self._link is not None
        assert self._world is not None
        data = self._link.read()
        if not data:
            return
        self._pass_time()
        if self._world is None:
            return
        was_in_session = self._world.board.in_session
        was_started = self._world.started
        self._world.receive(data)
        if self._world.started and not was_started:
            self._last = time.monotonic()
        if self._world.board.in_session:
            self._truth_due = True
        elif was_in_session:
            self._tell_truth()
        if not self._world.started:
            self._send(self._world.advance(0.0))

    def _tell_truth(self) -> None:
        if self._truth_due and self._options.truth and self._world is not None:
            self._tell({"truth": (self._acting or self._world).truth()})
        self._truth_due = False

    def _pass_time(self) -> None:
        """Let device time pass as far as it should have, and send what has left the line."""
        world = self._world
        if world is None:
            return
        if self._options.rate > 0:
            now = time.monotonic()
            left = (now - self._last) * self._options.rate
            self._last = now
            while left > 0 and world.started and not world.closed:
                self._send(self._advance(world, min(left, STEP_S)))
                left -= STEP_S
        elif self._pending:
            self._send(b"")
        elif world.speaking:
            self._send(world.advance(STEP_S))
        if world.closed and not self._pending:
            self._leave()

    def _advance(self, world: World, seconds: float) -> bytes:
        if self._acting is None:
            return world.advance(seconds)
        data, felt = self._acting.advance(seconds)
        for line in felt:
            self._tell(line, must=False)
        return data

    def _send(self, data: bytes) -> None:
        if self._link is None:
            return
        data = self._pending + data
        sent = self._link.write(data) if data else 0
        # On a line that keeps time, what nobody reads is lost.
        self._pending = data[sent:] if self._options.rate == 0 else b""


def serve(scenario: Scenario, seed: int, options: Options, out: TextIO | None = None) -> int:
    """Serve the scenario until SIGTERM, SIGINT, or the end of stdin if so asked; 0, or 2 if the port cannot be opened."""
    try:
        _Server(scenario, seed, options, sys.stdout if out is None else out).run()
    except OSError as error:
        print(f"The port cannot be opened: {error.strerror or error}.", file=sys.stderr)
        return 2
    return 0


def tcp_address(text: str) -> tuple[str, int]:
    """HOST:PORT as a pair. Raises ValueError with what was expected."""
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not port.isascii() or not port.isdigit() or int(port) > 65535:
        raise ValueError(f"HOST:PORT with a port from 0 to 65535 was expected, not {text!r}")
    return host, int(port)


def _address(text: str) -> tuple[str, int]:
    try:
        return tcp_address(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _rate(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 <= value <= 1e6:
        raise argparse.ArgumentTypeError(f"a number from 0 to 1000000 was expected, not {text!r}")
    return value


def _seed(text: str) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > 18:
        raise argparse.ArgumentTypeError(f"a whole number of 0 or more was expected, not {text!r}")
    return int(text)


def main(arguments: list[str] | None = None) -> int:
    """The command line; exit status 0, or 2 for bad usage or a bad scenario."""
    parser = argparse.ArgumentParser(
        prog="python -m sim.serve", description="A simulated board and unit behind a port."
    )
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--pty", action="store_true", help="a pseudo-terminal")
    where.add_argument("--tcp", type=_address, metavar="HOST:PORT", help="a TCP port; 0 for any free one")
    parser.add_argument("--scenario", default=scenarios.DEFAULT, metavar="NAME|FILE")
    parser.add_argument("--seed", type=_seed, default=1, metavar="N")
    parser.add_argument("--rate", type=_rate, default=1.0, metavar="X", help="1 real time, 0 as fast as the host reads")
    parser.add_argument("--truth", action="store_true", help="print the truth after Stop or when the host has gone")
    parser.add_argument("--until-stdin-closes", action="store_true", help="end when stdin ends")
    parser.add_argument("--acting", action="store_true", help="a person leads the hand by lines of JSON on stdin")
    given = parser.parse_args(arguments)
    if given.acting and given.rate == 0:
        parser.error("--acting: a --rate above 0 was expected with it")
    options = Options(given.tcp, given.rate, given.truth, given.until_stdin_closes, given.acting)
    try:
        scenario = scenarios.load(given.scenario)
    except ScenarioError as error:
        print(error, file=sys.stderr)
        return 2
    return serve(scenario, given.seed, options)


if __name__ == "__main__":
    sys.exit(main())
