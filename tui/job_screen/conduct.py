"""Carries the sessions of a desk on, whoever shows them: polls, judges the passes so far, ends, begins again. Knows no terminal."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from bench.check_list import not_done, open_lines
from bench.entries import check_entry
from bench.evaluation import Evaluation, evaluate_running
from bench.procedure import Step
from bench.run import Run
from bench.session import Session
from bench.snapshot import snapshot
from tui.intake import IntakeResult
from tui.job_screen.desk import Desk
from tui.job_screen.state import JobState

#: What the passes so far say is worked out anew at most so often.
JUDGE_EVERY_S = 1.0
#: Steps in which the passes so far are judged.
JUDGED = frozenset({Step.AS_FOUND, Step.VERIFY, Step.CHECKS})


class Conduct:
    """Begin a session, then `pull` some times a second; each pull gives the job at that moment.

    Whoever draws less often than it looks calls `poll` and `show`, of which a pull is made.
    """

    def __init__(self, desk: Desk, clock: Callable[[], float] = time.monotonic) -> None:
        self.desk = desk
        self._clock = clock
        self._session: Session | None = None
        self._so_far: Evaluation | None = None
        self._judged: object = None
        self._judged_at = 0.0
        self._shown_done = False
        #: True once the session has ended and its record is kept, of which `record_text` tells.
        self.ended = False
        self.record_text = ""

    @property
    def session(self) -> Session | None:
        """The session now under way, or the last one."""
        return self._session

    @property
    def acting(self) -> bool:
        """Whether a person's hand acts on a simulated unit."""
        unit = self.desk.unit
        return unit is not None and unit.state.acting

    def begin(self, intake: IntakeResult | None, resume_id: str | None = None) -> Session:
        """The first session. Raises BenchError."""
        return self._take(self.desk.begin(intake, resume_id))

    def again(self, recheck: bool) -> Session:
        """A further session of the same job; `recheck`: linked to the record just kept. Raises BenchError."""
        return self._take(self.desk.again(recheck))

    def pull(self) -> JobState | None:
        """Take in what was said since the last time, without waiting; the job as it is now, None before it begins.

        Raises BenchError where a mended unit wants a new session and none can be begun.
        """
        self.poll()
        return self.show()

    def poll(self) -> None:
        """Take in what was said since the last time, without waiting; a session that is over is ended and its record kept."""
        session = self._session
        if session is None:
            return
        if not session.over:
            session.poll(0)
        elif not self.ended:
            self._end(session)

    def show(self) -> JobState | None:
        """The job as it is now, None before it begins. Raises BenchError as `pull` does."""
        session = self._session
        if session is None:
            return None
        state = self._state(session)
        unit = self.desk.unit
        if unit is None:
            return state
        unit.poll(state)
        if unit.wants_new_session:
            # Something was put right that only a new session can take in.
            if self.ended:
                session = self.again(False)
                return self._state(session)
            session.interrupt()
        if not unit.state.acting and session.run.step is Step.CHECKS:
            self._show_the_end(session)
        return replace(state, rehearsal=unit.state)

    def stop_lines(self) -> tuple[str, ...]:
        """Why the job cannot be ended yet."""
        session = self._session
        if session is None or session.run.step is not Step.CHECKS:
            return ()
        return open_lines(self.desk.check_list, session.run.entries)

    def leave(self) -> str:
        """End what is under way, and keep it as an open job; what to tell of it."""
        session = self._session
        if session is None or self.ended:
            return ""
        session.interrupt()
        self.ended = True
        return self.desk.end(session)

    def _take(self, session: Session) -> Session:
        self._session = session
        self._so_far, self._judged, self.ended, self.record_text = None, None, False, ""
        return session

    def _end(self, session: Session) -> None:
        self.ended = True
        if self.desk.unit is not None:
            self.desk.unit.poll(self._state(session))
        session.end()
        self.record_text = self.desk.end(session)

    def _show_the_end(self, session: Session) -> None:
        """Of a job that is only watched: the lines that would stop it are entered as done, and it ends."""
        if self._shown_done:
            return
        self._shown_done = True
        for line in self.desk.check_list.check:
            if line.stops_job:
                session.enter(check_entry(replace(not_done(line), verdict="done", note="as a demonstration")))
        session.lead(Step.DONE)

    def _state(self, session: Session) -> JobState:
        run = session.run
        self._judge(run)
        unit = self.desk.unit
        job = run.job.unit
        done = {e.get("name") for e in run.entries if e.get("kind") == "check" and e.get("verdict") != "not done"}
        return JobState(
            snap=snapshot(run),
            title=self.desk.title,
            rotation=job.rotation.value,
            poles=job.poles,
            span_deg=360.0 * job.magnet_turns_per_cam_turn,
            running=self._so_far,
            stop_lines=self.stop_lines(),
            checks_done=len(done),
            checks_all=len(self.desk.check_list.check),
            rehearsal=None if unit is None else unit.state,
            can_begin_again=session.over,
            record_text=self.record_text,
        )

    def _judge(self, run: Run) -> None:
        if run.step not in JUDGED:
            self._so_far, self._judged = None, None
            return
        now = self._clock()
        key = run.step, sum(sum(t.lobe_passes) for t in run.epoch.traces), id(run.epoch)
        if key == self._judged or now - self._judged_at < JUDGE_EVERY_S:
            return
        self._judged, self._judged_at = key, now
        self._so_far = evaluate_running(run) if any(t.passes for t in run.epoch.traces) else None
