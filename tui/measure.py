"""`breakerbench measure`."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from bench import job_file
from bench.errors import JobFileError, UsageError
from bench.result import failure_document
from bench.run import Failure
from bench.session import Session
from bench.settings import DEFAULT_PASSES, header
from tui import measuring, places


def run(options: argparse.Namespace) -> int:
    """Measure by job file; gives the exit status."""
    if options.job is None:
        raise UsageError("measure needs a job file: breakerbench measure JOB.toml. The README shows one.")
    bench = places.bench_settings()
    try:
        job = job_file.load(Path(options.job))
    except JobFileError as error:
        # Named with the bench's decision rule, so that the document is as whole as it can be.
        measuring.show(failure_document(Failure(error.code, error.text), None, None, bench), options.json)
        return error.exit_status
    measuring.refuse_existing(options.capture)
    port = options.port or os.environ.get("BREAKERBENCH_PORT") or bench.link.port
    journal = Path(options.capture) if options.capture else places.new_journal(job.unit.serial_number)
    headless = options.headless or not (sys.stdin.isatty() and sys.stdout.isatty())
    passes = options.passes or DEFAULT_PASSES
    document = header(job, bench, passes, places.now(), places.software(), None, options.followers_lifted)
    session = Session(document, journal, port, bench.link.baud, bench.link.hello_deadline_s)
    measuring.caution()
    session.start()
    try:
        measuring.carry_out(session, headless, "measurement")
    finally:
        session.close()
    return measuring.conclude(session, str(journal), options.json, lambda: None)
