"""What the screen asks of whoever started it: sessions, the list of other checks, and a simulated unit if it is a rehearsal."""

from __future__ import annotations

from typing import Any, Protocol

from bench.check_list import CheckList
from bench.session import Session
from tui.intake import Intake, IntakeResult
from tui.job_screen.state import JobState, RehearsalState


class Unit(Protocol):
    """A simulated unit that keys act on."""

    @property
    def state(self) -> RehearsalState:
        """What hand and eye tell now."""

    def poll(self, state: JobState) -> None:
        """Take in what the simulator says; a rehearsal that is watched acts on `state`."""

    def act(self, command: dict[str, Any]) -> None:
        """One act of the hand (see the simulator's acting commands)."""

    @property
    def places(self) -> tuple[tuple[str, str], ...]:
        """Where one can look: key and title."""

    @property
    def mends(self) -> tuple[tuple[str, str], ...]:
        """What one can mend: key and title."""

    @property
    def sheet(self) -> tuple[str, ...]:
        """The invented manual extract of an exercise."""

    @property
    def wants_new_session(self) -> bool:
        """True once after something was mended that only a new session can take in."""

    @property
    def breakers(self) -> tuple[str, ...]:
        """Names of the sets of points."""


class Desk(Protocol):
    """Starts sessions and keeps what they give."""

    title: str
    check_list: CheckList

    @property
    def unit(self) -> Unit | None:
        """The simulated unit of a rehearsal."""

    def intake(self) -> Intake | None:
        """The form to begin with; None if the job is settled."""

    def interrupted(self) -> tuple[tuple[str, str], ...]:
        """Interrupted jobs that can be resumed: id and a line about each."""

    def begin(self, intake: IntakeResult | None, resume_id: str | None = None) -> Session:
        """A session for this job, started. Raises BenchError."""

    def end(self, session: Session) -> str:
        """Close `session` and keep its record; gives what to tell. Raises nothing."""

    def debrief(self) -> str:
        """What a rehearsal that has ended was about, against truth; empty if it is none, or has not ended. Asked of a desk with a unit."""

    def again(self, recheck: bool = False) -> Session:
        """A further session of the same job, started; `recheck`: a second verify linked to the record just kept. Raises BenchError."""
