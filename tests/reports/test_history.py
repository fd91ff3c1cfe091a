"""A unit's history: what was found and left at each visit, over hours or date, and its drift in service."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree

import pytest

from bench.records.model import Amendment, Check, Stored
from bench.reports import pictures
from bench.reports.drawn import PassesPicture, RingPicture
from bench.reports.figure_sections import drawn_breaker
from bench.reports.history import History, Trend, history
from bench.reports.history_pictures import MOST_PANELS, history_svg
from tests.reports.support import AT, breaker, opening, stored
from tests.reports.test_page import Structure
from tui.history import drift_words

LIMITS = {"target_deg": 10.0, "lower_limit_deg": 8.0, "upper_limit_deg": 12.0}


def visit(number: int, left: float, found: float | None = None, **changes: Any) -> Stored:
    """A record with one lobe: as left and, if measured, as found; u = 0.1°."""
    result: dict[str, Any] = {"breakers": [breaker("main", opening(angle_deg=left, dwell_deg=40.0 + number, **LIMITS))]}
    if found is not None:
        result["as_found"] = {
            "neutrals": [],
            "differences": [],
            "breakers": [breaker("main", opening(angle_deg=found, **LIMITS))],
        }
    return stored(number, result, **{"began_at": f"2026-0{number}-01T10:00:00+01:00", **changes})


def trend(found: History, kind: str = "angle") -> Trend:
    return next(t for t in found.trends if t.kind == kind)


def test_as_found_and_as_left_stand_side_by_side_over_service_hours() -> None:
    told = history(
        "SIM-0001", [visit(2, 10.0, 9.0, service_hours=600.0), visit(1, 10.1, service_hours=100.0)], None, False
    )
    angle = trend(told)
    assert told.over == "hours"
    assert [v.at for v in angle.visits] == [100.0, 600.0]
    assert [v.found.value if v.found else None for v in angle.visits] == [None, 9.0]
    assert [v.left.value for v in angle.visits if v.left] == [10.1, 10.0]
    assert (angle.target, angle.lower_limit, angle.upper_limit) == (10.0, 8.0, 12.0)


def test_drift_in_service_is_what_was_found_less_what_was_left_before() -> None:
    # Left 10.1 at 100 h, found 9.1 at 600 h: -1.0° in 500 h, -0.2° per 100 h, whatever was adjusted at either visit.
    told = history(
        "SIM-0001", [visit(1, 10.1, service_hours=100.0), visit(2, 10.3, 9.1, service_hours=600.0)], None, False
    )
    drift = trend(told).drift
    assert drift.method == "in service"
    assert drift.rate == pytest.approx(-0.2)
    # u = √2 · 0.1° over five hundreds of hours, k = 1.96.
    assert drift.expanded_uncertainty == pytest.approx(1.96 * 2**0.5 * 0.1 / 5, rel=1e-3)
    assert drift.told
    assert "−0.200 ± 0.055° per 100 h" in drift_words(trend(told), "hours")


def test_without_as_found_adjusting_would_count_and_that_is_said() -> None:
    told = history("SIM-0001", [visit(n, 10.0 - n, service_hours=n * 100.0) for n in (1, 2, 3, 4)], None, False)
    assert trend(told).drift.method == "line"
    assert trend(told).drift.rate == pytest.approx(-1.0)
    assert "adjusting counts as drift" in drift_words(trend(told), "hours")


def test_over_date_a_drift_is_per_year() -> None:
    # 2026-01-01 to 2026-03-01 are 59 days.
    told = history("SIM-0001", [visit(1, 10.0), visit(3, 10.0, 9.0)], None, False)
    assert told.over == "date"
    assert trend(told).drift.rate == pytest.approx(-1.0 / 59 * 365.25)
    assert "per year" in drift_words(trend(told), "date")


def test_over_hours_a_record_without_hours_is_left_out_and_counted() -> None:
    told = history("SIM-0001", [visit(1, 10.0, service_hours=5.0), visit(2, 10.0)], "hours", False)
    assert (told.records, told.left_out) == (1, 1)


def test_rehearsals_are_left_out_unless_there_is_nothing_else_or_they_are_asked_for() -> None:
    real, rehearsal = visit(1, 10.0), visit(2, 11.0)
    rehearsal.record.result["simulated"] = True
    assert history("SIM-0001", [real, rehearsal], None, False).records == 1
    assert history("SIM-0001", [real, rehearsal], None, True).records == 2
    assert history("SIM-0001", [rehearsal], None, False).records == 1


def test_amended_hours_are_used() -> None:
    one = visit(1, 10.0, service_hours=100.0)
    amendment = Amendment("A", one.record.id, one.hash, "B. Clerk", AT, "typing error", (("service_hours", "150"),))
    told = history(
        "SIM-0001", [Stored(one.record, 1, one.hash, (amendment,)), visit(2, 10.0, service_hours=300.0)], None, False
    )
    assert [v.at for v in trend(told).visits] == [150.0, 300.0]


def test_dwell_and_checks_have_trends_of_their_own() -> None:
    checks = [(Check("primary resistance", 0.8 + n / 10, "Ω", 0.5, 1.5),) for n in (1, 2, 3, 4)]
    visits = [visit(n, 10.0, service_hours=n * 100.0, checks=c) for n, c in enumerate(checks, 1)]
    told = history("SIM-0001", visits, None, False)
    assert trend(told, "dwell").drift.rate == pytest.approx(1.0)
    resistance = trend(told, "check")
    assert (resistance.name, resistance.unit, resistance.upper_limit) == ("primary resistance", "Ω", 1.5)
    assert resistance.drift.rate == pytest.approx(0.1)


def test_the_resistance_of_the_points_comes_with_its_uncertainty() -> None:
    measured = {
        "measurable": True,
        "ohm": 0.05,
        "standard_uncertainty_ohm": 0.01,
        "expanded_uncertainty_ohm": 0.02,
        "coverage_factor": 2.0,
    }
    one = {**breaker("main"), "contact_resistance": {**measured, "budget": []}}
    told = history("SIM-0001", [stored(1, {"breakers": [one]})], None, False)
    left = trend(told, "resistance").visits[0].left
    assert left is not None
    assert (left.value, left.u, left.expanded, trend(told, "resistance").unit) == (0.05, 0.01, 0.02, "Ω")


def test_lobes_of_a_compensated_cam_are_compared_less_their_offsets() -> None:
    lobes = [
        opening(
            n,
            angle_deg=10.0 + off,
            offset_deg=off,
            target_deg=10.0 + off,
            lower_limit_deg=9.0 + off,
            upper_limit_deg=11.0 + off,
        )
        for n, off in enumerate((0.0, 0.8, -0.6))
    ]
    told = history("SIM-0001", [stored(1, {"breakers": [breaker("main", *lobes)]})], None, False)
    left = trend(told).visits[0].left
    assert left is not None
    assert (left.value, left.least, left.greatest) == pytest.approx((10.0, 10.0, 10.0))
    assert trend(told).target == pytest.approx(10.0)


def test_the_picture_shows_every_figure_and_takes_names_for_names(tmp_path: Any) -> None:
    name = "<script>$x^2$ & co"
    result = {"breakers": [breaker(name, opening(**LIMITS, dwell_deg=40.0))]}
    told = history(
        "SIM-0001", [stored(1, result, service_hours=1.0), stored(2, result, service_hours=2.0)], None, False
    )
    path = tmp_path / "history.svg"
    path.write_bytes(history_svg([told]))
    assert not Structure(path).of("script")
    text = path.read_text("utf-8")
    assert "$x^2$ &amp; co, dwell" in text
    assert history_svg([told]) == path.read_bytes()


def test_a_name_with_signs_that_no_picture_may_hold_is_drawn_without_them() -> None:
    # XML 1.0, 2.2: most control characters may not occur in a document at all.
    result = {"breakers": [breaker("ma\x1b[2Jin\x00", opening(**LIMITS))]}
    told = history("SIM\x07", [stored(1, result)], None, False)
    ElementTree.fromstring(history_svg([told]))
    row = stored(1, result).record.document.breakers[0]
    drawn = drawn_breaker(row.model_copy(update={"from_": row.name}))
    svgs = pictures.draw({"ring": RingPicture(drawn, 90.0, True), "passes": PassesPicture(drawn, (), None, ())})
    assert len(svgs) == 2
    for svg in svgs.values():
        ElementTree.fromstring(svg)


def test_a_picture_of_too_many_figures_is_refused() -> None:
    from bench.errors import UsageError

    told = history("SIM-0001", [visit(1, 10.0)], None, False)
    with pytest.raises(UsageError, match=f"1 to {MOST_PANELS}"):
        history_svg([told] * MOST_PANELS)
