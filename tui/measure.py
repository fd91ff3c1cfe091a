"""`breakerbench measure`."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from bench import bench_file, job_file
from bench.errors import JobFileError, UsageError
from bench.job_file import JobFile
from bench.result import failure_document
from bench.run import Failure
from bench.session import Session
from bench.settings import DEFAULT_PASSES, header
from tui import measuring, places, records_keeping
from tui.records_keeping import Resumed


def run(options: argparse.Namespace) -> int:
    """Measure by job file; gives the exit status."""
    bench = places.bench_settings()
    resumed = None
    job: JobFile | None = None
    if options.resume is not None:
        if options.job is not None:
            raise UsageError("--resume goes on with the interrupted job's own job file; name no other.")
        resumed = records_keeping.resume(bench, options.resume)
        job = job_file.parse(resumed.job, f"job {resumed.id}")
    elif options.job is not None:
        try:
            job = job_file.load(Path(options.job))
        except JobFileError as error:
            # Named with the bench's decision rule, so that the document is as whole as it can be.
            measuring.show(failure_document(Failure(error.code, error.text), None, None, bench), options.json)
            return error.exit_status
    measuring.refuse_existing(options.capture)
    measuring.refuse_plain_and_headless(options.plain, options.headless)
    if options.plain:
        return _in_plain_lines(options, job, resumed)
    if not options.headless and measuring.has_screen():
        return _on_screen(options, job, resumed)
    if job is None:
        raise UsageError("measure needs a job file: breakerbench measure JOB.toml. The README shows one.")
    return _headless(options, job, resumed)


def _on_screen(options: argparse.Namespace, job: JobFile | None, resumed: Resumed | None) -> int:
    from tui.job_screen.measuring_desk import MeasuringDesk

    desk = MeasuringDesk(options, job, resumed)
    if measuring.on_screen(desk) is None or desk.result is None:
        return 130
    measuring.show(desk.result, options.json)
    if desk.told:
        print(desk.told, file=sys.stderr if options.json or not desk.result.valid else sys.stdout)
    return desk.result.exit_status() if desk.status is None else desk.status


def _in_plain_lines(options: argparse.Namespace, job: JobFile | None, resumed: Resumed | None) -> int:
    from tui.job_plain import Beginning
    from tui.job_screen.measuring_desk import MeasuringDesk

    desk = MeasuringDesk(options, job, resumed)
    beginning = Beginning(options, job, resumed is not None)
    if measuring.in_plain_lines(desk, beginning, options.json) is None or desk.result is None:
        return 130
    if options.json:
        print(desk.result.to_json())
    return desk.result.exit_status() if desk.status is None else desk.status


def _headless(options: argparse.Namespace, job: JobFile, resumed: Resumed | None) -> int:
    bench = places.bench_settings()
    port = options.port or os.environ.get("BREAKERBENCH_PORT") or bench.link.port
    journal = Path(options.capture) if options.capture else places.new_journal(job.unit.serial_number)
    passes = options.passes or (DEFAULT_PASSES if resumed is None else resumed.passes)
    lifted = options.followers_lifted or (resumed is not None and resumed.followers_lifted)
    mapped = bench_file.map_document(bench, places.home())
    document = header(job, bench, passes, places.now(), places.software(), None, lifted, encoder_map=mapped)
    keeping = records_keeping.begin(bench, document, journal, options, resumed)
    session = Session(document, journal, port, bench.link.baud, bench.link.hello_deadline_s)
    measuring.caution()
    if resumed is not None:
        print(records_keeping.what_is_void(resumed), file=sys.stderr)
    session.start()
    try:
        measuring.carry_out(session)
    finally:
        session.close()
    return measuring.conclude(session, str(journal), options.json, lambda: None, keeping)
