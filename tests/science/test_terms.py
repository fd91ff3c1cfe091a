"""Terms that the evaluation takes from bench file and job, against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from bench.evaluation import Evaluation, evaluate
from bench.uncertainty import Term
from tests.support.scripted import MARKING_PRESSES, Script, job, measure, turning

PROBE_10K = {"probe": {"ohm": 10_000.0, "threshold": [0.3, 0.6]}}


def evaluated(bench: dict[str, Any] | None = None, speed: float = 60.0, **changes: Any) -> Evaluation:
    run = measure(turning(6.5, speed), tables=job(**changes), bench=bench)
    assert run.failure is None
    return evaluate(run)


def term(evaluation: Evaluation, source: str, lobe: int = 0) -> Term:
    angle = evaluation.breakers[0].openings[lobe].angle
    assert angle is not None
    (found,) = [t for t in angle.budget.terms if t.source == source]
    return found


def test_a_capacitor_delays_the_edge_by_its_charging_time() -> None:
    # R·C·ln(1/(1-f)): 10 kΩ × 0.35 µF, f from 0.3 to 0.6: 0.36 to 0.92 RC (job's table and checks, circuit theory).
    rc = 10_000 * 0.35e-6
    late = evaluated(PROBE_10K, capacitor_uf=0.35).breakers[0].openings[0].angle
    prompt = evaluated(PROBE_10K, capacitor_uf=0.0).breakers[0].openings[0].angle
    assert late is not None
    assert prompt is not None
    middle = (0.3567 + 0.9163) / 2 * rc
    assert prompt.value_deg - late.value_deg == pytest.approx(60.0 * middle, rel=1e-3)
    delay = term(evaluated(PROBE_10K, capacitor_uf=0.35), "delay by capacitor")
    assert delay.standard_uncertainty == pytest.approx((0.9163 - 0.3567) / 2 * rc / math.sqrt(3), rel=1e-3)
    assert delay.sensitivity == pytest.approx(60.0, rel=0.01)


def test_delay_at_half_supply_is_the_figure_of_the_table() -> None:
    # 10 kΩ × 0.35 µF at f = 1/2: 2.43 ms, at 60°/s 0.146°.
    half = {"probe": {"ohm": 10_000.0, "threshold": [0.5, 0.5]}}
    late = evaluated(half, capacitor_uf=0.35).breakers[0].openings[0].angle
    prompt = evaluated(half, capacitor_uf=0.0).breakers[0].openings[0].angle
    assert late is not None
    assert prompt is not None
    assert prompt.value_deg - late.value_deg == pytest.approx(0.146, abs=0.001)
    assert (prompt.value_deg - late.value_deg) / 60 == pytest.approx(2.43e-3, abs=0.01e-3)


def test_an_unstated_capacitor_is_allowed_for_between_none_and_the_largest_usual() -> None:
    stated = term(evaluated(capacitor_uf=0.35), "delay by capacitor").standard_uncertainty
    unstated = term(evaluated(capacitor_uf=None), "delay by capacitor").standard_uncertainty
    # From nothing to 0.92 RC.
    assert unstated == pytest.approx(0.9163 * 1_000 * 0.35e-6 / 2 / math.sqrt(3), rel=1e-3)
    assert unstated > stated


@pytest.mark.parametrize(("opening", "peak"), [(10.0, 0.0100), (40.0, 0.0392)])
def test_an_encoder_off_centre_costs_what_geometry_says(opening: float, peak: float) -> None:
    # 2(e/r)·sin(Δ/2), 20 µm on 20 mm: 0.0100° over 10°, 0.0392° over 40°; 36.0″ over 10°.
    open_over = (((opening, 80.0), (180 + opening, 260.0)),)
    run = measure(replace(turning(6.5), open_over=open_over), tables=job(opens_at_deg=opening))
    off = term(evaluate(run), "encoder off-centre")
    assert off.contribution_deg * math.sqrt(2) == pytest.approx(peak, abs=5e-5)


def test_a_neutral_that_was_not_marked_costs_its_pole_spacing() -> None:
    evaluation = evaluated({"priors": {"pole_spacing_deg": 0.4}})
    spacing = term(evaluation, "pole spacing, neutral 1 not marked itself", lobe=1)
    assert spacing.contribution_deg == pytest.approx(0.4 / math.sqrt(3))
    first = evaluation.breakers[0].openings[0].angle
    assert first is not None
    assert not [t for t in first.budget.terms if t.source.startswith("pole spacing")]


def test_repeatability_has_one_degree_of_freedom_less_than_passes() -> None:
    evaluation = evaluated()
    passes = len(evaluation.breakers[0].openings[0].mean.passes)
    assert passes >= 5
    assert term(evaluation, "repeatability of passes").freedom == passes - 1


def test_half_the_hysteresis_lies_between_neutral_from_both_sides_and_an_opening() -> None:
    # Middle of two positions h apart against one of them: h/2 (geometry); 2,000 counts, 0.8 count.
    found = term(evaluated({"mounting": {"hysteresis_counts": 0.8}}), "encoder hysteresis")
    assert found.contribution_deg == pytest.approx(0.4 * 0.18 / math.sqrt(3))


def test_all_of_the_hysteresis_may_lie_between_a_mark_and_an_opening() -> None:
    path = ((0.0, -420.0), (0.5, -400.0), *((t + 1.0, a) for t, a in turning(6.5).path[1:]))
    run = measure(
        replace(turning(6.5), presses=(0.9, *(p + 1.0 for p in MARKING_PRESSES)), path=path),
        tables=job(**{"from": "mark", "opens_at_deg": 10.0}),
        bench={"mounting": {"hysteresis_counts": 0.8}},
    )
    assert run.failure is None
    assert term(evaluate(run), "encoder hysteresis").contribution_deg == pytest.approx(0.8 * 0.18 / math.sqrt(3))


def bouncing(returns_s: float) -> Script:
    """Points that part, meet again for a moment after 1 ms, and stay open `returns_s` after the first parting; at 60°/s."""
    off = 60.0 * returns_s
    gaps = tuple((a, a + 0.06) for a in (10.0, 190.0)) + tuple((a + off, a + 70.0) for a in (10.0, 190.0))
    return replace(turning(6.5), open_over=(tuple(sorted(gaps)),))


@pytest.mark.parametrize("capacitor", [0.2, None])
def test_bounce_that_a_capacitor_may_hide_is_a_quarter_of_what_is_seen(capacitor: float | None) -> None:
    run = measure(bouncing(0.0018), tables=job(capacitor_uf=capacitor))
    assert run.failure is None
    hidden = term(evaluate(run), "bounce hidden by capacitor")
    assert hidden.standard_uncertainty == pytest.approx(0.25 * 0.0018 / math.sqrt(3), rel=0.02)
    assert hidden.sensitivity == pytest.approx(60.0, rel=0.01)


def test_without_a_capacitor_no_bounce_is_hidden() -> None:
    angle = evaluate(measure(bouncing(0.0018), tables=job(capacitor_uf=0.0))).breakers[0].openings[0].angle
    assert angle is not None
    assert not [t for t in angle.budget.terms if t.source.startswith("bounce")]
