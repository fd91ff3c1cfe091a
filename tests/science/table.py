"""The table of the measurement: coverage of every family, errors beside the hand method, estimators beside the best possible.

    python -m tests.science.table [--jobs 2000] [--family NAME …] [--bytes] [--no-bounds] [--json]

Families from physics to messages, one random opening judged per job; with --bytes also those of 200 whole jobs on the simulated
unit, byte by byte; then the estimators' spread over the Cramér–Rao bound. Exits 1 if anything misses its limit.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict

from tests.science import bounds, families, families_bytes
from tests.science.families import Row, Sample
from tests.science.families_bytes import BYTE_FAMILIES, ByteRow
from tests.science.families_list import FAMILIES

JOBS = 2_000
_BY_NAME = {f.name: f for f in FAMILIES}


def _sample(task: tuple[str, int]) -> Sample:
    return families.sample(_BY_NAME[task[0]], task[1])


def collect(name: str, jobs: int, pool: ProcessPoolExecutor, first_seed: int = 1) -> list[Sample]:
    """So many jobs of a family."""
    return list(pool.map(_sample, [(name, first_seed + n) for n in range(jobs)], chunksize=10))


def row_text(row: Row) -> str:
    """A family as a line of the table."""
    return (
        f"{row.family:<17}{row.valid:>6}{row.coverage:>8.1%} {row.low:>6.1%}–{row.high:<6.1%}{row.median_expanded_deg:>9.4f}°"
        f"{row.error_95_deg:>8.4f}°{row.ratio:>7.2f}{row.over_computed:>7.2f}{row.hand_ratio:>7.1f}  {row.ruled_by}"
    )


HEADING = (
    f"{'family':<17}{'valid':>6}{'covered':>8} {'binomial 95 %':>14}{'median U':>9} {'95 % err':>8} {'U/err':>6}{'/1.96u':>7}"
    f"{'hand×':>7}  ruled by (share of variance)"
)


def byte_row_text(row: ByteRow) -> str:
    """A byte-level family as a line of the table."""
    return (
        f"{row.family:<17}{row.valid:>6}{row.covered:>8} of {row.jobs:<10}{row.median_expanded_deg:>9.4f}°{row.error_95_deg:>8.4f}°"
        f"{row.median_expanded_deg / row.error_95_deg:>7.2f}"
    )


def bound_text(row: bounds.Bound) -> str:
    """An estimator as a line of the table."""
    return (
        f"{row.estimator:<44}{row.repeats:>6}{row.bound_deg * 1e3:>10.3f}{row.spread_deg * 1e3:>10.3f}{row.ratio:>7.3f}"
        f"{row.raw_spread_deg * 1e3:>12.3f}{row.raw_spread_deg / row.bound_deg:>8.1f}"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.science.table", description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=JOBS, help="jobs per family")
    parser.add_argument(
        "--family", nargs="+", choices=[*_BY_NAME, *(f.name for f in BYTE_FAMILIES)], default=None, metavar="NAME"
    )
    parser.add_argument("--bytes", action="store_true", help="also 200 whole jobs per byte-level family")
    parser.add_argument("--no-bounds", action="store_true", help="leave the Cramér–Rao bounds out")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args(arguments)
    chosen = set(given.family or _BY_NAME) | ({f.name for f in BYTE_FAMILIES} if given.bytes else set())

    def say(text: str) -> None:
        if not given.json:
            print(text, flush=True)

    missed: list[str] = []
    rows: list[Row] = []
    byte_rows: list[ByteRow] = []
    bound_rows: list[bounds.Bound] = []
    began = time.monotonic()
    with ProcessPoolExecutor(2) as pool:
        say(HEADING)
        for family in (f for f in FAMILIES if f.name in chosen):
            samples = collect(family.name, given.jobs, pool)
            row = families.tabulate(family, samples)
            rows.append(row)
            say(row_text(row))
            missed += [f"{family.name}: {m}" for m in families.misses(row)]
            missed += sorted({f"{family.name}, seed {s.seed}: {s.why}" for s in samples if not s.valid})[:3]
        for byte_family in (f for f in BYTE_FAMILIES if f.name in chosen):
            byte_row = families_bytes.tabulate(byte_family, families_bytes.collect(byte_family, pool))
            byte_rows.append(byte_row)
            say(byte_row_text(byte_row))
            missed += [f"{byte_family.name}: {m}" for m in families_bytes.misses(byte_row)]
        if not given.no_bounds and given.family is None:
            say(
                f"\n{'estimator':<44}{'repeats':>7}{'bound m°':>10}{'spread m°':>10}{'ratio':>6}{'raw count m°':>14}{'ratio':>7}"
            )
            for bound in pool.map(_bound, bounds.NAMES):
                bound_rows.append(bound)
                say(bound_text(bound))
                missed += bounds.misses(bound)
    if given.json:
        told = {
            "families": [asdict(r) | {"coverage": r.coverage, "ratio": r.ratio} for r in rows],
            "bytes": [asdict(r) for r in byte_rows],
            "bounds": [asdict(b) | {"ratio": b.ratio} for b in bound_rows],
            "missed": missed,
        }
        print(json.dumps(told, indent=1))
        return 1 if missed else 0
    for text in missed:
        print(f"MISSED: {text}")
    print(f"{(time.monotonic() - began) / 60:.1f} minutes")
    return 1 if missed else 0


def _bound(name: str) -> bounds.Bound:
    return bounds.measured(name)


if __name__ == "__main__":
    sys.exit(main())
