"""Whole simulated jobs against truth: is the angle right, and does its interval say the right thing?

    python -m tests.science.coverage [--jobs 200] [--first-seed 1] [--json]

One job per seed, the good scenarios in turn. Prints a table and exits 1 if anything misses its limit. A fixed subset
runs in pytest.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import statistics
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from typing import Any

from bench.bench_file import Decision
from bench.evaluation import Evaluation, evaluate
from bench.job import Tolerance
from bench.result import document
from bench.run import Run
from bench.settings import read_header
from bench.verdict import Verdict, decide
from tests.support.simulated import carry_out

GOOD_SCENARIOS = ("plain-single", "with-retard", "dual", "jerky-hand")
#: Openings farther past neutral than this pay for the encoder's mounting: 20 µm on 20 mm, unmapped, costs 2(e/r)·sin(Δ/2), which is
#: 0.010° over 10° and 0.039° over 40° (geometry).
NEAR_DEG = 20.0
FROM_MARKS_DEG = (0.05, 0.05 + 0.0392 - 0.0100)
#: Distances of truth from the limit, in expanded uncertainties, on the wrong side of it.
BEYOND = (0.0, 0.5, 1.0, 2.0)


@dataclass(frozen=True)
class Sample:
    """One random opening of one job."""

    scenario: str
    seed: int
    valid: bool
    replays: bool
    #: Angle from neutral minus truth, degrees.
    error_deg: float
    #: Largest lobe 0 error with the true middle of this run's presses in place of true neutral.
    error_from_marks_deg: tuple[float, float]
    expanded_deg: float
    #: Per distance beyond the limit, upper and lower: was the verdict "inside"?
    false_inside: dict[str, int]
    #: Verdict "inside" with truth two expanded uncertainties within the limits.
    true_inside: bool
    why: str = ""


def sample(scenario: str, seed: int) -> Sample:
    """Carry out one job and look at one of its openings, drawn by the seed."""
    job = carry_out(scenario, seed)
    run = job.run
    if run.failure is not None or not run.finished:
        why = "not finished" if run.failure is None else run.failure.text
        return Sample(scenario, seed, False, False, math.nan, (math.nan, math.nan), math.nan, {}, False, why)
    text = document(run, "x").to_json()
    again = Run(read_header(json.loads(json.dumps(job.document)), "again"))
    for record in job.records:
        again.feed(record)
    evaluation = evaluate(run)
    truth = {(o["breaker"], o["lobe"]): o["from_neutral_deg"] for o in job.truth["openings"]}
    openings = [(b.breaker.name, o) for b in evaluation.breakers for o in b.openings]
    name, opening = random.Random(seed).choice(openings)
    angle = opening.from_neutral
    assert angle is not None
    true = truth[name, opening.mean.lobe]
    error = angle.value_deg - true
    false_inside = {}
    u = angle.budget.expanded_uncertainty_deg
    for k in BEYOND:
        upper = Tolerance(true - k * u - 50.0, 50.0, 50.0)
        lower = Tolerance(true + k * u + 50.0, 50.0, 50.0)
        false_inside[f"{k:g}"] = sum(
            decide(angle.value_deg, angle.budget, t, Decision()) is Verdict.INSIDE for t in (upper, lower)
        )
    well_within = Tolerance(true, 2 * u, 2 * u)
    return Sample(
        scenario,
        seed,
        True,
        document(again, "x").to_json() == text,
        error,
        _error_from_marks(job.truth, evaluation),
        u,
        false_inside,
        decide(angle.value_deg, angle.budget, well_within, Decision()) is Verdict.INSIDE,
    )


def _error_from_marks(truth: dict[str, Any], evaluation: Evaluation) -> tuple[float, float]:
    """Largest error of a lobe 0 opening against the true middle of this run's presses: what encoder and edges alone cost.

    First of openings up to NEAR_DEG past neutral, then of those farther on (0 if there are none). Other lobes lie a quarter turn
    or more away, where an encoder off-centre by the stated 20 µm costs up to 0.115° by itself.
    """
    presses = truth["presses"]
    below = [p["from_neutral_deg"] for p in presses if p["side"] > 0]
    above = [p["from_neutral_deg"] for p in presses if p["side"] < 0]
    middle = (statistics.fmean(below) + statistics.fmean(above)) / 2
    assert evaluation.neutral is not None
    # Counted from the presses alone, whatever else neutral was combined with.
    (pressed,) = [e for e in evaluation.neutral.estimates if e.method == "presses"]
    true = {o["breaker"]: o["from_neutral_deg"] for o in truth["openings"] if o["lobe"] == 0}
    near, far = 0.0, 0.0
    for b in evaluation.breakers:
        at = true[b.breaker.name]
        error = abs(b.openings[0].mean.angle_deg + evaluation.zero_deg - pressed.angle_deg - at + middle)
        near, far = (max(near, error), far) if at <= NEAR_DEG else (near, max(far, error))
    return near, far


@dataclass(frozen=True)
class Table:
    """What the samples say together."""

    jobs: int
    valid: int
    replayed: int
    #: Of openings up to NEAR_DEG past neutral, and of those farther on.
    worst_error_from_marks_deg: tuple[float, float]
    covered: float
    error_95_deg: float
    median_expanded_deg: float
    false_inside: dict[str, float]
    true_inside: float
    false_inside_margin: float

    @property
    def ratio(self) -> float:
        """Median expanded uncertainty over the empirical 95 % error."""
        return self.median_expanded_deg / self.error_95_deg


def tabulate(samples: Sequence[Sample]) -> Table:
    """Summary of `samples`."""
    good = [s for s in samples if s.valid]
    n = len(good)
    errors = sorted(abs(s.error_deg) for s in good)
    return Table(
        len(samples),
        n,
        sum(s.replays for s in good),
        (max(s.error_from_marks_deg[0] for s in good), max(s.error_from_marks_deg[1] for s in good)),
        sum(abs(s.error_deg) <= s.expanded_deg for s in good) / n,
        errors[math.ceil(0.95 * n) - 1],
        statistics.median(s.expanded_deg for s in good),
        {f"{k:g}": sum(s.false_inside[f"{k:g}"] for s in good) / (2 * n) for k in BEYOND},
        sum(s.true_inside for s in good) / n,
        # Two tries per job share one error, so the margin is that of n jobs: three binomial standard deviations.
        3 * math.sqrt(0.025 * 0.975 / n),
    )


def _one(task: tuple[str, int]) -> Sample:
    return sample(*task)


def collect(jobs: int, first_seed: int = 1, processes: int = 2) -> list[Sample]:
    """`jobs` samples, the good scenarios in turn."""
    tasks = [(GOOD_SCENARIOS[n % len(GOOD_SCENARIOS)], first_seed + n) for n in range(jobs)]
    with ProcessPoolExecutor(processes) as pool:
        return list(pool.map(_one, tasks))


def misses(table: Table) -> list[str]:
    """What the table does not keep, in words."""
    found = []
    if table.valid < table.jobs:
        found.append(f"{table.jobs - table.valid} jobs without a valid result")
    if table.replayed < table.valid:
        found.append(f"{table.valid - table.replayed} replays differ")
    for worst, limit in zip(table.worst_error_from_marks_deg, FROM_MARKS_DEG):
        if worst > limit:
            found.append(f"an opening is {worst:.4f}° off the true middle of its presses, more than {limit:.3f}°")
    if table.covered < 0.90:
        found.append(f"the interval covers in {table.covered:.1%} only")
    if table.ratio > 1.5:
        found.append(f"the interval is {table.ratio:.2f} times as wide as the errors")
    for k, share in table.false_inside.items():
        if share > 0.025 + table.false_inside_margin:
            found.append(f"truth {k} U beyond the limit was called inside in {share:.1%}")
    return found


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.science.coverage", description=__doc__)
    parser.add_argument("--jobs", type=int, default=200)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    samples = collect(given.jobs, given.first_seed)
    table = tabulate(samples)
    bad = misses(table)
    if given.json:
        print(json.dumps({"table": asdict(table), "misses": bad, "samples": [asdict(s) for s in samples]}, indent=1))
        return 1 if bad else 0
    for s in samples:
        if not s.valid:
            print(f"no valid result: {s.scenario} seed {s.seed}: {s.why}")
    rows = [
        ("jobs", f"{table.jobs}"),
        ("valid", f"{table.valid}"),
        ("replay equals live, byte for byte", f"{table.replayed}"),
        ("largest error from the true middle of the presses", f"{table.worst_error_from_marks_deg[0]:.4f}°"),
        (f"   openings more than {NEAR_DEG:.0f}° past neutral", f"{table.worst_error_from_marks_deg[1]:.4f}°"),
        ("true angle within the stated 95 % interval", f"{table.covered:.1%}"),
        ("empirical 95 % error", f"{table.error_95_deg:.3f}°"),
        ("median expanded uncertainty", f"{table.median_expanded_deg:.3f}°"),
        ("   ratio", f"{table.ratio:.2f}"),
    ]
    rows += [(f"called inside with truth {k} U beyond a limit", f"{v:.2%}") for k, v in table.false_inside.items()]
    rows += [
        ("   allowed", f"2.5 % + {table.false_inside_margin:.1%} (three binomial standard deviations)"),
        ("called inside with truth 2 U within the limits", f"{table.true_inside:.1%}"),
    ]
    for what, figure in rows:
        print(f"{what:<55}{figure:>12}")
    for text in bad:
        print(f"MISSED: {text}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
