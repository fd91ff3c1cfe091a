"""Terms that the evaluation takes from bench file and job, against closed forms."""

from __future__ import annotations

import math
from typing import Any

import pytest

from bench.evaluation import Evaluation, evaluate
from bench.uncertainty import Term
from tests.support.scripted import job, measure, turning

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
    from dataclasses import replace

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
