"""Encoder edges against the geometry that they come from."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from sim.encoder import Crossings, Disc, Encoder
from sim.mover import Track


def disc(**changes: object) -> Disc:
    figures: dict[str, object] = {
        "counts_per_turn": 10_000,
        "sense": 1,
        "start_counts": 0.3,
        "eccentricity": 0.0,
        "eccentricity_at_deg": 0.0,
        "phase_offsets": (0.0, 0.0, 0.0, 0.0),
        "hysteresis_counts": 0.0,
        "index_count": 0,
    }
    return Disc(**{**figures, **changes})  # type: ignore[arg-type]


def steady(start_deg: float, speed_deg_s: float, seconds: float, begin_s: float = 0.0) -> Track:
    time_s = begin_s + np.linspace(0.0, seconds, round(seconds * 1000) + 1)
    return Track(time_s, start_deg + speed_deg_s * (time_s - begin_s), np.full(len(time_s), speed_deg_s), moved=True)


def there_and_back(reach_deg: float) -> list[Crossings]:
    encoder = Encoder(disc(hysteresis_counts=0.4), 0.0)
    speed = 10.0
    return [
        encoder.run(steady(0.0, speed, reach_deg / speed)),
        encoder.run(steady(reach_deg, -speed, reach_deg / speed, reach_deg / speed)),
    ]


def test_a_turn_has_four_edges_a_line_and_one_index() -> None:
    found = Encoder(disc(), 0.0).run(steady(0.0, 100.0, 3.6))
    assert len(found.time_s) == 10_000
    assert int(found.index.sum()) == 1
    assert set(found.step.tolist()) == {1}


def test_edges_come_when_the_motion_passes_their_boundary() -> None:
    encoder = Encoder(disc(), 0.0)
    time_s = np.linspace(0.0, 1.0, 1001)
    # θ = 90·t²: speed up evenly; the Hermite curve is exact for it.
    found = encoder.run(Track(time_s, 90.0 * time_s**2, 180.0 * time_s, moved=True))
    boundary = found.count
    expected = np.sqrt((boundary - 0.3) * 360.0 / 10_000 / 90.0)
    assert np.abs(found.time_s - expected).max() < 1e-6


def test_the_signals_change_one_at_a_time() -> None:
    # Quadrature: place in the cycle 00, 10, 11, 01, so that each edge changes A or B but not both.
    offsets = (0.1, -0.1, 0.05, -0.08)
    found = Encoder(disc(phase_offsets=offsets), 0.0).run(steady(0.0, 50.0, 1.0))
    cycle = [(0, 0), (1, 0), (1, 1), (0, 1)]
    states = [cycle[c % 4] for c in [int(found.count[0]) - 1, *found.count.tolist()]]
    assert all((a[0] != b[0]) + (a[1] != b[1]) == 1 for a, b in itertools.pairwise(states))


def test_unequal_phases_displace_each_of_the_four_edges_by_its_own() -> None:
    offsets = (0.11, -0.07, 0.02, -0.1)
    found = Encoder(disc(phase_offsets=offsets), 0.0).run(steady(0.0, 36.0, 1.0))
    # 36 °/s are 1000 counts a second.
    displaced = 0.3 + 1000.0 * found.time_s - found.count
    for phase, offset in enumerate(offsets):
        assert displaced[found.count % 4 == phase] == pytest.approx(offset, abs=1e-6)


@pytest.mark.parametrize("apart_deg", [10.0, 40.0, 180.0])
def test_an_off_centre_disc_errs_by_2_e_over_r_sin_half_the_angle(apart_deg: float) -> None:
    # JOB.md: 20 µm on 20 mm is 0.010° at 10° and 0.039° at 40°.
    ratio = 20e-3 / 20.0
    worst = 0.0
    for begin in np.arange(0.0, 360.0, 1.0):
        encoder = Encoder(disc(eccentricity=ratio), 0.0)
        seen = (encoder.reading(begin + apart_deg) - encoder.reading(begin)) * 360.0 / 10_000
        worst = max(worst, abs(seen - apart_deg))
    assert worst == pytest.approx(math.degrees(2 * ratio * math.sin(math.radians(apart_deg / 2))), rel=1e-3)


def test_edges_of_an_off_centre_disc_lie_where_its_reading_says() -> None:
    encoder = Encoder(disc(eccentricity=1e-3, eccentricity_at_deg=70.0), 0.0)
    found = encoder.run(steady(0.0, 90.0, 4.0))
    readings = [encoder.reading(90.0 * t) for t in found.time_s.tolist()]
    assert readings == pytest.approx(found.count.tolist(), abs=1e-4)


def test_hysteresis_makes_edges_late_after_a_reversal() -> None:
    up, down = there_and_back(1.0)
    reach = 1.0 / 10.0
    # Seen at the same boundary, the way back is 0.4 counts late: 0.4·0.036°.
    for boundary in (5, 10, 20):
        there = 10.0 * float(up.time_s[up.count == boundary][0])
        back = 1.0 - 10.0 * (float(down.time_s[down.count == boundary - 1][0]) - reach)
        assert there - back == pytest.approx(0.4 * 0.036, abs=1e-4)


def test_going_back_gives_the_same_edges_in_reverse() -> None:
    up, down = there_and_back(1.0)
    assert down.step.tolist() == [-1] * len(down.step)
    passed_up = up.count.tolist()
    passed_down = (down.count + 1).tolist()
    assert passed_down == passed_up[::-1][: len(passed_down)]
    assert len(passed_up) - len(passed_down) <= 1


def test_the_index_has_the_same_count_from_both_sides() -> None:
    encoder = Encoder(disc(start_counts=9_990.5), 0.0)
    up = encoder.run(steady(0.0, 36.0, 0.05))
    down = encoder.run(steady(1.8, -36.0, 0.05, 0.05))
    assert up.count[up.index].tolist() == [10_000]
    assert down.count[down.index].tolist() == [10_000]


def test_against_its_sense_the_count_falls() -> None:
    found = Encoder(disc(sense=-1), 0.0).run(steady(0.0, 36.0, 0.1))
    assert set(found.step.tolist()) == {-1}


def test_chunks_give_the_same_edges_as_one_piece() -> None:
    figures = {"hysteresis_counts": 0.3, "phase_offsets": (0.1, -0.1, 0.0, 0.05), "eccentricity": 1e-3}
    whole = Encoder(disc(**figures), 0.0).run(steady(0.0, 80.0, 0.4))
    cut = Encoder(disc(**figures), 0.0)
    parts = [cut.run(steady(80.0 * n * 0.02, 80.0, 0.02, n * 0.02)) for n in range(20)]
    assert np.concatenate([p.count for p in parts]).tolist() == whole.count.tolist()
    assert np.concatenate([p.time_s for p in parts]) == pytest.approx(whole.time_s, abs=1e-9)
