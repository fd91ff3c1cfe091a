"""The user's files in TOML: job, bench, list of checks, scenario."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from bench import bench_file, check_list, job_file
from bench.errors import BenchError, BenchFileError, JobFileError
from bench.settings import header, read_header
from firmware_protocol.framing import Framer
from firmware_protocol.messages import Start
from sim import scenario as scenarios
from sim.scenario import ScenarioError
from sim.world import World
from tests.fuzz import mutations
from tests.fuzz.target import Target, clear, file, hold

_CIRCLE = """
[unit]
part_number = "DEMO"
serial_number = "FUZZ-1"
rotation = "clockwise"
poles = 4
impulse_coupling = "none"
[limits]
reference = "invented"
revision = "A"
[[breaker]]
name = "main"
channel = 0
opens_at_deg = 10
minus_deg = 2
plus_deg = 2
from = "second.target"
lobes = [0, 3]
[[breaker]]
name = "second"
channel = 1
opens_at_deg = 30
minus_deg = 2
plus_deg = 2
from = "main"
[[difference]]
between = ["main", "second"]
deg = 1
minus_deg = 2
plus_deg = 2
"""
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


_START = Framer().encode(Start(1, 50, 20, 1), 0, 0)
#: Long enough for two reports of position and one of levels.
_LOOK_S = 0.06


def _texts(tree: Any) -> Iterator[str]:
    if isinstance(tree, str):
        yield tree
    for inner in tree.values() if isinstance(tree, dict) else tree if isinstance(tree, list) else ():
        yield from _texts(inner)


def _shown(tables: Any) -> None:
    """Texts of an accepted file come to screens and reports as they are."""
    for text in _texts(tables):
        hold(text.isprintable(), f"an accepted text would steer a terminal: {text[:60]!r}")


def _job(path: Path) -> None:
    read = job_file.load(path)
    tables = read.model_dump(mode="json", by_alias=True)
    _shown(tables)
    hold(job_file.parse(tables, "again") == read, "a job file written and read again is another one")
    job = job_file.to_job(read)
    for breaker in job.breakers:
        hold({*(breaker.limited_lobes or ())} <= {*range(job.unit.lobes)}, "a lobe is limited that the cam has not")
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
    _shown(read.model_dump(mode="json"))
    hold(len({line.name for line in read.check}) == len(read.check), "two lines of one name")
    entered = check_list.first_entries(read, ())
    json.dumps(entered, ensure_ascii=False, allow_nan=False).encode("utf-8")
    hold(len(check_list.state(read, entered)) == len(read.check), "lines of a list went missing")
    stopping = sum(line.stops_job for line in read.check)
    hold(len(check_list.open_lines(read, entered)) == stopping, "a line that stops the job does not")


def _scenario(path: Path) -> None:
    read = scenarios.read(path)
    # The boot loader's text is the board's, and goes nowhere but into the journal.
    _shown(read.model_dump(mode="json", include={"description", "job", "bench", "exercise"}))
    world = World(read, 1)
    world.boot()
    world.receive(_START)
    world.advance(_LOOK_S)


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


JOB = _target("job", "job files", _job, JobFileError, _more(_CIRCLE, "*.job.toml"))
BENCH = _target("bench", "bench files", _bench, BenchFileError, _more(_BENCH, "*.bench.toml"))
CHECKS = _target("checks", "lists of other checks", _checks, check_list.CheckListError, _more(_CHECKS))
SCENARIO = _target(
    "scenario",
    "scenario files, and the bench that is built from one",
    _scenario,
    ScenarioError,
    _built_in("*.toml", (".job.toml", ".bench.toml")),
)
