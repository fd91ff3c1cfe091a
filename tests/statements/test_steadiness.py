"""Statements about what the index cannot show: passes that drift from turn to turn, and a disc that errs over the turn."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from bench.evaluation import evaluate
from bench.result import ResultDocument, document
from bench.run import Run
from bench.steadiness import DRIFT
from tests.support.scripted import MARKING, Script, job, measure, turning

#: The scripted rotor reads so much more, so that no rest lies on a boundary.
READS_MORE = 0.01234
#: Four lobes that open 10° past their neutrals and close 55° past them.
ROUND = tuple((90.0 * k + 10.0, 90.0 * k + 55.0) for k in range(4))
OFF_CENTRE = "encoder off-centre"


def found(run: Run) -> ResultDocument:
    assert run.failure is None
    return document(run, "x")


def codes(run: Run) -> list[str]:
    assert run.failure is None
    return [code for code, _ in evaluate(run).notes]


def covered(run: Run, true_deg: float = 10.0) -> list[bool]:
    """Per opening: does its interval hold the true angle? The turn and a half of the read-out is allowed for."""
    return [
        abs(o.angle_deg - true_deg) <= o.expanded_uncertainty_deg + READS_MORE
        for b in found(run).breakers
        for o in b.openings
        if o.angle_deg is not None and o.expanded_uncertainty_deg is not None
    ]


def sources(run: Run) -> set[str]:
    return {row.source for o in found(run).breakers[0].openings for row in o.budget}


# --- drift -----------------------------------------------------------------------------------------------------------


def slipping(per_turn_deg: float, turns: int = 6, **changes: Any) -> Script:
    """In every turn everything is read later by so much more, from the turn on in which neutral was marked."""
    wild = tuple((turn, per_turn_deg * turn) for turn in range(1, turns + 1))
    return replace(turning(turns + 0.5), wild=wild, **changes)


@pytest.mark.parametrize("per_turn_deg", [-0.3, 0.3, -0.1])
def test_passes_that_drift_are_noted_and_their_interval_covers_the_whole_drift(per_turn_deg: float) -> None:
    run = measure(slipping(per_turn_deg))
    assert "angles-drift" in codes(run)
    assert covered(run) == [True, True]
    assert f"main {per_turn_deg:+.3f}°" in next(text for code, text in evaluate(run).notes if code == "angles-drift")
    # Lobe 0 is passed last 10° into the sixth turn after neutral, lobe 1 in the middle of the fifth.
    bounds = [0.95 * math.sqrt(3) * t.standard_uncertainty for t in drift_terms(run)]
    assert bounds == pytest.approx([6 * abs(per_turn_deg), 5 * abs(per_turn_deg)], rel=0.02)


def drift_terms(run: Run) -> list[Any]:
    openings = [o for b in evaluate(run).breakers for o in b.openings if o.angle is not None]
    return [t for o in openings if o.angle for t in o.angle.budget.terms if t.source == DRIFT]


@pytest.mark.parametrize("rule", ["guarded", "risk", "simple"])
@pytest.mark.parametrize("opens_at_deg", [10.0, 40.0])
def test_no_verdict_rests_on_what_drifts_whatever_the_rule(rule: str, opens_at_deg: float) -> None:
    run = measure(slipping(-0.3), tables=job(opens_at_deg=opens_at_deg), bench={"decision": {"rule": rule}})
    assert [o.verdict for o in found(run).breakers[0].openings] == ["undecided", "undecided"]
    assert found(run).exit_status() == 3


def test_passes_that_hold_still_are_not_noted() -> None:
    run = measure(turning(6.5))
    assert codes(run) == []
    assert sources(run) & {DRIFT} == set()


def test_a_drift_that_is_small_beside_the_uncertainty_is_not_worth_a_word() -> None:
    # Significant beyond doubt, since the script does not scatter; 0.04° over all turns, a few hundredths of the count below.
    assert codes(measure(slipping(-0.006))) == []


def test_without_limits_the_drift_is_noted_as_well() -> None:
    tables = job()
    for key in ("opens_at_deg", "minus_deg", "plus_deg"):
        del tables["breaker"][0][key]
    run = measure(slipping(-0.3), tables=tables)
    assert "angles-drift" in codes(run)
    assert [o.verdict for o in found(run).breakers[0].openings] == ["none", "none"]


def test_slow_turns_before_fast_ones_are_not_a_drift() -> None:
    # The scripted contact has no delay at all, the bench file allows from 0 to 3.2 ms: what is taken off grows with the speed.
    path = [*MARKING]
    for speed in (30, 30, 30, 60, 100, 150, 150, 150):
        t, a = path[-1]
        path.append((t + 360 / speed, a + 360))
    bench = {"probe": {"ohm": 10_000.0, "threshold": [0.3, 0.6], "unstated_capacitor_uf": 0.35}}
    tables = job()
    del tables["breaker"][0]["capacitor_uf"]
    run = measure(Script(tuple(path)), tables=tables, bench=bench, passes=6)
    assert "angles-drift" not in codes(run)


def test_a_drift_of_both_breakers_costs_their_distance_no_more_than_a_turn_of_it() -> None:
    tables = job(breakers=2)
    tables["difference"] = [{"between": ["main", "second1"], "deg": 0.0, "minus_deg": 5.0, "plus_deg": 5.0}]
    ranges = ((10.0, 80.0), (190.0, 260.0))
    run = measure(slipping(-0.3, open_over=(ranges, ranges)), tables=tables)
    for difference in evaluate(run).differences:
        (term,) = [t for t in difference.angle.budget.terms if t.source == DRIFT]
        assert math.sqrt(3) * term.standard_uncertainty * 0.95 == pytest.approx(0.3, rel=0.02)
        assert difference.verdict == "undecided"


# --- roundness -------------------------------------------------------------------------------------------------------


def read_off_centre(amplitude_deg: float, crest_deg: float) -> tuple[tuple[float, float], ...]:
    """Where the lobes are read to open and close by a disc that errs by A·sin(ψ - φ), counted from neutral at 0°."""

    def read(place_deg: float) -> float:
        at = [math.radians(p - crest_deg) for p in (place_deg, 0.0)]
        return place_deg + amplitude_deg * (math.sin(at[0]) - math.sin(at[1]))

    return tuple((read(start), read(end)) for start, end in ROUND)


def off_centre(amplitude_deg: float, crest_deg: float, **bench: Any) -> Run:
    script = replace(turning(6.5), open_over=(read_off_centre(amplitude_deg, crest_deg),))
    return measure(script, tables=job(poles=4), bench=bench)


@pytest.mark.parametrize("crest_deg", range(0, 360, 45))
def test_a_disc_more_off_centre_than_stated_is_noted_and_the_intervals_cover_it(crest_deg: float) -> None:
    run = off_centre(0.8, crest_deg)
    assert "lobes-uneven" in codes(run)
    assert covered(run) == [True] * 4
    (term,) = [t for t in opened(run, 2) if t.source == OFF_CENTRE]
    # Half a turn and 10° from neutral: 2·sin(Δ/2) times the amplitude, and what its uncertainty adds.
    assert term.sensitivity == pytest.approx(2 * math.sin(math.radians(95)), abs=0.01)
    assert 0.8 <= math.sqrt(2) * term.standard_uncertainty <= 1.0


def opened(run: Run, lobe: int) -> tuple[Any, ...]:
    angle = evaluate(run).breakers[0].openings[lobe].angle
    assert angle is not None
    return angle.budget.terms


def test_the_note_tells_the_amplitude_and_what_is_stated() -> None:
    text = next(text for code, text in evaluate(off_centre(0.8, 30.0)).notes if code == "lobes-uneven")
    # Stated: 20 µm on 20 mm are 0.0573° (geometry).
    assert text.startswith(
        "main: the lobes differ over the turn as if the encoder's disc erred by ±0.80°, where ±0.06° is stated"
    )


def test_a_disc_as_far_off_centre_as_is_stated_is_not_noted() -> None:
    # 300 µm on 20 mm are 0.859° (geometry).
    run = off_centre(0.8, 30.0, mounting={"eccentricity_um": 300.0})
    assert codes(run) == []
    (term,) = [t for t in opened(run, 2) if t.source == OFF_CENTRE]
    assert math.sqrt(2) * term.standard_uncertainty == pytest.approx(0.8594, abs=1e-4)


def test_a_round_disc_is_not_noted() -> None:
    assert codes(off_centre(0.0, 0.0)) == []


@pytest.mark.parametrize("off_deg", [(0.0, 0.25, 0.0, -0.25), (0.0, 0.1, -0.25, -0.2), (0.0, -0.25, 0.25, 0.25)])
@pytest.mark.parametrize("cut_deg", [(0.1, -0.1, 0.1, -0.1), (0.1, 0.1, -0.1, -0.1), (-0.1, 0.0, 0.1, 0.0)])
def test_lobes_off_by_no_more_than_poles_and_cam_may_are_not_noted(
    off_deg: tuple[float, ...], cut_deg: tuple[float, ...]
) -> None:
    # What is set by the poles moves an opening and the closing before it alike; the cam's own error moves openings alone here.
    ranges = tuple(
        (start + off_deg[k] + cut_deg[k], end + off_deg[(k + 1) % 4]) for k, (start, end) in enumerate(ROUND)
    )
    assert codes(measure(replace(turning(6.5), open_over=(ranges,)), tables=job(poles=4))) == []


@pytest.mark.parametrize("crest_deg", [0.0, 60.0, 120.0])
def test_two_lobes_show_it_by_their_openings_and_dwells(crest_deg: float) -> None:
    def read(place_deg: float) -> float:
        at = [math.radians(p - crest_deg) for p in (place_deg, 0.0)]
        return place_deg + 1.2 * (math.sin(at[0]) - math.sin(at[1]))

    ranges = tuple((read(start), read(end)) for start, end in ((10.0, 80.0), (190.0, 260.0)))
    run = measure(replace(turning(6.5), open_over=(ranges,)))
    assert "lobes-uneven" in codes(run)
    assert covered(run) == [True, True]


def test_one_lobe_of_two_that_is_off_by_degrees_leaves_the_other_undecided() -> None:
    # Two lobes cannot tell a disc off-centre from one lobe cut wrong; 5° late is outside whichever it is.
    run = measure(replace(turning(6.5), open_over=(((15.0, 80.0), (190.0, 260.0)),)))
    assert "lobes-uneven" in codes(run)
    assert [o.verdict for o in found(run).breakers[0].openings] == ["outside", "undecided"]


def test_a_map_that_does_not_fit_shows_in_the_lobes() -> None:
    from tests.statements.test_mapped import a_map, measured

    # The map takes 0.5° off a disc that does not err: as if the encoder had been clamped anew since.
    run = measured(a_map(), turning(7.5))
    assert "lobes-uneven" in codes(run)
    assert {OFF_CENTRE, "encoder map, its readings"} <= sources(run)
