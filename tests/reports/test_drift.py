"""Drift: the straight line against certified and published values, and when nothing can be told."""

from __future__ import annotations

import math
import random
from importlib.resources import files

import numpy as np
import pytest
from scipy import stats

from bench.reports.drift import Change, Drift, Point, in_service, line


def test_a_line_without_known_uncertainties_is_certified_by_nist() -> None:
    # NIST StRD, Norris: certified slope 1.00211681802045, its standard deviation 0.429796848199937E-03, 36 observations.
    text = (files("scipy.stats") / "tests/data/nist_linregress/Norris.dat").read_text("utf-8")
    rows = [tuple(map(float, row.split())) for row in text.splitlines()[60:96]]
    drift = line([Point(x, y, None) for y, x in rows])
    assert drift.points == 36
    assert drift.rate == pytest.approx(1.00211681802045, rel=1e-12)
    assert drift.expanded_uncertainty == pytest.approx(stats.t.ppf(0.975, 34) * 0.429796848199937e-03, rel=1e-9)
    assert drift.told


def test_a_line_with_its_scatter_is_that_of_the_gum() -> None:
    # JCGM 100:2008, H.3: y2 = 0.00218(67) per °C from 11 readings, 9 degrees of freedom.
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    drift = line([Point(x, y, None) for x, y in zip(t, b)])
    assert drift.rate == pytest.approx(0.00218, abs=5e-6)
    assert drift.expanded_uncertainty is not None
    assert drift.expanded_uncertainty / stats.t.ppf(0.975, 9) == pytest.approx(0.00067, abs=5e-6)


def test_a_weighted_line_is_numpys() -> None:
    chosen = random.Random(4)
    points = [Point(x, 10 + 0.01 * x + chosen.gauss(0, 0.01), 0.1 + 0.02 * (x % 3)) for x in range(0, 60, 7)]
    u = np.array([p.u for p in points])
    slope, _ = np.polyfit([p.at for p in points], [p.value for p in points], 1, w=1 / u)
    _, covariance = np.polyfit([p.at for p in points], [p.value for p in points], 1, w=1 / u, cov="unscaled")
    drift = line(points)
    assert drift.rate == pytest.approx(slope, rel=1e-9)
    # The scatter is smaller than the uncertainties explain, so that they set it.
    assert drift.expanded_uncertainty == pytest.approx(1.959964 * math.sqrt(covariance[0, 0]), rel=1e-6)
    assert drift.told


def test_scatter_that_the_uncertainties_do_not_explain_widens() -> None:
    at = [0.0, 1.0, 2.0, 3.0, 4.0]
    wild = [0.0, 1.0, -1.0, 1.0, 0.0]
    small, large = (line([Point(x, y, u) for x, y in zip(at, wild)]) for u in (0.001, 0.01))
    # Birge: only the scatter counts, whatever small uncertainty was stated.
    assert small.expanded_uncertainty == pytest.approx(large.expanded_uncertainty)
    assert small.expanded_uncertainty == pytest.approx(stats.linregress(at, wild).stderr * stats.t.ppf(0.975, 3))
    assert not small.told


def test_changes_in_service_give_the_line_through_nil() -> None:
    # By hand: changes 0.2 over 100 h and 0.5 over 300 h, u 0.1 and 0.2: (100·0.2/0.01 + 300·0.5/0.04)/(100²/0.01 + 300²/0.04).
    drift = in_service([Change(100, 0.2, 0.1), Change(300, 0.5, 0.2)])
    assert drift.rate == pytest.approx((2000 + 3750) / (1e6 + 2.25e6))
    assert drift.expanded_uncertainty == pytest.approx(1.959964 / math.sqrt(3.25e6), rel=1e-6)
    assert drift.told


def test_one_change_of_known_uncertainty_tells_a_drift_if_it_is_large_enough() -> None:
    assert in_service([Change(100, 1.0, 0.1)]).told
    assert not in_service([Change(100, 0.1, 0.1)]).told


@pytest.mark.parametrize(
    ("drift", "why"),
    [
        (line([]), "too few"),
        (line([Point(0, 1, 0.1), Point(1, 2, 0.1)]), "too few"),
        (line([Point(5, 1, 0.1), Point(5, 2, 0.1), Point(5, 3, 0.1)]), "same hour or day"),
        (in_service([]), "no two visits"),
        (in_service([Change(0, 1, 0.1)]), "no two visits"),
        (in_service([Change(1, 1, None), Change(1, 1, None)]), "no scatter"),
        (line([Point(x, 0.0, 0.1) for x in range(5)]), "may as well be nil"),
    ],
)
def test_it_is_said_why_nothing_can_be_told(drift: Drift, why: str) -> None:
    assert not drift.told
    assert why in drift.why_not


def test_a_drift_that_is_not_there_is_told_in_one_of_twenty_at_most() -> None:
    # 95 % confidence: of 2000 histories without drift 5 % are told wrongly; beyond 6.9 % would be four standard deviations off.
    chosen = random.Random(11)
    wrong = 0
    for _ in range(2000):
        wrong += line([Point(x, chosen.gauss(10, 0.1), 0.1) for x in (0, 50, 110, 160, 300)]).told
    assert wrong / 2000 < 0.069
