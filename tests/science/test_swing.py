"""Neutral from free swings: turning points, what counts as a swing, its centre, its uncertainty."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.integrate import solve_ivp

from bench.bench_file import Priors
from bench.encoder import PhaseTable, edges_of
from bench.link import Handshake, Sender
from bench.stream import SessionStream
from bench.swing import (
    FITTED_POINTS,
    MOST_KEPT,
    About,
    Geometry,
    Method,
    SwingEstimate,
    TurningPoint,
    TurningPoints,
    about_of,
    combine,
    estimate,
    extreme,
    fit,
    free_swings,
    neutral_from,
    odd_torque_terms,
    of_five,
    of_three,
)
from bench.ticks import TickUnwrapper
from bench.uncertainty import coverage_factor
from firmware_protocol.framing import Frame
from firmware_protocol.messages import Edges
from sim import scenario as scenarios
from sim.scenario import Scenario
from sim.world import World

PRIORS = Priors()
COUNTS, TICK_HZ = 10_000, 2_000_000
COUNT_DEG = 360 / COUNTS
GEOMETRY = Geometry(COUNTS, TICK_HZ, 1, 4, (0.0, 0.0, 0.0, 0.0))
#: The simulated unit's own figures: 0.25 N·m and 8e-4 kg·m² on four poles.
OMEGA = math.sqrt(4 * 0.25 / 8e-4)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


# --- second implementation: the swing by numerical integration -----------------------------------------------------------


@dataclasses.dataclass(frozen=True)
class Motion:
    """Monotonic stretches of a motion: times (s) and angles (deg), 10 µs apart."""

    stretches: tuple[tuple[Floats, Floats], ...]

    def then(self, other: Motion, pause_s: float) -> Motion:
        late = self.stretches[-1][0][-1] + pause_s
        return Motion(self.stretches + tuple((t + late, x) for t, x in other.stretches))

    @property
    def extremes(self) -> list[float]:
        return [float(x[-1]) for _, x in self.stretches]


def released(
    from_deg: float,
    friction_deg: float = 0.15,
    zeta: float = 0.035,
    cam: float = 0.0,
    unequal: float = 0.0,
    stop_deg: float | None = None,
) -> Motion:
    """From rest to rest under -T0·sin(4·x), cam torque cam·T0, stiffness (1 ± unequal) either side; a stop throws back elastically."""
    friction = OMEGA**2 * math.radians(friction_deg)

    def pull(x: float) -> float:
        return OMEGA**2 / 4 * (cam - math.sin(4 * x) * (1 + math.copysign(unequal, x)))

    x, speed, now = math.radians(from_deg), 0.0, 0.0
    stretches: list[tuple[Floats, Floats]] = []
    while len(stretches) < 100 and (speed or abs(pull(x)) > friction):
        way = math.copysign(1.0, speed or pull(x))

        def slope(_: float, z: Floats, way: float = way) -> list[float]:
            return [z[1], pull(z[0]) - 2 * zeta * OMEGA * z[1] - way * friction]

        def turned(_: float, z: Floats) -> float:
            return float(z[1])

        def struck(_: float, z: Floats) -> float:
            return float(z[0]) - math.radians(-90.0 if stop_deg is None else stop_deg)

        turned.terminal, turned.direction = True, -way  # type: ignore[attr-defined]
        struck.terminal, struck.direction = True, -1  # type: ignore[attr-defined]
        start = [x, speed or way * 1e-9]
        found = solve_ivp(slope, (0, 1), start, events=[turned, struck], rtol=1e-9, atol=1e-12, dense_output=True)
        assert found.sol is not None
        assert found.t_events is not None
        end = float(found.t[-1])
        if end < 1e-4:
            break
        times = np.linspace(0, end, max(int(end / 1e-5), 2))
        angles, speeds = found.sol(times)
        stretches.append((now + times, np.degrees(angles)))
        x, speed = float(angles[-1]), -float(speeds[-1]) if len(found.t_events[1]) else 0.0
        now += end
    return Motion(tuple(stretches))


def led(place: Callable[[Floats], Floats], seconds: float) -> Motion:
    """A motion that a hand gives."""
    times = np.arange(0, seconds, 1e-5)
    angles = place(times)
    turns = np.nonzero(np.diff(np.sign(np.diff(angles))))[0] + 1
    cuts = [0, *turns.tolist(), len(times) - 1]
    return Motion(tuple((times[a : b + 1], angles[a : b + 1]) for a, b in pairwise(cuts)))


def edges(
    motion: Motion,
    centre_deg: float,
    rng: np.random.Generator | None = None,
    sense: int = 1,
    offsets: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0),
) -> tuple[Ints, ...]:
    """Ticks, boundaries, steps: with `rng` after 5 µs of jitter, rounded to ticks of 0.5 µs."""
    found: list[tuple[Floats, Ints, int]] = []
    for times, angles in motion.stretches:
        counts = (angles + centre_deg) / COUNT_DEG * sense
        step = 1 if counts[-1] > counts[0] else -1
        low, high = sorted((counts[0], counts[-1]))
        crossed = np.arange(math.floor(low) - 1, math.floor(high) + 3)[::step]
        level = crossed + np.array(offsets)[crossed % 4]
        inside = (level > low) & (level <= high)
        found.append((np.interp(level[inside] * step, counts * step, times), crossed[inside], step))
    seconds = np.concatenate([f[0] for f in found])
    if rng is not None:
        seconds = seconds + rng.normal(0.0, 5e-6, len(seconds))
    ticks = np.maximum.accumulate(np.round((seconds + 1.0) * TICK_HZ)).astype(np.int64)
    return ticks, np.concatenate([f[1] for f in found]), np.repeat([f[2] for f in found], [len(f[0]) for f in found])


def turning_points(blocks: tuple[Ints, ...]) -> tuple[TurningPoint, ...]:
    collector = TurningPoints()
    collector.feed(*blocks)
    return collector.points


def estimates(blocks: tuple[Ints, ...], geometry: Geometry = GEOMETRY) -> list[SwingEstimate]:
    swings = free_swings(turning_points(blocks), geometry)
    return [e for e in (estimate(s, geometry) for s in swings) if e is not None]


SWING = released(-7.0, friction_deg=0.1)
SHORT = released(5.0, friction_deg=0.22)


# --- the estimators --------------------------------------------------------------------------------------------------


def test_mean_of_three_and_five_turning_points_of_a_damped_swing() -> None:
    # From 4°, ζ = 0.03: residual 0.008°; five points below 0.0001° (method of swings, mass metrology handbooks; recomputed:
    # successive amplitudes of a damped oscillator go by exp(-πζ/√(1-ζ²))).
    ratio = math.exp(-math.pi * 0.03 / math.sqrt(1 - 0.03**2))
    x = [4 * (-ratio) ** n for n in range(5)]
    assert of_three(*x[:3]) == pytest.approx(0.008, abs=5e-4)
    assert abs(of_five(x)) < 1e-4
    assert of_five([7 + v for v in x]) == pytest.approx(7, abs=1e-4)


def test_coulomb_friction_alone_is_cancelled_exactly() -> None:
    # Amplitudes fall by 2δ each half swing (Coulomb damping of a spring-mass, any text on vibration); binary fractions, so exactly.
    x = [10 + (-1) ** n * (4 - 0.25 * n) for n in range(5)]
    assert of_three(*x[:3]) == of_three(*x[1:4]) == 10
    assert of_five(x) == 10
    fitted = fit(np.array(x), np.ones(5), 4)
    assert fitted is not None


def modelled(values: Floats, n: int) -> Floats:
    """Turning points by the closed form A_k = (A_0 + d)·r^k - d, d = δ(1 + r)/(1 - r)."""
    centre, amplitude, ratio, friction = values
    d = friction * (1 + ratio) / (1 - ratio)
    k = np.arange(n)
    return np.asarray(centre + (-1.0) ** k * ((amplitude + d) * ratio**k - d))


def test_fit_reaches_the_cramer_rao_bound_and_covers() -> None:
    # Bound by numerical Fisher information of the turning points' model.
    values, n, sigma, repeats = np.array((12.3, 2.0, 0.95, 0.03)), 10, 0.002, 2000
    jacobian = np.stack([(modelled(values + s, n) - modelled(values - s, n)) / 2e-6 for s in np.eye(4) * 1e-6], axis=1)
    bound = sigma * math.sqrt(np.linalg.inv(jacobian.T @ jacobian)[0, 0])
    rng = np.random.default_rng(7)
    off, inside = [], 0
    for _ in range(repeats):
        # Two poles and 2°: torque is a straight line to 1e-4 of the losses.
        fitted = fit(modelled(values, n) + rng.normal(0, sigma, n), np.full(n, 1.0), 2)
        assert fitted is not None
        assert fitted.freedom == n - 4
        off.append(fitted.centre_deg - 12.3)
        inside += abs(off[-1]) <= coverage_factor(fitted.freedom, 0.95) * fitted.u_deg
    assert np.std(off) / bound <= 1.15
    assert abs(np.mean(off)) < 4 * bound / math.sqrt(repeats)
    assert stats.binomtest(inside, repeats, 0.95).pvalue > 1e-3
    # Beside it: the mean of successive middles is further off and not free of damping.
    middles = [(a + b) / 2 for a, b in pairwise(modelled(values, n))]
    assert abs(np.mean(middles) - 12.3) > 3 * bound


def test_weights_follow_the_stated_uncertainties() -> None:
    values = np.array((0.0, 2.0, 0.93, 0.04))
    x, u = modelled(values, 10), np.full(10, 1.0)
    x[6] += 0.05
    equal = fit(x, u, 2)
    u[6] = 100.0
    told = fit(x, u, 2)
    assert equal is not None
    assert told is not None
    assert abs(told.centre_deg) < 1e-4 < abs(equal.centre_deg)


# --- turning points --------------------------------------------------------------------------------------------------


def test_an_extreme_is_found_far_below_a_count() -> None:
    blocks = edges(SWING, 12.345)
    placed = [extreme(p, GEOMETRY, OMEGA) for p in turning_points(blocks)]
    for point, true in zip(placed[:8], SWING.extremes, strict=False):
        assert point is not None
        # Edges to half a tick: about 0.0003 counts; what is left of the curve's unequal sides: some thousandths.
        assert point.counts == pytest.approx((true + 12.345) / COUNT_DEG, abs=0.01)


def test_the_pull_at_an_extreme_is_the_magnet_s() -> None:
    # Without Coulomb friction: T0·sin(p·x)/J, here OMEGA²·sin(4·x)/4, towards the middle.
    swing = released(-7.0, friction_deg=0.0)
    for point, true in zip(turning_points(edges(swing, 12.345))[:8], swing.extremes, strict=False):
        placed = extreme(point, GEOMETRY, OMEGA)
        assert placed is not None
        torque = -(OMEGA**2) * math.degrees(math.sin(4 * math.radians(true)) / 4) / COUNT_DEG
        assert placed.pull == pytest.approx(torque, rel=0.02)


def test_phase_offsets_enter_the_place() -> None:
    offsets = (0.0, 0.08, -0.06, 0.03)
    points = turning_points(edges(SWING, 12.345, offsets=offsets))
    learnt = dataclasses.replace(GEOMETRY, offsets=offsets)
    true = [(x + 12.345) / COUNT_DEG for x in SWING.extremes]

    def farthest_off(geometry: Geometry) -> float:
        placed = [extreme(p, geometry, OMEGA) for p in points[:8]]
        return max(abs(p.counts - t) for p, t in zip(placed, true, strict=False) if p is not None)

    assert farthest_off(learnt) < 0.01
    assert farthest_off(GEOMETRY) > 0.03


def test_the_pieces_in_which_edges_come_do_not_matter() -> None:
    ticks, boundaries, steps = edges(SWING, 12.3)
    whole = turning_points((ticks, boundaries, steps))
    assert len(whole) > 10
    for size in (1, 2, 3, 5, 17, 100):
        collector = TurningPoints()
        for k in range(0, len(ticks), size):
            collector.feed(ticks[k : k + size], boundaries[k : k + size], steps[k : k + size])
        last = collector.points
        # One piece knows the end of the last run no better than many do.
        assert last == whole


def test_lost_edges_break_the_swing() -> None:
    ticks, boundaries, steps = edges(SWING, 12.3)
    kept = np.ones(len(ticks), dtype=bool)
    kept[len(ticks) // 3 : len(ticks) // 3 + 2] = False
    points = turning_points((ticks[kept], boundaries[kept], steps[kept]))
    assert [p.follows for p in points].count(False) == 2
    whole = turning_points((ticks, boundaries, steps))
    assert [p.follows for p in whole].count(False) == 1
    # The same when they were lost between two blocks.
    collector = TurningPoints()
    for part in (slice(None, len(ticks) // 3), slice(len(ticks) // 3 + 2, None)):
        collector.feed(ticks[part], boundaries[part], steps[part])
    assert collector.points == points


def test_a_swing_does_not_go_on_over_a_break() -> None:
    points = list(turning_points(edges(SWING, 12.3))[:11])
    assert [len(s) for s in free_swings(points, GEOMETRY)] == [11]
    points[5] = dataclasses.replace(points[5], follows=False)
    assert [len(s) for s in free_swings(points, GEOMETRY)] == [5, 6]


def test_a_cut_separates() -> None:
    ticks, boundaries, steps = edges(SWING, 12.3)
    half = len(ticks) // 3
    collector = TurningPoints()
    collector.feed(ticks[:half], boundaries[:half], steps[:half])
    collector.cut()
    collector.feed(ticks[half:], boundaries[half:], steps[half:])
    assert [p.follows for p in collector.points].count(False) == 2
    collector.clear()
    assert collector.points == ()


def test_memory_is_bounded_and_a_rotor_that_trembles_gives_nothing() -> None:
    collector = TurningPoints()
    n = 100_000
    trembling = np.tile(np.array((1, -1)), n // 2)
    collector.feed(np.arange(n) * 1000, np.full(n, 5), trembling)
    assert collector.points == ()
    assert len(collector._ticks) <= 8
    runs = np.repeat(np.tile(np.array((1, -1)), 2000), 5)
    count = np.concatenate(([0], np.cumsum(runs)))
    collector.clear()
    collector.feed(np.arange(len(runs)) * 1000, np.where(runs > 0, count[1:], count[:-1]), runs)
    assert len(collector.points) == MOST_KEPT


# --- whole swings ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("motion", "method"), [(SWING, Method.FITTED), (SHORT, Method.BINOMIAL)])
@pytest.mark.parametrize("sense", [1, -1])
def test_centre_of_an_integrated_swing(motion: Motion, method: Method, sense: int) -> None:
    """Coverage over 200 seeds; binomial places carry an allowance for hysteresis, which is not here, and so cover all."""
    rng = np.random.default_rng(3)
    geometry = dataclasses.replace(GEOMETRY, sense=sense)
    off, u, inside = [], [], 0
    for _ in range(200):
        centre = float(rng.uniform(-90, 90))
        (found,) = estimates(edges(motion, centre, rng, sense), geometry)
        assert found.method is method
        off.append(found.centre_deg - centre)
        u.append(found.u_deg)
        inside += abs(off[-1]) <= coverage_factor(found.freedom, 0.95) * found.u_deg
    # A thousandth of a count is 3.6e-5°.
    assert abs(np.mean(off)) < 5e-5
    assert np.std(off) < 1e-4
    assert inside >= stats.binom.ppf(1e-3, 200, 0.95)
    assert max(u) < (2e-4 if method is Method.FITTED else 8e-4)


def test_turning_the_sense_round_mirrors_the_place() -> None:
    blocks = edges(SWING, 12.345)
    (one,), (other,) = estimates(blocks), estimates(blocks, dataclasses.replace(GEOMETRY, sense=-1))
    assert other.centre_deg == pytest.approx(-one.centre_deg, abs=1e-9)
    assert other.u_deg == pytest.approx(one.u_deg, rel=1e-3)
    assert one.side == -other.side == 1


@pytest.mark.parametrize(("friction_deg", "zeta"), [(0.2, 0.0), (0.0, 0.03), (0.1, 0.035)])
def test_wide_swing_tells_both_frictions_although_torque_is_no_straight_line(friction_deg: float, zeta: float) -> None:
    (found,) = estimates(edges(released(-9.0, friction_deg, zeta), 1.234))
    assert found.method is Method.FITTED
    assert found.friction_deg == pytest.approx(friction_deg, abs=6e-4)
    assert found.ratio == pytest.approx(math.exp(-math.pi * zeta / math.sqrt(1 - zeta**2)), abs=5e-4)
    assert found.residual_deg < 1e-3


def test_amplitudes_beyond_the_stated_are_cut() -> None:
    blocks = edges(released(-14.0, 0.15), 0.5)
    (found,) = estimates(blocks)
    assert found.centre_deg == pytest.approx(0.5, abs=3e-4)
    (swing,) = free_swings(turning_points(blocks), GEOMETRY)
    amplitudes = [abs(e.counts * COUNT_DEG - 0.5) for e in swing]
    # 35° electrical on four poles; the turning points themselves go on to 12°.
    assert 7.0 < max(amplitudes) < 8.76
    # Eight counts: smaller ones have no four edges on the upper half of their curve.
    small = edges(released(-1.5, 0.0, 0.02), 0.5)
    (swing,) = free_swings(turning_points(small), GEOMETRY)
    assert min(abs(e.counts - 0.5 / COUNT_DEG) for e in swing) >= 7.9


def test_four_turning_points_are_too_few() -> None:
    points = turning_points(edges(SWING, 12.3))
    assert free_swings(points[:4], GEOMETRY) == []
    (swing,) = free_swings(points[:5], GEOMETRY)
    assert estimate(swing, GEOMETRY) is not None
    assert estimate(swing[:4], GEOMETRY) is None
    (longer,) = free_swings(points[:FITTED_POINTS], GEOMETRY)
    found = estimate(longer, GEOMETRY)
    assert found is not None
    assert found.method is Method.FITTED
    assert found.freedom == FITTED_POINTS - 4


@pytest.mark.parametrize("from_deg", [-5.0, 5.0])
def test_torque_that_is_not_odd_shifts_within_its_term_and_nearly_fills_it(from_deg: float) -> None:
    balance = math.degrees(math.asin(0.01) / 4)
    (cam,) = estimates(edges(released(from_deg, cam=0.01), 12.3))
    (poles,) = estimates(edges(released(from_deg, unequal=0.25 / 90), 12.3))
    bent, unequal = (t.standard_uncertainty * math.sqrt(3) for t in odd_torque_terms(poles.amplitude_deg, 4, PRIORS))
    assert 0.7 * bent < cam.centre_deg - 12.3 - balance < 1.15 * bent
    assert 0.7 * unequal < 12.3 - poles.centre_deg < 1.05 * unequal


# --- what is no free swing -------------------------------------------------------------------------------------------


def test_two_swings_in_a_row_are_told_apart() -> None:
    both = released(-6.0, 0.1).then(released(6.0, 0.1), 0.7)
    first, second = estimates(edges(both, 12.3))
    assert (first.side, second.side) == (1, -1)
    assert first.centre_deg == pytest.approx(second.centre_deg, abs=2e-4)


def test_a_second_release_before_the_first_swing_has_died_is_told_apart() -> None:
    first = released(-7.0, 0.05)
    caught = Motion(first.stretches[:7])
    at = caught.extremes[-1]
    back = led(lambda t: at + (6.0 - at) * (t / 0.4) ** 2 * (3 - 2 * t / 0.4), 0.4)
    both = caught.then(back, 0.0).then(released(6.0, 0.1), 0.5)
    found = estimates(edges(both, 12.3))
    assert len(found) == 2
    assert all(e.centre_deg == pytest.approx(12.3, abs=1e-3) for e in found)


@pytest.mark.parametrize("stop_deg", [-3.0, -1.0, 0.0])
def test_a_swing_into_a_stop_is_refused_until_it_swings_free(stop_deg: float) -> None:
    blocks = edges(released(7.0, 0.1, stop_deg=stop_deg), 12.3)
    for found in estimates(blocks):
        assert found.centre_deg == pytest.approx(12.3, abs=1e-3)
    if stop_deg == 0.0:
        assert estimates(blocks) == []


def test_hand_held_stops_are_no_swing() -> None:
    # Minimum-jerk moves to and fro with shorter and shorter reach, all in one time, with and without a pause.
    for pause in (0.0, 0.1):
        places = [5.0 * (-0.85) ** n for n in range(12)]
        each = 0.15 + pause

        def there(t: Floats, places: list[float] = places, each: float = each) -> Floats:
            k = np.minimum((t / each).astype(int), len(places) - 2)
            s = np.clip((t - k * each) / 0.15, 0, 1)
            a, b = np.array(places)[k], np.array(places)[k + 1]
            return np.asarray(a + (b - a) * s**3 * (10 + s * (6 * s - 15)))

        assert estimates(edges(led(there, each * 11), 12.3)) == []


def test_a_hand_that_wags_is_no_swing() -> None:
    """A dying sine, reach and time uneven by 5 %: steadier than people are (common practice, no source)."""
    rng = np.random.default_rng(5)
    for _ in range(100):
        reach = 5.0 * (-0.88) ** np.arange(12) * (1 + rng.normal(0, 0.05, 12))
        ends = np.concatenate(([0.0], np.cumsum(0.2 * (1 + rng.normal(0, 0.05, 11)))))

        def there(t: Floats, reach: Floats = reach, ends: Floats = ends) -> Floats:
            k = np.clip(np.searchsorted(ends, t, side="right") - 1, 0, 10)
            s = (t - ends[k]) / (ends[k + 1] - ends[k])
            return np.asarray((reach[k] + reach[k + 1]) / 2 + (reach[k] - reach[k + 1]) / 2 * np.cos(math.pi * s))

        assert estimates(edges(led(there, float(ends[-1])), 12.3)) == []


def turned_back(motion: Motion, last: int) -> Motion:
    """The motion's first `last` stretches, run backwards in time."""
    end = motion.stretches[last - 1][0][-1]
    return Motion(tuple((end - t[::-1], x[::-1]) for t, x in reversed(motion.stretches[:last])))


@pytest.mark.parametrize(("friction_deg", "zeta"), [(0.2, 0.0), (0.0, 0.035)])
def test_a_swing_run_backwards_is_no_swing(friction_deg: float, zeta: float) -> None:
    """Time, pull and law are those of a swing, only that it grows."""
    swing = released(-7.0, friction_deg, zeta)
    assert estimates(edges(turned_back(swing, 10), 12.3)) == []
    # Each of the two frictions below nothing is refused by itself.
    (free,) = free_swings(turning_points(edges(swing, 12.3)), GEOMETRY)
    assert free_swings(turning_points(edges(turned_back(swing, 10), 12.3)), GEOMETRY) == []
    assert estimate(free[:9], GEOMETRY) is not None
    assert estimate(free[:9][::-1], GEOMETRY) is None


def test_a_swing_that_is_quicker_one_way_is_no_swing() -> None:
    """Places and pull as in a swing; the hand drives 4 % quicker up and slower down."""
    now, legs = 0.0, []
    for t, x in SWING.stretches:
        share = 0.96 if x[-1] > x[0] else 1.04
        legs.append((now + (t - t[0]) * share, x))
        now = float(legs[-1][0][-1])
    assert free_swings(turning_points(edges(Motion(tuple(legs)), 12.3)), GEOMETRY) == []


def test_a_swing_slower_than_a_magnet_s_is_no_swing() -> None:
    slow = Motion(tuple((8 * t, x) for t, x in SWING.stretches))
    assert free_swings(turning_points(edges(slow, 12.3)), GEOMETRY) == []


def test_legs_of_even_speed_between_the_places_of_a_swing_are_no_swing() -> None:
    """Places and times of a swing; but the hand turns round in 15 % of a leg's time and runs evenly in between."""
    places = modelled(np.array((0.0, 5.0, 0.93, 0.03)), 12)
    half, share = 0.09, 0.15

    def there(t: Floats) -> Floats:
        k = np.minimum((t / half).astype(int), len(places) - 2)
        s = t / half - k
        begin, end = s**2 / (2 * share), 1 - share - (1 - s) ** 2 / (2 * share)
        done = np.where(s < share, begin, np.where(s > 1 - share, end, s - share / 2)) / (1 - share)
        return np.asarray(places[k] + (places[k + 1] - places[k]) * done)

    assert free_swings(turning_points(edges(led(there, half * 11), 12.3)), GEOMETRY) == []


def test_a_hand_that_swings_up_is_no_swing() -> None:
    growing = led(lambda t: np.exp(1.5 * t) * np.sin(OMEGA * t), 1.0)
    assert estimates(edges(growing, 12.3)) == []


def test_a_hand_that_carries_the_rotor_along_is_no_swing() -> None:
    """Dying wags about a place that wanders off."""
    carried = led(lambda t: 5.0 * np.exp(-2 * t) * np.cos(30 * t) + 3.0 * np.sin(2.0 * t), 1.2)
    assert estimates(edges(carried, 12.3)) == []


# --- several swings, and neutral -------------------------------------------------------------------------------------


def swing_at(centre_deg: float, u_deg: float = 0.001, freedom: float = 4.0, side: int = 1) -> SwingEstimate:
    return SwingEstimate(centre_deg, u_deg, freedom, Method.FITTED, 8, 2.5, 0.15, 0.9, 0.002, 0.089, side)


def test_swings_that_agree_are_averaged() -> None:
    both = combine([swing_at(1.0, side=1), swing_at(1.0005, side=-1)])
    assert both is not None
    assert both.angle_deg == pytest.approx(1.00025)
    assert both.u_deg == pytest.approx(0.001 / math.sqrt(2))
    assert both.freedom == pytest.approx(8)
    assert both.band_deg == pytest.approx(0.3)
    assert (both.from_below, both.from_above) == (1, 1)
    assert combine([]) is None


def test_swings_that_scatter_say_so() -> None:
    places = [1.00, 1.02, 0.99, 1.03]
    found = combine([swing_at(p) for p in places])
    assert found is not None
    # Equal weights: standard error of the mean.
    assert found.u_deg == pytest.approx(float(stats.sem(places)))
    assert found.freedom == 3


@pytest.mark.parametrize(
    ("off", "about"), [(0.3, About.NEUTRAL), (90.2, About.NEUTRAL), (45.1, About.REGISTER), (-44.9, About.REGISTER)]
)
def test_what_a_rotor_swings_about(off: float, about: About) -> None:
    assert about_of(700 + off, 700, 4) is about


def spacing_terms(terms: tuple[object, ...]) -> int:
    return sum("pole spacing" in str(t) for t in terms)


def test_neutral_near_the_presses_needs_no_pole_spacing() -> None:
    found = neutral_from([swing_at(100.1), swing_at(190.4)], About.NEUTRAL, 100.0, 4, PRIORS)
    assert found is not None
    assert found.angle_deg == pytest.approx(100.1)
    assert spacing_terms(found.terms) == 0


def test_swings_at_another_neutral_carry_the_pole_spacing() -> None:
    found = neutral_from([swing_at(190.4)], About.NEUTRAL, 100.0, 4, PRIORS)
    assert found is not None
    assert found.angle_deg == pytest.approx(100.4)
    assert spacing_terms(found.terms) == 1
    assert found.standard_uncertainty_deg > 0.25 / math.sqrt(3)
    assert neutral_from([], About.NEUTRAL, 100.0, 4, PRIORS) is None


@pytest.mark.parametrize("register", [145.3, 55.3])
def test_about_register_neutral_is_half_a_spacing_away(register: float) -> None:
    # Four poles: neutral 45° from full register (FAA-H-8083-32, magneto chapter).
    found = neutral_from([swing_at(register)], About.REGISTER, 100.0, 4, PRIORS)
    assert found is not None
    assert found.angle_deg == pytest.approx(100.3)
    (spacing,) = [t for t in found.terms if "pole spacing" in t.source]
    assert spacing.standard_uncertainty == pytest.approx(0.25 / math.sqrt(3))


# --- whole simulated jobs --------------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True)
class Session:
    """What the board told of a simulated job until the hand had finished."""

    world: World
    points: tuple[TurningPoint, ...]
    geometry: Geometry
    #: The board's count at reset, less the disc's.
    origin: int

    @property
    def swings(self) -> list[SwingEstimate]:
        found = [estimate(s, self.geometry) for s in free_swings(self.points, self.geometry)]
        return [f for f in found if f is not None]


def session(scenario: Scenario, seed: int) -> Session:
    world, sender, stream = World(scenario, seed), Sender(), SessionStream()
    ticks, collector, phases = TickUnwrapper(), TurningPoints(), PhaseTable()
    handshake = Handshake(sender)
    origin = world._encoder.count % 4 - world._encoder.count
    world.boot()
    world.receive(handshake.question())
    data = world.advance(0.1)
    handshake.feed(data)
    hello = handshake.greeting
    assert hello is not None
    stream.received(data)
    start = sender.start(hello.session)
    stream.sent(start)
    world.receive(start)
    while not world.hand_done:
        for item in stream.received(world.advance(0.25)):
            if isinstance(item, Frame) and isinstance(item.message, Edges):
                message = item.message
                at, boundaries, _ = edges_of(ticks.unwrap(message.tick), message.count, message.steps)
                collector.feed(at, boundaries, np.where(np.array(message.steps) & 0x8000, -1, 1))
                phases.learn(at, boundaries)
    sense = 1 if scenario.encoder.sense == scenario.unit.rotation else -1
    geometry = Geometry(4 * scenario.encoder.lines, TICK_HZ, sense, scenario.unit.poles, phases.offsets())
    return Session(world, collector.points, geometry, origin)


def on_the_disc(job: Session, angle_deg: float) -> float:
    """An angle of the unit as the board's counts tell it, degrees in the running direction, phase 0 being the anchor."""
    encoder = job.world._encoder
    counts = encoder.reading(angle_deg) - encoder.disc.phase_offsets[0] + job.origin
    return counts * job.geometry.sense * job.geometry.count_deg


def scenario(name: str = "plain-single", equilibrium: str = "neutral") -> Scenario:
    """Releases and a turn for the phases; a whole job's presses and turns are not needed here."""
    base = scenarios.load(name)
    unit = base.unit.model_copy(update={"equilibrium": equilibrium})
    hand = base.hand.model_copy(update={"turns": 0.5, "turns_first": 0, "presses_per_side": 1})
    return base.model_copy(update={"unit": unit, "hand": hand})


@pytest.mark.parametrize("name", ["plain-single", "dual"])
def test_simulated_releases_tell_the_true_balance(name: str) -> None:
    """Cam torque and unequal friction shift every method alike, so the truth here is balance with both."""
    ratios = []
    for seed in range(20 if name == "plain-single" else 5):
        job = session(scenario(name), seed)
        poles, body, truth = job.geometry.poles, job.world.rotor.body, job.world.truth()
        friction = math.degrees(body.coulomb_nm / (poles * body.detent_peak_nm))
        assert truth["neutrals"][0]["deg"] == 0.0  # type: ignore[index]
        cam = math.degrees(truth["draws"]["unit.cam_torque_fraction"]) / poles  # type: ignore[index]
        true = on_the_disc(job, cam - friction * body.coulomb_asymmetry)
        found = job.swings
        assert len(found) == 4
        assert [s.side for s in found] == [-1, 1, -1, 1]
        assert all(s.friction_deg == pytest.approx(friction, abs=3e-3) for s in found)
        assert about_of(found[0].centre_deg, true, poles) is About.NEUTRAL
        neutral = neutral_from(found, About.NEUTRAL, true, poles, PRIORS)
        assert neutral is not None
        assert neutral.standard_uncertainty_deg < 0.003
        ratios.append((neutral.angle_deg - true) / neutral.standard_uncertainty_deg)
    # Terms are mostly rectangular: beyond two standard uncertainties hardly ever.
    assert sum(abs(r) > 2 for r in ratios) <= 1
    assert 0.3 < float(np.sqrt(np.mean(np.square(ratios)))) < 1.3


def test_presses_and_turns_of_a_whole_job_are_no_swing() -> None:
    base = scenarios.load("jerky-hand")
    hand = base.hand.model_copy(update={"releases_per_side": 0})
    for seed in range(3):
        job = session(base.model_copy(update={"hand": hand}), seed)
        assert len(job.points) > 5
        assert job.swings == []


def test_simulated_swing_about_register_tells_neutral_within_its_spacing() -> None:
    for seed in range(4):
        job = session(scenario(equilibrium="register"), seed)
        true = on_the_disc(job, 0.0)
        found = job.swings
        assert len(found) == 4
        assert about_of(found[0].centre_deg, true, 4) is About.REGISTER
        neutral = neutral_from(found, About.REGISTER, true, 4, PRIORS)
        assert neutral is not None
        assert spacing_terms(neutral.terms) == 1
        # Bounds: half of the pole spacing's 0.25° (register is the middle there), cam 0.143°, friction 0.024°.
        assert abs(neutral.angle_deg - true) < 0.30
