"""Statements about two measurements of one unit: what is common cancels, what was made anew adds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bench.comparison import COMMON, INDEPENDENT, Comparison, adjustment, compare
from bench.comparison_document import document, in_words, parse_moved
from bench.errors import UsageError
from bench.evaluation import evaluate
from bench.run import Run
from bench.student import quantile
from tests.support.scripted import MARKING, Script, job, measure, turning

BASE = replace(turning(6.5), with_edges=False)
OPENS = ((10.0, 80.0), (190.0, 260.0))


def opened(by_deg: float, script: Script = BASE) -> Script:
    """The same unit with its points opening so much later."""
    return replace(script, open_over=(tuple((start + by_deg, end) for start, end in OPENS),))


def clamped(by_deg: float, script: Script) -> Script:
    """The rotor's angles all shifted on the disc: an encoder clamped otherwise."""
    path = tuple((t, a + by_deg) for t, a in script.path)
    return replace(script, path=path, open_over=(tuple((s + by_deg, e + by_deg) for s, e in script.open_over[0]),))


def marked_at_the_other_pole(script: Script) -> Script:
    """Neutral pressed half a turn further on; encoder and points as they are."""
    return replace(script, path=tuple((t, a + 180.0) for t, a in script.path))


def compared(before: Script, after: Script, tables: dict[str, Any] | None = None, **bench: Any) -> Comparison:
    runs = [measure(s, tables=tables, bench=bench) for s in (before, after)]
    assert [r.failure for r in runs] == [None, None]
    return compare(*runs)


def contribution(found: Comparison, source: str, lobe: int = 0) -> float:
    change = next(c for c in found.changes if c.lobe_before == lobe)
    return math.hypot(*(r.term.contribution_deg for r in change.rows if r.term.source.startswith(source)))


# --- the change -----------------------------------------------------------------------------------------------------


def test_points_moved_later_show_as_a_change_later() -> None:
    found = compared(opened(0.0), opened(0.8))
    assert [(c.lobe_before, c.lobe_after) for c in found.changes] == [(0, 0), (1, 1)]
    for change in found.changes:
        assert change.angle.value_deg == pytest.approx(0.8, abs=0.01)
        assert change.larger
        assert "it opens later" in change.text
    back = compared(opened(0.8), opened(0.0))
    assert back.changes[0].angle.value_deg == pytest.approx(-0.8, abs=0.01)
    assert "it opens earlier" in back.changes[0].text


def test_a_change_within_its_uncertainty_is_none() -> None:
    found = compared(opened(0.0), opened(0.02))
    assert 0.01 < found.changes[0].angle.value_deg < found.changes[0].angle.budget.expanded_uncertainty_deg
    assert not any(c.larger for c in found.changes)
    assert "no change can be told" in found.changes[0].text


def test_the_change_is_known_better_than_the_angles() -> None:
    before, after = measure(opened(0.0)), measure(opened(0.8))
    found = compare(before, after)
    angles = [evaluate(r).breakers[0].openings[0].angle for r in (before, after)]
    apart = math.hypot(*(a.budget.standard_uncertainty_deg for a in angles if a is not None))
    assert found.changes[0].angle.budget.standard_uncertainty_deg < 0.5 * apart


# --- what is common -------------------------------------------------------------------------------------------------


def test_the_cams_pull_cancels_and_presses_add() -> None:
    found = compared(opened(0.0), opened(0.8))
    assert contribution(found, "neutral, cam torque") == 0.0
    single = [t for t in measured_terms(opened(0.0)) if t[0] == "neutral, count"]
    assert contribution(found, "neutral, count") == pytest.approx(math.sqrt(2) * single[0][1])


def measured_terms(script: Script) -> list[tuple[str, float]]:
    angle = evaluate(measure(script)).breakers[0].openings[0].angle
    assert angle is not None
    return [(t.source, t.contribution_deg) for t in angle.budget.terms]


def test_followers_lifted_once_only_leave_the_cams_pull_in_the_change() -> None:
    t, a = MARKING[-1]
    path = (*MARKING, (t + 1, -5.0), (t + 43, a + 7 * 360), (t + 44, a + 7 * 360))
    lifted = measure(Script(path, lifted_until_s=t + 0.5, with_edges=False), followers_lifted=True)
    down = measure(opened(0.0))
    found = compare(lifted, down)
    assert found.changes[0].angle.value_deg == pytest.approx(0.0, abs=0.02)
    # 1 % of peak torque on two poles: 0.01/2 rad as a half-width (JOB.md, torque bias; JCGM 100:2008, 4.3.7).
    assert contribution(found, "neutral, cam torque") == pytest.approx(math.degrees(0.005) / math.sqrt(3))


def test_the_capacitors_delay_acts_with_the_difference_of_the_speeds() -> None:
    tables = job(capacitor_uf=None)
    slow = replace(turning(6.5, speed_deg_s=40.0), with_edges=False)
    found = compared(BASE, slow, tables, probe={"ohm": 10_000.0})
    # Unstated: 0 to RC·ln(1/(1-0.6)), half-width 1.60 ms; speeds 60 and 40°/s.
    half = 10_000.0 * 0.35e-6 * math.log(1 / 0.4) / 2
    assert contribution(found, "delay by capacitor") == pytest.approx(20.0 * half / math.sqrt(3), rel=0.01)
    alike = compared(BASE, opened(0.3), tables, probe={"ohm": 10_000.0})
    assert contribution(alike, "delay by capacitor") < 0.01 * contribution(found, "delay by capacitor")


def test_another_probe_circuit_makes_the_delays_independent() -> None:
    tables = job(capacitor_uf=None)
    before = measure(BASE, tables=tables, bench={"probe": {"ohm": 10_000.0}})
    after = measure(BASE, tables=tables, bench={"probe": {"ohm": 9_000.0}})
    half = [ohm * 0.35e-6 * math.log(1 / 0.4) / 2 for ohm in (10_000.0, 9_000.0)]
    found = contribution(compare(before, after), "delay by capacitor")
    assert found == pytest.approx(60.0 / math.sqrt(3) * math.hypot(*half), rel=0.01)


# --- clamping and poles ---------------------------------------------------------------------------------------------


def test_with_the_encoder_left_on_only_the_change_itself_is_seen_off_centre() -> None:
    found = compared(opened(0.0), opened(0.8))
    assert found.same_clamping is True
    # e/r = 20 µm on 20 mm, 2 sin(0.8°/2), arcsine (CHECKS.md, eccentric grating).
    assert contribution(found, "encoder off-centre") == pytest.approx(
        math.degrees(1e-3) / math.sqrt(2) * 2 * math.sin(math.radians(0.4)), rel=0.02
    )
    assert contribution(found, "encoder hysteresis") == 0.0
    assert contribution(found, "pole spacing", lobe=1) == 0.0


def test_an_encoder_clamped_anew_counts_in_full_both_times() -> None:
    found = compared(opened(0.0), clamped(37.0, opened(0.8)))
    assert found.same_clamping is False
    assert found.changes[0].angle.value_deg == pytest.approx(0.8, abs=0.02)
    each = [math.degrees(1e-3) / math.sqrt(2) * 2 * math.sin(math.radians(a / 2)) for a in (10.0, 10.8)]
    assert contribution(found, "encoder off-centre") == pytest.approx(math.hypot(*each), rel=0.01)
    assert contribution(found, "encoder hysteresis") > 0
    assert contribution(found, "pole spacing", lobe=1) == pytest.approx(0.25 / math.sqrt(3) * math.sqrt(2))
    assert "by name" in found.notes[0]


def test_marked_at_another_pole_lobes_are_paired_by_place() -> None:
    # Only the lobe that opens after 180° was moved: lobe 1 before, lobe 0 after.
    later = replace(BASE, open_over=(((10.0, 80.0), (190.9, 260.0)),))
    found = compared(BASE, marked_at_the_other_pole(later))
    assert found.same_clamping is True
    assert found.neutral_moved == 1
    assert [(c.lobe_before, c.lobe_after) for c in found.changes] == [(0, 1), (1, 0)]
    assert [c.angle.value_deg for c in found.changes] == pytest.approx([0.0, 0.9], abs=0.02)
    # The two marked neutrals differ by an unknown error of the spacing, the same one for either lobe.
    for lobe in (0, 1):
        assert contribution(found, "pole spacing", lobe) == pytest.approx(0.25 / math.sqrt(3))


def test_without_an_index_nothing_tells_of_the_clamping() -> None:
    without = replace(BASE, with_index=False)
    runs = [measure(s, bench={"index": False}) for s in (without, opened(0.8, without))]
    found = compare(*runs)
    assert found.same_clamping is None
    assert contribution(found, "encoder hysteresis") > 0


def scattered(presses: Sequence[float], late: Sequence[float], by_deg: float) -> Script:
    """A measurement with presses and passes off by so much."""
    path = [*MARKING[:3], *MARKING[3:]]
    held = [(2, 3), (5, 6), (8, 9), (11, 12)]
    for (first, last), off in zip(held, presses, strict=True):
        for at in (first, last):
            path[at] = (path[at][0], off)
    t, a = path[-1]
    path += [(t + 5.5 * 360 / 200, a + 5.5 * 360), (t + 5.5 * 360 / 200 + 0.3, a + 5.5 * 360)]
    script = Script(tuple(path), counts_per_turn=2_000, wild=tuple(enumerate(late)), with_edges=False)
    return opened(by_deg, script)


def test_most_intervals_of_the_change_hold_the_true_change() -> None:
    random = np.random.default_rng(21)
    bench = {"priors": {"cam_torque_fraction": 0.05}}
    held, jobs = 0, 20
    for _ in range(jobs):
        runs = [
            measure(scattered(random.normal(0, 0.3, 4), random.normal(0, 0.05, 7), by), bench=bench, passes=4)
            for by in (0.0, 0.5)
        ]
        found = compare(*runs)
        # A bound of ±1.43° on the cam's pull, in both figures: left in, no interval could miss.
        assert contribution(found, "neutral, cam torque") == 0.0
        change = found.changes[0].angle
        held += abs(change.value_deg - 0.5) <= change.budget.expanded_uncertainty_deg
    # Of 20 intervals of 95 %, fewer than 15 hold once in some thousand (binomial).
    assert held >= 15


def test_the_uncertainty_of_the_change_is_that_of_two_independent_means() -> None:
    bench = {
        "priors": {"cam_torque_fraction": 0.0, "friction_asymmetry": 0.0},
        "mounting": {"eccentricity_um": 0.0, "hysteresis_counts": 0.0},
    }
    one = [0.4, -0.4, 0.0, 0.2]
    finely = [replace(scattered(one, [0.0] * 7, by), counts_per_turn=20_000) for by in (0.0, 0.5)]
    runs = [measure(script, bench=bench, passes=4) for script in finely]
    change = compare(*runs).changes[0]
    # By hand: sides (0.4, 0.0) and (-0.4, 0.2): s² = (0.08 + 0.18)/2, u = s/2, twice over with 4 degrees of freedom.
    u = math.sqrt(2 * (0.08 + 0.18) / 2) / 2
    assert change.angle.budget.standard_uncertainty_deg == pytest.approx(u, rel=0.1)
    assert change.angle.budget.coverage_factor == pytest.approx(quantile(0.975, 4), rel=0.01)


# --- refusals -------------------------------------------------------------------------------------------------------


def changed(**unit: Any) -> dict[str, Any]:
    tables = job()
    tables["unit"] |= unit
    return tables


@pytest.mark.parametrize(
    ("tables", "what"),
    [
        (changed(serial_number="SCRIPT-2"), "serial number (SCRIPT-1 and SCRIPT-2)"),
        (changed(part_number="OTHER"), "part number"),
        (job(name="left"), "breakers (main and left)"),
        ({**job(), "breaker": [{**job()["breaker"][0], "from": None}]}, None),
    ],
)
def test_two_units_or_set_ups_are_not_compared(tables: dict[str, Any], what: str | None) -> None:
    if what is None:
        del tables["breaker"][0]["from"]
        for key in ("opens_at_deg", "minus_deg", "plus_deg"):
            del tables["breaker"][0][key]
        # Without limits the same opening is measured: that can be compared.
        assert compare(measure(BASE), measure(BASE, tables=tables)).changes
        return
    with pytest.raises(UsageError) as told:
        compare(measure(BASE), measure(BASE, tables=tables))
    assert what in told.value.text
    assert told.value.exit_status == 2


# --- what was moved -------------------------------------------------------------------------------------------------


def doc(before: Run, after: Run, moved: str | None) -> Any:
    return document(before, after, ("inside", "inside"), evaluate(after), moved)


def test_what_was_moved_gives_the_sensitivity_and_what_is_still_needed() -> None:
    found = doc(measure(opened(1.6)), measure(opened(0.8)), "0.05 mm").sensitivity
    assert found.known
    assert found.deg_per_unit == pytest.approx(-16.0, rel=0.02)
    assert "earlier per mm more" in found.text
    first = found.openings[0]
    assert first.direction == "earlier"
    assert first.move_deg == pytest.approx(-0.8, abs=0.05)
    assert first.move == pytest.approx(0.05, rel=0.05)
    assert first.move_low < first.move < first.move_high


def test_a_move_that_changed_nothing_predicts_nothing() -> None:
    found = doc(measure(opened(0.8)), measure(opened(0.8)), "0.05 mm").sensitivity
    assert not found.known
    assert "cannot be told from 0" in found.text
    assert found.openings[0].move is None
    assert "cannot be told from 0" in in_words(doc(measure(opened(0.8)), measure(opened(0.8)), "0.05 mm"))


def test_lobes_of_one_breaker_share_neutral_so_that_their_mean_is_hardly_surer() -> None:
    found = compare(
        measure(scattered([0.4, -0.4, 0.0, 0.2], [0.0] * 7, 0.0)), measure(scattered([0.2] * 4, [0.0] * 7, 0.5))
    )
    pair = adjustment(found, "main", 1.0)
    assert pair is not None
    u = min(c.angle.budget.standard_uncertainty_deg for c in found.changes)
    assert 0.95 * u < pair.u_change_deg <= max(c.angle.budget.standard_uncertainty_deg for c in found.changes) * 1.0001


def two_breakers() -> Any:
    return measure(replace(BASE, open_over=(OPENS, OPENS)), tables=job(breakers=2)).job


@pytest.mark.parametrize(
    ("text", "breaker", "amount", "unit"),
    [
        ("0.05 mm", "main", 0.05, "mm"),
        ("-1/8 turn", "main", -0.125, "turn"),
        ("main: 2 divisions of the plate", "main", 2.0, "divisions of the plate"),
        (" 0.002in ", "main", 0.002, "in"),
    ],
)
def test_what_was_moved_is_read(text: str, breaker: str, amount: float, unit: str) -> None:
    found = parse_moved(text, measure(BASE).job)
    assert (found.breaker, found.unit) == (breaker, unit)
    assert found.amount == pytest.approx(amount)


@pytest.mark.parametrize(
    "text", ["", "much", "0.05", "0 mm", "1/0 turn", "left: 1 mm", "nan mm", "1e400 mm", ": 1 mm x: "]
)
def test_what_was_moved_is_refused_where_it_cannot_be_read(text: str) -> None:
    with pytest.raises(UsageError, match="--moved"):
        parse_moved(text, measure(BASE).job)


def test_with_two_breakers_the_moved_one_is_to_be_named() -> None:
    found = two_breakers()
    with pytest.raises(UsageError, match="name the breaker"):
        parse_moved("0.05 mm", found)
    assert parse_moved("second1: 0.05 mm", found).breaker == "second1"


def test_every_row_says_how_it_was_treated_and_the_shares_add_up() -> None:
    found = doc(measure(opened(0.0)), measure(opened(0.8)), None)
    assert found.sensitivity is None
    for change in found.changes:
        assert sum(r.share for r in change.budget) == pytest.approx(1.0, abs=1e-4)
        assert {r.treatment for r in change.budget} <= {INDEPENDENT, COMMON, "common, cancels"}
        cancelled = [r.source for r in change.budget if r.treatment == "common, cancels"]
        assert "neutral, cam torque" in cancelled
