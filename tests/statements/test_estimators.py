"""Statements about what is made of the passes: a wild one, several speeds, the shape of what is not known."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bench.evaluation import evaluate
from bench.result import document
from bench.run import Run
from tests.support.scripted import MARKING, Script, job, measure, turning

READS_MORE = 0.01234


def codes(run: Run) -> list[str]:
    return [c for c, _ in evaluate(run).notes]


def test_a_wild_pass_is_left_out_and_named() -> None:
    clean = measure(turning(7.5))
    run = measure(replace(turning(7.5), wild=((2, 0.9),)))
    assert run.failure is None
    found = document(run, "x").breakers[0].openings
    # Both lobes opened late in turn 2; in each the pass is taken out.
    assert [o.angle_deg for o in found] == pytest.approx([10.0 + READS_MORE] * 2, abs=0.003)
    taken = [o.passes_used for o in document(clean, "x").breakers[0].openings]
    assert [o.passes_used for o in found] == [taken[0] - 1, taken[1] - 1]
    notes = [n.text for n in document(run, "x").notes if n.code == "wild-pass"]
    assert [n.split(",")[0] for n in notes] == ["main lobe 0", "main lobe 1"]
    assert "pass 3 of" in notes[0]


def test_without_a_wild_pass_none_is_named() -> None:
    assert codes(measure(turning(7.5))) == []


def at_speeds(speeds: list[float]) -> Script:
    path = [*MARKING]
    for speed in speeds:
        t, a = path[-1]
        path.append((t + 360 / speed, a + 360))
    return Script(tuple(path))


def late_probe(capacitor: float, speeds: list[float]) -> Run:
    """A probe circuit whose delay is known only between bounds: 10 kΩ, threshold from 0.3 to 0.6."""
    bench = {"probe": {"ohm": 10_000.0, "threshold": [0.3, 0.6]}}
    return measure(at_speeds(speeds), tables=job(capacitor_uf=capacitor), bench=bench, passes=7)


def test_passes_at_several_speeds_replace_a_delay_that_is_not_well_known() -> None:
    # The scripted contact has no delay at all, although the bench file bounds it between 1.2 and 3.2 ms (circuit theory: 0.36 to 0.92 RC).
    run = late_probe(0.35, [30, 30, 30, 30, 150, 150, 150, 150, 150])
    assert run.failure is None
    lobe = evaluate(run).breakers[0].openings[0]
    assert lobe.mean.line is not None
    assert lobe.mean.line.delay_s == pytest.approx(0.0, abs=2e-5)
    assert lobe.mean.angle_deg == pytest.approx(10.0 + READS_MORE, abs=0.003)
    assert lobe.angle is not None
    sources = [t.source for t in lobe.angle.budget.terms]
    assert "zero-speed angle" in sources
    assert "delay by capacitor" not in sources


def test_passes_at_one_speed_carry_the_delay_as_a_bound_and_ask_for_others() -> None:
    run = late_probe(0.35, [60] * 8)
    lobe = evaluate(run).breakers[0].openings[0]
    assert lobe.mean.line is None
    assert lobe.angle is not None
    assert "delay by capacitor" in [t.source for t in lobe.angle.budget.terms]
    notes = dict(evaluate(run).notes)
    assert "three slow passes at about 24°/s more would tell it" in notes["more-speeds"]


def test_a_budget_ruled_by_a_bound_gets_its_interval_from_the_bounds_shape() -> None:
    # Two poles: the cam torque's rectangle of ±0.286° is nearly all. Its 95 % interval is 0.95 of the half-width (GUM G.1.3 with
    # 4.3.7), far less than 1.96 standard deviations (0.324°).
    angle = evaluate(measure(turning(7.5))).breakers[0].openings[0].angle
    assert angle is not None
    assert angle.budget.propagated_deg is not None
    assert 0.95 * 0.2865 < angle.budget.expanded_uncertainty_deg < 1.9 * angle.budget.standard_uncertainty_deg
    assert angle.budget.coverage_factor == pytest.approx(
        angle.budget.expanded_uncertainty_deg / angle.budget.standard_uncertainty_deg
    )
