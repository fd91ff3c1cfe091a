"""`breakerbench rehearse`: the real path, with a simulated unit and board in a process of its own."""

from __future__ import annotations

import argparse
import json
import os
import queue
import subprocess
import sys
import threading
from pathlib import Path
from types import TracebackType
from typing import Any

from bench import bench_file, job_file
from bench.errors import BenchError, UsageError
from bench.job import Job, Reference, ReferenceKind
from bench.job_file import to_job
from bench.session import Session
from bench.settings import DEFAULT_PASSES, Rehearsal, header
from tui import measuring, places

READY_WITHIN_S = 20.0
TRUTH_WITHIN_S = 3.0


class Simulator:
    """The simulator's process. Use as a context; `port` is where its board answers."""

    def __init__(self, scenario: str, seed: int, rate: float) -> None:
        where = ["--pty"] if os.name == "posix" else ["--tcp", "127.0.0.1:0"]
        self._process = subprocess.Popen(
            [
                *(sys.executable, "-P", "-m", "sim.serve", *where),
                *("--scenario", scenario, "--seed", str(seed), "--rate", str(rate), "--truth", "--until-stdin-closes"),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            start_new_session=True,
        )
        self._lines: queue.Queue[dict[str, Any] | None] = queue.Queue()
        threading.Thread(target=self._listen, daemon=True).start()
        self.port = str(self._wait("port", READY_WITHIN_S, "The simulator did not come up."))

    def __enter__(self) -> Simulator:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(3)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def truth(self) -> dict[str, Any]:
        """What the simulator knows to be true; to be asked after the session has stopped."""
        found = self._wait("truth", TRUTH_WITHIN_S, "The simulator did not tell the truth.")
        return found if isinstance(found, dict) else {}

    def _wait(self, key: str, within_s: float, failure: str) -> Any:
        while True:
            try:
                line = self._lines.get(timeout=within_s)
            except queue.Empty:
                line = None
            if line is None:
                raise BenchError(failure)
            if key in line:
                return line[key]

    def _listen(self) -> None:
        if self._process.stdout is not None:
            for text in self._process.stdout:
                try:
                    line = json.loads(text)
                except ValueError:
                    continue
                if isinstance(line, dict):
                    self._lines.put(line)
        self._lines.put(None)


def run(options: argparse.Namespace) -> int:
    """Rehearse one scenario; gives the exit status."""
    from sim import scenario as scenarios

    if options.list_scenarios:
        for name in scenarios.builtin_names():
            print(f"{name:<16} {scenarios.load(name).description}")
        return 0
    try:
        scenario = scenarios.load(options.scenario)
    except scenarios.ScenarioError as error:
        raise UsageError(f"--scenario: {error}.") from None
    if scenario.job_path is None or scenario.bench_path is None:
        raise UsageError(
            f"The scenario {options.scenario} names no job and bench file, so it cannot be rehearsed; use simulate."
        )
    job = job_file.load(scenario.job_path)
    bench = bench_file.load(scenario.bench_path)
    measuring.refuse_existing(options.capture)
    journal = Path(options.capture) if options.capture else places.new_journal(job.unit.serial_number)
    headless = options.headless or not (sys.stdin.isatty() and sys.stdout.isatty())
    document = header(
        job,
        bench,
        DEFAULT_PASSES,
        places.now(),
        places.software(),
        Rehearsal(options.scenario, options.seed),
        followers_lifted=scenario.hand.followers_lifted,
        encoder_map=bench_file.map_document(bench, scenario.bench_path.parent),
    )
    keeping = None
    if options.record:
        from tui import records_keeping

        keeping = records_keeping.begin(places.bench_settings(), document, journal, options, None, only_valid=True)
    measuring.caution()
    with Simulator(options.scenario, options.seed, 0.0 if headless else 1.0) as simulator:
        session = Session(document, journal, simulator.port, bench.link.baud, bench.link.hello_deadline_s)
        session.start()
        try:
            measuring.carry_out(session, headless, "REHEARSAL on a simulated unit – not for record", can_press=False)
        finally:
            session.close()

        def truth_of() -> dict[str, Any] | None:
            return told_truth(simulator.truth(), to_job(job)) if options.show_truth else None

        return measuring.conclude(session, str(journal), options.json, truth_of, keeping)


def told_truth(truth: dict[str, Any], job: Job) -> dict[str, Any]:
    """The simulator's truth with each angle also relative to the breaker's `from`, as in the result."""
    openings = truth.get("openings", [])
    spacing = job.unit.lobe_spacing_deg
    places_deg = {(o["breaker"], o["lobe"]): o["lobe"] * spacing + o["from_neutral_deg"] for o in openings}
    told = []
    for opening in openings:
        known = [b for b in job.breakers if b.name == opening["breaker"]]
        reference = known[0].reference if known else None
        angle = _relative(opening, reference, job, places_deg, truth.get("mark_deg"))
        told.append({**opening, "angle_deg": angle})
    return {**truth, "openings": told}


def _relative(
    opening: dict[str, Any],
    reference: Reference | None,
    job: Job,
    places_deg: dict[tuple[str, int], float],
    mark_deg: float | None,
) -> float | None:
    past: float = opening["from_neutral_deg"]
    if reference is None or reference.kind is ReferenceKind.NEUTRAL:
        return past
    if reference.kind is ReferenceKind.MARK:
        return None if mark_deg is None else past - mark_deg
    other = job.breaker(reference.breaker or "")
    if reference.kind is ReferenceKind.TARGET:
        base = _relative(opening, other.reference, job, places_deg, mark_deg)
        expected = other.expected(opening["lobe"])
        return None if base is None or expected is None else base - expected.target_deg
    here = places_deg[(opening["breaker"], opening["lobe"])]
    turn = job.unit.lobes * job.unit.lobe_spacing_deg
    return min((here - there) % turn for (name, _), there in places_deg.items() if name == other.name)
