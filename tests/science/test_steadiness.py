"""Drift and roundness against other libraries' least squares and quantiles, and how often they find what is not there."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from scipy import stats

from bench import steadiness
from bench.steadiness import Crossing

DRAWS = 1500


def lobes_of(
    rng: np.random.Generator,
    lobes: int,
    passes: int,
    scatter_deg: float = 0.02,
    slope_deg: float = 0.0,
    lobe_turns: float = 1.0,
    off_deg: Sequence[float] | None = None,
    disc: complex = 0.0,
    dwell_deg: float = 35.0,
    cut_deg: float = 0.0,
) -> list[list[Crossing]]:
    """Passes of a cam; `disc` is the vector e/r·exp(iφ) of a disc that reads Im(disc*·exp(iψ)) too much."""

    def read(place: float) -> float:
        return float((np.conj(disc) * np.exp(1j * math.radians(place))).imag)

    found = []
    for lobe in range(lobes):
        off = 0.0 if off_deg is None else off_deg[lobe]
        opens, closes = rng.uniform(-cut_deg, cut_deg, 2)
        crossings = []
        for turn in range(passes):
            place = lobe * 360.0 * lobe_turns / lobes + turn * 360.0 * lobe_turns + 10.0
            noise = rng.normal(0.0, scatter_deg, 2)
            past = off + opens + noise[0] + slope_deg * place / 360.0 + read(place)
            dwell = dwell_deg + opens + noise[0] - closes - noise[1] + read(place) - read(place - dwell_deg)
            crossings.append(Crossing(place, 10.0 + past, dwell, 60.0))
        found.append(crossings)
    return found


def test_of_one_lobe_slope_and_uncertainty_are_those_of_scipys_line() -> None:
    (lobe,) = lobes_of(np.random.default_rng(1), 1, 9, slope_deg=0.01)
    found = steadiness.drift([lobe], 0.0)
    line = stats.linregress([c.place_deg / 360.0 for c in lobe], [c.past_deg for c in lobe])
    assert found is not None
    assert (found.slope_deg, found.u_deg) == pytest.approx((line.slope, line.stderr), rel=1e-9)
    assert found.freedom == 7
    # Two-sided at 0.1 %.
    assert found.critical == pytest.approx(stats.t.ppf(1 - 0.0005, 7), rel=1e-9)


def test_of_several_lobes_it_is_the_general_linear_models_slope() -> None:
    rng = np.random.default_rng(2)
    lobes = lobes_of(rng, 4, 5, slope_deg=-0.02, off_deg=rng.uniform(-0.3, 0.3, 4).tolist())
    del lobes[1][2], lobes[3][0]
    found = steadiness.drift(lobes, 0.0, breakers=2)
    rows = [(k, c) for k, lobe in enumerate(lobes) for c in lobe]
    x = np.array([[c.place_deg / 360.0, *(float(k == at) for at in range(4))] for k, c in rows])
    y = np.array([c.past_deg for _, c in rows])
    beta = np.linalg.lstsq(x, y, rcond=None)[0]
    left = y - x @ beta
    u = math.sqrt(left @ left / (len(y) - 5) * np.linalg.inv(x.T @ x)[0, 0])
    assert found is not None
    assert (found.slope_deg, found.u_deg, found.freedom) == pytest.approx((beta[0], u, 13), rel=1e-7)
    assert found.critical == pytest.approx(stats.t.ppf(1 - 0.00025, 13), rel=1e-9)


def test_what_the_delay_may_do_is_taken_off() -> None:
    rng = np.random.default_rng(3)
    lobes = lobes_of(rng, 2, 6)
    faster = [
        [Crossing(c.place_deg, c.past_deg + 0.001 * 30.0 * k, c.dwell_deg, 60.0 + 30.0 * k) for k, c in enumerate(lobe)]
        for lobe in lobes
    ]
    unknown, known = steadiness.drift(faster, 0.0015), steadiness.drift(faster, 0.0)
    assert unknown is not None
    assert known is not None
    # 30°/s more in each turn, each late by a millisecond.
    assert known.slope_deg == pytest.approx(0.03, abs=0.01)
    assert known.statistic == pytest.approx(abs(known.slope_deg) / known.u_deg)
    assert unknown.statistic == 0.0


def test_too_few_passes_tell_no_drift() -> None:
    rng = np.random.default_rng(4)
    assert steadiness.drift(lobes_of(rng, 1, 2), 0.0) is None
    assert steadiness.drift(lobes_of(rng, 4, 1), 0.0) is None
    assert steadiness.drift(lobes_of(rng, 2, 2), 0.0) is not None


def within(share: float, wanted: float, draws: int) -> bool:
    """Four binomial standard deviations."""
    return abs(share - wanted) <= 4 * math.sqrt(wanted * (1 - wanted) / draws)


def test_the_slopes_statistic_is_students() -> None:
    rng = np.random.default_rng(5)
    point = stats.t.ppf(0.975, 15)
    found = [steadiness.drift(lobes_of(rng, 4, 5), 0.0) for _ in range(DRAWS)]
    assert within(float(np.mean([d is not None and d.statistic > point for d in found])), 0.05, DRAWS)
    assert sum(d is not None and d.significant for d in found) <= 8


def test_of_a_compensated_cam_the_statistic_is_fishers() -> None:
    # Nine cylinders, four poles: a lobe comes to four places on the disc. 2·F(2, ν) with ν = 45 - 9 - 2.
    rng = np.random.default_rng(6)
    cut = np.random.default_rng(7).uniform(-2, 2, 9).tolist()
    found = [
        steadiness.roundness(lobes_of(rng, 9, 5, lobe_turns=2.25, off_deg=cut), 0.0, 0.25, plain=False)
        for _ in range(DRAWS)
    ]
    point = 2 * stats.f.ppf(0.95, 2, 34)
    assert within(float(np.mean([r is not None and r.statistic > point for r in found])), 0.05, DRAWS)
    assert found[0] is not None
    assert found[0].critical == pytest.approx(2 * stats.f.ppf(0.99, 2, 34), rel=1e-9)


def test_of_a_plain_cam_poles_and_cam_within_their_bounds_are_seldom_called_uneven() -> None:
    rng = np.random.default_rng(8)
    found = []
    for _ in range(DRAWS):
        poles = [0.0, *rng.uniform(-0.25, 0.25, 3)]
        lobes = lobes_of(rng, 4, 5, off_deg=poles, cut_deg=0.1)
        found.append(steadiness.roundness(lobes, 0.0573, 0.25, plain=True))
    point = -2 * math.log(0.05)
    # Bounded errors and a disc that may err add up to less than the test allows for.
    assert float(np.mean([r is not None and r.statistic > point for r in found])) < 0.05
    assert sum(r is not None and r.uneven for r in found) <= 0.005 * DRAWS
    assert found[0] is not None
    assert found[0].critical == pytest.approx(stats.chi2.ppf(0.99, 2), rel=0.01)


@pytest.mark.parametrize(
    ("lobes", "turns", "plain"), [(2, 1.0, True), (4, 1.0, True), (8, 1.0, True), (9, 2.25, False)]
)
def test_the_amplitude_found_is_that_of_the_disc(lobes: int, turns: float, plain: bool) -> None:
    rng = np.random.default_rng(9)
    for phase in np.linspace(0, 2 * math.pi, 7):
        disc = 0.8 * np.exp(1j * phase)
        seen = steadiness.roundness(
            lobes_of(rng, lobes, 5, scatter_deg=0.001, lobe_turns=turns, disc=complex(disc)), 0.0573, 0.25, plain
        )
        assert seen is not None
        assert seen.uneven
        assert seen.amplitude_deg == pytest.approx(0.8, abs=0.01)


def test_with_its_uncertainty_the_amplitude_is_seldom_too_small() -> None:
    rng = np.random.default_rng(10)
    short = 0
    for _ in range(DRAWS):
        disc = 0.8 * np.exp(1j * rng.uniform(0, 2 * math.pi))
        poles = [0.0, *rng.uniform(-0.25, 0.25, 3)]
        seen = steadiness.roundness(
            lobes_of(rng, 4, 5, off_deg=poles, cut_deg=0.1, disc=complex(disc)), 0.06, 0.25, True
        )
        short += seen is None or seen.covering_deg < 0.8
    # Two standard uncertainties, one-sided: 2.3 % of normal errors.
    assert short / DRAWS < 0.03


def test_lobes_that_come_to_the_same_places_again_tell_nothing_of_a_compensated_cams_disc() -> None:
    # Eight cylinders on eight poles: every turn of the cam is one of the magnet.
    assert steadiness.roundness(lobes_of(np.random.default_rng(11), 8, 5), 0.06, 0.25, plain=False) is None


def test_where_one_direction_alone_is_told_half_of_the_square_is_allowed_for() -> None:
    # Two lobes without dwells: their difference tells the part of the vector along it.
    rng = np.random.default_rng(12)
    lobes = [
        [Crossing(c.place_deg, c.past_deg, None, 60.0) for c in lobe]
        for lobe in lobes_of(rng, 2, 5, scatter_deg=0.001, off_deg=[1.0, -1.0])
    ]
    seen = steadiness.roundness(lobes, 0.06, 0.25, plain=True)
    assert seen is not None
    assert seen.uneven
    assert seen.amplitude_deg == pytest.approx(math.sqrt(2) * 1.0, rel=0.01)


def test_the_amplitudes_uncertainty_is_that_of_rectangular_poles_and_cam() -> None:
    seen = steadiness.roundness(lobes_of(np.random.default_rng(13), 4, 5, scatter_deg=1e-5), 0.06, 0.25, plain=True)
    # Σcos² over four lobes is 2, for openings; for dwells (2 sin(35°/2))² as much (geometry). a/√3: JCGM 100, 4.3.7.
    openings = 2 / ((0.25**2 + 0.1**2) / 3)
    dwells = 2 * (2 * math.sin(math.radians(17.5))) ** 2 / (2 * 0.1**2 / 3)
    assert seen is not None
    assert seen.u_deg == pytest.approx(1 / math.sqrt(openings + dwells), rel=1e-3)
