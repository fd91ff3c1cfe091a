"""Families from physics to messages, on few jobs; `python -m tests.science.table` does 2,000 of each."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from bench import monte_carlo
from bench.encoder import edge_place
from bench.evaluation import evaluate
from tests.science import families, families_bytes
from tests.science.families import Sample, misses, sample, tabulate
from tests.science.families_encoder import Disc, Encoder
from tests.science.families_jobs import Family, carry_out
from tests.science.families_list import FAMILIES
from tests.science.families_motion import Magnet, Path, Track
from tests.science.families_points import Points, lifted, pin_edges
from tests.science.hand_method import hand_error_deg, read_by_eye

BY_NAME = {f.name: f for f in FAMILIES}
NO_OFFSETS = (0.0, 0.0, 0.0, 0.0)


# --- the families ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "family",
    [
        BY_NAME["poles-8"],
        BY_NAME["difference"],
        replace(BY_NAME["10°-presses"], name="scatter of presses rules", presses_per_side=2, with_edges=False),
    ],
    ids=lambda f: f.name,
)
def test_the_interval_holds_the_truth_as_often_as_it_says(family: Family) -> None:
    jobs = 40
    row = tabulate(family, [sample(family, seed) for seed in range(1, jobs + 1)])
    assert row.valid == jobs
    # Binomial: at a true coverage of 95 %, fewer are covered in less than one table of a thousand.
    assert row.covered >= int(binom.ppf(1e-3, jobs, 0.95))
    # Nor is it far too wide for its errors: of few presses by as much as t with two degrees of freedom asks for.
    assert row.median_expanded_deg < 3 * row.error_95_deg


def test_a_clean_opening_is_far_better_than_the_hand_method() -> None:
    family = BY_NAME["10°-swings"]
    samples = [sample(family, seed) for seed in range(1, 13)]
    row = tabulate(family, samples)
    assert row.valid == 12
    # If 95 % keep 0.012°, nine of twelve do in all but one table of 450 (binomial: 0.22 % for fewer).
    assert sum(abs(s.error_deg) <= families.MOST_ERROR_DEG["10°-swings"] for s in samples) >= 9
    assert row.hand_ratio > 5


def test_a_stated_capacitor_s_delay_is_taken_off() -> None:
    # 10 kΩ × 0.35 µF: 1.2 to 3.2 ms (R·C·ln(1/(1-f)), f from 0.3 to 0.6, CHECKS.md), which is 0.2 to 0.5° at 160°/s.
    family = replace(BY_NAME["10°-rests"], ohm=10_000.0, capacitor_uf=(0.35, 0.35))
    samples = [sample(family, seed) for seed in range(1, 13)]
    # Binomial: fewer than eight of twelve at a coverage of 95 % once in 5,000 tables.
    assert sum(abs(s.error_deg) <= s.expanded_deg for s in samples) >= 8
    assert all(s.ruling == "delay by capacitor" for s in samples)


def test_few_draws_for_the_others_leave_the_judged_interval_as_it_is() -> None:
    done = carry_out(BY_NAME["cam-load"], 3)
    family = replace(BY_NAME["cam-load"], lobe=2)
    full = evaluate(done.run).breakers[0].openings[2]
    assert full.angle is not None
    assert full.angle.budget.propagated_deg is not None
    quick = sample(family, 3)
    assert monte_carlo.DRAWS == 200_000
    assert quick.expanded_deg == full.angle.budget.expanded_uncertainty_deg
    assert quick.u_deg == full.angle.budget.standard_uncertainty_deg


def test_a_geared_cam_s_job_is_whole_and_its_truth_is_that_of_the_lobe() -> None:
    samples = [sample(BY_NAME["compensated"], seed) for seed in range(1, 7)]
    assert all(s.valid for s in samples)
    # A lobe mistaken for another would be off by the offsets, 0.2 to 2.5°; twice the interval is 0.6°.
    assert sum(abs(s.error_deg) <= 2 * s.expanded_deg for s in samples) == 6


def test_friction_holds_the_rotor_on_the_side_that_it_comes_from() -> None:
    unit = carry_out(BY_NAME["poles-4"], 1).unit
    assert unit.felt_deg(1, False) < 0 < unit.felt_deg(-1, False)
    # A cam torque of 1 % of the magnet's peak moves neutral by 0.143° on four poles (CHECKS.md: 0.14°).
    pulled = replace(unit, cam_fraction=0.01, friction_deg=0.0)
    assert pulled.felt_deg(1, True) == pytest.approx(0.143, abs=5e-4)
    assert pulled.felt_deg(1, False) == 0.0


def test_two_speeds_give_the_zero_speed_line() -> None:
    evaluation = evaluate(carry_out(BY_NAME["delay-line"], 1).run)
    assert all(o.mean.line is not None for o in evaluation.breakers[0].openings)


def _row(errors: list[float], expanded: float, bounded: float = 0.1) -> families.Row:
    samples = [Sample("f", n, e, expanded / 2, expanded, "x", 0.5, bounded, 0.5) for n, e in enumerate(errors)]
    return tabulate(Family("f", ""), samples)


def test_what_a_family_does_not_keep_is_named() -> None:
    rng = np.random.default_rng(5)
    errors = rng.normal(0, 0.1, 1_000).tolist()
    assert misses(_row(errors, 0.2)) == []
    assert "less than 93 %" in misses(_row(errors, 0.15))[0]
    assert "more than 97 %" in misses(_row(errors, 0.3))[0]
    # Bounds that rule explain an interval that is too wide.
    assert misses(_row(errors, 0.3, bounded=0.9)) == []
    assert any("times 1.96 u" in m for m in misses(_row(errors, 0.15)))
    lost = Sample("f", 0, math.nan, math.nan, math.nan, "", math.nan, math.nan, math.nan, "why")
    assert misses(tabulate(Family("f", ""), [lost, Sample("f", 1, 0.1, 0.1, 0.2, "x", 0.5, 0.1, 0.5)])) != []


def test_the_binomial_interval_is_the_exact_one() -> None:
    # Clopper and Pearson: of 20, 19 covered: 0.7513 to 0.9987 (recomputed from the binomial sums, not from the beta quantile).
    row = _row([0.0] * 19 + [1.0], 0.5)
    assert binom.sf(18, 20, row.low) == pytest.approx(0.025, rel=1e-6)
    assert binom.cdf(19, 20, row.high) == pytest.approx(0.025, rel=1e-6)


# --- the physics under them ------------------------------------------------------------------------------------------


def test_a_stroke_s_speed_is_the_slope_of_its_angle() -> None:
    path = Path(-30.0)
    path.hold(3)
    path.move(12.0, 60.0)
    path.turn(800.0, [90.0, 180.0], 0.8, np.random.default_rng(1))
    track = path.track()
    assert track.angle_deg[-1] == pytest.approx(812.0)
    slope = np.gradient(track.angle_deg, track.time_s)[2:-2]
    # A difference over two steps of 4 ms is off by h/4 of a jump in acceleration, here of up to about 1,500°/s² between two speeds.
    assert np.abs(slope - track.speed_deg_s[2:-2]).max() < 1.5
    assert np.diff(track.time_s[track.beats]) == pytest.approx(0.02)
    # A jerky hand that never turns back.
    assert track.speed_deg_s[track.time_s > path.now_s - 5].min() >= 0


def _swung(friction: float, viscous: float = 0.0, spacing: float = 90.0) -> Track:
    path = Path(2.0)
    path.release(Magnet(1225.0 * math.degrees(1) / 4, spacing, spacing, 0.0, friction, friction, viscous), 60)
    return path.track()


def test_a_free_swing_keeps_its_time_and_loses_what_friction_takes() -> None:
    # ω = √(p·T0/J) = 35 rad/s; pendulum: longer by (p·A)²/16; Coulomb friction takes 2δ off each half swing (textbook).
    delta = 0.1
    track = _swung(1225.0 * delta)
    turned = np.nonzero(np.diff(np.sign(track.speed_deg_s[1:])))[0] + 1
    sizes = np.abs(track.angle_deg[turned[:5]])
    assert sizes == pytest.approx([2.0 - 2 * delta * n for n in range(1, 6)], abs=0.01)
    halves = np.diff(track.time_s[turned[:6]])
    assert float(halves.mean()) == pytest.approx(math.pi / 35.0, rel=0.01)
    assert abs(track.angle_deg[-1]) <= delta * 1.01
    assert track.speed_deg_s[-1] == 0.0


@pytest.mark.parametrize("sense", [1, -1])
def test_counts_and_edges_of_the_encoder_agree(sense: int) -> None:
    path = Path(-5.0)
    path.move(6.0, 40.0)
    path.move(-4.0, 40.0)
    disc = Disc(10_000, sense, 123.4, 0.05, 77.0, (0.03, -0.08, 0.1, -0.02), 0.4)
    track = path.track()
    encoder = Encoder(disc, track)
    edges = encoder.edges(np.ones(len(track.time_s) - 1, dtype=bool))
    assert int(edges.step.sum()) == encoder.counts[-1] - encoder.counts[0]
    # Each edge lies where the disc says, hysteresis on the far side.
    at = np.interp(edges.time_s, track.time_s, track.angle_deg)
    level = edges.boundary + np.array(disc.offsets)[edges.boundary % 4] + 0.2 * edges.step
    # Straight lines between nodes 4 ms apart are off by h²/8 of the acceleration: 1e-3° at 500°/s², 0.04 counts.
    assert np.abs(disc.reading(at) - level).max() < 0.05


def test_an_encoder_off_centre_errs_by_twice_the_sine_of_half_the_angle() -> None:
    # CHECKS.md: 20 µm on 20 mm costs at most 36.0″ (0.0100°) between two angles 10° apart, 0.0392° at 40° (geometry).
    wave = math.degrees(20e-6 / 20e-3)
    for angle, most in ((10.0, 0.0100), (40.0, 0.0392)):
        errors = []
        for phase in range(0, 360, 2):
            disc = Disc(10_000, 1, 0.0, wave, float(phase), NO_OFFSETS, 0.0)
            start, end = disc.reading(np.array([0.0, angle]))
            errors.append((end - start) * 360 / 10_000 - angle)
        assert max(errors) == pytest.approx(most, abs=5e-5)


def _turned() -> Track:
    path = Path(-40.0)
    path.turn(150.0, [100.0], 0.0, np.random.default_rng(1))
    return path.track()


def _points(bounces: float = 0.0, delay_s: float = 0.0) -> Points:
    return Points(lambda n: 10.0 + 90.0 * n, 35.0, 0.0, bounces, (0.1, 0.5), delay_s)


def _angles(track: Track, times: np.ndarray) -> list[float]:
    return [float(a) for a in np.interp(times, track.time_s, track.angle_deg)]


def test_points_open_at_their_angle_and_a_capacitor_delays_only_that() -> None:
    track, rng = _turned(), np.random.default_rng(1)
    sharp = pin_edges(_points(), track, -2, rng)
    assert (sharp.first_open, sharp.opened) == (True, (False, True, False, True))
    assert _angles(track, sharp.time_s) == pytest.approx([-25.0, 10.0, 65.0, 100.0], abs=2e-3)
    late = pin_edges(_points(delay_s=0.0024), track, -2, rng)
    assert (late.time_s - sharp.time_s).tolist() == pytest.approx([0.0, 0.0024, 0.0, 0.0024], abs=1e-9)


def test_bounce_with_a_capacitor_hides_the_first_parting() -> None:
    track = _turned()
    sharp = pin_edges(_points(), track, -2, np.random.default_rng(1))
    for seed in range(20):
        seen = pin_edges(_points(bounces=6.0, delay_s=0.0006), track, -2, np.random.default_rng(seed))
        # The capacitor needs 0.6 ms and every bounce within 0.5 ms empties it: one edge, after the last return.
        opening = seen.time_s[(seen.time_s > sharp.time_s[1]) & (seen.time_s < sharp.time_s[1] + 0.01)]
        assert len(opening) == 1
        assert 0.0006 <= opening[0] - sharp.time_s[1] <= 0.0006 + 0.0005


def test_followers_let_down_close_the_points_unless_the_cam_holds_them() -> None:
    track = _turned()
    seen = pin_edges(_points(), track, -2, np.random.default_rng(1))
    between = float(seen.time_s[0] + seen.time_s[1]) / 2
    down = lifted(seen, between)
    assert (down.first_open, down.opened[0], down.time_s[0]) == (True, False, between)
    on_the_lobe = lifted(seen, float(seen.time_s[1] + seen.time_s[2]) / 2)
    assert on_the_lobe.time_s.tolist() == seen.time_s[2:].tolist()


def test_the_messages_of_an_opening_place_it_far_below_a_count() -> None:
    """From the Contact of the real run back to the unit: without any doubt but ticks, the opening lies where the cam has it."""
    family = Family(
        "exact",
        "",
        lobe_error_deg=0.0,
        pass_scatter_deg=(0.0, 0.0),
        capacitor_uf=(0.0, 0.0),
        bounces=0.0,
        eccentricity_um=0.0,
        phase_error_counts=0.0,
        pole_spacing_deg=0.0,
    )
    done = carry_out(family, 1)
    assert done.run.failure is None
    per_deg = done.disc.sense * 10_000 / 360
    for taken, ordinal in zip(done.run.epoch.traces[0].passes, done.run.epoch.traces[0].ordinals):
        found = edge_place(taken.opening.edge.contact, NO_OFFSETS).counts
        true = float(done.disc.reading(np.array([done.unit.opening_deg(0, ordinal)]))[0])
        # Half the hysteresis late, in the direction of running; the board's latch is up to 10 µs off, 0.07 counts at 240°/s.
        behind = true - found - done.disc.hysteresis_counts / 2 * done.disc.sense
        assert abs(behind) < 0.1
        assert abs(per_deg) > 27


# --- the hand method -------------------------------------------------------------------------------------------------


def test_a_plate_read_by_eye_is_a_degree_over_the_square_root_of_twelve_off() -> None:
    # CHECKS.md: u = 1°/√12 = 0.289° (JCGM 100:2008, F.2.2.1).
    errors = [hand_error_deg(10.0 + n / 1_000, 0.0, 0.0) for n in range(1_000)]
    assert math.sqrt(sum(e * e for e in errors) / 1_000) == pytest.approx(0.2887, abs=1e-4)
    assert max(errors) == pytest.approx(0.5)
    assert read_by_eye(10.4) == 10.0
    # A zero that lies half a degree late reads half a degree less.
    assert hand_error_deg(10.9, 0.5, 0.0) == pytest.approx(10.0 - 10.9)


# --- byte by byte ----------------------------------------------------------------------------------------------------


def test_a_family_s_files_make_a_whole_job() -> None:
    found = [families_bytes.sample(name, 2) for name in ("bytes-poles-6", "bytes-delay")]
    assert [s.why for s in found] == ["", ""]
    # Twice the interval is missed by a normal error once in 10,000.
    assert all(abs(s.error_deg) < 2 * s.expanded_deg for s in found)


def test_a_byte_family_below_its_limit_is_named() -> None:
    family = families_bytes.BYTE_FAMILIES[0]
    good = [families_bytes.ByteSample(0.1, 0.2)] * 179
    bad = [families_bytes.ByteSample(0.3, 0.2)] * 21
    assert families_bytes.misses(families_bytes.tabulate(family, good + bad)) == []
    assert families_bytes.misses(families_bytes.tabulate(family, [*good[1:], *bad, bad[0]])) == ["covers 178 of 200"]
