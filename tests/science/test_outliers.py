"""A wild pass is found by a stated test, as often as it says, and with the scatter of all lobes sooner."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy import stats

from bench.outliers import Finding, grubbs, grubbs_critical, pooled

STEADY = [10.02, 10.00, 10.01, 9.99, 9.98]


def found(finding: Finding | None) -> Finding:
    assert finding is not None
    return finding


def scipys_critical(n: int, significance: float) -> float:
    """The same formula with scipy's quantile."""
    t = float(stats.t.isf(significance / (2 * n), n - 2))
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


@pytest.mark.parametrize("n", [3, 5, 6, 10, 40])
@pytest.mark.parametrize("significance", [0.05, 0.01])
def test_the_critical_value_is_that_of_scipys_t(n: int, significance: float) -> None:
    assert grubbs_critical(n, significance) == pytest.approx(scipys_critical(n, significance), rel=1e-9)


# 5: Grubbs 1969, ASTM E178, recomputed with scipy above. 10 and 20, upper 0.5 % column of ASTM E178: memory.
@pytest.mark.parametrize(("n", "critical"), [(5, 1.764), (10, 2.482), (20, 3.001)])
def test_the_critical_value_is_the_published_one(n: int, critical: float) -> None:
    assert grubbs_critical(n) == pytest.approx(critical, abs=0.0005)


def test_three_sigma_never_rejects_one_of_five_but_grubbs_does() -> None:
    # Greatest possible |x - mean|/s of n values is (n-1)/√n = 1.789 of 5 (Grubbs 1969), reached when four are equal.
    extreme = found(grubbs([0.0, 0.0, 0.0, 0.0, 100.0]))
    assert extreme.statistic == pytest.approx(4 / math.sqrt(5), rel=1e-12)
    assert extreme.statistic == pytest.approx(1.789, abs=0.0005)
    assert extreme.statistic < 3
    assert extreme.wild


@pytest.mark.parametrize("place", range(5))
@pytest.mark.parametrize("off", [1.0, -1.0])
def test_the_wild_one_of_a_lobe_is_named(place: int, off: float) -> None:
    values = list(STEADY)
    values[place] += off
    finding = found(grubbs(values))
    others = [v for i, v in enumerate(values) if i != place]
    assert finding.wild
    assert (finding.index, finding.of) == (place, 5)
    assert finding.deviation_deg == pytest.approx(values[place] - sum(others) / 4, abs=1e-12)
    # s with n-1, by numpy.
    expected = abs(values[place] - np.mean(values)) / np.std(values, ddof=1)
    assert finding.statistic == pytest.approx(expected, rel=1e-12)


def test_steady_passes_stay() -> None:
    finding = found(grubbs(STEADY))
    assert not finding.wild
    assert finding.text.startswith("pass 1 of 5 stays: 0.0250° above the mean of the others")


def test_the_record_says_what_was_left_out_and_why() -> None:
    # G by numpy; critical value of 5 at 1 %: 1.764 (Grubbs 1969, recomputed above).
    values = [10.0, 10.01, 10.02, 10.01, 10.4]
    assert found(grubbs(values)).text == (
        "pass 5 of 5 is left out: 0.3900° above the mean of the others; "
        f"Grubbs' test, two-sided at 1 %: {(values[4] - np.mean(values)) / np.std(values, ddof=1):.3f}, critical 1.764"
    )


def test_fewer_than_five_passes_are_not_tested() -> None:
    assert grubbs([0.0, 0.0, 0.0, 100.0]) is None
    assert pooled([[0.0, 0.0, 0.0, 100.0]] * 4) == (None,) * 4
    assert grubbs([]) is None


def test_passes_made_alike_by_a_coarse_count_do_not_make_the_next_count_wild() -> None:
    count = 0.036
    values = [10.0, 10.0, 10.0, 10.0, 10.0 + count]
    assert found(grubbs(values)).wild
    for finding in (grubbs(values, least_deg=count + 1e-9), pooled([values, STEADY], least_deg=count + 1e-9)[0]):
        assert not found(finding).wild
    near = found(grubbs(values, least_deg=count + 1e-9))
    assert near.text.endswith("critical 1.764, but too near to the others to matter")
    far = [10.0, 10.0, 10.0, 10.0, 10.0 + 20 * count]
    assert found(grubbs(far, least_deg=count + 1e-9)).wild
    # Nor when a wild pass of another lobe is taken out after it: in a longer lobe the same deviation weighs more.
    both = pooled([[10.0] * 39 + [10.036], [10.0] * 4 + [10.0375]], least_deg=0.0365)
    assert [found(f).wild for f in both] == [False, True]
    assert found(both[0]).statistic > found(both[1]).critical


@pytest.mark.parametrize("value", [0.1, 10.1, 359.7])
def test_equal_passes_are_not_wild_by_rounding(value: float) -> None:
    values = [value, value + 4e-13, value, value, value]
    for finding in (grubbs(values), *pooled([values, values]), grubbs([value] * 5), *pooled([[value] * 5])):
        assert not found(finding).wild
        assert found(finding).statistic < 1


def test_of_passes_without_any_scatter_the_statistic_stays_finite() -> None:
    # A scatter of less than 1e-6° is not believed.
    finding = found(pooled([[10.0, 10.0, 10.5, 10.0, 10.0]])[0])
    assert finding.wild
    assert finding.statistic == pytest.approx(0.5 / (1e-6 * math.sqrt(5 / 4)), rel=1e-9)


# --- with the scatter of all lobes -----------------------------------------------------------------------------------


def drawn(draw: random.Random, lobes: int, passes: int) -> list[list[float]]:
    return [[draw.gauss(10.0 + lobe, 0.02) for _ in range(passes)] for lobe in range(lobes)]


def test_of_a_single_lobe_both_are_the_same_test() -> None:
    # t of the value left out and G are tied: G = (n-1)/√n √(t²/(n-2+t²)); Grubbs 1969.
    draw = random.Random(2)
    for _ in range(300):
        (values,) = drawn(draw, 1, 6)
        values[2] += draw.choice([0.0, 0.1])
        one, other = found(grubbs(values)), found(pooled([values])[0])
        t = other.statistic
        assert one.index == other.index
        assert one.statistic == pytest.approx(5 / math.sqrt(6) * math.sqrt(t * t / (4 + t * t)), rel=1e-9)
        assert one.wild == other.wild


def test_the_studentized_deviation_is_that_of_a_regression_on_lobes() -> None:
    # Externally studentized residual of the one-way model, from its hat matrix: e/(s₍ᵢ₎√(1-h)).
    lobes = [[0.1, 0.2, 0.0, 0.4, 0.1], [1.0, 1.3, 1.1, 1.0, 1.2, 1.1], [2.0, 2.3]]
    y = np.concatenate([np.array(lobe) for lobe in lobes])
    design = np.zeros((len(y), 3))
    design[np.arange(len(y)), np.repeat([0, 1, 2], [len(lobe) for lobe in lobes])] = 1.0
    without = np.delete(np.arange(len(y)), 3)
    fitted, squares, *_ = np.linalg.lstsq(design[without], y[without])
    s = math.sqrt(float(squares[0]) / (len(y) - 3 - 1))
    expected = (y[3] - fitted[0]) / (s * math.sqrt(1 + 1 / 4))
    finding = found(pooled(lobes)[0])
    assert finding.index == 3
    assert finding.statistic == pytest.approx(expected, rel=1e-9)
    assert finding.deviation_deg == pytest.approx(y[3] - fitted[0], rel=1e-9)
    # Bonferroni over the eleven values of lobes that are tested; 13 - 3 - 1 degrees of freedom.
    assert finding.critical == pytest.approx(float(stats.t.isf(0.01 / 22, 9)), rel=1e-9)
    assert pooled(lobes)[2] is None


def test_without_a_wild_pass_one_in_a_hundred_calls_finds_one() -> None:
    draw = random.Random(5)
    n = 8000
    # Three binomial standard deviations about 1 %.
    margin = 3 * math.sqrt(0.01 * 0.99 / n)
    alone = sum(found(grubbs(drawn(draw, 1, 5)[0])).wild for _ in range(n)) / n
    assert alone == pytest.approx(0.01, abs=margin)
    # Taking out one lobe after the other costs a little: 1.0 to 1.4 %, by simulation of 2 to 8 lobes of 5.
    together = sum(any(found(f).wild for f in pooled(drawn(draw, 4, 5))) for _ in range(n)) / n
    assert 0.01 - margin <= together <= 0.014 + margin


def test_the_scatter_of_all_lobes_finds_a_wild_pass_more_often() -> None:
    draw = random.Random(6)
    n, alone, together, innocent = 1500, 0, 0, 0
    for _ in range(n):
        lobes = drawn(draw, 4, 5)
        lobes[1][3] += 6 * 0.02
        finding = found(grubbs(lobes[1]))
        alone += finding.wild and finding.index == 3
        findings = [found(f) for f in pooled(lobes)]
        together += findings[1].wild and findings[1].index == 3
        innocent += sum(f.wild for at, f in enumerate(findings) if at != 1)
    # 6 standard deviations off: Grubbs' test sees about a fifth of them, the pooled one most; a whole tenth between is far beyond chance.
    assert together / n > alone / n + 0.3
    assert together / n > 0.7
    assert innocent / n < 0.03


def test_two_wild_passes_in_two_lobes_do_not_hide_each_other() -> None:
    lobes = [list(STEADY) for _ in range(4)]
    lobes[0][4] += 0.3
    lobes[2][1] -= 0.3
    findings = [found(f) for f in pooled(lobes)]
    assert [f.wild for f in findings] == [True, False, True, False]
    assert (findings[0].index, findings[2].index) == (4, 1)
    hidden = [f for f in findings if f.wild and f.statistic <= f.critical]
    assert len(hidden) == 1
    assert "hidden by a wild pass of another lobe" in hidden[0].text
    assert sum("hidden" in f.text for f in findings) == 1


def test_at_most_one_pass_of_a_lobe_is_wild() -> None:
    finding, *rest = (found(f) for f in pooled([[*STEADY, 11.0, 13.0], STEADY, STEADY]))
    assert (finding.index, finding.of, finding.wild) == (6, 7, True)
    assert not any(f.wild for f in rest)


def test_no_lobes_give_no_findings() -> None:
    assert pooled([]) == ()
    assert pooled([[], [], STEADY])[:2] == (None, None)
