"""The probe circuit by hand formulae. Its parts are read from `drawings/circuits/parts.inc`, the one place where they stand.

Ohm's law, charging of a capacitor (any textbook), energy of a capacitor and of a coil. What the simulation adds, diodes' curves
above all, is left out here: the tests compare the two within what that can make.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tests.hardware import spice

#: ATmega328P data sheet, DC characteristics at 2.4 V to 5.5 V: surely low up to 0.3, surely high from 0.6 of the supply.
LOW_SHARE, HIGH_SHARE = 0.3, 0.6
#: ATmega328P data sheet, absolute maximum ratings: supply; and what may flow into a pin's own diodes (application note on
#: zero crossing, from memory).
SUPPLY_LIMIT_V = 6.0
PIN_LIMIT_A = 1e-3
#: Breakdown of the suppressor by its data sheet's class, least and greatest, at 1 mA.
CLAMP_V = (13.3, 14.7)
#: A USB port's voltage at a device, least and greatest.
PORT_V = (4.75, 5.25)


@dataclass(frozen=True, slots=True)
class Parts:
    """The circuit's parts; ohm, farad, volt, ampere."""

    supply_v: float
    supply_ohm: float
    clip_ohm: float
    sense_ohm: float
    pin_ohm: float
    pin_f: float
    contact_ohm: float
    points_f: float
    pulse_v: float

    @property
    def source_ohm(self) -> float:
        """The probe's source resistance."""
        return self.supply_ohm + self.clip_ohm

    @property
    def to_pin_ohm(self) -> float:
        """All that lies between clip and pin."""
        return 2 * self.sense_ohm + self.pin_ohm


def parts() -> Parts:
    """The parts as `parts.inc` has them."""
    p = spice.parameters()
    return Parts(
        p["v_supply"],
        p["r_supply"],
        p["r_clip"],
        p["r_sense"],
        p["r_pin"],
        p["c_pin"],
        p["r_contact"],
        p["c_points"],
        p["v_pulse"],
    )


def wetting_a(p: Parts, contact_ohm: float = 0.0) -> float:
    """Current through closed points, ampere."""
    return p.supply_v / (p.source_ohm + contact_ohm)


def level_v(p: Parts, contact_ohm: float) -> float:
    """Voltage at the pin with that resistance across the clips, volt: a divider."""
    return p.supply_v * contact_ohm / (p.source_ohm + contact_ohm)


def contact_ohm_at(p: Parts, share: float) -> float:
    """Resistance across the clips at which the pin has that share of the supply, ohm."""
    return p.source_ohm * share / (1 - share)


def delay_s(source_ohm: float, points_f: float, share: float) -> float:
    """From the points' opening to the share of the supply at the clip, seconds: R C ln(1/(1 - f))."""
    return source_ohm * points_f * math.log(1 / (1 - share))


def pin_lag_s(p: Parts) -> float:
    """By how much the pin follows the clip on a slow ramp, seconds: R C."""
    return p.to_pin_ohm * p.pin_f


def stored_joule(p: Parts) -> float:
    """In the capacitor across the points, charged to the pulse's voltage: C V² / 2."""
    return p.points_f * p.pulse_v**2 / 2


def clip_ampere(p: Parts, positive: bool) -> float:
    """Greatest current in the series element: what the clamp leaves of the voltage, over its resistance."""
    across = p.pulse_v - sum(CLAMP_V) / 2 if positive else p.pulse_v + 0.8
    return across / p.clip_ohm


def clip_joule(p: Parts, positive: bool) -> float:
    """Heat in the series element. The charge C V flows through it, less what the clamp keeps out and what the sense path takes.

    Exponential decay towards the clamp's voltage U: C (V - U)² / 2, times the share of the current that takes this way.
    """
    across = p.pulse_v - sum(CLAMP_V) / 2 if positive else p.pulse_v + 0.8
    share = (1 / p.clip_ohm) / (1 / p.clip_ohm + 1 / (2 * p.sense_ohm))
    return p.points_f * across**2 / 2 * share


def fed_back_a(p: Parts) -> float:
    """Into the supply while the clamp holds, ampere."""
    return (CLAMP_V[1] - p.supply_v) / p.supply_ohm


def sense_ampere(p: Parts) -> float:
    """Greatest current through the sense resistors, ampere (the diode takes another 0.7 V, left out)."""
    return p.pulse_v / (2 * p.sense_ohm)


def repeated_watt(p: Parts, pulses_per_s: float) -> float:
    """Mean power in the series element if such a pulse comes so often."""
    return clip_joule(p, True) * pulses_per_s


def ring_v(broken_a: float, turns: float, primary_h: float, points_f: float, secondary_f: float) -> float:
    """Peak on the secondary when a current in the primary is broken, losses left out, volt.

    All of L I² / 2 goes into the capacitor across the points and the secondary's own, which the turns ratio n makes n² times as large
    seen from the primary: V = n I √(L / (C + n² C2)).
    """
    return turns * broken_a * math.sqrt(primary_h / (points_f + turns * turns * secondary_f))


def step_ohm(current_a: float, gain: float, full_scale_v: float = 5.0, bits: int = 10) -> float:
    """One step of the converter as a resistance of the points, ohm."""
    return full_scale_v / (1 << bits) / gain / current_a


@dataclass(frozen=True, slots=True)
class AmplifierParts:
    """Feedback of the difference amplifier; its inputs are the probe's sense resistors."""

    feedback_ohm: float
    gain: float


def amplifier_parts() -> AmplifierParts:
    """Parts of the amplifier as `amplifier.cir` has them; the gain is feedback over both sense resistors."""
    feedback = spice.parameters("amplifier.cir")["r_feedback"]
    return AmplifierParts(feedback, feedback / (2 * parts().sense_ohm))


def supply_rise_v(p: Parts) -> float:
    """Upper bound of the board's supply after a pulse, volt: what R1 lets back while the clamp holds, less what the board draws.

    The clamp holds until R2 has discharged the capacitor to its voltage: R2 C ln(V/U).
    """
    figures = spice.parameters()
    held_s = p.clip_ohm * p.points_f * math.log(p.pulse_v / CLAMP_V[0])
    return p.supply_v + (fed_back_a(p) - figures["i_board"]) * held_s / figures["c_board"]


def pin_ampere(p: Parts) -> float:
    """Upper bound of what flows into a pin's own diodes, ampere: what a 1N4148 at 20 mA (0.9 V, data sheet class) leaves over R5."""
    return 0.9 / p.pin_ohm


def sampling_bump_v(p: Parts, sampler_f: float = 14e-12) -> float:
    """How far the converter's sampling capacitor (14 pF, data sheet) pulls the pin when it comes from the other end, volt."""
    return p.supply_v * sampler_f / (sampler_f + p.pin_f)


def nearest_baud(baud: int, clock_hz: int = 16_000_000) -> tuple[float, float]:
    """The rate nearest to `baud` that the serial unit can make, and its error: clock/(8 (n + 1)), ATmega328P data sheet, double speed."""
    divisor = round(clock_hz / 8 / baud)
    nearest = clock_hz / 8 / divisor
    return nearest, nearest / baud - 1
