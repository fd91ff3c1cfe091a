"""The user's files in TOML: job, bench, list of checks, scenario."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path

from bench import bench_file, check_list, job_file
from bench.errors import BenchError
from bench.settings import header, read_header
from sim import scenario as scenarios
from sim.scenario import ScenarioError
from sim.world import World
from tests.fuzz import mutations
from tests.fuzz.target import Target, clear, file, hold

_CHECKS = """
[[check]]
name = "capacitor"
unit = "µF"
lower = 0.2
upper = 0.4
needs_tool = true
hint = "leads off"
[[check]]
name = "timing mark in window at closing"
stops_job = true
[[tool]]
name = "feeler gauge"
serial_number = "DEMO-1"
calibration_due = 2027-01-31
"""
_BENCH = """
counts_per_turn = 10000
encoder_sense = "clockwise"
index = true
[probe]
ohm = 1000
threshold = [0.3, 0.6]
[mounting]
eccentricity_um = 20
encoder_map = "map.json"
[priors]
cam_torque_fraction = 0.01
[criteria]
settled_ms = 2
[decision]
rule = "risk"
risk = 0.025
[link]
port = "socket://localhost:1"
baud = 500000
[records]
database = "records.sqlite"
keep_years = 2
"""


def _job(path: Path) -> None:
    read = job_file.load(path)
    tables = read.model_dump(mode="json", by_alias=True)
    hold(job_file.parse(tables, "again") == read, "a job file written and read again is another one")
    job = job_file.to_job(read)
    for breaker in job.breakers:
        for lobe in range(job.unit.lobes):
            breaker.limits(lobe)
    hold(job.needs_neutral in (True, False), "neutral neither needed nor not")
    made = header(read, bench_file.BenchFile(), 5, "2026-01-01", "test", None)
    written = json.dumps(made, ensure_ascii=False, allow_nan=False).encode("utf-8")
    hold(read_header(json.loads(written), "header").job == job, "a job in a journal's header is another one")


def _bench(path: Path) -> None:
    read = bench_file.load(path)
    written = json.dumps(read.model_dump(mode="json"), ensure_ascii=False, allow_nan=False).encode("utf-8")
    again = bench_file.parse(json.loads(written), "again")
    hold(again.model_copy(update={"records": read.records}) == read, "a bench file in a journal is another one")


def _checks(path: Path) -> None:
    read = check_list.load(path)
    entered = check_list.first_entries(read, ())
    json.dumps(entered, ensure_ascii=False, allow_nan=False).encode("utf-8")
    hold(len(check_list.state(read, entered)) == len(read.check), "lines of a list went missing")
    stopping = sum(line.stops_job for line in read.check)
    hold(len(check_list.open_lines(read, entered)) == stopping, "a line that stops the job does not")


def _scenario(path: Path) -> None:
    read = scenarios.read(path)
    World(read, 1).boot()


def _checked(load: Callable[[Path], None], refusal: type[Exception]) -> Callable[[bytes], None]:
    def check(data: bytes) -> None:
        try:
            load(file("fuzz.toml", data))
        except refusal as error:
            clear(error)
            hold("fuzz.toml" in str(error), f"no file is named: {error}")
            hold(not isinstance(error, BenchError) or error.exit_status == 2, "another exit status than 2")

    return check


def _built_in(pattern: str, but: Sequence[str] = ()) -> Callable[[], list[bytes]]:
    def seeds() -> list[bytes]:
        paths = sorted(scenarios.BUILT_IN_FOLDER.glob(pattern))
        return [path.read_bytes() for path in paths if not path.name.endswith(tuple(but))]

    return seeds


def _more(text: str, pattern: str | None = None) -> Callable[[], list[bytes]]:
    return lambda: [text.encode("utf-8"), b"", *(_built_in(pattern)() if pattern else [])]


def _target(
    name: str, what: str, load: Callable[[Path], None], refusal: type[Exception], seeds: Callable[[], list[bytes]]
) -> Target:
    return Target(name, what, _checked(load, refusal), mutations.toml, seeds, 6_000, 0.8)


JOB = _target("job", "job files", _job, job_file.JobFileError, _built_in("*.job.toml"))
BENCH = _target(
    "bench", "bench files", _bench, bench_file.BenchFileError, _more(_BENCH, "*.bench.toml")
)
CHECKS = _target("checks", "lists of other checks", _checks, check_list.CheckListError, _more(_CHECKS))
SCENARIO = _target(
    "scenario",
    "scenario files, and the bench that is built from one",
    _scenario,
    ScenarioError,
    _built_in("*.toml", (".job.toml", ".bench.toml")),
)
