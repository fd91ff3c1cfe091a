"""What `measure` and `rehearse` share: carry a session to its end, with or without a screen, and tell the result."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from bench import cautions
from bench.errors import UsageError
from bench.result import ResultDocument, document
from bench.run import Run
from bench.session import Session
from tui import plain_text
from tui.records_keeping import Keeping
from tui.words import STEP_WORDS

if TYPE_CHECKING:
    from textual.driver import Driver

    from tui.job_plain import Beginning
    from tui.job_screen.desk import Desk
    from tui.job_screen.dialogs import Ways

POLL_S = 0.02
#: Control-C, and what ends a program from outside, a closed terminal among it; not every system knows them all.
STOPPING = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


def refuse_existing(capture: str | None) -> None:
    """Raise UsageError if the file named for the journal exists: a journal is never overwritten."""
    if capture is not None and os.path.lexists(capture):
        raise UsageError(f"--capture: {capture} exists already, and a journal is never overwritten; name a new file.")


def has_screen() -> bool:
    """Whether somebody looks at a screen: at a terminal, or at a browser, whose server names the screen's driver."""
    return served() or (sys.stdin.isatty() and sys.stdout.isatty())


def served() -> bool:
    """Whether the screen is shown in a browser."""
    return "TEXTUAL_DRIVER" in os.environ


def on_screen(desk: Desk, ways: Ways | None = None) -> Run | None:
    """Carry out a job on the screen; gives the run of its last session, closed and concluded; None if none was begun.

    `ways`: what is asked first.
    """
    from tui.job_screen.app import JobScreen

    driver: type[Driver] | None = None
    if served():
        from tui.job_screen.served_driver import ServedDriver

        driver = ServedDriver
    elif os.name == "posix":
        from tui.job_screen.terminal_driver import TerminalDriver

        driver = TerminalDriver
    screen = JobScreen(desk, ascii_only=not _speaks_utf8(), ways=ways, driver=driver)
    if served():
        # A page has one screen, which alone speaks on the true standard output; all else goes to whoever started the server.
        del os.environ["TEXTUAL_DRIVER"]
        sys.stdout = sys.stderr
    # Ended from outside, it gives the terminal back and keeps what there is, as when it is left; a second signal breaks none of that off.
    before = {number: signal.signal(number, lambda *_: screen.exit()) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        screen.run()
        session = screen.session
        if session is None:
            return None
        if not screen.session_ended:
            session.interrupt()
            text = desk.end(session)
            if text:
                print(text, file=sys.stderr)
        return session.run
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def in_plain_lines(desk: Desk, beginning: Beginning, as_json: bool) -> Run | None:
    """The same in plain lines, on standard output or, where that is kept for a document, standard error."""
    from tui import job_plain

    return job_plain.carry_out(desk, beginning, sys.stderr if as_json else sys.stdout)


def refuse_plain_and_headless(plain: bool, headless: bool) -> None:
    """Raise UsageError for what contradicts itself: plain lines ask and are answered, headless asks nobody."""
    if plain and headless:
        raise UsageError(
            "--plain and --headless exclude each other: plain lines are for somebody who reads and answers."
        )


def _speaks_utf8() -> bool:
    return served() or (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"


def carry_out(session: Session) -> None:
    """Run `session` to its end without a screen. The caller closes it."""
    teller = _Teller(session.run)
    stopped: list[int] = []
    # Only noted, so that no record is left half read; acted on between two polls. What whoever began this ignores stays ignored.
    before = {
        number: signal.signal(number, lambda number, _: stopped.append(number))
        for number in STOPPING
        if signal.getsignal(number) is not signal.SIG_IGN
    }
    try:
        while not session.over and not stopped:
            session.poll(POLL_S)
            teller.tell()
        if stopped:
            session.interrupt()
    finally:
        # Once stopped, all is seen to its end: a second Control-C must not break off the closing of the journal, or the document.
        for number, handler in before.items():
            signal.signal(number, signal.SIG_IGN if stopped else handler)


class _Teller:
    """Says on stderr, once each, which step the job is in and what went wrong."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._step: object = None
        self._notes = 0

    def tell(self) -> None:
        """Say what is new."""
        if self._run.step is not self._step and self._run.hello is not None:
            self._step = self._run.step
            _say(f"step: {STEP_WORDS[self._run.step]}")
        for note in self._run.notes[self._notes :]:
            _say(f"note: {note.text}")
        self._notes = len(self._run.notes)


def _say(text: str) -> None:
    # Nobody listening is no reason to stop measuring.
    with contextlib.suppress(OSError):
        print(text, file=sys.stderr, flush=True)


def conclude(
    session: Session,
    journal_name: str,
    as_json: bool,
    truth_of: Callable[[], dict[str, Any] | None],
    keeping: Keeping | None = None,
) -> int:
    """Print the result of a session that has ended, and keep it; gives the exit status. `truth_of` may give the simulator's truth."""
    result = document(session.run, journal_name if session.recorded else None)
    truth = truth_of()
    if truth is not None:
        result = result.model_copy(update={"truth": truth})
    unheard = None
    try:
        show(result, as_json)
        if not as_json and session.recorded:
            print(f"Journal: {journal_name}", file=sys.stdout if result.valid else sys.stderr)
        # First what was found, for whom that is enough.
        sys.stdout.flush()
    except OSError as failure:
        # Nobody reading is no reason to keep no record.
        unheard = failure
    status = result.exit_status()
    if keeping is not None:
        status = keeping.end(result, session.recorded and session.hello is not None, as_json)
    if unheard is not None:
        raise unheard
    return status


def show(result: ResultDocument, as_json: bool) -> None:
    """The document on stdout, as JSON or in words; a failure's sentence on stderr."""
    if as_json:
        print(result.to_json())
    elif result.valid:
        print(plain_text.result(result))
    if result.error is not None:
        print(f"breakerbench: {result.error.text}", file=sys.stderr)


def caution() -> None:
    """Say once, on stderr, what this is and is not."""
    print(cautions.AID, cautions.LIVE, sep="\n", file=sys.stderr)
