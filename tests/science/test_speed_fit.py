"""The zero-speed angle: certified lines, coverage, the best possible error, and when there is none."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from bench.speed_fit import NotUsable, SpeedFit, fit, lowers_uncertainty

Floats = NDArray[np.float64]


def line(angles: Floats | list[float], speeds: Floats | list[float], weights: Floats | None = None) -> SpeedFit:
    found = fit(list(angles), list(speeds), None if weights is None else list(weights))
    assert isinstance(found, SpeedFit), found
    return found


# --- certified lines -------------------------------------------------------------------------------------------------

#: JCGM 100:2008 Annex H.3, Table H.6: thermometer readings in °C and their corrections; t0 = 20 °C.
READINGS = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
CORRECTIONS = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)


def test_the_thermometer_of_the_gum_has_its_line() -> None:
    # JCGM 100:2008 H.3.3, H.3.4: y1 = -0.1712(29), y2 = 0.00218(67), s = 0.0035, 9 degrees of freedom, b(30 °C) = -0.1494(41).
    found = line(list(CORRECTIONS), [t - 20.0 for t in READINGS])
    assert found.zero_speed_deg == pytest.approx(-0.1712, abs=0.00005)
    assert found.u_zero_speed_deg == pytest.approx(0.0029, abs=0.00005)
    assert found.delay_s == pytest.approx(0.00218, abs=0.000005)
    assert found.u_delay_s == pytest.approx(0.00067, abs=0.000005)
    assert found.scatter_deg == pytest.approx(0.0035, abs=0.00005)
    assert found.freedom == 9
    value, u = found.at(10.0)
    assert value == pytest.approx(-0.1494, abs=0.00005)
    assert u == pytest.approx(0.0041, abs=0.00005)


def norris() -> tuple[list[float], list[float], list[float]]:
    """y, x, and the certified (B0, its deviation, B1, its deviation, residual deviation)."""
    path = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"
    text = path.read_text("ascii")
    number = r"\s+(-?\d\S*)"
    b0 = re.search(rf"B0{number}{number}", text)
    b1 = re.search(rf"B1{number}{number}", text)
    residual = re.search(rf"Residual\s+Standard Deviation{number}", text)
    assert b0 is not None
    assert b1 is not None
    assert residual is not None
    rows = [row.split() for row in text[text.rindex("Data:") :].splitlines()[1:] if row.strip()]
    certified = [float(g) for found in (b0, b1, residual) for g in found.groups()]
    return [float(y) for y, _ in rows], [float(x) for _, x in rows], certified


def test_the_ozone_monitors_of_nist_have_their_certified_line() -> None:
    # NIST StRD Norris; the file, with the certified values in its header, ships inside the scipy wheel.
    y, x, (b0, u_b0, b1, u_b1, residual) = norris()
    assert len(y) == 36
    found = line(y, x)
    assert found.zero_speed_deg == pytest.approx(b0, rel=1e-11)
    assert found.u_zero_speed_deg == pytest.approx(u_b0, rel=1e-11)
    assert found.delay_s == pytest.approx(b1, rel=1e-12)
    assert found.u_delay_s == pytest.approx(u_b1, rel=1e-11)
    assert found.scatter_deg == pytest.approx(residual, rel=1e-11)


SPEEDS = np.array([18.0, 20.0, 21.0, 24.0, 30.0, 55.0, 60.0, 66.0, 70.0, 80.0])
#: Standard deviation of a pass: a part in angle (0.005°), and a part in time (0.5 ms) that grows with speed.
DEVIATIONS = np.hypot(0.005, 0.0005 * SPEEDS)


def test_a_weighted_line_is_that_of_the_normal_equations() -> None:
    # scipy.linalg.lstsq on rows scaled by √weight, second implementation; covariance s²(XᵀWX)⁻¹.
    angles = 10.0 + 0.0024 * SPEEDS + DEVIATIONS * np.array([1, -1, 0.5, -0.3, 1.2, -0.8, 0.1, 0.9, -1.5, 0.4])
    weights = DEVIATIONS**-2
    design = np.column_stack([np.ones_like(SPEEDS), SPEEDS])
    root = np.sqrt(weights)[:, None]
    expected, *_ = scipy.linalg.lstsq(design * root, angles * root[:, 0])
    left = angles - design @ expected
    covariance = np.linalg.inv(design.T @ (design * weights[:, None])) * (weights @ left**2) / (len(SPEEDS) - 2)
    found = line(angles, SPEEDS, weights)
    assert found.zero_speed_deg == pytest.approx(expected[0], rel=1e-10)
    assert found.delay_s == pytest.approx(expected[1], rel=1e-10)
    assert found.u_zero_speed_deg == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-9)
    assert found.u_delay_s == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-9)
    hat = design @ np.linalg.solve(design.T @ (design * weights[:, None]), design.T * weights)
    assert found.leverages == pytest.approx(np.diag(hat), rel=1e-9)


def test_only_the_ratios_of_weights_matter() -> None:
    angles = 10.0 + 0.0024 * SPEEDS + 0.01 * np.cos(np.arange(10.0))
    one, other = line(angles, SPEEDS, DEVIATIONS**-2), line(angles, SPEEDS, 1e4 * DEVIATIONS**-2)
    for name in ("zero_speed_deg", "u_zero_speed_deg", "delay_s", "u_delay_s", "scatter_deg"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-12)
    equal = line(angles, SPEEDS, np.full(10, 7.0))
    assert equal.scatter_deg == pytest.approx(line(angles, SPEEDS).scatter_deg, rel=1e-12)


# --- by simulation ---------------------------------------------------------------------------------------------------

TRUE_DEG, DELAY_S = 10.3, 0.0024
REPEATS = 4000


def simulated() -> Floats:
    """Angles, one row per repeat: the model with normal scatter."""
    draw = np.random.default_rng(11)
    return TRUE_DEG + DELAY_S * SPEEDS + DEVIATIONS * draw.standard_normal((REPEATS, len(SPEEDS)))


def best_possible_deg() -> float:
    """Cramér-Rao bound of the zero-speed angle: inverse of the numerical Fisher information over angle, delay and log of a common
    factor on the deviations.

    Information = variance-free expectation of minus the second differences of the log likelihood. That expectation is taken exactly for
    normal scatter: at trial parameters, E log L = -Σ[ln σ + (σ₀² + (μ₀-μ)²)/(2σ²)].
    """

    def expected_log_likelihood(trial: Floats) -> float:
        sigma = DEVIATIONS * math.exp(trial[2])
        shift = (trial[0] - TRUE_DEG) + (trial[1] - DELAY_S) * SPEEDS
        return float(-np.sum(np.log(sigma) + (DEVIATIONS**2 + shift**2) / (2 * sigma**2)))

    at = np.array([TRUE_DEG, DELAY_S, 0.0])
    steps = np.array([1e-3, 1e-5, 1e-3])
    information = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            a, b = np.eye(3)[i] * steps[i], np.eye(3)[j] * steps[j]
            corners = [expected_log_likelihood(at + s * a + t * b) * s * t for s in (1, -1) for t in (1, -1)]
            information[i, j] = -sum(corners) / (4 * steps[i] * steps[j])
    return math.sqrt(np.linalg.inv(information)[0, 0])


def test_clean_passes_give_the_best_possible_zero_speed_angle_and_a_plain_mean_does_not() -> None:
    angles = simulated()
    fitted = np.array([line(row, SPEEDS, DEVIATIONS**-2).zero_speed_deg for row in angles])
    best = best_possible_deg()
    spread = float(np.std(fitted, ddof=1))
    # The bound itself has no scatter; a spread of 4,000 has 1.1 %, so 0.95 is more than four standard deviations off.
    assert 0.95 < spread / best <= 1.15
    # No bias: within four standard deviations of the mean of all repeats.
    assert abs(float(np.mean(fitted)) - TRUE_DEG) < 4 * best / math.sqrt(REPEATS)
    # Side by side: the raw mean is off by delay times mean speed, whatever its spread.
    raw = angles.mean(axis=1)
    raw_error = math.sqrt(float(np.mean((raw - TRUE_DEG) ** 2)))
    assert raw_error / best > 8
    # Unweighted, the same passes spread more, so the check above can see a lost weight.
    unweighted = np.array([line(row, SPEEDS).zero_speed_deg for row in angles])
    assert float(np.std(unweighted)) / best > 1.15


def test_the_interval_covers_as_often_as_it_says() -> None:
    k = {p: float(stats.t.ppf(0.5 + p / 2, len(SPEEDS) - 2)) for p in (0.6827, 0.95)}
    found = [line(row, SPEEDS, DEVIATIONS**-2) for row in simulated()]
    for p, factor in k.items():
        margin = 3 * math.sqrt(p * (1 - p) / REPEATS)
        angle = sum(abs(f.zero_speed_deg - TRUE_DEG) <= factor * f.u_zero_speed_deg for f in found) / REPEATS
        delay = sum(abs(f.delay_s - DELAY_S) <= factor * f.u_delay_s for f in found) / REPEATS
        assert angle == pytest.approx(p, abs=margin)
        assert delay == pytest.approx(p, abs=margin)


# --- when there is no line -------------------------------------------------------------------------------------------


def refused(speeds: list[float], weights: list[float] | None = None) -> NotUsable:
    found = fit([10.0] * len(speeds), speeds, weights)
    assert isinstance(found, NotUsable), found
    return found


def test_passes_of_one_speed_ask_for_three_slow_ones() -> None:
    found = refused([58.0, 60.0, 61.0, 63.0, 60.0])
    assert "alike" in found.reason
    assert [w.text for w in found.wanted] == ["three slow passes at about 23°/s"]


def test_a_range_just_short_of_two_is_not_wide_and_one_of_two_is() -> None:
    assert "alike" in refused([30.0] * 3 + [59.9] * 3).reason
    assert isinstance(fit([1.0, 2.0, 3.0] * 2, [30.0] * 3 + [60.0] * 3), SpeedFit)


@pytest.mark.parametrize(
    ("speeds", "wanted"),
    [
        ([20.0, 60.0, 61.0, 62.0], ["two slow passes at about 20°/s"]),
        ([20.0, 24.0, 60.0, 61.0, 62.0, 70.0], ["one slow pass at about 22°/s"]),
        ([20.0, 21.0, 22.0, 60.0], ["two fast passes at about 60°/s"]),
        ([20.0, 60.0], ["two slow passes at about 20°/s", "two fast passes at about 60°/s"]),
    ],
)
def test_an_end_with_fewer_than_three_passes_asks_for_the_rest(speeds: list[float], wanted: list[str]) -> None:
    found = refused(speeds)
    assert "needed at each end" in found.reason
    assert [w.text for w in found.wanted] == wanted


def test_a_pass_that_decides_the_line_alone_is_not_trusted() -> None:
    # Leverage 1/7 + (v-v̄)²/Σ(v-v̄)² of the 300°/s pass, by hand: v̄ = 66.714, 54,422.2 of 66,699.4 in squares.
    found = refused([10.0, 11.0, 12.0, 13.0, 60.0, 61.0, 300.0])
    assert "300°/s decides the line alone (leverage 0.96" in found.reason
    assert [w.text for w in found.wanted] == ["one fast pass at about 300°/s"]


def test_a_weight_can_make_a_pass_decide_alone() -> None:
    speeds = [20.0, 21.0, 22.0, 60.0, 61.0, 62.0]
    assert isinstance(fit([1.0, 2.0, 3.0] * 2, speeds), SpeedFit)
    assert "at 62°/s decides" in refused(speeds, [1.0, 1.0, 1.0, 1.0, 1.0, 20.0]).reason


def test_no_passes_or_a_pass_without_speed_give_a_reason_and_no_advice() -> None:
    assert refused([]) == NotUsable("there are no passes")
    for speed in (0.0, -5.0, math.nan, math.inf):
        found = refused([20.0] * 3 + [60.0] * 3 + [speed])
        assert "no speed" in found.reason
        assert found.wanted == ()


@pytest.mark.parametrize(
    ("angles", "speeds", "weights"),
    [
        ([1.0, 2.0], [1.0], None),
        ([1.0], [1.0], [1.0, 2.0]),
        ([math.nan], [1.0], None),
        ([1.0], [1.0], [0.0]),
        ([1.0], [1.0], [-1.0]),
    ],
)
def test_what_cannot_be_a_pass_is_refused(
    angles: list[float], speeds: list[float], weights: list[float] | None
) -> None:
    with pytest.raises(ValueError, match="expected"):
        fit(angles, speeds, weights)


@given(st.lists(st.floats(5.0, 300.0), min_size=1, max_size=12))
def test_who_follows_the_advice_gets_a_line(speeds: list[float]) -> None:
    for _ in range(4):
        found = fit([0.0] * len(speeds), speeds)
        if isinstance(found, SpeedFit):
            return
        assert found.wanted
        speeds = speeds + [w.speed_deg_s for w in found.wanted for _ in range(w.passes)]
    pytest.fail(f"still not usable: {found}")


# --- is it worth it --------------------------------------------------------------------------------------------------


def example(scatter: float = 0.01) -> SpeedFit:
    return line(10.0 + scatter * np.array([1, -1, 0, 1, -1, 0, 1, -1, 0, 0.0]), SPEEDS)


def test_a_line_is_used_if_the_delay_is_the_larger_doubt() -> None:
    assert lowers_uncertainty(example(), 0.003, 0.0024, 45.0)


def test_a_line_is_not_used_if_the_delay_is_well_known() -> None:
    assert not lowers_uncertainty(example(), 0.003, 0.00001, 45.0)
    # At a speed near zero a delay costs nothing.
    assert not lowers_uncertainty(example(), 0.003, 0.0024, 0.5)


def test_the_line_pays_for_its_fewer_degrees_of_freedom() -> None:
    found = line([0.0, 0.01, 0.02] * 2, [30.0] * 3 + [90.0] * 3)
    assert found.freedom == 4
    # t at 97.5 % with 4 and 5 degrees of freedom (scipy.stats.t): with equal standard uncertainties the mean is surer.
    ratio = float(stats.t.ppf(0.975, 4) / stats.t.ppf(0.975, 5))
    assert not lowers_uncertainty(found, found.u_zero_speed_deg * ratio * 0.999, 0.0, 45.0)
    assert lowers_uncertainty(found, found.u_zero_speed_deg * ratio * 1.001, 0.0, 45.0)
