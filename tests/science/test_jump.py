"""A step in the openings against least squares and Student's t by numpy and scipy."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy import stats

from bench.jump import Crossed, Jump, beside, jump, term, text

MARKED = 5


def openings(seed: int, step_deg: float = 0.0, step_from: int = 6) -> list[Crossed]:
    """Three lobes in turn, ticks 0 to 17; passes from tick 6 on; scatter 0.02°, speeds between 20 and 200°/s."""
    draw = random.Random(seed)
    return [
        Crossed(
            tick,
            tick % 3,
            0.3 * (tick % 3) + draw.gauss(0, 0.02) + step_deg * (tick >= step_from),
            draw.uniform(20, 200),
            tick > MARKED,
        )
        for tick in range(18)
    ]


def by_least_squares(crossed: list[Crossed], behind: int, values: list[float]) -> tuple[float, float, int]:
    """The step behind the opening of that place, its standard uncertainty and degrees of freedom: a column for each lobe and one for it."""
    lobes = sorted({c.lobe for c in crossed})
    design = np.array([[*(c.lobe == n for n in lobes), at >= behind] for at, c in enumerate(crossed)], dtype=float)
    fit, rest, _, _ = np.linalg.lstsq(design, np.array(values), rcond=None)
    freedom = len(crossed) - len(lobes) - 1
    u = math.sqrt(float(rest[0]) / freedom * float(np.linalg.inv(design.T @ design)[-1, -1]))
    return float(fit[-1]), u, freedom


@pytest.mark.parametrize("breakers", [1, 2])
@pytest.mark.parametrize(("step_deg", "step_from"), [(0.0, 6), (0.3, 6), (-0.3, 6), (0.2, 11), (-0.2, 15)])
@pytest.mark.parametrize(("delay_s", "allowed_deg"), [(0.0, 0.0), (2e-4, 0.03)])
@pytest.mark.parametrize("seed", [3, 4])
def test_the_likeliest_step_is_that_of_the_analysis_of_covariance(
    breakers: int, step_deg: float, step_from: int, delay_s: float, allowed_deg: float, seed: int
) -> None:
    crossed = openings(seed, step_deg, step_from)
    expected: list[Jump] = []
    # Places behind the first press: 6, the first pass, and eleven among the passes.
    for behind in range(6, 18):
        step, u, freedom = by_least_squares(crossed, behind, [c.past_deg for c in crossed])
        faster, _, _ = by_least_squares(crossed, behind, [c.speed_deg_s for c in crossed])
        beyond = max(abs(step) - delay_s * abs(faster) - allowed_deg, 0.0)
        # 0.1 % two-sided, for all breakers; half for the first pass's place, half for the other eleven (Bonferroni).
        level = 0.001 / breakers * (0.5 if behind == 6 else 0.5 / 11)
        critical = float(stats.t.isf(level / 2, freedom))
        expected.append(Jump(step, u, freedom, beyond / u, critical, behind > 6))
    best = max(expected, key=lambda j: j.statistic / j.critical)
    shuffled = random.Random(1).sample(crossed, len(crossed))
    found = jump(shuffled, MARKED, delay_s, allowed_deg, breakers)
    assert found is not None
    assert found.step_deg == pytest.approx(best.step_deg, rel=1e-9)
    assert found.u_deg == pytest.approx(best.u_deg, rel=1e-9)
    assert found.statistic == pytest.approx(best.statistic, rel=1e-9)
    assert found.critical == pytest.approx(best.critical, rel=1e-9)
    assert (found.freedom, found.among_passes) == (18 - 3 - 1, best.among_passes)
    assert found.significant == (step_deg != 0.0)
    assert found.bound_deg == pytest.approx(abs(best.step_deg) + 2 * best.u_deg if step_deg else 0.0)


def test_of_two_lobes_four_openings_are_the_least_that_tell() -> None:
    four = [Crossed(t, t % 2, float(t), 60.0, t > 1) for t in range(4)]
    assert jump(four[:3], 1, 0.0, 0.0) is None
    found = jump(four, 1, 0.0, 0.0)
    assert found is not None
    assert found.freedom == 1


def test_a_step_behind_the_very_first_opening_is_seen_and_a_breaker_alone_has_the_whole_level() -> None:
    crossed = [Crossed(t, 0, float(t > 0) + 0.01 * (t % 2), 60.0, t > 0) for t in range(3)]
    found = jump(crossed, 0, 0.0, 0.0)
    assert found is not None
    assert (found.step_deg, found.among_passes) == (pytest.approx(1.005), False)
    # Two places: half of 0.1 % for either, two-sided, one degree of freedom.
    assert found.critical == pytest.approx(float(stats.t.isf(0.00025, 1)), rel=1e-9)
    later = [Crossed(t, 0, float(t > 1) + 0.01 * (t % 2), 60.0, t > 0) for t in range(3)]
    found = jump(later, 0, 0.0, 0.0)
    assert found is not None
    assert found.among_passes
    assert found.critical == pytest.approx(float(stats.t.isf(0.00025, 1)), rel=1e-9)


def test_what_the_delay_makes_of_a_lower_speed_is_no_jump_either() -> None:
    # 1 ms between 200 and 100°/s: 0.1°.
    slower = [Crossed(t, 0, 0.1 * (t > 2) + 0.001 * (t % 2), 100.0 if t > 2 else 200.0, t > 2) for t in range(8)]
    bare, explained = jump(slower, 2, 0.0, 0.0), jump(slower, 2, 1.1e-3, 0.0)
    assert bare is not None
    assert bare.significant
    assert explained is not None
    assert not explained.significant


def test_a_place_that_only_parts_the_lobes_tells_nothing() -> None:
    # All of lobe 0 before it, all of lobe 1 behind it: no lobe was seen on both sides.
    parted = [Crossed(t, int(t > 2), 5.0 * (t > 2) + 0.001 * (t % 2), 60.0, t > 2) for t in range(6)]
    found = jump(parted, 2, 0.0, 0.0)
    assert found is not None
    assert not found.significant
    assert found.among_passes
    assert jump(parted, 5, 0.0, 0.0) is None


def test_a_step_without_any_scatter_is_sure_and_none_without_scatter_is_none() -> None:
    clean = [Crossed(t, 0, float(t > 2), 60.0, t > 2) for t in range(6)]
    found = jump(clean, 2, 0.0, 0.0)
    assert found is not None
    assert (found.step_deg, found.u_deg, found.statistic) == (1.0, 0.0, math.inf)
    assert found.bound_deg == 1.0
    for allowed in (1.0, 0.0):
        still = jump(clean if allowed else [Crossed(t, 0, 0.0, 60.0, t > 2) for t in range(6)], 2, 0.0, allowed)
        assert still is not None
        assert (still.statistic, still.bound_deg) == (0.0, 0.0)


@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_the_term_reaches_the_whole_jump_and_what_there_is_besides(confidence: float) -> None:
    def reaches(u: float) -> float:
        """The interval of a rectangular distribution of this standard deviation, by scipy."""
        half = u * math.sqrt(3)
        return float(stats.uniform.interval(confidence, loc=-half, scale=2 * half)[1])

    jumped = term(1.5, confidence)
    assert reaches(jumped.contribution_deg) == pytest.approx(1.5)
    assert reaches(beside(jumped, 0.2, confidence).contribution_deg) == pytest.approx(1.7)


def test_the_text_names_those_that_jumped_and_when() -> None:
    before = Jump(-1.234, 0.01, 9, 50.0, 4.0, False)
    among = Jump(0.5, 0.01, 9, 50.0, 4.0, True)
    still_among = Jump(0.01, 0.01, 9, 1.0, 4.0, True)
    told = text({"main": before, "second": still_among})
    assert told.startswith("Between what was seen before neutral was marked and the passes")
    assert "main by -1.23°." in told
    assert "second" not in told
    told = text({"main": before, "second": among})
    assert told.startswith("Among the passes")
    assert "main by -1.23°, second by +0.50°." in told
