"""The fault matrix: `python -m tests.faults [ROW…] [--runs N] [--first-seed N] [--peer pty|tcp|firmware] [--results FILE] [--json]`

One line per row; a row is named by any part of its name. Exits 1 if a row does not hold. With `--results` every run is written down as soon
as it has ended, and one that is there already is not played again: a long table can be stopped and gone on with. The file belongs to
one state of the program; after a change begin another one.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, replace
from pathlib import Path

from tests.faults.matrix import PEERS, ROWS, plays, run
from tests.faults.row import Outcome, Row, Tally, table


def chosen(parts: Sequence[str]) -> list[Row]:
    """The rows whose names hold one of the parts; all without any."""
    return [r for r in ROWS if not parts or any(p in r.name for p in parts)]


def _one(task: tuple[str, int, str]) -> Outcome:
    (row,) = [r for r in ROWS if r.name == task[0]]
    return run(row, task[1], task[2])


def collect(
    rows: Sequence[Row],
    runs: int,
    first_seed: int = 0,
    processes: int = 2,
    peer: str = "memory",
    results: Path | None = None,
) -> list[Tally]:
    """So many runs of each row; the first ones of all rows come first. Those in `results` are taken from there, others written to it."""
    most = {row.name: min(runs, row.most_runs) for row in rows}
    tasks = [(row.name, first_seed + n, peer) for n in range(runs) for row in rows if n < most[row.name]]
    known = {} if results is None or not results.exists() else dict(_written(results))
    outcomes = [known[task] for task in tasks if task in known]
    left = [task for task in tasks if task not in known]
    with ProcessPoolExecutor(processes) as pool:
        for task, outcome in zip(left, pool.map(_one, left), strict=True):
            outcomes.append(outcome)
            if results is not None:
                with results.open("a", encoding="utf-8") as file:
                    file.write(json.dumps({"peer": task[2], **asdict(outcome)}) + "\n")
    return [Tally(row, tuple(o for o in outcomes if o.row == row.name)) for row in rows]


def _written(results: Path) -> Iterator[tuple[tuple[str, int, str], Outcome]]:
    """Runs that were written down; half a line, at which a run was stopped, is none."""
    for line in results.read_text("utf-8").splitlines():
        try:
            found = json.loads(line)
        except ValueError:
            continue
        peer = found.pop("peer")
        outcome = Outcome(**found)
        yield (
            (outcome.row, outcome.seed, peer),
            replace(outcome, notes=tuple(outcome.notes), faults=tuple(outcome.faults)),
        )


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("rows", nargs="*", metavar="ROW")
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument(
        "--peer", choices=PEERS, default="memory", help="the board and the line to it; rows that can have it"
    )
    parser.add_argument(
        "--results", type=Path, metavar="FILE", help="runs are kept there, and those there not played again"
    )
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    began = time.monotonic()
    rows = [r for r in chosen(given.rows) if plays(r, given.peer)]
    tallies = collect(rows, given.runs, given.first_seed, given.processes, given.peer, given.results)
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
