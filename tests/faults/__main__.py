"""The fault matrix: `python -m tests.faults [ROW…] [--runs N] [--first-seed N] [--peer firmware] [--json]`

One line per row; a row is named by any part of its name. Exits 1 if a row does not hold.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict

from tests.faults.matrix import ROWS, run
from tests.faults.row import Outcome, Row, Tally, table


def chosen(parts: Sequence[str]) -> list[Row]:
    """The rows whose names hold one of the parts; all without any."""
    return [r for r in ROWS if not parts or any(p in r.name for p in parts)]


def _one(task: tuple[str, int, str]) -> Outcome:
    (row,) = [r for r in ROWS if r.name == task[0]]
    return run(row, task[1], task[2])


def collect(
    rows: Sequence[Row], runs: int, first_seed: int = 0, processes: int = 2, peer: str = "memory"
) -> list[Tally]:
    """So many runs of each row."""
    tasks = [(row.name, first_seed + n, peer) for row in rows for n in range(min(runs, row.most_runs))]
    with ProcessPoolExecutor(processes) as pool:
        outcomes = list(pool.map(_one, tasks, chunksize=4))
    return [Tally(row, tuple(o for o in outcomes if o.row == row.name)) for row in rows]


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("rows", nargs="*", metavar="ROW")
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument(
        "--peer", choices=("memory", "firmware"), default="memory", help="the board; rows that can have it"
    )
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    began = time.monotonic()
    rows = [r for r in chosen(given.rows) if given.peer in r.peers]
    tallies = collect(rows, given.runs, given.first_seed, given.processes, given.peer)
    missed = [text for tally in tallies for text in tally.misses()]
    if given.json:
        found = [
            {"row": t.row.name, "injected": t.row.injected, "weak": t.row.weak, "runs": [asdict(o) for o in t.outcomes]}
            for t in tallies
        ]
        print(json.dumps({"rows": found, "missed": missed}, indent=1))
        return 1 if missed else 0
    print(table(tallies))
    runs = sum(len(t.outcomes) for t in tallies)
    openings = sum(o.openings for t in tallies for o in t.outcomes)
    beyond = sum(o.beyond_u for t in tallies for o in t.outcomes if not t.row.weak)
    print(
        f"\n{runs} runs of {len(tallies)} rows in {time.monotonic() - began:.0f} s; {beyond} of {openings} openings beyond 1 U"
    )
    for tally in tallies:
        if tally.row.weak:
            print(f"weak: {tally.row.name}: {tally.row.weak}")
    for text in missed:
        print(f"MISSED: {text}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
