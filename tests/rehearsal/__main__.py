"""Rehearsals played by the screen alone: `python -m tests.rehearsal [--scenario NAME] [--seeds N] [--first-seed N] [--processes N]`

One line per seed. Exits 1 if a debrief does not name each seeded fault and none other, or the unit does not end inside its limits.
"""

from __future__ import annotations

import argparse
import functools
import sys
import time
from concurrent.futures import ProcessPoolExecutor

from tests.rehearsal.play import HEAD, Played, count, play, row


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.rehearsal", description=__doc__)
    parser.add_argument("--scenario", default="exercise-surprise")
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    began = time.monotonic()
    seeds = range(given.first_seed, given.first_seed + given.seeds)
    played: list[Played] = []
    print(HEAD)
    with ProcessPoolExecutor(given.processes) as pool:
        for one in pool.map(functools.partial(play, given.scenario), seeds):
            played.append(one)
            print(row(one), flush=True)
    print(count(played))
    for one in played:
        if one.stuck:
            print(f"\nseed {one.seed}: {one.stuck}")
    print(f"{time.monotonic() - began:.0f} s")
    return 0 if all(one.holds for one in played) else 1


if __name__ == "__main__":
    sys.exit(main())
