"""How far off the angle is: beside the simulated hand method, and each estimator beside raw counts and the best possible.

A small part of `python -m tests.science.table`, by its own functions: 95 % errors of whole jobs, and spreads over the Cramér–Rao bound.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

from tests.performance.figures import Figure
from tests.science import bounds, families, table
from tests.science.families_list import FAMILIES

#: Plain jobs, the two finest, the widest arc, and a delay found by turning at two speeds.
NAMES = ("poles-4", "10°-swings", "10°-rests-fine", "40°-unmapped", "delay-line")
JOBS = 100
BOUNDS = ("sub-count steady", "sub-count accelerating", "zero-speed", "swing")
REPEATS = 600


def measure(
    names: Sequence[str] = NAMES, jobs: int = JOBS, estimators: Sequence[str] = BOUNDS, repeats: int = REPEATS
) -> Iterator[Figure]:
    """Figures of families, then of estimators."""
    by_name = {f.name: f for f in FAMILIES}
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for name in names:
            yield from _family(families.tabulate(by_name[name], table.collect(name, jobs, pool)))
    for name in estimators:
        yield from _estimator(bounds.measured(name, repeats))


def _family(row: families.Row) -> Iterator[Figure]:
    about = f"{row.about}; {row.valid} of {row.jobs} jobs valid"
    yield Figure(f"{row.family}: 95 % of errors within", row.error_95_deg, "°", note=about)
    yield Figure(f"{row.family}: the hand method's error / ours", row.hand_ratio, "times", least=1)
    yield Figure(f"{row.family}: stated U / 95 % error", row.ratio, "times", note=f"covers {row.coverage:.1%}")


def _estimator(bound: bounds.Bound) -> Iterator[Figure]:
    # The limit of the whole table and what chance adds to a spread from so few repeats, 1/√(2n), 3.4 times.
    most = None if bound.limit is None else bound.limit * (1 + 3.4 / math.sqrt(2 * bound.repeats))
    spread = f"{bound.spread_deg * 1e3:.3f} m°, bound {bound.bound_deg * 1e3:.3f} m°"
    yield Figure(f"{bound.estimator}: spread / Cramér–Rao bound", bound.ratio, "times", most=most, note=spread)
    raw = bound.raw_spread_deg
    yield Figure(f"{bound.estimator}: raw counts' spread / ours", raw / bound.spread_deg, "times", least=1)
