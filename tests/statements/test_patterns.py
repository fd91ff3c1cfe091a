"""Statements about what lies across a probe: causes are ranked by what was seen, and what was seen is said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import Any

import pytest

from bench import contact_findings, probe_patterns
from bench.contacts import Change, ContactEdge
from bench.errors import BenchFileError
from bench.evaluation import evaluate
from bench.run import Failure, Run
from bench.verdict import Verdict
from firmware_protocol.messages import Contact, Level, Position
from sim import scenario as scenarios
from sim.scenario import BUILT_IN_FOLDER, Scenario, parse
from tests.support.scripted import Script, Sent, job, measure, new_run, play, records, turning, wire
from tests.support.simulated import carry_out

#: 5 µs at the 400°/s of the script's first turn.
BRIEF_DEG = 0.002
AMPLIFIED = {"probe": {"sense_gain": 100.0, "current_ma": 5.0, "sense_offset_mv": 0.02}}


def failed(run: Run) -> Failure:
    assert run.failure is not None
    return run.failure


def ranked(text: str, *words: str) -> bool:
    """True if the causes come in this order."""
    causes = text.partition("Likely causes")[2]
    places = [causes.find(w) for w in words]
    return -1 not in places and places == sorted(places)


def with_levels(script: Script, millivolts: Callable[[float], int]) -> list[Sent]:
    """The script with Level readings of channel 0 at 20 Hz by the count, degrees within a turn of its encoder."""
    out: list[Sent] = list(play(script))
    for s in [s for s in out if isinstance(s.message, Position)][::5]:
        assert isinstance(s.message, Position)
        angle = s.message.count * 360 / script.counts_per_turn % 360
        out.append(Sent(s.at_s + 1e-6, Level(s.message.tick, (millivolts(angle),))))
    return sorted(out, key=lambda s: s.at_s)


def run_of(script: Script, sent: list[Sent], **more: Any) -> Run:
    run = new_run(**more)
    for record in records(script, wire(sent)):
        run.feed(record)
    return run


# --- never open ------------------------------------------------------------------------------------------------------------------


def test_brief_openings_at_the_same_place_of_each_lobe_tell_of_a_coil() -> None:
    brief = ((10.0, 10.0 + BRIEF_DEG), (190.0, 190.0 + BRIEF_DEG))
    failure = failed(measure(replace(turning(3), open_over=(brief,))))
    assert failure.code == "no-opening"
    assert "brief openings of at most 5.0 µs at the same place" in failure.text
    assert ranked(failure.text, "coil lead", "capacitor is shorted", "P-) lead")
    # They do open, so that this is no cause any more.
    assert "points never open" not in failure.text


def test_brief_openings_keep_no_run_waiting() -> None:
    brief = ((10.0, 10.0 + BRIEF_DEG), (190.0, 190.0 + BRIEF_DEG))
    script = replace(turning(20), open_over=(brief,))
    run = measure(script)
    assert failed(run).code == "no-opening"
    # Two lobe spacings are a turn; the first turn comes before the marking.
    assert run.tick / 2_000_000 - script.tick0 / 2_000_000 < 60


def test_brief_openings_anywhere_are_no_sign_of_a_coil() -> None:
    scattered = tuple((a, a + BRIEF_DEG) for a in (20.0, 130.0, 255.0))
    failure = failed(measure(replace(turning(3), open_over=(scattered,))))
    assert "not once per lobe" in failure.text
    assert "the points never open" in failure.text
    assert "the points work" not in failure.text


def test_without_any_sign_all_causes_are_named_and_none_is_preferred_by_evidence() -> None:
    failure = failed(measure(replace(turning(3), open_over=((),))))
    assert "not even a brief opening" in failure.text
    assert "[" not in failure.text
    for word in ("coil lead", "P-) lead", "capacitor is shorted", "jumpered", "never open"):
        assert word in failure.text


def test_points_that_only_just_part_are_told_so() -> None:
    # 0.3° are 0.75 ms at 400°/s: the points do open, but never for as long as a settled opening.
    short = ((10.0, 10.3), (190.0, 190.3))
    failure = failed(measure(replace(turning(3), open_over=(short,))))
    assert failure.code == "no-opening"
    assert "the longest 0.75 ms" in failure.text
    assert ranked(failure.text, "only just part", "coil lead")


def test_a_level_that_steps_once_per_lobe_tells_of_a_coil_by_its_resistance() -> None:
    script = replace(turning(3), open_over=((),))
    # 0.1 Ω while the points are closed, 0.6 Ω while they are open: 50 and 300 mV behind the amplifier.
    sent = with_levels(script, lambda angle: 300 if 10 < angle % 180 < 100 else 50)
    text = failed(run_of(script, sent, bench=AMPLIFIED)).text
    assert "rises and falls once per lobe by about 0.5 Ω" in text
    assert ranked(text, "coil lead", "P-) lead", "capacitor")
    assert "points never open" not in text


def test_a_steady_level_that_would_show_a_coil_puts_the_coil_last() -> None:
    script = replace(turning(3), open_over=((),))
    text = failed(run_of(script, with_levels(script, lambda _: 50), bench=AMPLIFIED)).text
    assert ranked(text, "P-) lead", "capacitor", "never open", "coil lead")
    assert "hardly" in text


def test_a_level_that_wanders_without_regard_to_the_lobes_is_no_coil() -> None:
    script = replace(turning(3), open_over=((),))
    text = failed(
        run_of(script, with_levels(script, lambda angle: Random(int(angle * 1000)).randint(50, 250)), bench=AMPLIFIED)
    ).text
    assert "mV, but not with the lobes" in text
    assert "once per lobe" not in text
    assert "[" not in text


def test_a_level_too_coarse_for_a_coil_says_so_with_its_step() -> None:
    script = replace(turning(3), open_over=((),))
    text = failed(run_of(script, with_levels(script, lambda _: 0), bench={"probe": {"supply_mv": 5000.0}})).text
    assert "a coil cannot be told from closed points (one step of it is 0.98 Ω)" in text


def test_another_probe_that_opens_rules_a_jumper_out() -> None:
    opens = ((10.0, 80.0), (190.0, 260.0))
    tables = job(breakers=2)
    alone = failed(measure(replace(turning(3), open_over=(opens, ())), tables=tables)).text
    assert alone.startswith("second1 (channel 1) never opened")
    assert "another probe opened" in alone
    assert ") breakers are jumpered" not in alone
    both = failed(measure(replace(turning(3), open_over=((), ())), tables=tables)).text
    assert ") breakers are jumpered" in both


# --- never closed -----------------------------------------------------------------------------------------------------------------


def test_a_steady_open_level_tells_of_the_clip_first() -> None:
    script = replace(turning(3), open_over=(((0.0, 360.0),),))
    text = failed(run_of(script, with_levels(script, lambda _: 5000))).text
    assert "not even a brief contact, a steady level" in text
    assert ranked(text, "clip is off", "dirty or oily", "never close")


def test_a_level_that_sags_once_per_lobe_tells_of_dirty_points_by_their_resistance() -> None:
    script = replace(turning(3), open_over=(((0.0, 360.0),),))
    text = failed(run_of(script, with_levels(script, lambda angle: 3750 if 80 < angle % 180 < 170 else 5000))).text
    # 1 kΩ·3750/1250.
    assert ranked(text, "dirty or oily [they meet with about 3000 Ω]", "clip is off")


def test_contacts_too_short_to_settle_tell_of_dirty_points() -> None:
    # Closed for 0.5 ms where the points should be closed for good.
    nearly = ((0.0, 100.0), (100.03, 280.0), (280.03, 360.0))
    text = failed(measure(replace(turning(3), open_over=(nearly,)))).text
    assert "contacts too short to be settled" in text
    assert ranked(text, "dirty or oily", "clip is off")


# --- two probes --------------------------------------------------------------------------------------------------------------------


def codes(run: Run) -> list[str]:
    assert run.failure is None, run.failure
    return [c for c, _ in contact_findings.of_run(run, evaluate(run)).notes]


MAIN = ((10.0, 80.0), (190.0, 260.0))


def test_two_probes_on_one_wire_are_noted() -> None:
    assert codes(measure(replace(turning(6.5), open_over=(MAIN, MAIN)), tables=job(breakers=2))) == [
        "probes-change-together"
    ]


@pytest.mark.parametrize(
    "second",
    [
        ((10.05, 80.05), (190.05, 260.05)),
        # Timed to open at the very same angle, as a dual unit should, but closing elsewhere.
        ((10.0, 79.0), (190.0, 259.0)),
    ],
)
def test_two_breakers_that_only_open_together_are_not(second: tuple[tuple[float, float], ...]) -> None:
    assert codes(measure(replace(turning(6.5), open_over=(MAIN, second)), tables=job(breakers=2))) == []


def changes(opens: list[int], closes: list[int]) -> list[Change]:
    """Settled changes at ticks."""
    found = []
    for tick, opened in [(t, True) for t in opens] + [(t, False) for t in closes]:
        contact = Contact(tick, 0, 0, int(opened), 0, 0, 0, 0, (), (), (), ())
        found.append(Change(0, ContactEdge(tick, 0, opened, contact, b""), opened, True, 0, 0, tick))
    return found


def test_one_opening_that_only_one_probe_saw_tells_two_wires() -> None:
    opens, closes = [n * 1_000_000 for n in range(6)], [n * 1_000_000 + 500_000 for n in range(6)]
    both = changes(opens, closes)
    assert probe_patterns.together(both, changes(opens, closes), 2_000_000)
    assert not probe_patterns.together(both, changes(opens[:3] + opens[4:], closes), 2_000_000)
    assert not probe_patterns.together(both, changes([t + 20_000 for t in opens], closes), 2_000_000)


def test_on_one_wire_openings_part_by_thresholds_and_bounce_but_closings_only_by_the_latch() -> None:
    opens, closes = [n * 1_000_000 for n in range(4)], [n * 1_000_000 + 500_000 for n in range(4)]
    # 0.5 ms and 20 µs; then 0.1 ms as two sets of points close that open and close at the same angle within 0.015° at 150°/s.
    later = [t + (1_000 if n == 2 else 40) for n, t in enumerate(opens)]
    assert probe_patterns.together(changes(opens, closes), changes(later, [t + 40 for t in closes]), 2_000_000)
    assert not probe_patterns.together(changes(opens, closes), changes(opens, [t + 200 for t in closes]), 2_000_000)


def test_two_passes_of_two_lobes_are_enough_to_see_one_wire() -> None:
    run = measure(replace(turning(3.5), open_over=(MAIN, MAIN)), tables=job(breakers=2), passes=2)
    assert codes(run) == ["probes-change-together"]
    # The run may end before the last closing is known.
    both = changes([n * 1_000_000 for n in range(4)], [n * 1_000_000 + 500_000 for n in range(3)])
    assert probe_patterns.together(both, both, 2_000_000)


RETARD = ((30.0, 95.0), (210.0, 275.0))


def two_targets() -> dict[str, Any]:
    tables = job(breakers=2)
    tables["breaker"][1] |= {"opens_at_deg": 30.0}
    return tables


def test_leads_that_are_swapped_are_noted_and_change_no_figure() -> None:
    right = measure(replace(turning(6.5), open_over=(MAIN, RETARD)), tables=two_targets())
    wrong = measure(replace(turning(6.5), open_over=(RETARD, MAIN)), tables=two_targets())
    assert codes(right) == []
    assert codes(wrong) == ["leads-perhaps-swapped"]
    found = [o.from_neutral.value_deg for b in evaluate(wrong).breakers for o in b.openings if o.from_neutral]
    assert found == pytest.approx([30.0, 30.0, 10.0, 10.0], abs=0.02)
    assert {o.verdict for b in evaluate(wrong).breakers for o in b.openings} == {Verdict.OUTSIDE}


def test_without_targets_nothing_is_said_of_swapped_leads() -> None:
    tables = job(breakers=2)
    del tables["limits"]
    for breaker in tables["breaker"]:
        for key in ("opens_at_deg", "minus_deg", "plus_deg"):
            del breaker[key]
    assert codes(measure(replace(turning(6.5), open_over=(RETARD, MAIN)), tables=tables)) == []


@pytest.mark.parametrize(
    ("measured", "expected"),
    [((30, 10), True), ((33, 12), True), ((10, 30), False), ((20, 20), False), ((13, 33), False), ((17, 24), False)],
)
def test_leads_look_swapped_only_where_that_explains_much(measured: tuple[float, float], expected: bool) -> None:
    assert probe_patterns.swapped(measured, (10.0, 30.0), 90.0) is expected


def test_targets_alike_tell_nothing_of_swapped_leads() -> None:
    assert not probe_patterns.swapped((8.0, 12.0), (10.0, 10.0), 90.0)


# --- simulated units ----------------------------------------------------------------------------------------------------------------


def simulated(**breaker: object) -> Scenario:
    """The plain unit with changes to its breaker."""
    tables: dict[str, object] = {
        "description": "changed",
        "job": "plain-single.job.toml",
        "bench": "rehearsal.bench.toml",
        "breaker": [{"name": "main", "opens_deg": 10.0, **breaker}],
    }
    return parse(tables, "changed", "changed", BUILT_IN_FOLDER)


def test_a_simulated_coil_is_told_by_its_transient_without_a_capacitor_and_not_with_it() -> None:
    bare = failed(carry_out("coil-no-capacitor", 5).run)
    assert "at the same place of" in bare.text
    assert ranked(bare.text, "coil lead is still on the points [the points work", "capacitor")
    with_capacitor = failed(carry_out("coil-lead-on", 5).run)
    assert "not even a brief opening" in with_capacitor.text
    assert "the points work" not in with_capacitor.text


def test_a_simulated_coil_is_told_by_the_amplifier_even_with_its_capacitor() -> None:
    base = scenarios.load("sense-amplifier")
    on = base.model_copy(update={"fault": base.fault.model_copy(update={"coil_lead_on": True})})
    text = failed(carry_out(on, 5).run).text
    assert "rises and falls once per lobe" in text
    assert ranked(text, "coil lead", "P-) lead")


def test_a_simulated_grounding_lead_shows_no_transient() -> None:
    text = failed(carry_out("grounded-lead", 5).run).text
    assert "not even a brief opening" in text
    assert "P-) lead" in text


def test_simulated_points_too_dirty_to_conduct_are_told_by_their_level() -> None:
    text = failed(carry_out(simulated(contact_ohm=3000.0), 5).run).text
    assert "no-closing" in failed(carry_out(simulated(contact_ohm=3000.0), 5).run).code
    assert ranked(text, "dirty or oily [they meet with about 3", "clip")


@pytest.mark.parametrize(
    ("scenario", "code"), [("swapped-leads", "leads-perhaps-swapped"), ("jumpered", "probes-change-together")]
)
def test_simulated_wiring_faults_are_noted(scenario: str, code: str) -> None:
    assert codes(carry_out(scenario, 5).run) == [code]


def test_simulated_dual_breakers_in_order_are_not_taken_for_one_wire() -> None:
    assert codes(carry_out("dual", 5).run) == []


# --- the bench file ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("probe", "word"),
    [
        ({"lead_ohm": [0.5, 0.1]}, "the lower figure comes first"),
        ({"sense_gain": 0.5}, "sense_gain"),
        ({"sense_bits": 40}, "sense_bits"),
        ({"four_wire": "yes"}, "four_wire"),
        ({"current_ma": 0.0}, "current_ma"),
    ],
)
def test_impossible_probe_circuits_are_refused(probe: dict[str, Any], word: str) -> None:
    with pytest.raises(BenchFileError, match=word):
        new_run(bench={"probe": probe})
