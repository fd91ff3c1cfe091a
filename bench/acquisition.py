"""The process that talks to the port: everything that it reads goes into the journal, nothing else is done with it.

Run as `python -m bench.acquisition`. The first line on standard input says what to do (see `Order`); each further line is a
command; standard output carries one JSON object per line: `hello`, `synced`, `pressed`, `error`, `ended`. When standard
input ends because its parent is gone, the session is stopped and the journal closed in good order.

Nothing here may import what is slow or large: this process must never stall the port.
"""

from __future__ import annotations

import contextlib
import json
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.errors import BenchError, LinkError, LinkLost, LinkSilent, WrongFirmware
from bench.journal import JournalWriter, Kind
from bench.link import Greeting, Handshake, Sender
from bench.transport import SerialTransport, Transport, discover
from firmware_protocol.messages import Hello

ASK_EVERY_S = 0.2
SILENT_AFTER_S = 1.0
#: A port on which something else talks all the time is not listened to for the whole deadline.
RUBBISH_AFTER_S = 1.0
SYNC_EVERY_S = 0.5
STOP_WITHIN_S = 0.5
#: A lost port is tried so often, and a board that may be there again gets so long to answer.
REGAIN_EVERY_S = 0.3
REGAIN_HELLO_S = 2.0


@dataclass(frozen=True, slots=True)
class Order:
    """What the parent asks for: where to write, what to write first, where to read."""

    journal: str
    header: dict[str, Any]
    port: str | None
    baud: int
    hello_deadline_s: float
    #: Look for a lost port until it is back or the session is stopped: the job goes on in the same journal.
    persistent: bool = False


class Acquisition:
    """One session with one board. `say` is called with each report for the parent."""

    def __init__(
        self,
        journal: JournalWriter,
        say: Callable[[dict[str, Any]], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._journal = journal
        self._say = say
        self._clock = clock
        self._sender = Sender()
        self._transport: Transport | None = None
        self._stopping = threading.Event()
        self._greeting: Greeting | None = None
        self._lock = threading.Lock()

    def run(
        self, open_port: Callable[[], Transport], port: str, hello_deadline_s: float, persistent: bool = False
    ) -> None:
        """Open, greet, start, and read until stopped or failed. Errors go to journal and parent, none is raised.

        `persistent`: a port that is lost after the greeting is no failure but noted, and looked for until it is back.
        """
        try:
            transport = self._transport = open_port()
            self._greet(transport, port, hello_deadline_s)
            while True:
                try:
                    self._read(transport, port)
                    self._drain(transport)
                    break
                except LinkError as error:
                    if not persistent or self._greeting is None or self._stopping.is_set():
                        raise
                    self._note({"kind": "link", "state": "lost", "code": error.code, "text": error.text})
                    self._say({"link": "lost"})
                    found = self._regain(open_port, port)
                    if found is None:
                        break
                    transport = found
            self._journal.entry({"kind": "end"})
        except LinkError as error:
            if self._stopping.is_set():
                # The board went away while it was being stopped: everything needed is there already.
                self._note({"kind": "end"})
            else:
                self._fail(error)
        except BenchError as error:
            self._fail(error)
        except Exception as error:
            # Whatever it is, the journal is closed in good order and the user gets a sentence.
            self._fail(
                LinkLost(f"The port {port} failed in an unforeseen way ({type(error).__name__}). Check plug and cable.")
            )
        finally:
            if self._transport is not None:
                self._transport.close()

    def command(self, command: dict[str, Any]) -> None:
        """Carry out one line from the parent."""
        action = command.get("do")
        if action == "stop":
            self.stop()
        elif action == "sync":
            self._guarded(self._journal.sync, {"synced": command.get("id")})
        elif action == "press":
            self._guarded(self._press, None)
        elif action == "start":
            self._guarded(self._start_again, None)
        elif action == "entry":
            self._guarded(lambda: self._journal.entry(command["entry"]), None)

    def stop(self) -> None:
        """End the session; `run` returns when that is done."""
        self._stopping.set()

    def _guarded(self, action: Callable[[], None], report: dict[str, Any] | None) -> None:
        try:
            action()
        except BenchError as error:
            self._fail(error)
            self.stop()
            return
        if report is not None:
            self._say(report)

    def _press(self) -> None:
        if self._transport is None or self._greeting is None:
            return
        with self._lock:
            number, data = self._sender.press()
            self._send(self._transport, data)
        self._say({"pressed": number})

    def _start_again(self) -> None:
        """Begin a new session with a board that has reset."""
        if self._transport is None or self._greeting is None:
            return
        with self._lock:
            self._greeting = Greeting(self._greeting.hello, self._greeting.session % 255 + 1)
            self._send(self._transport, self._sender.start(self._greeting.session))

    def _send(self, transport: Transport, data: bytes) -> None:
        self._journal.append(Kind.TO_BOARD, data)
        transport.write(data)

    def _greet(self, transport: Transport, port: str, deadline_s: float) -> None:
        handshake = Handshake(self._sender)
        began = self._clock()
        next_question = began
        while handshake.greeting is None:
            now = self._clock()
            if self._stopping.is_set():
                return
            if now - began >= (min(deadline_s, RUBBISH_AFTER_S) if handshake.rubbish else deadline_s):
                raise handshake.failure(port, now - began)
            if now >= next_question:
                self._send(transport, handshake.question())
                next_question = now + ASK_EVERY_S
            data = transport.read()
            if data:
                self._journal.append(Kind.FROM_BOARD, data)
                handshake.feed(data)
        self._greeting = handshake.greeting
        self._say({"hello": hello_document(handshake.greeting.hello)})
        with self._lock:
            self._send(transport, self._sender.start(handshake.greeting.session))

    def _regain(self, open_port: Callable[[], Transport], port: str) -> Transport | None:
        """The port again, greeted and started; None when stopped before. Raises BenchError when something else answers."""
        while not self._stopping.is_set():
            with self._lock:
                if self._transport is not None:
                    self._transport.close()
                self._transport = self._greeting = None
            try:
                transport = self._transport = open_port()
                self._greet(transport, port, REGAIN_HELLO_S)
            except LinkError as error:
                if isinstance(error, WrongFirmware):
                    raise
                self._stopping.wait(REGAIN_EVERY_S)
            else:
                return transport
        return None

    def _read(self, transport: Transport, port: str) -> None:
        heard = self._clock()
        while not self._stopping.is_set():
            data = transport.read()
            if data:
                self._journal.append(Kind.FROM_BOARD, data)
                heard = self._clock()
            elif self._clock() - heard >= SILENT_AFTER_S:
                raise LinkSilent(
                    f"The board on {port} fell silent for {SILENT_AFTER_S:.0f} s in the middle of the session. "
                    "Check its power and cable, then measure again."
                )

    def _drain(self, transport: Transport) -> None:
        """Stop the board and keep what it still had to say."""
        if self._greeting is None:
            return
        with self._lock:
            self._send(transport, self._sender.stop())
        began = self._clock()
        quiet = 0
        while self._clock() - began < STOP_WITHIN_S and quiet < 2:
            data = transport.read()
            if data:
                self._journal.append(Kind.FROM_BOARD, data)
                quiet = 0
            else:
                quiet += 1

    def _fail(self, error: BenchError) -> None:
        document = {"code": error.code, "text": error.text}
        self._note({"kind": "error", **document})
        self._say({"error": document})

    def _note(self, entry: dict[str, Any]) -> None:
        with contextlib.suppress(BenchError):
            self._journal.entry(entry)
            self._journal.sync()


def hello_document(hello: Hello) -> dict[str, Any]:
    """What the parent shows of a board."""
    return {
        "board_id": hello.board_id.hex(),
        "boot_counter": hello.boot_counter,
        "firmware": f"{hello.firmware_major}.{hello.firmware_minor}.{hello.firmware_patch}",
        "counts_per_turn": hello.counts_per_turn,
        "simulated": bool(hello.simulated),
    }


def _sync_regularly(journal: JournalWriter, acquisition: Acquisition, done: threading.Event) -> None:
    while not done.wait(SYNC_EVERY_S):
        acquisition._guarded(journal.sync, None)


def _obey(acquisition: Acquisition) -> None:
    for line in sys.stdin:
        try:
            command = json.loads(line)
        except ValueError:
            continue
        if isinstance(command, dict):
            acquisition.command(command)
    acquisition.stop()


def main() -> int:
    """Process entry: see the module's text."""
    # Control-C reaches the whole terminal group; this process ends when its parent says so, or is gone.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    out = threading.Lock()

    def say(report: dict[str, Any]) -> None:
        with out, contextlib.suppress(OSError, ValueError):
            sys.stdout.write(json.dumps(report) + "\n")
            sys.stdout.flush()

    line = sys.stdin.readline()
    if not line:
        return 0
    order = Order(**json.loads(line))
    try:
        journal = JournalWriter(Path(order.journal), order.header)
    except BenchError as error:
        say({"error": {"code": error.code, "text": error.text}})
        say({"ended": True})
        return 0
    acquisition = Acquisition(journal, say)
    done = threading.Event()
    threading.Thread(target=_sync_regularly, args=(journal, acquisition, done), daemon=True).start()
    threading.Thread(target=_obey, args=(acquisition,), daemon=True).start()

    def open_port() -> Transport:
        return SerialTransport(order.port or discover(), order.baud)

    acquisition.run(open_port, order.port or "the board's port", order.hello_deadline_s, order.persistent)
    done.set()
    try:
        journal.close()
    except BenchError as error:
        say({"error": {"code": error.code, "text": error.text}})
    say({"ended": True})
    return 0


if __name__ == "__main__":
    sys.exit(main())
