"""Statements about what is told of the points besides their angle: chatter, spread, false starts, static openings, resistance."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from bench import contact_findings
from bench.contact_findings import BreakerContacts, Contacts
from bench.contact_resistance import NotMeasurable, Resistance
from bench.contacts import MOST_READINGS, ChannelTracker, ContactEdge, LevelReading, LevelReadings
from bench.evaluation import Evaluation, evaluate
from bench.horizon import Confirmed
from bench.run import Run
from firmware_protocol.messages import Contact, Level, Position
from tests.support.scripted import (
    MARKING,
    TICK_HZ,
    Script,
    Sent,
    measure,
    new_run,
    play,
    records,
    reversed_encoder,
    turning,
    wire,
)
from tests.support.simulated import carry_out

READS_MORE = 0.01234
EXACT = 0.003
#: At the script's 60°/s, 0.06° are a millisecond.
DEG_PER_MS = 0.06


def run_of(script: Script, sent: list[Sent], **more: Any) -> Run:
    run = new_run(**more)
    for record in records(script, wire(sent)):
        run.feed(record)
    return run


def told(run: Run) -> tuple[Evaluation, Contacts, BreakerContacts]:
    assert run.failure is None, run.failure
    evaluation = evaluate(run)
    contacts = contact_findings.of_run(run, evaluation)
    return evaluation, contacts, contacts.breakers[0]


def codes(contacts: Contacts) -> list[str]:
    return [code for code, _ in contacts.notes]


def train(start: float, end: float, returns: int, closed_ms: float, open_ms: float) -> list[tuple[float, float]]:
    """Angles over which points are open that part at `start`, go back to closed so often, and close at `end`."""
    spans = []
    at = start
    for _ in range(returns):
        spans.append((at, at + open_ms * DEG_PER_MS))
        at += (open_ms + closed_ms) * DEG_PER_MS
    return [*spans, (at, end)]


def test_clean_points_give_no_word() -> None:
    _, contacts, main = told(measure(turning(6.5)))
    assert contacts.notes == ()
    assert [c.chatter.mean_returns for c in main.lobes if c.chatter] == [0.0, 0.0]
    assert main.static is None


@pytest.mark.parametrize("script", [turning(6.5), reversed_encoder(turning(6.5))])
def test_chatter_is_told_per_lobe_with_number_and_longest(script: Script) -> None:
    chattering = (*train(10.0, 80.0, 2, 0.5, 0.25), (190.0, 260.0))
    sense = "clockwise" if script.sense > 0 else "counterclockwise"
    run = measure(replace(script, open_over=(chattering,)), bench={"encoder_sense": sense})
    evaluation, _, main = told(run)
    first, second = (lobe.chatter for lobe in main.lobes)
    assert first is not None
    assert (first.with_returns, first.most_returns, first.merged) == (first.openings, 2, 0)
    assert first.longest_bounce_ms == pytest.approx(1.5, abs=0.002)
    assert first.longest_return_ms == pytest.approx(0.5, abs=0.002)
    assert second is not None
    assert (second.most_returns, second.longest_bounce_ms) == (0, 0.0)
    # Chatter moves no angle: the first departure counts.
    found = [o.from_neutral.value_deg - READS_MORE for o in evaluation.breakers[0].openings if o.from_neutral]
    assert found == pytest.approx([10.0, 10.0], abs=EXACT)


def test_a_merged_storm_is_counted_whole() -> None:
    script = replace(turning(6.5), open_over=((*train(10.0, 80.0, 4, 0.2, 0.2), (190.0, 260.0)),))
    plain = told(measure(script))[2].lobes[0].chatter
    merged = told(run_of(script, _merged(list(play(script)))))[2].lobes[0].chatter
    assert plain is not None
    assert merged is not None
    assert plain.most_returns == merged.most_returns == 4
    assert merged.longest_bounce_ms == pytest.approx(plain.longest_bounce_ms, abs=1e-9)
    assert (plain.merged, merged.merged) == (0, 8 * merged.openings)


def _merged(sent: list[Sent]) -> list[Sent]:
    """Each Contact and those within 0.3 ms of the one before become one with a storm."""
    out: list[Sent] = []
    place: int | None = None
    last = 0
    for s in sent:
        if not isinstance(s.message, Contact):
            out.append(s)
            continue
        if place is not None and s.message.tick - last < 0.3e-3 * TICK_HZ:
            head = out[place].message
            assert isinstance(head, Contact)
            merged = replace(
                head,
                flags=head.flags | 2,
                storm_edges=head.storm_edges + 1,
                storm_ticks=s.message.tick - head.tick,
                storm_open=s.message.opened,
            )
            out[place] = Sent(out[place].at_s, merged)
        else:
            out.append(s)
            place = len(out) - 1
        last = s.message.tick
    return out


def test_a_lobe_that_bounces_longer_than_the_others_is_named_and_its_angle_stays() -> None:
    script = replace(turning(6.5), open_over=((*train(10.0, 80.0, 2, 0.5, 0.25), (190.0, 260.0)),))
    _, contacts, main = told(measure(script))
    assert [(f.code, f.lobe) for f in main.findings] == [("bounces-longer", 0)]
    assert contacts.notes[0][1].startswith("main lobe 0: bounces for 1.50 ms")


def test_many_returns_and_late_settling_are_named() -> None:
    long = tuple(s for start in (10.0, 190.0) for s in train(start, start + 70, 6, 0.6, 0.4))
    _, contacts, _ = told(measure(replace(turning(6.5), open_over=(long,))))
    assert sorted(codes(contacts)) == ["late-settled", "late-settled", "many-returns", "many-returns"]


def test_a_false_start_is_told_where_the_points_closed_again_for_good() -> None:
    # Open for 1.5 ms, then closed over 0.6° (10 ms): settled closed once more, and only the second parting counts.
    script = replace(turning(6.5), open_over=(((10.0, 10.09), (10.69, 80.0), (190.0, 260.0)),))
    evaluation, contacts, _ = told(measure(script))
    first = evaluation.breakers[0].openings[0].from_neutral
    assert first is not None
    assert first.value_deg - READS_MORE == pytest.approx(10.69, abs=EXACT)
    assert codes(contacts) == ["false-start"]
    assert "up to 0.7" in contacts.notes[0][1]


def test_a_lobe_that_opens_twice_for_good_is_told() -> None:
    # Open over 0.5° (8 ms), closed over 0.5°, open again: both are settled.
    script = replace(turning(6.5), open_over=(((10.0, 10.5), (11.0, 80.0), (190.0, 260.0)),))
    run = measure(script)
    evaluation, contacts, main = told(run)
    assert [n.code for n in run.notes] == ["opened-twice"]
    assert codes(contacts) == []
    first = evaluation.breakers[0].openings[0]
    assert first.from_neutral is not None
    assert first.from_neutral.value_deg - READS_MORE == pytest.approx(10.0, abs=EXACT)
    closing = main.lobes[0].closing
    assert closing is not None
    assert closing.mean_deg - READS_MORE == pytest.approx(80.0, abs=EXACT)


def test_a_lobe_crossed_again_after_turning_back_is_no_false_start() -> None:
    at, place = MARKING[-1]
    rocked = [*MARKING, (at + 0.5, place + 30), (at + 1.0, place - 5), (at + 2.0, place + 50)]
    _, contacts, _ = told(measure(turning(6.5, after=rocked)))
    assert contacts.notes == ()


def test_closing_and_dwell_come_with_their_spread() -> None:
    # In one turn of six everything opens 0.5° later, so that its dwell is 0.5° longer; the closings stay.
    script = replace(turning(6.5), wild=((2, 0.5),))
    _, _, main = told(measure(script))
    lobe = main.lobes[0]
    assert lobe.closing is not None
    assert lobe.closing.mean_deg == pytest.approx(80.0 + READS_MORE, abs=EXACT)
    assert lobe.closing.deviation_deg == pytest.approx(0.0, abs=EXACT)
    assert lobe.dwell is not None
    assert lobe.dwell.mean_deg == pytest.approx(110.0, abs=0.2)


def test_dwells_that_vary_are_given_their_scatter() -> None:
    late = ((1, 0.06), (2, -0.06), (3, 0.06), (4, -0.06))
    _, _, main = told(measure(replace(turning(6.5), wild=late)))
    dwell = main.lobes[1].dwell
    assert dwell is not None
    assert dwell.deviation_deg is not None
    spread = [0.0, *(d for _, d in late)]
    s = math.sqrt(sum((d - sum(spread) / 5) ** 2 for d in spread) / 4)
    assert dwell.n == 5
    assert dwell.deviation_deg == pytest.approx(s, abs=0.01)


# --- static against turning ---------------------------------------------------------------------------------------------------


def stopping(turns: int, late_deg: float, crept_turns: tuple[int, ...]) -> Script:
    """Turns in some of which the rotor is held just below each opening, crept over it, and held again; turned, it opens later."""
    at, place = MARKING[-1]
    path = [*MARKING]

    def to(degrees: float, speed: float) -> None:
        nonlocal at, place
        at, place = at + (degrees - place) / speed, degrees
        path.append((at, place))

    def hold(seconds: float) -> None:
        nonlocal at
        at += seconds
        path.append((at, place))

    for turn in range(turns):
        for opens in (10.0, 190.0):
            if turn in crept_turns:
                to(360 * turn + opens - 0.1, 60.0)
                hold(0.3)
                to(360 * turn + opens + 0.4, 1.0)
                hold(0.3)
            to(360 * turn + opens + 100.0, 60.0)
    to(360 * turns + 150.0, 60.0)
    hold(1.0)
    wild = tuple((turn, late_deg) for turn in range(turns) if turn not in crept_turns)
    return Script(tuple(path), wild=wild, counts_per_turn=10_000)


def test_openings_held_and_crept_are_told_from_those_turned() -> None:
    _, contacts, main = told(measure(stopping(6, 0.0, (1, 3, 5)), passes=6))
    assert main.static is not None
    assert (main.static.static, main.static.turning) == (6, 6)
    assert main.static.difference_deg == pytest.approx(0.0, abs=0.02)
    assert not main.static.differs
    assert "static-differs" not in codes(contacts)


@pytest.mark.parametrize(("late", "word"), [(0.2, "earlier"), (-0.2, "later")])
def test_static_openings_that_differ_are_noted_with_difference_and_uncertainty(late: float, word: str) -> None:
    _, contacts, main = told(measure(stopping(6, late, (1, 3, 5)), passes=6))
    assert main.static is not None
    assert main.static.differs
    assert main.static.difference_deg == pytest.approx(-late, abs=main.static.budget.expanded_uncertainty_deg)
    assert main.static.budget.expanded_uncertainty_deg < 0.05
    text = dict(contacts.notes)["static-differs"]
    assert f"° {word} than 6 turning ones" in text
    assert "±" in text


def test_a_coarse_rest_hides_a_small_difference() -> None:
    # At 2,000 counts a count is 0.18°: 0.05° cannot be told.
    script = replace(stopping(6, 0.05, (1, 3, 5)), counts_per_turn=2_000)
    _, _, main = told(measure(script, passes=6))
    assert main.static is not None
    assert not main.static.differs


# --- resistance ------------------------------------------------------------------------------------------------------------------


def with_levels(script: Script, millivolts: Callable[[bool, float], int], hz: float = 10.0) -> list[Sent]:
    """The script with Level readings of channel 0; `millivolts` gives them by open or closed and seconds since the start."""
    out: list[Sent] = list(play(script))
    positions = [s for s in out if isinstance(s.message, Position)]
    for s in positions[:: round(100 / hz)]:
        assert isinstance(s.message, Position)
        is_open = bool(s.message.levels & 1)
        out.append(Sent(s.at_s + 1e-6, Level(s.message.tick, (millivolts(is_open, s.at_s),))))
    return sorted(out, key=lambda s: s.at_s)


AMPLIFIED = {
    "probe": {
        "sense_gain": 100.0, "sense_error": 0.01, "sense_offset_mv": 0.02, "current_ma": 5.0, "four_wire": True,
    }
}  # fmt: skip


def test_an_amplifier_tells_the_resistance_of_closed_points() -> None:
    script = turning(6.5)
    # 0.2 Ω at 5 mA is 1 mV, amplified 100 mV.
    run = run_of(script, with_levels(script, lambda is_open, _: 5000 if is_open else 100), bench=AMPLIFIED)
    found = told(run)[2].resistance
    assert isinstance(found, Resistance)
    assert found.ohm == pytest.approx(0.2)
    assert found.expanded_ohm < 0.03


def test_without_an_amplifier_it_says_that_it_is_not_measurable_and_why() -> None:
    script = turning(6.5)
    run = run_of(script, with_levels(script, lambda is_open, _: 5000 if is_open else 0))
    found = told(run)[2].resistance
    assert isinstance(found, NotMeasurable)
    assert "one step of the reading is 0.98 Ω" in found.reason


def test_a_board_without_levels_says_so() -> None:
    found = told(measure(turning(6.5)))[2].resistance
    assert isinstance(found, NotMeasurable)
    assert "no analogue readings" in found.reason


def test_levels_do_not_touch_an_angle() -> None:
    script = turning(6.5)
    plain = told(measure(script))[0]
    levels = told(run_of(script, with_levels(script, lambda _, at: int(at * 1000) % 5000)))[0]
    assert [o.angle for b in plain.breakers for o in b.openings] == [
        o.angle for b in levels.breakers for o in b.openings
    ]


def test_open_points_that_are_bridged_are_noted_with_the_resistance() -> None:
    script = turning(6.5)
    sent = with_levels(script, lambda is_open, _: 4000 if is_open else 0)
    assert codes(told(run_of(script, sent, bench={"probe": {"supply_mv": 5000.0}}))[1]) == ["open-level-low"]
    text = told(run_of(script, sent, bench={"probe": {"supply_mv": 5000.0}}))[1].notes[0][1]
    # 1 kΩ·4000/(5000 - 4000).
    assert "about 4000 Ω" in text
    assert codes(told(run_of(script, sent))[1]) == []


def test_the_simulated_amplifier_bench_finds_its_unit() -> None:
    job = carry_out("sense-amplifier", 3)
    found = told(job.run)[2].resistance
    assert isinstance(found, Resistance)
    true = job.truth["draws"]["breaker.main.contact_ohm"]
    assert abs(found.ohm - true) <= found.expanded_ohm


def test_simulated_dirty_points_are_called_so_from_chatter_and_level() -> None:
    _, contacts, _ = told(carry_out("dirty-points", 3).run)
    assert {"late-settled", "closed-level-high", "closed-level-falls"} <= set(codes(contacts))


@pytest.mark.parametrize("scenario", ["plain-single", "with-retard"])
def test_simulated_units_in_order_give_no_word(scenario: str) -> None:
    assert told(carry_out(scenario, 4).run)[1].notes == ()


def test_a_reading_taken_while_the_points_bounce_belongs_to_no_state() -> None:
    tracker = ChannelTracker(0, settled_ticks=4_000, settled_counts=1.0)

    def edge(tick: int, opened: int) -> None:
        contact = Contact(tick, 100, 0, opened, 0, 0, 0, 0, (), (), (), ())
        tracker.edge(ContactEdge(tick, 100, bool(opened), contact, b""))

    tracker.confirm(Confirmed(0, 0, 0, False), 1)
    tracker.confirm(Confirmed(10_000, 50, 0, False), 1)
    edge(20_000, 1)
    edge(22_000, 0)
    edge(23_000, 1)
    for tick, millivolts in ((15_000, 3), (21_000, 5000), (22_500, 4), (40_000, 4999)):
        tracker.level(tick, millivolts)
    tracker.confirm(Confirmed(30_000, 150, 1, False), 1)
    tracker.confirm(Confirmed(50_000, 200, 1, False), 1)
    assert [(r.millivolts, r.is_open) for r in tracker.readings] == [(3, False), (4999, True)]


def test_of_a_probe_that_is_watched_all_day_the_latest_readings_are_kept() -> None:
    tracker = ChannelTracker(0, settled_ticks=10, settled_counts=1.0)
    tracker.confirm(Confirmed(0, 0, 0, False), 1)
    tracker.confirm(Confirmed(100, 50, 0, False), 1)
    for tick in range(101, 3 * MOST_READINGS):
        tracker.level(tick, tick)
    tracker.confirm(Confirmed(3 * MOST_READINGS, 50, 0, False), 1)
    assert len(tracker.readings) == MOST_READINGS
    kept = [(r.tick, r.millivolts) for r in tracker.readings]
    assert kept == [(tick, tick) for tick in range(2 * MOST_READINGS, 3 * MOST_READINGS)]


@pytest.mark.parametrize("most", [1, 7, 16])
def test_the_latest_readings_are_kept_whole_and_in_order(most: int) -> None:
    kept, expected = LevelReadings(most), deque[LevelReading](maxlen=most)
    for n in range(5 * most):
        # Ticks of a year, counts to either side, a probe's negative offset.
        reading = LevelReading(n << 45, -n, -n % 7 - 3, n % 3 == 0, (n << 45) - 1)
        kept.append(reading)
        expected.append(reading)
        assert list(kept) == list(expected)
        assert len(kept) == len(expected)
