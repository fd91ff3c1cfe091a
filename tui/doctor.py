"""`breakerbench doctor`: a conformance run of a board, guided in the terminal."""

from __future__ import annotations

import argparse
import contextlib
import os
import queue
import shutil
import signal
import sys
import textwrap
import threading
from pathlib import Path

from bench.conformance import document, exit_status, header, outcome
from bench.conformance_finding import Finding, Status
from bench.conformance_session import ConformanceSession
from bench.conformance_steps import Step
from tui import measuring, places

MOST_WIDTH = 100
SHAPES = {Status.PASS: "[+]", Status.ATTENTION: "[!]", Status.FAIL: "[x]", Status.NOT_TRIED: "[ ]"}
OUTCOMES = {
    Status.PASS: "All was tried, and nothing is wrong.",
    Status.ATTENTION: "All was tried, and nothing fails; see what needs attention.",
    Status.FAIL: "Something fails: see [x] above.",
    Status.NOT_TRIED: "Nothing fails, but not everything was tried: see [ ] above.",
}
STATES = {"seen": "seen", "skipped": "skipped", "time-limit": "not seen in time"}
INTERRUPTED_STATUS = 130


def run(options: argparse.Namespace) -> int:
    """Check the board on the port; gives the exit status."""
    bench = places.bench_settings()
    measuring.refuse_existing(options.capture)
    port = options.port or os.environ.get("BREAKERBENCH_PORT") or bench.link.port
    journal = places.new_journal("doctor") if options.capture is None else Path(options.capture)
    run_header = header(port, bench.link.baud, places.now(), places.software())
    attended = not options.json and sys.stdin.isatty() and sys.stdout.isatty()
    session = ConformanceSession(
        run_header, journal, port, bench.link.baud, bench.link.hello_deadline_s, options.seconds, attended
    )
    measuring.caution()
    session.start()
    try:
        _carry_out(session, attended)
    finally:
        session.close()
    findings = session.conformance.findings()
    failure = session.conformance.evidence.failure
    kept = str(journal) if session.recorded else None
    if options.json:
        print(document(session.conformance, run_header, kept).to_json())
    else:
        print(text(findings))
        if kept is not None:
            print(f"Journal: {kept}")
    if failure is not None:
        print(f"breakerbench: {failure.text}", file=sys.stderr)
        return INTERRUPTED_STATUS if failure.code == "interrupted" else 4
    return exit_status(findings)


def text(findings: tuple[Finding, ...]) -> str:
    """All findings in words, for a terminal and for ears."""
    lines: list[str] = []
    for finding in findings:
        lines += ["", f"{SHAPES[finding.status]} {finding.status.value.upper()}: {finding.checked}"]
        lines += _wrapped(finding.seen)
        if finding.advice:
            lines += _wrapped(f"What to do: {finding.advice}")
    lines.append("")
    for status in (Status.ATTENTION, Status.NOT_TRIED, Status.FAIL):
        codes = [f.code for f in findings if f.status is status]
        if codes:
            lines += textwrap.wrap(
                f"{SHAPES[status]} {status.value}: {', '.join(codes)}", _width(), subsequent_indent="    "
            )
    passed = sum(f.status is Status.PASS for f in findings)
    lines += textwrap.wrap(f"{passed} of {len(findings)} passed. {OUTCOMES[outcome(findings)]}", _width())
    return "\n".join(lines[1:])


def _wrapped(sentence: str) -> list[str]:
    return textwrap.wrap(sentence, _width(), initial_indent="    ", subsequent_indent="    ")


def _width() -> int:
    return min(shutil.get_terminal_size().columns, MOST_WIDTH)


def _carry_out(session: ConformanceSession, attended: bool) -> None:
    """Poll the session to its end; Enter skips a step, Control-C ends the run."""
    guide = _Guide(session, attended)
    stopped: list[int] = []
    # Only noted, so that no record is left half read; acted on between two polls.
    before = signal.signal(signal.SIGINT, lambda number, _: stopped.append(number))
    enters = _enters() if attended else None
    try:
        while not session.over and not stopped:
            session.poll()
            guide.tell()
            while enters is not None and not enters.empty():
                enters.get()
                session.skip()
        if stopped:
            session.interrupt()
    finally:
        guide.end()
        signal.signal(signal.SIGINT, before)


def _enters() -> queue.Queue[None]:
    """Lines typed from now on. Read without Python's buffer, which a thread left waiting would lock at the program's end."""
    found: queue.Queue[None] = queue.Queue()
    keyboard = sys.stdin.fileno()

    def listen() -> None:
        with contextlib.suppress(OSError):
            while os.read(keyboard, 4096):
                found.put(None)

    threading.Thread(target=listen, daemon=True).start()
    return found


class _Guide:
    """Says on stderr which step is due and how it ended; on a terminal with the time left, kept up to date."""

    def __init__(self, session: ConformanceSession, attended: bool) -> None:
        self._session = session
        self._live = attended and sys.stderr.isatty()
        self._step: Step | None = None
        self._ended = 0
        self._shown = ""

    def tell(self) -> None:
        """Say what is new."""
        session = self._session
        for step, state in session.ended_steps[self._ended :]:
            self._ended += 1
            self._clear()
            _say(f"    {STATES[state]}" if step.needs_hands else "    done")
        if session.step is not self._step:
            self._step = session.step
            if session.step is not None:
                self._ask(session.step)
        if self._live and session.step is not None and session.step.needs_hands:
            self._show(f"    {session.left_s:3.0f} s left. {self._progress()}Enter: skip this step.")

    def end(self) -> None:
        """Leave the line in order."""
        self._clear()

    def _ask(self, step: Step) -> None:
        number = self._session.steps.index(step) + 1
        limit = f" ({self._session.left_s:.0f} s)" if step.needs_hands and not self._live else ""
        asked = f"Step {number} of {len(self._session.steps)}: {step.ask}{limit}"
        _say("\n".join(textwrap.wrap(asked, _width(), subsequent_indent="    ")))

    def _progress(self) -> str:
        evidence, step = self._session.conformance.evidence, self._session.step
        if step is None or not step.name.startswith("turn") or evidence.hello is None:
            return ""
        turn = evidence.hello.counts_per_turn
        return f"Turned {evidence.rise_counts / turn:.1f} one way, {evidence.fall_counts / turn:.1f} the other. "

    def _show(self, line: str) -> None:
        if line != self._shown:
            _say(f"\r{line}\x1b[K", end="")
            self._shown = line

    def _clear(self) -> None:
        if self._shown:
            _say("\r\x1b[K", end="")
            self._shown = ""


def _say(said: str, end: str = "\n") -> None:
    # Nobody listening is no reason to stop.
    with contextlib.suppress(OSError):
        print(said, end=end, file=sys.stderr, flush=True)
