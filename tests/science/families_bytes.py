"""Families of whole jobs on the simulated unit, byte by byte through handshake, frames and run: 200 each, 179 at least covered.

At a true coverage of 93 % fewer than 179 of 200 are covered in 2.4 % of all tables, at 95 % in 0.05 % (binomial).
"""

from __future__ import annotations

import functools
import math
import random
import statistics
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from bench.evaluation import evaluate
from sim import scenario as scenarios
from sim.scenario import Scenario
from tests.science.families import error_95
from tests.support.simulated import carry_out

JOBS = 200
LEAST_COVERED = 179


@dataclass(frozen=True)
class ByteFamily:
    """What sets a scenario apart from the plain one, as lines of its files."""

    name: str
    about: str
    poles: int = 4
    dwell_deg: float = 35.0
    unit: str = ""
    breaker: str = ""
    hand: str = ""
    probe: str = ""
    job_capacitor: str = "capacitor_uf = 0.2"
    bench_ohm: float = 1000.0
    priors: str = ""


BYTE_FAMILIES = (
    ByteFamily("bytes-poles-2", "two poles", poles=2, dwell_deg=60.0),
    ByteFamily("bytes-poles-6", "six poles", poles=6, dwell_deg=25.0),
    ByteFamily("bytes-poles-8", "eight poles", poles=8, dwell_deg=20.0),
    ByteFamily("bytes-slow", "25 to 40°/s", hand="speeds_deg_s = [25, 40]"),
    ByteFamily("bytes-fast", "200 to 340°/s", hand="speeds_deg_s = [200, 340]"),
    ByteFamily("bytes-jerky", "jerks and backs up", hand="jerkiness = 0.8\nturns = 8.2\nspeeds_deg_s = [30, 180]"),
    ByteFamily(
        "bytes-delay",
        "10 kΩ, up to 0.35 µF not stated",
        breaker="capacitor_uf = {uniform = [0.0, 0.35]}",
        probe="[probe]\nohm = 10000",
        job_capacitor="",
        bench_ohm=10_000.0,
    ),
    ByteFamily("bytes-bounce", "8 returns up to 5 ms", breaker="bounces = 8\nbounce_opening_ms = [1.0, 5.0]"),
    ByteFamily("bytes-friction", "1.3 to 1.5° either way", unit="coulomb_nm = {uniform = [0.023, 0.026]}"),
    ByteFamily(
        "bytes-cam-load",
        "cam torque up to 5 % of the magnet's",
        unit="cam_torque_fraction = {uniform = [-0.05, 0.05]}",
        priors="cam_torque_fraction = 0.05",
    ),
    ByteFamily(
        "bytes-few-presses", "two from each side, no releases", hand="presses_per_side = 2\nreleases_per_side = 0"
    ),
)


def scenario_of(family: ByteFamily, folder: Path) -> Scenario:
    """The family's scenario, with its job and bench file written to `folder`."""
    (folder / "family.job.toml").write_text(
        '[unit]\npart_number = "DEMO"\nserial_number = "FAMILY"\nrotation = "clockwise"\n'
        f'poles = {family.poles}\nimpulse_coupling = "none"\n'
        '[limits]\nreference = "Demonstration manual, invented"\nrevision = "A"\n'
        '[[breaker]]\nname = "main"\nchannel = 0\nopens_at_deg = 10.0\nminus_deg = 4.0\nplus_deg = 4.0\nfrom = "neutral"\n'
        f"{family.job_capacitor}\n",
        encoding="utf-8",
    )
    (folder / "family.bench.toml").write_text(
        'counts_per_turn = 10000\nencoder_sense = "clockwise"\n'
        f"[probe]\nohm = {family.bench_ohm}\n[priors]\n{family.priors}\n",
        encoding="utf-8",
    )
    path = folder / "family.toml"
    path.write_text(
        f'description = "{family.about}"\njob = "family.job.toml"\nbench = "family.bench.toml"\n'
        f'[unit]\nrotation = "clockwise"\npoles = {family.poles}\n{family.unit}\n'
        '[[breaker]]\nname = "main"\nchannel = 0\nopens_deg = {uniform = [9.0, 11.0]}\n'
        f"dwell_deg = {family.dwell_deg}\n{family.breaker}\n[hand]\n{family.hand}\n{family.probe}\n",
        encoding="utf-8",
    )
    return scenarios.load(path)


@dataclass(frozen=True)
class ByteSample:
    """One random opening of one job; NaN where there is no valid result."""

    error_deg: float
    expanded_deg: float
    why: str = ""


_BY_NAME = {f.name: f for f in BYTE_FAMILIES}


@functools.cache
def _folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory()


def sample(name: str, seed: int) -> ByteSample:
    """Carry out one job of the family called `name`."""
    job = carry_out(scenario_of(_BY_NAME[name], Path(_folder().name)), seed)
    run = job.run
    if run.failure is not None or not run.finished:
        return ByteSample(math.nan, math.nan, "not finished" if run.failure is None else run.failure.text)
    true = {o["lobe"]: o["from_neutral_deg"] for o in job.truth["openings"]}
    opening = random.Random(seed).choice(evaluate(run).breakers[0].openings)
    assert opening.from_neutral is not None
    error = opening.from_neutral.value_deg - true[opening.mean.lobe]
    return ByteSample(error, opening.from_neutral.budget.expanded_uncertainty_deg)


@dataclass(frozen=True)
class ByteRow:
    """What the samples of one family say together."""

    family: str
    about: str
    jobs: int
    valid: int
    covered: int
    median_expanded_deg: float
    error_95_deg: float
    why: str


def collect(family: ByteFamily, pool: ProcessPoolExecutor, jobs: int = JOBS) -> list[ByteSample]:
    """So many jobs of a family."""
    # The simulator draws by figure and seed: with the same seeds all families would have the same cam torques.
    first = 1 + 10_000 * BYTE_FAMILIES.index(family)
    return list(pool.map(sample, [family.name] * jobs, range(first, first + jobs), chunksize=5))


def tabulate(family: ByteFamily, samples: Sequence[ByteSample]) -> ByteRow:
    """Summary of one family's samples. Raises ValueError if none is valid."""
    good = [s for s in samples if not s.why]
    if not good:
        raise ValueError(f"{family.name}: no valid job; {samples[0].why}")
    return ByteRow(
        family.name,
        family.about,
        len(samples),
        len(good),
        sum(abs(s.error_deg) <= s.expanded_deg for s in good),
        statistics.median(s.expanded_deg for s in good),
        error_95([s.error_deg for s in good]),
        next((s.why for s in samples if s.why), ""),
    )


def misses(row: ByteRow) -> list[str]:
    """What a row does not keep, in words; a table of other than 200 jobs in proportion."""
    found = []
    if row.valid < row.jobs:
        found.append(f"{row.jobs - row.valid} jobs without a valid result: {row.why}")
    if row.covered < LEAST_COVERED / JOBS * row.jobs:
        found.append(f"covers {row.covered} of {row.jobs}")
    return found
