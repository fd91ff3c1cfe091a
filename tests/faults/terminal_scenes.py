"""Faults of the terminal: closed, tiny, dumb, without UTF-8; signals to the screen; and its process killed. Scenes of whole programs."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import select
import signal
import struct
import termios
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.faults.programs import COMMAND, DEADLINE_S, Hangs, Program, Stage, until_ended

#: Right, which chooses "read and understood" where that is asked for, and F2 of an xterm, which begins or goes to what is missing.
BEGIN = (b"\x1b[C", b"\x1bOQ")
#: As much is in the journal when the screen has begun to measure.
BEGUN_BYTES = 5_000
#: Leaves the terminal's second page (xterm control sequences, DECRST 1049).
LEAVE_PAGE = b"\x1b[?1049l"
NO_UTF8 = {"LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}


@dataclass
class Terminal:
    """The screen's process and the other end of its terminal."""

    pid: int
    master: int
    shown: list[bytes] = field(default_factory=list)
    #: As `os.waitpid` gives it, once it has ended.
    status: int | None = None

    def __post_init__(self) -> None:
        self._over = threading.Event()
        self._ear = threading.Thread(target=self._drain, daemon=True)
        self._ear.start()

    def _drain(self) -> None:
        # A read under way would keep the terminal open after its closing.
        with contextlib.suppress(OSError):
            while not self._over.is_set():
                if select.select([self.master], [], [], 0.05)[0]:
                    self.shown.append(os.read(self.master, 65_536))

    def size(self, rows: int, columns: int) -> None:
        """As after a person has pulled at the window's corner."""
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def close(self) -> None:
        """Nobody looks any more."""
        self._over.set()
        self._ear.join(5)
        os.close(self.master)

    def end(self) -> int:
        """Wait for the screen's end; one that goes on is killed."""
        limit = time.monotonic() + DEADLINE_S
        while self.status is None:
            found, status = os.waitpid(self.pid, os.WNOHANG)
            if found:
                self.status = status
            elif time.monotonic() > limit:
                self.kill()
                raise Hangs(f"the screen goes on: {b''.join(self.shown)[-300:]!r}")
            else:
                time.sleep(0.02)
        return self.status

    def kill(self) -> None:
        """kill -9."""
        os.kill(self.pid, signal.SIGKILL)
        _, self.status = os.waitpid(self.pid, 0)


def begun(on: Stage, environment: dict[str, str | None], rate: str = "1", *, hang_up_ignored: bool = False) -> Terminal:
    """The screen of `measure` in a terminal, measuring; `hang_up_ignored`: begun as nohup does."""
    _, port = on.simulator(rate=rate)
    pid, master = pty.fork()
    if pid == 0:
        for name, value in (
            {"TERM": "xterm-256color", "BREAKERBENCH_HOME": str(on.folder / "home")} | environment
        ).items():
            os.environ.pop(name, None)
            if value is not None:
                os.environ[name] = value
        if hang_up_ignored:
            signal.signal(signal.SIGHUP, signal.SIG_IGN)
        arguments = ["measure", str(on.folder / "job.toml"), "--port", port, "--capture", str(on.capture)]
        os.execv(COMMAND[0], [*COMMAND, *arguments])
    terminal = Terminal(pid, master)
    terminal.size(24, 80)
    limit = time.monotonic() + DEADLINE_S
    while not (on.capture.exists() and on.capture.stat().st_size > BEGUN_BYTES):
        if time.monotonic() > limit:
            terminal.kill()
            raise Hangs(f"the screen has not begun to measure: {b''.join(terminal.shown)[-300:]!r}")
        for keys in BEGIN:
            os.write(master, keys)
            time.sleep(0.4)
    return terminal


def in_terminal(
    on: Stage, environment: dict[str, str | None], act: Callable[[Terminal], None], *, hang_up_ignored: bool = False
) -> tuple[Program, float | None]:
    """The screen, to which `act` does something; afterwards the terminal is closed."""
    terminal = begun(on, environment, hang_up_ignored=hang_up_ignored)
    struck = time.monotonic()
    act(terminal)
    terminal.close()
    status = terminal.end()
    said = b"".join(terminal.shown)
    if b"Traceback" in said:
        raise AssertionError(f"a traceback on the terminal: {said[-800:]!r}")
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) != signal.SIGHUP:
        raise AssertionError(f"ended by signal {os.WTERMSIG(status)}")
    until_ended(on.capture)
    # What there is goes the same way again.
    return on.replayed(), struck


def terminal_closed(on: Stage) -> tuple[Program, float | None]:
    """The terminal is closed under the screen."""
    return in_terminal(on, {}, lambda _: None)


def terminal_lost(on: Stage) -> tuple[Program, float | None]:
    """The terminal is closed under a screen that was told to ignore the hang-up."""
    return in_terminal(on, {}, lambda _: None, hang_up_ignored=True)


def tiny_terminal(on: Stage) -> tuple[Program, float | None]:
    """The terminal becomes 1 × 1, 1 × 500, 500 × 1, then is closed."""

    def act(terminal: Terminal) -> None:
        for rows, columns in ((1, 1), (1, 500), (500, 1), (1, 1)):
            terminal.size(rows, columns)
            time.sleep(0.4)

    return in_terminal(on, {}, act)


def no_utf8(on: Stage) -> tuple[Program, float | None]:
    """A terminal without UTF-8."""
    return in_terminal(on, {**NO_UTF8}, lambda _: time.sleep(1.0))


def dumb_terminal(on: Stage) -> tuple[Program, float | None]:
    """TERM is dumb, empty, unknown, or not set at all."""
    kind = ("dumb", None, "", "no-such-terminal")[on.seed % 4]
    return in_terminal(on, {"TERM": kind}, lambda _: time.sleep(1.0))


def screen_signalled(on: Stage) -> tuple[Program, float | None]:
    """SIGTERM, SIGHUP or SIGINT to the screen, once or twice quickly."""
    sign = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)[on.seed % 3]

    def act(terminal: Terminal) -> None:
        for _ in range(1 + on.seed // 3 % 2):
            with contextlib.suppress(ProcessLookupError):
                os.kill(terminal.pid, sign)
            time.sleep(on.draw.uniform(0.0, 0.2))
        terminal.end()
        modes = termios.tcgetattr(terminal.master)[3]
        time.sleep(0.2)
        given_back = modes & termios.ICANON and modes & termios.ECHO and LEAVE_PAGE in b"".join(terminal.shown)
        # After SIGHUP there is no terminal any more to be given back.
        if sign != signal.SIGHUP and not given_back:
            on.faults.append(f"{sign.name}: the terminal is left as the screen had set it")

    return in_terminal(on, {}, act)
