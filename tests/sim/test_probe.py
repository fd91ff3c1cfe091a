"""The probe's circuit: when the board's pin shows what the points did, and what else on the wire does to it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate

from sim.contact import Transition
from sim.probe import STRAY_F, Coil, Contact, Probe, Sense, pulses


def probe(ohm: float = 10_000.0, capacitor_uf: float = 0.35, threshold: float = 0.5, is_open: bool = False) -> Probe:
    return Probe(ohm, capacitor_uf, threshold, 5000, is_open)


def test_the_capacitor_delays_the_edge_by_2_43_ms() -> None:
    # RC·ln 2 for 10 kΩ and 0.35 µF (JOB.md: 2.4 ms).
    assert 10_000 * 0.35e-6 * math.log(2) == pytest.approx(2.43e-3, abs=5e-6)
    edges = probe().run([Transition(1.0, True)], 2.0)
    assert [(e.time_s, e.is_open) for e in edges] == [(pytest.approx(1.0 + 2.426e-3, abs=1e-6), True)]


def test_a_low_ohm_probe_is_quick() -> None:
    edges = probe(1000.0, 0.2).run([Transition(0.0, True)], 1.0)
    assert edges[0].time_s == pytest.approx(1000 * 0.2e-6 * math.log(2))


def test_points_that_meet_again_too_soon_are_not_seen_and_start_the_charge_anew() -> None:
    train = [Transition(0.0, True), Transition(2.0e-3, False), Transition(2.1e-3, True)]
    edges = probe().run(train, 1.0)
    assert [e.is_open for e in edges] == [True]
    assert edges[0].time_s == pytest.approx(2.1e-3 + 2.426e-3, abs=1e-6)


def test_closing_shows_at_once() -> None:
    edges = probe(is_open=True).run([Transition(0.5, False)], 1.0)
    assert edges == [Transition(0.5, False)]


def test_an_edge_beyond_the_chunk_comes_with_the_next() -> None:
    slow = probe()
    assert slow.run([Transition(1.0, True)], 1.001) == []
    assert [e.time_s for e in slow.run([], 1.02)] == [pytest.approx(1.0 + 2.426e-3, abs=1e-6)]


def test_the_voltage_rises_as_the_capacitor_charges() -> None:
    charging = probe()
    charging.run([Transition(1.0, True)], 1.1)
    assert charging.millivolts(0.9) < 5
    # After one time constant, 1 - 1/e.
    assert charging.millivolts(1.0 + 3.5e-3) == pytest.approx(5000 * (1 - math.exp(-1)), abs=1)
    assert charging.millivolts(1.09) == 5000


# --- a bridge across the points, and a film on them ------------------------------------------------------------------------


def test_a_bridge_takes_level_and_delay_as_two_resistors_do() -> None:
    # Thevenin: 1 kΩ with 4 kΩ across is 4/5 of the supply behind 800 Ω.
    bridged = Probe(1000.0, 0.2, 0.5, 5000, False, bridge_ohm=4000.0)
    edges = bridged.run([Transition(0.0, True)], 1.0)
    assert edges[0].time_s == pytest.approx(800 * 0.2e-6 * math.log(1 / (1 - 0.5 / 0.8)))
    assert bridged.millivolts(0.9) == 4000


def test_a_spring_that_shorts_the_points_leaves_no_opening_at_all() -> None:
    shorted = Probe(1000.0, 0.2, 0.3, 5000, True, bridge_ohm=0.05)
    assert not shorted.signal_open
    assert shorted.run([Transition(0.1, False), Transition(0.2, True)], 1.0) == []


def test_a_film_delays_the_closing_until_it_has_worn_through() -> None:
    # 1 kΩ, half the supply: the pin reads closed below 1 kΩ; 5 kΩ·exp(-t/20 ms) is 1 kΩ after 20 ms·ln 5.
    film = Probe(1000.0, 0.0, 0.5, 5000, True, contact=Contact(0.0, 5000.0, 0.02))
    edges = film.run([Transition(1.0, False)], 2.0)
    assert [(e.time_s, e.is_open) for e in edges] == [(pytest.approx(1.0 + 0.02 * math.log(5)), False)]
    worn = Contact(500.0, 5000.0, 0.02)
    assert worn.at(worn.below(1000.0)) == pytest.approx(1000.0)
    # Later still, 100 Ω are left: 5000·100/1100 mV.
    assert film.millivolts(1.0 + 0.02 * math.log(50)) == pytest.approx(5000 * 100 / 1100, abs=1)


def test_points_too_dirty_for_the_threshold_never_read_closed() -> None:
    dirty = Probe(1000.0, 0.0, 0.5, 5000, False, contact=Contact(3000.0))
    assert dirty.signal_open
    assert dirty.run([Transition(0.1, True), Transition(0.2, False)], 1.0) == []
    assert dirty.millivolts(0.9) == 3750


# --- a coil that was left on -------------------------------------------------------------------------------------------------


def test_without_a_capacitor_the_coil_holds_the_current_off_for_microseconds() -> None:
    # L/(R + R_L) = 5 µs; from 1 - i0·R (current of closed points shared by coil and contact) down to half the supply.
    coil, ohm, contact_ohm = Coil(0.6, 5e-3), 1000.0, 0.1
    shared = contact_ohm / (coil.ohm + contact_ohm)
    by_hand = 5e-3 / 1000.6 * math.log((1 - shared) / 0.5)
    ((_, last),) = pulses(coil, ohm, 0.0, contact_ohm, 0.5)
    # The stray 100 pF add some tenths of a microsecond.
    assert last == pytest.approx(by_hand, abs=0.4e-6)


def test_the_transient_is_that_of_the_two_equations() -> None:
    # Second opinion: scipy integrates the same circuit step by step.

    coil, ohm, contact_ohm, threshold = Coil(1.5, 0.12), 1000.0, 0.3, 0.3
    farad = 0.02e-6 + STRAY_F
    both = coil.ohm * contact_ohm / (coil.ohm + contact_ohm)
    v0 = both / (ohm + both)

    def change(_: float, state: list[float]) -> list[float]:
        v, i = state
        return [((1 - v) / ohm - i) / farad, (v - coil.ohm * i) / coil.henry]

    t = np.linspace(0.0, 1e-3, 200_001)
    found = integrate.solve_ivp(change, (0.0, 1e-3), [v0, v0 / coil.ohm], "Radau", t, rtol=1e-9, atol=1e-12)
    above = found.y[0] > threshold
    flips = t[1:][above[1:] != above[:-1]]
    spans = pulses(coil, ohm, 0.02e-6, contact_ohm, threshold)
    assert len(spans) == len(flips) // 2 > 0
    assert [edge for span in spans for edge in span] == pytest.approx(list(flips), abs=2e-8)


def test_with_its_capacitor_the_coil_hides_the_points_altogether() -> None:
    # V/R·√(L/C) = 5 mA·158 Ω = 0.8 V at most, below 0.3 of 5 V.
    assert pulses(Coil(0.6, 5e-3), 1000.0, 0.2e-6, 0.1, 0.3) == ()
    blind = Probe(1000.0, 0.2, 0.5, 5000, is_open=True, coil=Coil(0.6, 5e-3))
    assert not blind.signal_open
    assert blind.run([Transition(0.1, False), Transition(0.2, True)], 1.0) == []
    assert blind.millivolts(0.05) == round(5000 * 0.6 / 1000.6) == 3
    # Closed, 0.1 Ω and 0.6 Ω side by side: 0.43 mV.
    assert blind.millivolts(0.15) == 0


def test_a_brief_opening_comes_where_the_points_part_and_is_over_at_once() -> None:
    seen = Probe(1000.0, 0.0, 0.5, 5000, is_open=False, coil=Coil(0.6, 5e-3))
    first = seen.run([Transition(0.1, True)], 0.100001)
    assert [e.is_open for e in first] == [True]
    rest = seen.run([Transition(0.2, False), Transition(0.3, True)], 1.0)
    assert [e.is_open for e in rest] == [False, True, False]
    assert rest[0].time_s - first[0].time_s < 1e-5
    assert rest[1].time_s == pytest.approx(0.3, abs=1e-6)


# --- the analogue reading ----------------------------------------------------------------------------------------------------


def test_ten_bits_of_five_volts_cannot_see_a_coil_and_an_amplifier_can() -> None:
    def read(sense: Sense, contact_ohm: float) -> int:
        closed = Probe(1000.0, 0.2, 0.5, 5000, False, contact=Contact(contact_ohm), sense=sense)
        closed.run([], 1.0)
        return closed.millivolts(0.5)

    plain, amplified = Sense(full_scale_mv=5000.0, bits=10), Sense(100.0, 0.0, 5000.0, 10)
    assert read(plain, 0.05) == read(plain, 0.45) == 0
    # 5 mA·0.5 Ω·100 = 250 mV apart, give or take a step of 4.9 mV.
    assert read(amplified, 0.6) - read(amplified, 0.1) == pytest.approx(250, abs=6)


def test_leads_are_read_along_unless_the_sense_lead_is_one_of_its_own() -> None:
    def read(four_wire: bool) -> int:
        sense = Sense(100.0, 0.0, 5000.0, None, 0.4, four_wire)
        closed = Probe(1000.0, 0.2, 0.5, 5000, False, contact=Contact(0.2), sense=sense)
        closed.run([], 1.0)
        return closed.millivolts(0.5)

    assert read(False) == pytest.approx(300, abs=1)
    assert read(True) == pytest.approx(100, abs=1)
