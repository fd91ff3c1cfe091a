"""Whole measured jobs through the firmware and through the Python board, side by side.

    python -m tests.firmware.jobs [--jobs 50] [--first-seed 1] [--json]

The same unit and hand turn the same way for both, for they do not know the board. So the verdicts must be the same, and an opening's
angle may differ by what the two boards latch differently: 10 µs at the most each (PROTOCOL.md, section 8), at the fastest turning of
the job. A pulse of a bouncing probe that is shorter than the firmware's interrupt takes to look is told as lost, and its pass is void;
the Python board, which sees everything, keeps that pass. Then another pass is averaged in its place.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass

from bench import bench_file, job_file
from bench.result import document
from bench.run import Run
from bench.settings import DEFAULT_PASSES, Rehearsal, header, read_header
from sim import scenario as scenarios
from sim.scenario import Scenario
from sim.world import World
from tests.firmware import built
from tests.firmware.pins import PinWorld
from tests.support.simulated import conduct

SCENARIOS = ("plain-single", "with-retard", "dual", "jerky-hand", "outside")
LATCH_S = 10e-6
#: One of five passes replaced: three standard deviations of their scatter, 0.03° at the most in the scenarios.
OTHER_PASS_DEG = 3 * 2**0.5 * 0.03 / 5


@dataclass(frozen=True)
class Opening:
    """One opening of a result."""

    breaker: str
    lobe: int
    angle_deg: float
    verdict: str


@dataclass(frozen=True)
class Outcome:
    """How one job ended on one board."""

    valid: bool
    failure: str
    openings: tuple[Opening, ...]
    losses: int
    notes: tuple[str, ...]
    seconds: float


@dataclass(frozen=True)
class Pair:
    """The same job on both."""

    scenario: str
    seed: int
    python: Outcome
    firmware: Outcome
    allowed_deg: float

    @property
    def largest_difference_deg(self) -> float:
        """Of all openings."""
        return max(
            (abs(a.angle_deg - b.angle_deg) for a, b in zip(self.python.openings, self.firmware.openings, strict=True)),
            default=0.0,
        )

    @property
    def pulse_lost(self) -> bool:
        """True if the firmware alone told that it missed something of a probe."""
        return "board-overrun" in self.firmware.notes and "board-overrun" not in self.python.notes

    def faults(self) -> list[str]:
        """What is not the same, in words."""
        p, f = self.python, self.firmware
        found = []
        if (p.valid, p.failure) != (f.valid, f.failure):
            found.append(f"ended otherwise: {p.failure or 'valid'} / {f.failure or 'valid'}")
        names = [[(o.breaker, o.lobe, o.verdict) for o in outcome.openings] for outcome in (p, f)]
        if names[0] != names[1]:
            found.append(f"other openings or verdicts: {names[0]} / {names[1]}")
        else:
            allowed = OTHER_PASS_DEG if self.pulse_lost else self.allowed_deg
            if self.largest_difference_deg > allowed:
                found.append(f"an opening differs by {self.largest_difference_deg:.5f}°, more than {allowed:.5f}°")
        if f.losses:
            found.append(f"{f.losses} losses on the firmware's line")
        return found


def carry_out(world: World, chosen: Scenario, seed: int) -> Run:
    """One job by the real handshake and the real run, on the board of `world`."""
    assert chosen.job_path is not None
    assert chosen.bench_path is not None
    settings = header(
        job_file.load(chosen.job_path),
        bench_file.load(chosen.bench_path),
        DEFAULT_PASSES,
        "2026-01-01T00:00:00+00:00",
        "test",
        Rehearsal(chosen.name, seed),
    )
    run = Run(read_header(settings, "test"))
    conduct(world, run)
    return run


def _outcome(make: Callable[[], World], chosen: Scenario, seed: int) -> Outcome:
    world = make()
    try:
        run = carry_out(world, chosen, seed)
        if run.failure is not None or not run.finished:
            failure = "not finished" if run.failure is None else str(run.failure.code)
            return Outcome(False, failure, (), 0, (), world.now_s)
        found = json.loads(document(run, "x").to_json())
        openings = tuple(
            Opening(b["name"], o["lobe"], o["angle_deg"], o["verdict"])
            for b in found["breakers"]
            for o in b["openings"]
        )
        notes = tuple(n["code"] for n in found["notes"])
        return Outcome(found["valid"], "", openings, found["link"]["losses"], notes, world.now_s)
    finally:
        if isinstance(world, PinWorld):
            world.close()


def pair(chosen: Scenario, seed: int) -> Pair:
    """Carry out one job on both boards."""
    fastest = chosen.hand.speeds_deg_s[1]
    allowed = 2 * LATCH_S * fastest
    return Pair(
        chosen.name,
        seed,
        _outcome(lambda: World(chosen, seed), chosen, seed),
        _outcome(lambda: PinWorld(built.in_simavr(), chosen, seed), chosen, seed),
        allowed,
    )


def _one(task: tuple[str, int]) -> Pair:
    return pair(scenarios.load(task[0]), task[1])


def collect(jobs: int, first_seed: int = 1, processes: int = 2) -> Iterator[Pair]:
    """So many jobs, the scenarios in turn."""
    built.in_simavr()
    tasks = [(SCENARIOS[n % len(SCENARIOS)], first_seed + n) for n in range(jobs)]
    with ProcessPoolExecutor(processes) as pool:
        yield from pool.map(_one, tasks)


def tabulate(pairs: Iterable[Pair]) -> list[Pair]:
    """Print a line for each as it comes; give them all."""
    print(f"{'scenario':<16}{'seed':>5}{'openings':>10}{'largest difference':>20}{'allowed':>10}  outcome")
    found = []
    for p in pairs:
        outcome = "; ".join(p.faults()) or ("same, a short pulse told as lost" if p.pulse_lost else "same")
        print(
            f"{p.scenario:<16}{p.seed:>5}{len(p.firmware.openings):>10}"
            f"{p.largest_difference_deg:>19.5f}°{p.allowed_deg:>9.5f}°  {outcome}",
            flush=True,
        )
        found.append(p)
    return found


def main() -> int:
    """Command line; 1 if any job ends otherwise than on the Python board."""
    parser = argparse.ArgumentParser(prog="python -m tests.firmware.jobs", description=__doc__)
    parser.add_argument("--jobs", type=int, default=50)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    if given.json:
        pairs = list(collect(given.jobs, given.first_seed))
        print(json.dumps([asdict(p) | {"faults": p.faults()} for p in pairs], indent=1))
    else:
        pairs = tabulate(collect(given.jobs, given.first_seed))
    return 1 if any(p.faults() for p in pairs) else 0


if __name__ == "__main__":
    sys.exit(main())
