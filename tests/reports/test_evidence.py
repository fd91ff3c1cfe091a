"""What the pictures show is what was measured: every pass, and the edges around one opening."""

from __future__ import annotations

import itertools
import statistics
from pathlib import Path

import pytest

from bench.replay import replay
from bench.reports import evidence, pictures
from bench.reports.drawn import CloseUp, DrawnBreaker, PassesPicture, RingPicture
from bench.reports.evidence import Evidence
from bench.reports.figure_sections import drawn_breaker
from bench.result import BreakerRow
from tests.reports.support import Kept, breaker, keep, opening, stored

#: The unit with dirty points turns clockwise, and the rehearsal bench's count rises clockwise.
CHATTERING_SENSE = 1


@pytest.fixture(scope="session")
def seen(kept: Kept) -> Evidence:
    return evidence.gather(kept.journal, replay(kept.journal).run, kept.record.document)


@pytest.fixture(scope="session")
def chattering(tmp_path_factory: pytest.TempPathFactory) -> CloseUp:
    dirty = keep(tmp_path_factory.mktemp("dirty"), "dirty-points")
    run = replay(dirty.journal).run
    found = evidence.gather(dirty.journal, run, dirty.record.document).close_up
    assert found is not None
    # This bench's count falls or rises as the rotor runs on; the test below needs to know which.
    assert run.sense == CHATTERING_SENSE
    return found


def test_every_pass_is_shown_where_the_result_puts_it(kept: Kept, seen: Evidence) -> None:
    looked_at = 0
    for row in kept.record.document.breakers:
        for one in row.openings:
            angles = [p.angle_deg for p in seen.left[row.name] if p.lobe == one.lobe]
            assert len(angles) == one.passes_used
            assert statistics.stdev(angles) == pytest.approx(one.spread_deg, abs=2e-6)
            # A line over speed may move the stated angle off the mean, never beyond its uncertainty.
            assert statistics.mean(angles) == pytest.approx(one.angle_deg, abs=2e-6) or abs(
                statistics.mean(angles) - (one.angle_deg or 0.0)
            ) < (one.expanded_uncertainty_deg or 0.0)
            looked_at += 1
    assert looked_at == 8


def test_the_encoder_edges_around_an_opening_are_a_counts_time_apart(chattering: CloseUp) -> None:
    count_s = chattering.count_deg / chattering.speed_deg_s
    near = [edge for edge in chattering.encoder if abs(edge[0]) < 4 * count_s]
    assert len(near) >= 6
    steps = [after[1] - before[1] for before, after in itertools.pairwise(near)]
    assert set(steps) == {CHATTERING_SENSE}
    # Phases of an encoder are not exactly alike: a quarter of a count either way, and the hand does not hold its speed.
    assert all(0.5 < (after[0] - before[0]) / count_s < 1.5 for before, after in itertools.pairwise(near))


def test_bounce_is_shown_from_the_first_departure_to_open_for_good(chattering: CloseUp) -> None:
    times = [time_s for time_s, _ in chattering.contact]
    states = [is_open for _, is_open in chattering.contact]
    assert len(times) > 1
    assert times[0] == 0.0
    assert times == sorted(times)
    assert times[-1] == pytest.approx(chattering.bounce_s)
    assert states == [number % 2 == 0 for number in range(len(states))]
    assert states[-1] is True
    assert chattering.settled_s >= chattering.bounce_s


def _row(**figures: object) -> BreakerRow:
    return stored(
        1, {"breakers": [breaker("main", *(opening(n, **{**figures, "angle_deg": 9.0 + n}) for n in range(4)))]}
    ).record.document.breakers[0]


def _drawn(**figures: object) -> DrawnBreaker:
    return drawn_breaker(_row(**figures))


def test_the_opening_that_is_looked_at_has_least_to_spare() -> None:
    # Angles 9, 10, 11, 12 between 8 and 12.5: to spare 1, 2, 1.5, 0.5.
    assert evidence.decisive(_row(target_deg=10.0, lower_limit_deg=8.0, upper_limit_deg=12.5)) == 3
    assert evidence.decisive(_row(target_deg=10.0, lower_limit_deg=8.8, upper_limit_deg=20.0)) == 0
    assert evidence.decisive(_row()) == 0


def test_the_ring_is_as_wide_as_needed_and_no_wider() -> None:
    # Off the target by -1, 0, 1, 2 with U = 0.2: 2.2 is needed, 5 is the next round figure.
    assert pictures.ring_scale_deg(_drawn(target_deg=10.0, lower_limit_deg=8.0, upper_limit_deg=12.0)) == 5.0
    # Without limits off their mean of 10.5 by at most 1.5, and 0.2: 2.
    assert pictures.ring_scale_deg(_drawn()) == 2.0


@pytest.mark.parametrize("clockwise", [True, False])
def test_lobes_follow_each_other_in_the_running_direction(clockwise: bool) -> None:
    around = pictures.Round(_drawn(), 90.0, clockwise)
    x, y = around.point(90.0, 1.0)
    assert (x, y) == (pytest.approx(1.0 if clockwise else -1.0), pytest.approx(0.0, abs=1e-12))
    # Outward is late.
    assert around.radius(1.0) > around.radius(0.0) > around.radius(-1.0)


def test_a_picture_names_no_network_and_no_file(chattering: CloseUp, tmp_path: Path) -> None:
    wanted = {
        "close-up": chattering,
        "ring": RingPicture(_drawn(), 90.0, True),
        "passes": PassesPicture(_drawn(), (), None, ()),
    }
    svgs = pictures.draw(wanted)
    assert svgs.keys() == wanted.keys()
    for svg in svgs.values():
        assert svg.startswith("<svg")
        assert "DOCTYPE" not in svg
        assert not [line for line in svg.splitlines() if "://" in line and "xmlns" not in line]
    assert list(tmp_path.iterdir()) == []
