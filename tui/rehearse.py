"""`breakerbench rehearse`: the real path, with a simulated unit and board in a process of its own."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench import bench_file, job_file
from bench.errors import UsageError
from bench.job import Job, Reference, ReferenceKind
from bench.job_file import JobFile, to_job
from bench.session import Session
from bench.settings import DEFAULT_PASSES, Rehearsal, header
from tui import measuring, places
from tui.simulator import Simulator

if TYPE_CHECKING:
    from sim.scenario import Scenario

WAYS_TITLE = "Rehearse on the simulated unit"
WAYS = (
    ("watch", "Watch the whole job being done (two minutes)"),
    ("act", "Act it yourself: turn, feel, set the points, press (keys are shown)"),
)


def run(options: argparse.Namespace) -> int:
    """Rehearse one scenario; gives the exit status."""
    from sim import scenario as scenarios

    if options.list_scenarios:
        names = scenarios.builtin_names()
        width = max(len(name) for name in names)
        for name in names:
            print(f"{name:<{width}} {scenarios.load(name).description}")
        return 0
    try:
        scenario = scenarios.load(options.scenario)
    except scenarios.ScenarioError as error:
        raise UsageError(f"--scenario: {error}.") from None
    if scenario.job_path is None or scenario.bench_path is None:
        raise UsageError(
            f"The scenario {options.scenario} names no job and bench file, so it cannot be rehearsed; use simulate."
        )
    measuring.refuse_existing(options.capture)
    measuring.refuse_plain_and_headless(options.plain, options.headless)
    if not options.plain:
        measuring.caution()
    if options.headless or not (options.plain or measuring.has_screen()):
        return _headless(options, scenario)
    return _on_screen(options, scenario)


def _on_screen(options: argparse.Namespace, scenario: Scenario) -> int:
    """Acted by the person, or watched. A unit whose marks no hand could see is only watched, the simulator's own hand turning it."""
    from tui.job_screen.dialogs import Ways
    from tui.job_screen.rehearsal_desk import RehearsalDesk
    from tui.job_screen.simulated_unit import SimulatedUnit

    plain = scenario.unit.cam == "plain" and scenario.hand.mark_deg is None and not scenario.hand.followers_lifted
    exercise = scenario.exercise is not None
    with Simulator(options.scenario, options.seed, 1.0, acting=plain) as simulator:
        names = tuple(b.name for b in scenario.breaker)
        unit = SimulatedUnit(simulator, names, watched=False) if plain else None
        desk = RehearsalDesk(options, simulator, unit, scenario.hand.followers_lifted)
        ways = None
        if unit is not None and not exercise:
            watched = unit
            ways = Ways(WAYS_TITLE, WAYS, lambda way: watched.watch() if way == "watch" else None)
        if options.plain:
            from tui.job_plain import Beginning

            run = measuring.in_plain_lines(desk, Beginning(ways=ways), options.json)
        else:
            run = measuring.on_screen(desk, ways)
        if desk.result is None or run is None:
            return 130
        truth = simulator.last_truth() if options.show_truth or exercise else None
        if truth is not None and options.show_truth:
            desk.result = desk.result.model_copy(update={"truth": told_truth(truth, run.job)})
        if not options.plain:
            measuring.show(desk.result, options.json)
        elif options.json:
            print(desk.result.to_json())
        if exercise and truth is not None and not options.json and not options.plain:
            from tui.debrief import debrief

            print(debrief(truth, desk.sessions, run.job, () if unit is None else unit.steps))
        return desk.result.exit_status() if desk.status is None else desk.status


def _headless(options: argparse.Namespace, scenario: Scenario) -> int:
    from sim.exercises import exercise_of, papers

    files = papers(scenario, exercise_of(scenario, options.seed))
    job_path, bench_path = files["job"], files["bench"]
    if job_path is None or bench_path is None:
        raise UsageError(f"The scenario {options.scenario} names no job and bench file.")
    job: JobFile = job_file.load(job_path)
    bench = bench_file.load(bench_path)
    journal = Path(options.capture) if options.capture else places.new_journal(job.unit.serial_number)
    document = header(
        job,
        bench,
        DEFAULT_PASSES,
        places.now(),
        places.software(),
        Rehearsal(options.scenario, options.seed),
        followers_lifted=scenario.hand.followers_lifted,
        encoder_map=bench_file.map_document(bench, bench_path.parent),
    )
    keeping = None
    if options.record:
        from tui import records_keeping

        keeping = records_keeping.begin(places.bench_settings(), document, journal, options, None, only_valid=True)
    with Simulator(options.scenario, options.seed, 0.0) as simulator:
        session = Session(document, journal, simulator.port, bench.link.baud, bench.link.hello_deadline_s)
        session.start()
        try:
            measuring.carry_out(session)
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
