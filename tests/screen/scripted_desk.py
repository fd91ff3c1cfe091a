"""A desk whose sessions are read from a scripted board instead of a port: the rotor follows its script as far as the test lets time pass.

It stands where the hardware does, the acquiring process included. The run behind it is the real one, fed with the bytes that a board sends
and with the journal's entries.
"""

from __future__ import annotations

import json
from bisect import insort
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from bench import check_list
from bench.check_list import CheckList
from bench.errors import BenchError
from bench.journal import Kind, Record
from bench.procedure import Step
from bench.run import Failure, Run
from bench.session import INTERRUPTED
from bench.settings import header, read_header
from firmware_protocol.framing import Framer
from firmware_protocol.messages import Position, Press, PressSource, Start
from tests.support.scripted import TICK_HZ, Script, Sent, hello, new_run, play
from tui.intake import Intake, IntakeResult
from tui.job_screen.desk import Unit

#: A press lasts so long.
PEDAL_DOWN_S = 0.2


def guided_run(tables: dict[str, Any] | None = None, recheck: bool = False, **more: Any) -> Run:
    """A run that a person at the screen leads; `more` as for any run of the scripted board."""
    plain = new_run(tables, **more).settings
    lifted = plain.followers_lifted
    head = header(
        plain.job_file, plain.bench, plain.passes, plain.run_date, "test", None, lifted, guided=True, recheck=recheck
    )
    return Run(read_header(head, "test"))


class ScriptedSession:
    """Stands where `bench.session.Session` does. `until` lets time pass on the board, in seconds since its script began."""

    recorded = False

    def __init__(
        self,
        run: Run,
        script: Script,
        lost: Callable[[Sent], bool] = lambda _: False,
        sent: Sequence[Sent] | None = None,
    ) -> None:
        """`lost`: messages that get lost on the line; `sent`: what the board sends, if not just what the script says."""
        self.run = run
        self.script = script
        self.now_s = 0.0
        self.presses_asked = 0
        self.ended = False
        self._lost = lost
        self._sent = list(play(script) if sent is None else sent)
        self._next = 0
        self._count = 0
        self._framer = Framer()
        self._number = 0
        self._frames = 0

    # --- the board's side -------------------------------------------------------------------------------------------

    def greet(self, number: int = 1, boot_counter: int | None = None) -> None:
        """The board says who it is, and the session `number` begins."""
        greeting = hello(self.script)
        if boot_counter is not None:
            greeting = replace(greeting, boot_counter=boot_counter)
        self._from_board(b"\0" + self._framer.encode(greeting, 0, 0))
        self.start(number)

    def start(self, number: int) -> None:
        """The session `number` begins."""
        self._number, self._frames = number, 0
        self.run.feed(Record(Kind.TO_BOARD, Framer().encode(Start(number, 100, 0, 1), 0, number), 0))

    def until(self, seconds: float) -> ScriptedSession:
        """Everything that the board sends up to `seconds` is read."""
        data = b""
        while self._next < len(self._sent) and self._sent[self._next].at_s <= seconds:
            one = self._sent[self._next]
            self._next += 1
            if isinstance(one.message, Position):
                self._count = one.message.count
            frame = self._framer.encode(one.message, self._number, self._frames & 0xFFFF)
            self._frames += 1
            if not self._lost(one):
                data += frame
        if data:
            self._from_board(data)
        self.now_s = seconds
        return self

    def end_of_script(self) -> ScriptedSession:
        """Everything that the board ever sends."""
        return self.until(self._sent[-1].at_s)

    def _from_board(self, data: bytes) -> None:
        self.run.feed(Record(Kind.FROM_BOARD, data, 0))

    # --- what the screen asks of a session --------------------------------------------------------------------------

    @property
    def over(self) -> bool:
        """See `Session`."""
        return self.run.finished

    def poll(self, wait_s: float) -> None:  # noqa: ARG002
        """Nothing comes but what the test lets come."""
        if self.run.restart_wanted:
            self.run.restart_wanted = False
            self.start(self._number + 1)

    def press(self) -> None:
        """The board latches count and tick, as at a press of its pedal. The rotor must stand: the count is that of the last report."""
        self.presses_asked += 1
        for at_s, down in ((self.now_s, 1), (self.now_s + PEDAL_DOWN_S, 0)):
            tick = (self.script.tick0 + round(at_s * TICK_HZ)) & 0xFFFF_FFFF
            message = Press(tick, self._count, PressSource.REQUEST, down, 0)
            insort(self._sent, Sent(at_s, message), lo=self._next, key=lambda s: s.at_s)
        self.until(self.now_s)

    def enter(self, entry: dict[str, Any]) -> None:
        """See `Session`."""
        self.run.feed(Record(Kind.ENTRY, json.dumps(entry).encode(), 0))

    def lead(self, step: Step) -> None:
        """See `Session`."""
        self.enter({"kind": "step", "to": step.value})

    def interrupt(self) -> None:
        """See `Session`."""
        if not self.run.finished:
            self.run.failure = Failure("interrupted", INTERRUPTED)

    def end(self) -> None:
        """See `Session`."""
        self.ended = True

    def close(self) -> None:
        """See `Session`."""
        self.ended = True


class ScriptedDesk:
    """See `Desk`. Each session that is asked for is the next one of `sessions`."""

    def __init__(
        self,
        *sessions: ScriptedSession,
        title: str = "measurement",
        checks: CheckList = check_list.DEFAULT,
        form: Callable[[], Intake] | None = None,
        waiting: tuple[tuple[str, str], ...] = (),
    ) -> None:
        self.title = title
        self.check_list = checks
        self.unit: Unit | None = None
        self.taken_in: IntakeResult | None = None
        self.resumed: str | None = None
        self.asked_again: list[bool] = []
        self.ended: list[ScriptedSession] = []
        self._form = form
        self._waiting = waiting
        self._sessions = list(sessions)

    def intake(self) -> Intake | None:
        """See `Desk`."""
        return None if self._form is None else self._form()

    def interrupted(self) -> tuple[tuple[str, str], ...]:
        """See `Desk`."""
        return self._waiting

    def begin(self, intake: IntakeResult | None, resume_id: str | None = None) -> ScriptedSession:
        """See `Desk`."""
        self.taken_in, self.resumed = intake, resume_id
        session = self._following()
        for entry in () if intake is None else intake.entries():
            session.enter(entry)
        return session

    def again(self, recheck: bool = False) -> ScriptedSession:
        """See `Desk`."""
        self.asked_again.append(recheck)
        return self._following()

    def end(self, session: ScriptedSession) -> str:
        """See `Desk`."""
        session.close()
        self.ended.append(session)
        # What the real desk tells of a record that was kept, and of a job that is still open.
        if session.run.failure is None:
            return "Record 20260101-0A"
        return "The job is open: breakerbench measure --resume 20260101-0A, or breakerbench records close 20260101-0A."

    def debrief(self) -> str:
        """See `Desk`."""
        return ""

    def _following(self) -> ScriptedSession:
        if not self._sessions:
            raise BenchError("The port is in use by another program. Close it, then try again.")
        return self._sessions.pop(0)
