"""How the evaluation grows with the number of passes of each opening, and how the stated uncertainty falls with it."""

from __future__ import annotations

import math
import statistics
import time
from collections.abc import Sequence
from dataclasses import replace

from bench.evaluation import evaluate
from tests.performance.growth import Curve, Growth
from tests.science.families_jobs import Family, carry_out
from tests.science.families_list import FAMILIES

PASSES = (3, 5, 10, 20, 50, 100, 200)
#: Each figure is the median over so many jobs.
JOBS = 5
#: By how much a cam with nothing else on it opens at another angle each time, standard deviation.
CAM_DEG = 0.02
#: What of a budget passes can lower.
_OWN = ("repeatability of passes", "zero-speed angle")
_PLAIN, _CLEAN = "poles-4", "10°-swings"


def measure(passes: Sequence[int] = PASSES, jobs: int = JOBS) -> Growth:
    """Jobs of four openings each."""
    by_name = {f.name: f for f in FAMILIES}
    plain = [_median(replace(by_name[_PLAIN], passes=n), jobs) for n in passes]
    # No line through speeds, no bounce, next to no delay: the cam's scatter is what is left, and its mean falls as one over the root.
    even = replace(
        by_name[_PLAIN],
        speeds_deg_s=(160.0, 160.0),
        pass_scatter_deg=(CAM_DEG, CAM_DEG),
        jerkiness=0.0,
        bounces=0.0,
        capacitor_uf=(0.02, 0.02),
    )
    alone = [_median(replace(even, passes=n), jobs)[2] for n in passes]
    clean = [_median(replace(by_name[_CLEAN], passes=n), jobs) for n in passes]
    return Growth(
        "passes of each opening",
        "pass",
        tuple(map(float, passes)),
        (
            Curve("evaluation of four openings", "s", tuple(s for s, _, _ in plain), most_exponent=1.1),
            Curve("expanded uncertainty, plain job", "°", tuple(u for _, u, _ in plain)),
            Curve("expanded uncertainty, clean job with swings", "°", tuple(u for _, u, _ in clean)),
            Curve("standard uncertainty from passes alone, one speed, no bounce", "°", tuple(alone)),
            Curve(
                f"to compare: the cam's scatter, {CAM_DEG:g}°, over the square root",
                "°",
                tuple(CAM_DEG / math.sqrt(n) for n in passes),
                peer=True,
            ),
        ),
        note=f"medians of {jobs} jobs; families {_PLAIN} and {_CLEAN} of the table of the measurement",
    )


def _median(family: Family, jobs: int) -> tuple[float, float, float]:
    """Processor seconds of the evaluation, expanded uncertainty, and the standard uncertainty of the passes' own scatter."""
    taken, expanded, own = [], [], []
    for seed in range(1, jobs + 1):
        run = carry_out(family, seed).run
        assert run.failure is None, run.failure
        began = time.process_time()
        evaluation = evaluate(run)
        taken.append(time.process_time() - began)
        angle = evaluation.breakers[0].openings[0].angle
        assert angle is not None
        expanded.append(angle.budget.expanded_uncertainty_deg)
        own.append(sum(t.standard_uncertainty for t in angle.budget.terms if t.source.startswith(_OWN)))
    return statistics.median(taken), statistics.median(expanded), statistics.median(own)
