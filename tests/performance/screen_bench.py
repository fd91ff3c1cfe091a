"""The whole bench as a person has it, without the person: simulated board, a relay that notes times, the screen on a pseudo-terminal."""

from __future__ import annotations

import bisect
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bench.journal import JournalReader, Kind
from firmware_protocol.framing import Frame, FrameReader
from firmware_protocol.messages import Contact, Hello, Position
from tests.end_to_end.commands import JOB
from tests.performance.processor import used_s
from tests.performance.programs import breakerbench

WITHIN_S = 60.0
COLUMNS, ROWS = 100, 30
TURN_DEG_S = 120.0
#: A level that lasts less than about a redraw need not be seen: bouncing points.
SEEN_S = 0.12
STATES = ((b"\xe2\x97\x87 OPEN", 1), (b"\xe2\x97\x86 CLOSED", 0))
F2 = b"\x1bOQ"
#: Sleeps of 10 ms; prints by how much they were late, milliseconds, at the 99th percentile.
LATENESS = """
import time
late, end = [], time.monotonic() + {seconds}
while (now := time.monotonic()) < end:
    time.sleep(0.01)
    late.append(time.monotonic() - now - 0.01)
print(sorted(late)[int(len(late) * 0.99)] * 1000)
"""


@dataclass
class Part:
    """What one part of the measurement gave. Latencies in milliseconds: from the relay, and from the edge itself."""

    from_bytes: list[float]
    from_edge: list[float]
    unseen: int
    share: float
    redraws_hz: float
    lateness_ms: float
    beside: int


@dataclass
class Seen:
    """Level changes, each with its time."""

    at: list[float] = field(default_factory=list)
    level: list[int] = field(default_factory=list)

    def note(self, at: float, level: int) -> None:
        if not self.level or self.level[-1] != level:
            self.at.append(at)
            self.level.append(level)


class ScreenBench:
    """Simulated board, relay, and the screen on a pseudo-terminal."""

    def __init__(self, folder: Path) -> None:
        import pty
        import tty

        self._folder = folder
        self._capture = folder / "screen.capture"
        self._simulator = subprocess.Popen(
            [sys.executable, "-P", "-m", "sim.serve", "--pty", "--acting", "--scenario", "plain-single", "--seed", "3"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._simulator.stdout is not None
        about = json.loads(self._simulator.stdout.readline())
        self._board = os.open(about["port"], os.O_RDWR | os.O_NOCTTY)
        self._to_program, for_program = pty.openpty()
        tty.setraw(for_program)
        self._terminal, slave = pty.openpty()
        _size(slave)
        self._screen = subprocess.Popen(
            [*breakerbench(), "measure", str(JOB), "--port", os.ttyname(for_program), "--capture", str(self._capture)],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={**os.environ, "BREAKERBENCH_HOME": str(folder), "TERM": "xterm-256color", "COLORTERM": "truecolor"},
            start_new_session=True,
        )
        os.close(slave)
        self._sent = bytearray()
        self.levels, self.edges, self.shown = Seen(), Seen(), Seen()
        self._offset_s: float | None = None
        self._tick_hz = 0
        self._written: list[float] = []
        self._text = b""
        self._felt: dict[str, Any] = {}
        for work in (self._relay_out, self._relay_in, self._watch, self._feel):
            threading.Thread(target=work, daemon=True).start()

    def __enter__(self) -> ScreenBench:
        return self

    def __exit__(self, *_: object) -> None:
        for process in (self._screen, self._simulator):
            process.terminate()
            process.wait(20)

    @property
    def screen_pid(self) -> int:
        """Of the process that draws."""
        return self._screen.pid

    @property
    def text(self) -> str:
        """What the terminal got last, with its control sequences."""
        return self._text[-3000:].decode("utf-8", "replace")

    @property
    def bytes_sent(self) -> int:
        """By the board so far, as they were passed on."""
        return len(self._sent)

    # --- threads -----------------------------------------------------------------------------------------------------

    def _relay_out(self) -> None:
        """From the board to the program; decoded only after it was sent on."""
        reader = FrameReader()
        while True:
            try:
                data = os.read(self._board, 65_536)
                at = time.monotonic()
                os.write(self._to_program, data)
            except OSError:
                return
            self._sent += data
            for frame in reader.feed(data):
                if isinstance(frame, Frame):
                    self._decoded(frame.message, at)

    def _decoded(self, message: object, at: float) -> None:
        if isinstance(message, Hello):
            self._tick_hz = message.tick_hz
        elif isinstance(message, Position):
            # The quickest way from the board's clock to this one's tells when a tick was.
            offset_s = at - message.tick / self._tick_hz
            self._offset_s = offset_s if self._offset_s is None else min(self._offset_s, offset_s)
            self.levels.note(at, message.levels & 1)
        elif isinstance(message, Contact) and message.channel == 0 and self._offset_s is not None:
            self.edges.note(message.tick / self._tick_hz + self._offset_s, int(message.opened))

    def _relay_in(self) -> None:
        while True:
            try:
                os.write(self._board, os.read(self._to_program, 65_536))
            except OSError:
                return

    def _watch(self) -> None:
        """What the screen writes, and when."""
        while True:
            try:
                data = os.read(self._terminal, 65_536)
            except OSError:
                return
            at = time.monotonic()
            self._written.append(at)
            # A word may be cut by the read; what is left of it comes first in the next.
            self._text = (self._text + data)[-20_000:]
            fresh = self._text[-len(data) - 12 :]
            found = max((fresh.rfind(word), level) for word, level in STATES)
            if found[0] >= 0:
                self.shown.note(at, found[1])

    def _feel(self) -> None:
        assert self._simulator.stdout is not None
        for line in self._simulator.stdout:
            self._felt = json.loads(line).get("felt", self._felt)

    # --- the job -----------------------------------------------------------------------------------------------------

    def act(self, command: dict[str, Any]) -> None:
        """One act of the simulated hand."""
        assert self._simulator.stdin is not None
        self._simulator.stdin.write(json.dumps(command) + "\n")
        self._simulator.stdin.flush()

    def _until(self, condition: Callable[[], bool], keys: tuple[bytes, ...] = ()) -> None:
        deadline, number = time.monotonic() + WITHIN_S, 0
        while not condition():
            if time.monotonic() > deadline or self._screen.poll() is not None:
                raise AssertionError(f"the screen did not come so far: {self.text}")
            if keys:
                os.write(self._terminal, keys[number % len(keys)])
                number += 1
                time.sleep(0.5)
            time.sleep(0.05)

    def begin_job(self) -> None:
        """Through the intake form: the job file has filled it in, the cautions are acknowledged one by one."""
        self._until(lambda: b"Intake" in self._text)
        self._until(lambda: bool(self.levels.at), (F2, b" "))

    def to_adjusting(self) -> None:
        """Sense, neutral from both sides, as found; and on, while the points could be set."""
        self.act({"do": "turn", "by_deg": 500, "speed_deg_s": 90})
        self._until(lambda: b"[neutral]" in self._text)
        self._rest()
        for side in ("below", "above", "below", "above"):
            self.act({"do": "seek", "from": side})
            self._rest()
            self.act({"do": "press"})
            time.sleep(0.5)
        self.act({"do": "keep_turning", "speed_deg_s": TURN_DEG_S})
        self._until(lambda: b"[adjust]" in self._text)

    def _rest(self) -> None:
        time.sleep(0.3)
        self._until(lambda: not self._felt.get("busy", True))

    def leave(self) -> None:
        """End the program as a person does."""
        os.write(self._terminal, b"q")
        time.sleep(0.5)
        os.write(self._terminal, b"y")
        self._screen.wait(WITHIN_S)

    def missing(self) -> tuple[int, str]:
        """How many of the bytes that were sent on the journal lacks, between the first and the last that it holds."""
        with JournalReader(self._capture) as journal:
            journal.header()
            kept = b"".join(record.payload for record in journal.records() if record.kind is Kind.FROM_BOARD)
        sent = bytes(self._sent)
        place = sent.find(kept)
        if place >= 0:
            outside = len(sent) - len(kept)
            return (
                0,
                f"{len(kept)} bytes in one piece; {outside} more came before the port was opened or after it was left",
            )
        return max(len(sent) - len(kept), 1), f"of {len(sent)}"

    # --- one part ----------------------------------------------------------------------------------------------------

    def part(self, seconds: float, beside: Callable[[threading.Event], int] | None = None) -> Part:
        """Watch for so long, with `beside` going on in another process."""
        done, reports = threading.Event(), [0]
        helper = None
        if beside is not None:
            work = beside
            helper = threading.Thread(target=lambda: reports.__setitem__(0, work(done)))
            helper.start()
        lateness = subprocess.Popen(
            [sys.executable, "-c", LATENESS.format(seconds=seconds)], stdout=subprocess.PIPE, text=True
        )
        began, used = time.monotonic(), used_s(self._screen.pid)
        time.sleep(seconds)
        ended, used = time.monotonic(), used_s(self._screen.pid) - used
        done.set()
        if helper is not None:
            helper.join()
        late, _ = lateness.communicate()
        from_bytes, unseen = latencies(self.levels, self.shown, began, ended)
        from_edge, _ = latencies(self.edges, self.shown, began, ended)
        return Part(
            from_bytes=from_bytes,
            from_edge=from_edge,
            unseen=unseen,
            share=100 * used / (ended - began),
            redraws_hz=sum(began < at < ended for at in self._written) / (ended - began),
            lateness_ms=float(late),
            beside=reports[0],
        )


def latencies(edges: Seen, shown: Seen, began: float, ended: float) -> tuple[list[float], int]:
    """Milliseconds from each lasting change to the screen's showing it, and how many it never showed."""
    settled = Seen()
    for number, (at, level) in enumerate(zip(edges.at, edges.level, strict=True)):
        following = edges.at[number + 1] if number + 1 < len(edges.at) else float("inf")
        # Of a bouncing edge the first touch counts, so that what was not yet there does not make it look sooner.
        if following - at >= SEEN_S:
            first = number
            while first > 1 and edges.at[first] - edges.at[first - 1] < SEEN_S:
                first -= 1
            settled.note(edges.at[first] if edges.level[first] == level else at, level)
    found, unseen = [], 0
    for number, (at, level) in enumerate(zip(settled.at, settled.level, strict=True)):
        if not began < at < ended - 1:
            continue
        following = settled.at[number + 1] if number + 1 < len(settled.at) else ended
        place = bisect.bisect_left(shown.at, at)
        times = [t for t, s in zip(shown.at[place:], shown.level[place:], strict=True) if s == level and t < following]
        if times:
            found.append((times[0] - at) * 1000)
        else:
            unseen += 1
    return found, unseen


def _size(terminal: int) -> None:
    import fcntl
    import struct
    import termios

    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
