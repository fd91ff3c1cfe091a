"""The desk of a real measurement: job from file, form or an interrupted one; records kept as each session ends."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from bench import bench_file, check_list, job_file
from bench.errors import BenchError
from bench.files import printable
from bench.job_file import JobFile
from bench.records.model import StoreError
from bench.result import ResultDocument, document
from bench.session import Session
from bench.settings import DEFAULT_PASSES, header
from tui import places, records_keeping
from tui.intake import Intake, IntakeResult
from tui.job_screen.desk import Unit
from tui.records_keeping import Keeping, Resumed

#: Interrupted jobs offered at the start, the latest ones.
OFFERED = 9


class MeasuringDesk:
    """See `Desk`. `options` are those of `breakerbench measure`; `job` that of the file named there."""

    def __init__(self, options: argparse.Namespace, job: JobFile | None, resumed: Resumed | None) -> None:
        self.title = "measurement"
        self.check_list = check_list.of_folder(places.home())
        self._options = options
        self._bench = places.bench_settings()
        self._job = job
        self._resumed = resumed
        self._intake: IntakeResult | None = None
        self._keeping: Keeping | None = None
        self._journal: Path | None = None
        #: Result and exit status of the session that ended last.
        self.result: ResultDocument | None = None
        self.status: int | None = None
        #: What came of its record, in words.
        self.told = ""

    @property
    def unit(self) -> Unit | None:
        """A real one."""
        return None

    def interrupted(self) -> tuple[tuple[str, str], ...]:
        """Only where no job was named. A store that cannot be read is told when a job begins, not here."""
        if self._job is not None or self._resumed is not None:
            return ()
        try:
            found = [job for job in records_keeping.open_now(self._bench) if job.code != records_keeping.UNDER_WAY]
        except StoreError:
            return ()
        return tuple((job.id, f"{printable(job.serial_number)}, {job.at}: {job.code}") for job in found[:OFFERED])

    def intake(self) -> Intake | None:
        """Prefilled from the job file, if one was named; an interrupted job needs none."""
        if self._resumed is not None:
            return None
        options = self._options
        return Intake(
            self._job,
            options.job,
            operator=options.operator or "",
            service_hours=options.hours,
            recheck_of=options.recheck_of or "",
        )

    def begin(self, intake: IntakeResult | None, resume_id: str | None = None) -> Session:
        """See `Desk`."""
        if resume_id is not None:
            self._resumed = records_keeping.resume(self._bench, resume_id)
        if self._resumed is not None:
            self._job = job_file.parse(self._resumed.job, f"job {self._resumed.id}")
        if intake is not None:
            self._job, self._intake = intake.job, intake
        return self._start(recheck=intake is not None and intake.recheck_of is not None)

    def again(self, recheck: bool = False) -> Session:
        """See `Desk`."""
        if recheck:
            if self._keeping is not None and self.result is not None and self.result.valid:
                self._options.recheck_of = self._keeping.id
            self._resumed = None
        elif self._keeping is not None:
            self._resumed = records_keeping.resume(self._bench, self._keeping.id)
        return self._start(recheck=recheck)

    def end(self, session: Session) -> str:
        """See `Desk`."""
        session.close()
        self.result = document(
            session.run, None if self._journal is None or not session.recorded else str(self._journal)
        )
        if self._keeping is None:
            self.status = self.result.exit_status()
            return ""
        self.status, self.told = self._keeping.keep(self.result, session.recorded and session.hello is not None)
        return self.told

    def debrief(self) -> str:
        """See `Desk`."""
        return ""

    def _start(self, recheck: bool) -> Session:
        job = self._job
        if job is None:
            raise BenchError("There is no job to begin.")
        options, bench, resumed = self._options, self._bench, self._resumed
        self.title = f"measurement of {job.unit.part_number} {job.unit.serial_number}"
        named = options.capture if self._journal is None else None
        journal = self._journal = Path(named) if named else places.new_journal(job.unit.serial_number)
        particulars = argparse.Namespace(**vars(options))
        if self._intake is not None:
            particulars.operator = self._intake.operator
            particulars.hours = self._intake.service_hours
            particulars.recheck_of = options.recheck_of or self._intake.recheck_of
        passes = options.passes or (DEFAULT_PASSES if resumed is None else resumed.passes)
        lifted = options.followers_lifted or (resumed is not None and resumed.followers_lifted)
        first = header(
            job,
            bench,
            passes,
            places.now(),
            places.software(),
            None,
            lifted,
            guided=True,
            recheck=recheck or particulars.recheck_of is not None,
            encoder_map=bench_file.map_document(bench, places.home()),
        )
        self._keeping = records_keeping.begin(bench, first, journal, particulars, resumed)
        port = options.port or os.environ.get("BREAKERBENCH_PORT") or bench.link.port
        session = Session(first, journal, port, bench.link.baud, bench.link.hello_deadline_s)
        session.start()
        if self._intake is not None:
            for entry in self._intake.entries():
                session.enter(entry)
        return session
