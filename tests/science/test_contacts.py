"""Statistics of contacts against published tables and second implementations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats as scipy_stats

from bench import contact_quality, contact_resistance
from bench.bench_file import Probe
from bench.contact_quality import OpeningSeen, Spread
from bench.contact_resistance import NotMeasurable, Resistance
from bench.contacts import LevelReading

COUNT_DEG = 0.036


def opening(lobe: int = 0, angle_deg: float = 10.0, bounce_ms: float = 0.0, static: bool = False, returns: int = 0,
            speed_deg_s: float = 60.0) -> OpeningSeen:  # fmt: skip
    return OpeningSeen(lobe, angle_deg, speed_deg_s, static, bounce_ms, returns, 0.0, 0, None, None)


# --- spread ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "percent"), [(2, 76), (3, 52), (4, 42), (5, 36), (10, 24), (20, 16), (30, 13), (50, 10)])
def test_a_standard_deviation_is_as_uncertain_as_table_e_1_says(n: int, percent: int) -> None:
    # JCGM 100:2008, Table E.1.
    assert round(100 * contact_quality.relative_u_of_deviation(n)) == percent


def test_spread_gives_mean_and_scatter_with_their_uncertainties() -> None:
    values = [35.1, 35.3, 35.2, 35.4]
    found = contact_quality.spread(values, 0.01)
    assert isinstance(found, Spread)
    assert found.deviation_deg == pytest.approx(float(np.std(values, ddof=1)))
    assert found.u_mean_deg == pytest.approx(math.hypot(float(scipy_stats.sem(values)), 0.01))
    assert found.u_deviation_deg == pytest.approx(0.422 * float(np.std(values, ddof=1)), rel=2e-3)


def test_a_single_value_has_no_spread_and_none_has_nothing() -> None:
    assert contact_quality.spread([35.0]) == Spread(1, 35.0, None, None, None)
    assert contact_quality.spread([]) is None


# --- tests of slow and dirty contact ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("m", "n"), [(3, 3), (5, 5), (5, 15), (8, 6), (4, 40)])
def test_the_rank_sum_is_exact(m: int, n: int) -> None:
    rng = np.random.default_rng(7)
    for _ in range(10):
        a, b = (rng.normal(0.8, 1, m)).tolist(), rng.normal(0, 1, n).tolist()
        expected = scipy_stats.mannwhitneyu(a, b, alternative="greater", method="exact").pvalue
        assert contact_quality.rank_sum_chance(a, b) == pytest.approx(expected, rel=1e-9)


def test_for_many_values_the_rank_sum_is_normal() -> None:
    rng = np.random.default_rng(8)
    a, b = rng.normal(0.2, 1, 50).tolist(), rng.normal(0, 1, 60).tolist()
    expected = scipy_stats.mannwhitneyu(a, b, alternative="greater", method="asymptotic").pvalue
    assert contact_quality.rank_sum_chance(a, b) == pytest.approx(expected, rel=1e-6)


def test_the_correlation_is_judged_as_pearson_does() -> None:
    rng = np.random.default_rng(9)
    x = rng.normal(0, 1, 12)
    y = 0.5 * x + rng.normal(0, 1, 12)
    expected = scipy_stats.pearsonr(x, y)
    assert contact_quality.correlation_chance(float(expected.statistic), 10) == pytest.approx(
        float(expected.pvalue), rel=1e-9
    )


def test_clean_openings_are_seldom_called_dirty() -> None:
    # Three tests at 1 %: of 400 clean breakers hardly more than 3 % are named; bounce is the same for all lobes.
    rng = np.random.default_rng(10)
    named = 0
    for _ in range(400):
        openings = [
            opening(n % 4, float(rng.normal(10, 0.05)), float(rng.exponential(0.6)), returns=int(rng.poisson(1.5)))
            for n in range(20)
        ]
        named += bool(contact_quality.findings(openings, COUNT_DEG))
    assert named <= 400 * 0.03 + 3 * math.sqrt(400 * 0.03)


def test_a_lobe_that_bounces_longer_than_the_others_is_named() -> None:
    rng = np.random.default_rng(11)
    openings = [
        opening(n % 4, 10.0, float(rng.uniform(1.5, 3.0) if n % 4 == 2 else rng.uniform(0.1, 0.5))) for n in range(20)
    ]
    assert [(f.code, f.lobe) for f in contact_quality.findings(openings, COUNT_DEG)] == [("bounces-longer", 2)]


def test_many_returns_and_late_settling_are_named_by_their_bounds() -> None:
    calm = [opening(0, 10.0, 4.9, returns=4) for _ in range(5)]
    assert contact_quality.findings(calm, COUNT_DEG) == ()
    wild = [opening(0, 10.0, 5.1, returns=5) for _ in range(5)]
    assert [f.code for f in contact_quality.findings(wild, COUNT_DEG)] == ["many-returns", "late-settled"]


def test_openings_that_come_later_the_longer_they_bounce_are_named_with_the_slope() -> None:
    rng = np.random.default_rng(12)
    bounces = rng.uniform(0.0, 2.0, 20)
    # Two lobes at different angles: only what varies within a lobe may count.
    openings = [opening(n % 2, 10.0 + 5 * (n % 2) + 0.1 * float(b), float(b)) for n, b in enumerate(bounces)]
    (found,) = contact_quality.findings(openings, COUNT_DEG)
    assert found.code == "scatters-with-bounce"
    assert "later, by 0.100° a millisecond" in found.text


def test_the_correlation_pays_a_degree_of_freedom_for_each_lobe() -> None:
    rng = np.random.default_rng(16)
    lobe = np.repeat(np.arange(4), 4)
    bounce = rng.uniform(0.0, 2.0, 16)
    angle = 10.0 + lobe + 0.25 * bounce + rng.normal(0, 0.1, 16)
    # Least squares with a column per lobe, as any statistics package would do it.
    design = np.column_stack([*(lobe == n for n in range(4)), bounce]).astype(float)
    fit, rest, _, _ = np.linalg.lstsq(design, angle, rcond=None)
    u = math.sqrt(float(rest[0]) / (16 - 5) * float(np.linalg.inv(design.T @ design)[4, 4]))
    chance = 2 * float(scipy_stats.t.sf(abs(float(fit[4])) / u, 16 - 5))
    openings = [opening(int(n), float(a), float(b)) for n, a, b in zip(lobe, angle, bounce, strict=True)]
    (found,) = (f for f in contact_quality.findings(openings, COUNT_DEG) if f.code == "scatters-with-bounce")
    assert f"by {float(fit[4]):.3f}° a millisecond" in found.text
    assert f"probability by chance {chance:.2g})" in found.text


def test_lobes_that_differ_in_angle_and_bounce_alike_are_no_scatter_with_bounce() -> None:
    rng = np.random.default_rng(13)
    openings = [
        opening(n % 4, 10.0 + 0.3 * (n % 4) + float(rng.normal(0, 0.05)), 0.1 * (n % 4) + float(rng.uniform(0, 0.1)))
        for n in range(24)
    ]
    assert contact_quality.findings(openings, COUNT_DEG) == ()


# --- static against turning ---------------------------------------------------------------------------------------------------


def test_for_one_lobe_the_comparison_is_welchs_test() -> None:
    rng = np.random.default_rng(14)
    still, moving = rng.normal(10.0, 0.2, 6).tolist(), rng.normal(10.3, 0.05, 9).tolist()
    openings = [opening(0, a, static=True, speed_deg_s=0.0) for a in still] + [opening(0, a) for a in moving]
    # Without a count's width and a delay only scatter is left.
    found = contact_quality.static_against_turning(openings, 0.0, 0.0, 0.95)
    assert found is not None
    expected = scipy_stats.ttest_ind(still, moving, equal_var=False)
    assert found.difference_deg == pytest.approx(float(np.mean(still) - np.mean(moving)))
    assert found.statistic == pytest.approx(abs(float(expected.statistic)), rel=1e-9)
    assert found.budget.freedom == pytest.approx(float(expected.df), rel=1e-9)
    assert found.critical == pytest.approx(float(scipy_stats.t.ppf(0.995, math.floor(expected.df))), rel=1e-9)


def test_lobes_of_different_angle_do_not_make_static_differ_from_turning() -> None:
    # Held at lobe 0 mostly, turned over lobe 1 mostly: pooled without lobes they would differ by nearly a degree.
    openings = [opening(0, 10.0 + 0.01 * n, static=True) for n in (-1, 0, 1)] + [opening(1, 11.0, static=True)]
    openings += [opening(0, 10.0)] + [opening(1, 11.0 + 0.01 * n) for n in (-1, 0, 1)]
    found = contact_quality.static_against_turning(openings, COUNT_DEG, 0.0, 0.95)
    assert found is not None
    assert found.difference_deg == pytest.approx(0.0, abs=1e-12)
    assert not found.differs


def test_the_interval_of_the_difference_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(15)
    held = called = 0
    trials = 1000
    for _ in range(trials):
        openings = []
        for lobe in range(2):
            base = float(rng.normal(10, 1))
            openings += [opening(lobe, base + 0.05 + float(rng.normal(0, 0.1)), static=True) for _ in range(4)]
            openings += [opening(lobe, base + float(rng.normal(0, 0.03))) for _ in range(5)]
        found = contact_quality.static_against_turning(openings, 0.0, 0.0, 0.95)
        assert found is not None
        held += abs(found.difference_deg - 0.05) <= found.budget.expanded_uncertainty_deg
        shifted = [o if not o.static else opening(o.lobe, o.angle_deg - 0.05, static=True) for o in openings]
        nil = contact_quality.static_against_turning(shifted, 0.0, 0.0, 0.95)
        called += nil is not None and nil.differs
    # Binomial, three standard deviations; cutting the degrees of freedom makes it a little wide.
    assert abs(held / trials - 0.955) < 3 * math.sqrt(0.95 * 0.05 / trials)
    assert called / trials < 0.01 + 3 * math.sqrt(0.01 * 0.99 / trials)


def test_a_single_static_opening_is_compared_by_the_turning_ones_scatter() -> None:
    openings = [opening(0, 10.4, static=True)] + [opening(0, 10.0 + 0.02 * n) for n in (-2, -1, 0, 1, 2)]
    found = contact_quality.static_against_turning(openings, COUNT_DEG, 0.0, 0.95)
    assert found is not None
    s = 0.02 * math.sqrt(2.5)
    u = math.sqrt(s**2 * (1 + 1 / 5) + COUNT_DEG**2 / 12)
    assert found.budget.standard_uncertainty_deg == pytest.approx(u)
    assert found.differs


def test_what_the_delays_bound_explains_is_no_difference() -> None:
    openings = [opening(0, 9.95, static=True)] + [opening(0, 10.0 + 0.002 * n) for n in (-2, -1, 0, 1, 2)]
    sure = contact_quality.static_against_turning(openings, 0.001, 0.0, 0.95)
    bounded = contact_quality.static_against_turning(openings, 0.001, 1e-3, 0.95)
    assert sure is not None
    assert sure.differs
    # 1 ms at 60°/s is 0.06°.
    assert bounded is not None
    assert not bounded.differs


# --- resistance ----------------------------------------------------------------------------------------------------------------


def readings(closed_mv: list[int], open_mv: int | None = None, per_stretch: int = 5) -> list[LevelReading]:
    found = [LevelReading(n, n, mv, False, n // per_stretch) for n, mv in enumerate(closed_mv)]
    return found if open_mv is None else [*found, *(LevelReading(n, n, open_mv, True, -1) for n in range(5))]


def test_four_wires_and_an_amplifier_tell_a_tenth_of_an_ohm() -> None:
    probe = Probe(current_ma=5.0, sense_gain=100.0, sense_offset_mv=0.02, sense_error=0.01, four_wire=True)
    found = contact_resistance.resistance(readings([50] * 5 + [55] * 5 + [50] * 5 + [55] * 5), probe, 0.95)
    assert isinstance(found, Resistance)
    # 52.5 mV / 100 / 5 mA.
    assert found.ohm == pytest.approx(0.105)
    by_source = {t.source: t.u_ohm for t in found.terms}
    # 5000/1024 mV a step, in ohm by gain and current; half of it and the other bounds over √3.
    assert found.resolution_ohm == pytest.approx(5000 / 1024 / 100 / 5)
    assert by_source["step of the reading"] == pytest.approx(found.resolution_ohm / 2 / math.sqrt(3))
    assert by_source["offset of the reading"] == pytest.approx(0.02 / 5 / math.sqrt(3))
    assert by_source["gain and current"] == pytest.approx(0.01 * 0.105 / math.sqrt(3))
    assert by_source["leads and clips"] == 0.0
    # Four stretches of 50, 55, 50, 55 mV.
    of_mean = float(scipy_stats.sem([50, 55, 50, 55]))
    assert by_source["repeatability of closed stretches"] == pytest.approx(of_mean / 100 / 5)
    assert found.u_ohm == pytest.approx(math.sqrt(sum(t.u_ohm**2 for t in found.terms)))


def test_nil_is_a_figure_where_the_circuit_is_good_enough() -> None:
    probe = Probe(current_ma=5.0, sense_gain=100.0, sense_offset_mv=0.02, four_wire=True)
    found = contact_resistance.resistance(readings([0] * 20), probe, 0.95)
    assert isinstance(found, Resistance)
    assert found.ohm == 0.0
    assert found.expanded_ohm < contact_resistance.USEFUL_OHM


def test_leads_are_taken_off_and_carried_unless_sensed_apart() -> None:
    probe = Probe(current_ma=5.0, sense_gain=100.0, sense_offset_mv=0.0, lead_ohm=(0.2, 0.4))
    found = contact_resistance.resistance(readings([1000] * 20), probe, 0.95)
    assert isinstance(found, Resistance)
    assert found.ohm == pytest.approx(2.0 - 0.3)
    assert {t.source: t.u_ohm for t in found.terms}["leads and clips"] == pytest.approx(0.1 / math.sqrt(3))


def test_the_divider_is_solved_for_the_points() -> None:
    # 5000·100/1100 = 455 mV for 100 Ω behind 1 kΩ; supply seen by the open reading.
    probe = Probe(lead_ohm=(0.0, 0.0), sense_offset_mv=0.0, sense_error=0.0)
    found = contact_resistance.resistance(readings([455] * 20, 5000), probe, 0.95)
    assert isinstance(found, Resistance)
    assert found.ohm == pytest.approx(100.0, abs=0.2)


def test_ten_bits_of_five_volts_say_why_they_cannot_tell() -> None:
    found = contact_resistance.resistance(readings([0] * 20, 5000), Probe(), 0.95)
    assert isinstance(found, NotMeasurable)
    # One step of 4.88 mV at 5 mA.
    assert found.resolution_ohm == pytest.approx(0.977, abs=1e-3)
    assert "0.98 Ω" in found.reason
    assert found.below_ohm is not None
    assert 0.3 < found.below_ohm < 1.0


@pytest.mark.parametrize(
    ("seen", "probe", "word"),
    [
        ([], Probe(), "no analogue readings"),
        (readings([3] * 4), Probe(), "only 4 readings"),
        (readings([30] * 20), Probe(sense_gain=100.0), "state current_ma"),
        (readings([5000] * 20), Probe(sense_gain=100.0, current_ma=5.0), "upper end: 10 Ω or more"),
    ],
)
def test_what_is_not_measurable_says_why(seen: list[LevelReading], probe: Probe, word: str) -> None:
    found = contact_resistance.resistance(seen, probe, 0.95)
    assert isinstance(found, NotMeasurable)
    assert word in found.reason


def test_a_level_that_falls_in_every_stretch_is_seen_and_one_that_wanders_is_not() -> None:
    falling = readings([100, 60, 30, 20, 10] * 8)
    assert contact_resistance.falling_mv(falling) == 90
    # Sign test: seven of seven are 1/128 by chance, six of six 1/64.
    assert contact_resistance.falling_mv(readings([100, 60, 30, 20, 10] * 7)) == 90
    assert contact_resistance.falling_mv(readings([100, 60, 30, 20, 10] * 6)) is None
    wandering = [20, 10, 10, 10, 15, 15, 10, 10, 10, 20]
    assert contact_resistance.falling_mv(readings(wandering * 6)) is None


def test_closed_points_above_an_ohm_are_named_only_if_sure() -> None:
    probe = Probe(current_ma=5.0, lead_ohm=(0.0, 0.0))

    def codes(mv: int) -> list[str]:
        seen = readings([mv] * 20)
        found = contact_resistance.resistance(seen, probe, 0.95)
        return [f.code for f in contact_resistance.findings(seen, probe, found)]

    assert codes(5) == []
    # 1.4 ± 0.6 Ω may be below an ohm.
    assert codes(7) == []
    assert codes(25) == ["closed-level-high"]
