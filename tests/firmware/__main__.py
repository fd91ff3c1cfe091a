"""The firmware's figures in one go: `python -m tests.firmware [--jobs 4]`

Costs by the listing, the distribution of latch errors, the sweep beyond the rated speed, and whole jobs beside the Python board.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np

from tests.firmware import built, jobs, listing, rates

RATED_HZ = 100_000
PERCENTILES = (0, 50, 90, 99, 99.9, 100)


def _latches(command: tuple[str, ...], seconds: float) -> bool:
    good = True
    print(f"\nLatch errors of probes less the smallest, microseconds, over {seconds:g} s each")
    print(f"{'edges/s':>10}{'probes/s':>10}{'edges lost':>12}{'told':>6}" + "".join(f"{p:>8}%" for p in PERCENTILES))
    for edge_hz, contact_hz, channels in ((500, 60, 3), (2_000, 300, 3), (20_000, 300, 3), (RATED_HZ, 2_000, 1)):
        for direction in (1, -1):
            run = rates.run(command, edge_hz, seconds, direction, 10.0, contact_hz, channels)
            error_us = np.array(run.latch_error_ticks) / 2
            cells = "".join(f"{np.percentile(error_us, p):>9.2f}" for p in PERCENTILES)
            lost = run.true_count - run.count
            print(f"{direction * edge_hz:>10}{contact_hz:>10}{lost:>12}{'yes' if run.doubted else 'no':>6}{cells}")
            good = good and run.right and not run.doubted and error_us.max() <= 10
    return good


def _sweep(command: tuple[str, ...]) -> bool:
    good = True
    print("\nSweep, 0.1 s each: counts lost, and what was told")
    for edge_hz in range(20_000, 300_001, 20_000):
        for direction in (1, -1):
            run = rates.run(command, edge_hz, 0.1, direction)
            told = {code: n for code, n in run.troubles.items() if code not in ("EDGES_SUSPENDED", "EDGES_RESUMED")}
            print(f"{direction * edge_hz:>10} lost {run.true_count - run.count:>7}  {told or '-'}")
            good = good and (run.right or run.doubted)
    return good


def main() -> int:
    """Command line; 1 if anything is not as it should be."""
    parser = argparse.ArgumentParser(prog="python -m tests.firmware", description=__doc__)
    parser.add_argument("--jobs", type=int, default=4)
    parser.add_argument("--seconds", type=float, default=2.0, help="how long each latch run lasts")
    given = parser.parse_args()
    try:
        command = built.in_simavr()
    except built.NotBuilt as error:
        print(error, file=sys.stderr)
        return 2
    sys.argv[1:] = [str(built.firmware())]
    good = listing.main() == 0
    good = _latches(command, given.seconds) and good
    good = _sweep(command) and good
    print()
    pairs = jobs.tabulate(jobs.collect(given.jobs))
    return 0 if good and not any(p.faults() for p in pairs) else 1


if __name__ == "__main__":
    sys.exit(main())
