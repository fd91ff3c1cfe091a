"""The probe circuit: simulated by ngspice against hand formulae, and both against what the bench file takes for granted."""

from __future__ import annotations

import math

import pytest

from bench.bench_file import Probe
from bench.contact_resistance import Resistance, resistance
from bench.contacts import LevelReading
from tests.hardware import document, spice, tables
from tests.hardware import probe_circuit as circuit

PARTS = circuit.parts()


@pytest.fixture(autouse=True)
def _with_ngspice(request: pytest.FixtureRequest) -> None:
    if "by_hand" not in request.node.name:
        spice.require()


def test_by_hand_the_bench_files_defaults_are_this_circuit() -> None:
    defaults = Probe()
    assert defaults.ohm == PARTS.source_ohm
    assert defaults.threshold == (circuit.LOW_SHARE, circuit.HIGH_SHARE)
    assert defaults.unstated_capacitor_uf == pytest.approx(PARTS.points_f * 1e6)


def test_by_hand_the_delay_is_that_of_the_table_of_checks() -> None:
    # Circuit theory, recomputed: 10 kΩ × 0.35 µF at half the supply 2.43 ms; shares 0.3 to 0.6 are 0.36 to 0.92 RC.
    assert circuit.delay_s(10e3, 0.35e-6, 0.5) == pytest.approx(2.43e-3, rel=2e-3)
    assert circuit.delay_s(1, 1, 0.3) == pytest.approx(0.36, abs=0.005)
    assert circuit.delay_s(1, 1, 0.6) == pytest.approx(0.92, abs=0.005)


# --- at rest --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("contact", [0.01, 0.1, 1.0, 10.0, 100.0])
def test_closed_points_are_wetted_by_what_ohms_law_says(contact: float) -> None:
    seen = spice.run("levels.cir", r_contact=contact)
    assert seen["contact_current"] == pytest.approx(circuit.wetting_a(PARTS, contact), rel=1e-3)


def test_the_wetting_current_is_from_5_to_10_milliampere() -> None:
    # Nominal supply and parts; to the hundredth of a milliampere, for the contact's own tenth of an ohm.
    assert 4.99e-3 <= spice.run("levels.cir")["contact_current"] <= 10e-3


def test_firmer_wetting_keeps_5_milliampere_at_the_worst_port_and_with_parts_5_percent_high() -> None:
    seen = spice.run("levels.cir", v_supply=circuit.PORT_V[0], r_supply=150 * 1.05, r_clip=680 * 1.05)
    assert 5e-3 < seen["contact_current"] < 10e-3
    plain = spice.run("levels.cir", r_supply=150.0, r_clip=680.0)
    assert plain["contact_current"] == pytest.approx(6.02e-3, rel=1e-3)


@pytest.mark.parametrize("contact", [0.1, 1.0, 10.0, 100.0, 428.0, 1500.0, 1e5])
def test_the_pin_reads_the_divider_of_source_and_contact(contact: float) -> None:
    seen = spice.run("levels.cir", r_contact=contact)
    # A tenth of a millivolt for the leakage of two diodes and the clamp.
    assert seen["pin_volt"] == pytest.approx(circuit.level_v(PARTS, contact), abs=1e-4, rel=1e-3)


def test_dirty_points_up_to_hundreds_of_ohms_read_closed_and_a_kiloohm_and_a_half_open() -> None:
    closed, opened = (circuit.contact_ohm_at(PARTS, f) for f in (circuit.LOW_SHARE, circuit.HIGH_SHARE))
    assert closed == pytest.approx(428.6, rel=1e-3)
    assert opened == pytest.approx(1500)
    assert spice.run("levels.cir", r_contact=closed * 0.99)["pin_volt"] < 0.3 * PARTS.supply_v
    assert spice.run("levels.cir", r_contact=opened * 1.01)["pin_volt"] > 0.6 * PARTS.supply_v


def test_the_converters_sampling_does_not_turn_a_contact_over() -> None:
    # The level pin hangs on the contact pin: what the converter's own capacitor brings along must stay below the threshold.
    assert circuit.sampling_bump_v(PARTS) < 0.5 * circuit.LOW_SHARE * PARTS.supply_v


# --- delay ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("points_f", [0.1e-6, 0.2e-6, 0.35e-6])
def test_a_capacitor_delays_the_pin_by_rc_and_the_pins_own_lag(points_f: float) -> None:
    seen = spice.run("delay.cir", c_points=points_f)
    for key, share in (("at_low", circuit.LOW_SHARE), ("at_high", circuit.HIGH_SHARE)):
        by_hand = circuit.delay_s(PARTS.source_ohm, points_f, share) + circuit.pin_lag_s(PARTS)
        assert seen[key] - seen["opened"] == pytest.approx(by_hand, rel=2e-3, abs=2e-7)


def test_the_bench_files_default_delay_covers_the_pins_but_for_the_fixed_lag() -> None:
    seen = spice.run("delay.cir")
    probe = Probe()
    low, high = (probe.ohm * probe.unstated_capacitor_uf * 1e-6 * math.log(1 / (1 - f)) for f in probe.threshold)
    lag = circuit.pin_lag_s(PARTS)
    # The lag is a fixed latency of the board, a thirteen-hundredth of a count at 60° a second.
    assert lag * tables.BRISK_DEG_PER_S < 0.036 / 250
    assert seen["at_low"] - seen["opened"] >= low
    assert seen["at_high"] - seen["opened"] <= high + 1.1 * lag


def test_firmer_wetting_shortens_the_delay_by_a_sixth() -> None:
    plain, firm = spice.run("delay.cir"), spice.run("delay.cir", r_supply=150.0, r_clip=680.0)
    shorter = (firm["at_high"] - firm["opened"]) / (plain["at_high"] - plain["opened"])
    assert shorter == pytest.approx(0.83, abs=0.005)


# --- 400 V at the clip ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("positive", [True, False])
def test_the_series_element_takes_what_the_formula_says(positive: bool) -> None:
    seen = spice.run("pulse.cir", v_pulse=PARTS.pulse_v if positive else -PARTS.pulse_v)
    current = seen["clip_ampere_most"] if positive else -seen["clip_ampere_least"]
    assert current == pytest.approx(circuit.clip_ampere(PARTS, positive), rel=0.02)
    assert seen["clip_joule"] == pytest.approx(circuit.clip_joule(PARTS, positive), rel=0.03)
    assert seen["clip_joule"] < circuit.stored_joule(PARTS)


@pytest.mark.parametrize("port", circuit.PORT_V)
@pytest.mark.parametrize("volt", [400.0, -400.0])
def test_supply_and_microcontroller_stay_within_their_ratings(volt: float, port: float) -> None:
    seen = spice.run("pulse.cir", v_pulse=volt, v_supply=port)
    # Data sheet: operating up to 5.5 V, destroyed from 6 V on; a little sag is no dip (brown-out at 4.3 V, greatest 4.5 V).
    assert seen["supply_volt_most"] < 5.55
    assert seen["supply_volt_most"] < circuit.supply_rise_v(PARTS) + port - PARTS.supply_v + 0.01
    assert seen["supply_volt_least"] > 4.5
    assert max(abs(seen["pin_ampere_most"]), abs(seen["pin_ampere_least"])) < circuit.PIN_LIMIT_A / 4
    assert seen["clamp_volt_least"] > -1.0
    assert seen["clamp_volt_most"] < circuit.CLAMP_V[1]


def test_the_sense_resistors_share_the_voltage_and_take_little_energy() -> None:
    seen = spice.run("pulse.cir")
    assert seen["sense_ampere_most"] == pytest.approx(circuit.sense_ampere(PARTS), rel=0.03)
    # The same voltage across twice 10 kΩ for the same time: R2's energy times R2/20 kΩ, halved for each.
    assert seen["sense_joule"] == pytest.approx(seen["clip_joule"] * PARTS.clip_ohm / 20e3 / 2, rel=0.15)
    assert seen["sense_joule"] < 5e-3


def test_without_the_board_s_capacitor_the_supply_would_not_hold() -> None:
    # So that the tests above are known to be able to fail, and the text is right to insist on the capacitor.
    assert spice.run("pulse.cir", c_board=4.7e-6)["supply_volt_most"] > circuit.SUPPLY_LIMIT_V


def test_the_series_element_bears_a_stands_pulses() -> None:
    assert circuit.repeated_watt(PARTS, tables.STAND_PULSES_PER_S) < 5.0


# --- why not a battery and a lamp -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "current", "points", "secondary"), tables.RING)
def test_a_broken_current_rings_up_as_the_formula_says(
    name: str, current: float, points: float, secondary: float
) -> None:
    p = spice.parameters("ring.cir")
    seen = spice.run("ring.cir", i_broken=current, c_points=points, c_secondary=secondary)
    peak = max(seen["secondary_most"], -seen["secondary_least"])
    # The coil's resistance takes a percent or two, which the formula leaves out.
    by_hand = circuit.ring_v(current, p["turns"], p["l_primary"], points, secondary)
    assert 0.97 * by_hand < peak < by_hand, name


def test_a_tenth_of_an_ampere_gives_a_kilovolt_and_the_probe_some_tens_of_volts() -> None:
    assert spice.run("ring.cir", i_broken=0.1)["secondary_most"] > 1000
    assert spice.run("ring.cir", i_broken=circuit.wetting_a(PARTS))["secondary_most"] < 60


# --- contact resistance ---------------------------------------------------------------------------------------------------


def test_by_hand_one_step_is_an_ohm_without_and_ten_milliohm_with_the_amplifier() -> None:
    assert circuit.step_ohm(circuit.wetting_a(PARTS), 1) == pytest.approx(0.977, rel=1e-3)
    assert circuit.amplifier_parts().gain == pytest.approx(100)
    assert circuit.step_ohm(circuit.wetting_a(PARTS), circuit.amplifier_parts().gain) == pytest.approx(
        9.77e-3, rel=1e-3
    )


@pytest.mark.parametrize("leads", [(0.0001, 0.0001), (0.5, 0.05), (0.05, 0.5)])
@pytest.mark.parametrize("contact", [0.1, 0.35, 2.0])
def test_the_amplifier_sees_the_contact_and_not_the_clips_leads(contact: float, leads: tuple[float, float]) -> None:
    seen = spice.run("amplifier.cir", r_contact=contact, r_lead=leads[0], r_ground_lead=leads[1])
    by_hand = circuit.amplifier_parts().gain * circuit.wetting_a(PARTS, contact + sum(leads)) * contact
    assert seen["out_volt"] == pytest.approx(by_hand, rel=2e-3)


@pytest.mark.parametrize("offset", [-10e-6, 10e-6])
@pytest.mark.parametrize("supply", [4.9, 5.1])
@pytest.mark.parametrize("clip_ohm", [820 * 0.95, 820 * 1.05])
@pytest.mark.parametrize("contact", [0.005, 0.1, 0.35, 2.0, 8.0])
def test_the_host_tells_the_resistance_of_the_simulated_contact(
    contact: float, clip_ohm: float, supply: float, offset: float
) -> None:
    probe = document.bench_file("sense_gain").probe
    seen = spice.run(
        "amplifier.cir",
        r_contact=contact,
        r_clip=clip_ohm,
        v_supply=supply,
        v_offset=offset,
        r_lead=0.3,
        r_feedback=2.04e6,
    )
    # The converter measures shares of its supply, which the board takes for 5 V.
    steps = round(seen["out_volt"] / supply * 1023)
    told = round(steps * 5000 / 1023)
    # Four stretches of closed points, five readings each.
    ticks = range(0, 2_000_000, 100_000)
    readings = [LevelReading(tick, 0, told, False, tick // 500_000 * 500_000) for tick in ticks]
    found = resistance(readings, probe, 0.95)
    assert isinstance(found, Resistance), found
    assert abs(found.ohm - contact) <= found.expanded_ohm
    assert found.expanded_ohm < 0.1 * contact + 0.05, found
