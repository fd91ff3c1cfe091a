"""The desk of a rehearsal: a simulated unit that the person acts on or watches; nothing of it can become a record."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from bench import bench_file, check_list, job_file
from bench.bench_file import BenchFile
from bench.job import Job
from bench.result import ResultDocument, document
from bench.session import Session
from bench.settings import DEFAULT_PASSES, Rehearsal, header
from tui import places, records_keeping
from tui.debrief import debrief
from tui.intake import Intake, IntakeResult
from tui.job_screen.desk import Unit
from tui.job_screen.simulated_unit import SimulatedUnit
from tui.records_keeping import Keeping
from tui.simulator import Simulator

TITLE = "REHEARSAL on a simulated unit – not for record"


class RehearsalDesk:
    """See `Desk`. `unit` None means that the simulator's own hand does a plain run, which is only watched."""

    def __init__(
        self,
        options: argparse.Namespace,
        simulator: Simulator,
        unit: SimulatedUnit | None,
        followers_lifted: bool,
    ) -> None:
        self.title = TITLE if unit is None or not unit.title else f"{TITLE} – exercise: {unit.title}"
        self.check_list = check_list.DEFAULT
        self._options = options
        self._simulator = simulator
        self._unit = unit
        self._followers_lifted = followers_lifted
        self._keeping: Keeping | None = None
        self._journal: Path | None = None
        #: Of the session that ended last: its result and run; and of all sessions, steps entered with their device time.
        self.result: ResultDocument | None = None
        self.status: int | None = None
        self.sessions: list[ResultDocument] = []
        self._job: Job | None = None

    @property
    def unit(self) -> Unit | None:
        """The simulated unit."""
        return self._unit

    @property
    def journal(self) -> Path | None:
        """Journal of the last session."""
        return self._journal

    def interrupted(self) -> tuple[tuple[str, str], ...]:
        """A rehearsal is never resumed."""
        return ()

    def intake(self) -> Intake | None:
        """The job comes with the scenario."""
        return None

    def begin(self, intake: IntakeResult | None, resume_id: str | None = None) -> Session:  # noqa: ARG002
        """See `Desk`."""
        return self._start(False)

    def again(self, recheck: bool = False) -> Session:
        """See `Desk`."""
        return self._start(recheck)

    def end(self, session: Session) -> str:
        """See `Desk`."""
        session.close()
        self._job = session.run.job
        if self._unit is not None:
            self._unit.hear_truth()
        self.result = document(
            session.run, None if self._journal is None or not session.recorded else str(self._journal)
        )
        self.sessions.append(self.result)
        if self._keeping is None:
            self.status = self.result.exit_status()
            return "Rehearsal: no record is kept."
        self.status, text = self._keeping.keep(self.result, session.recorded and session.hello is not None)
        return text

    def debrief(self) -> str:
        """See `Desk`."""
        unit = self._unit
        if unit is None or unit.truth is None or self._job is None:
            return ""
        return debrief(unit.truth, self.sessions, self._job, unit.steps)

    def _paper(self, what: str) -> Path:
        about: dict[str, Any] = self._simulator.about
        right = self._unit is not None and f"{what}_right" in self._unit.papers
        return Path(str(about[f"{what}_right" if right else what]))

    def _start(self, recheck: bool) -> Session:
        options = self._options
        job, bench_path = job_file.load(self._paper("job")), self._paper("bench")
        bench = bench_file.load(bench_path)
        named = options.capture if self._journal is None else None
        journal = self._journal = Path(named) if named else places.new_journal(job.unit.serial_number)
        first = header(
            job,
            bench,
            DEFAULT_PASSES,
            places.now(),
            places.software(),
            Rehearsal(options.scenario, options.seed),
            followers_lifted=self._followers_lifted,
            guided=self._unit is not None,
            recheck=recheck,
            encoder_map=bench_file.map_document(bench, bench_path.parent),
        )
        self._keeping = None
        if options.record:
            self._keeping = records_keeping.begin(
                places.bench_settings(), first, journal, options, None, only_valid=True
            )
        if self._unit is not None:
            self._unit.new_session()
        session = self._session(first, journal, bench)
        session.start()
        return session

    def _session(self, first: dict[str, Any], journal: Path, bench: BenchFile) -> Session:
        return Session(first, journal, self._simulator.port, bench.link.baud, bench.link.hello_deadline_s)
