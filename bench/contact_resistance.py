"""Resistance of closed points by the probe's Level readings, where the probe circuit can tell it.

Model. The probe sends a current I through leads and closed points; a Level reading is gain x (voltage across the points), so that
R = m/(gain·I) - R_leads. Where neither current nor supply is stated and there is no amplifier, the supply is taken from the open
readings of the same channel: R = R_probe·m/(M - m).

Uncertainty. Between stretches of closed points: type A of the stretches' means. One step of the reading: rectangular, not lowered by
repeating, as a steady voltage gives the same figure each time. Offset, gain and current: the bench file's bounds. Leads: its bounds,
unless the sense lead is one of its own (four-wire). Temperature and thermal voltages are not modelled; a film that a few milliamperes
do not break down, the primary's current may.

It is "not measurable" when the figure cannot be told from nil and its expanded uncertainty exceeds 0.1 Ω, which would be of no use either.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from bench.bench_file import Probe
from bench.contact_quality import SIGNIFICANCE, Finding
from bench.contacts import LevelReading
from bench.probe_patterns import LEAST_READINGS, current_ma, ohms, resolution_mv
from bench.uncertainty import coverage_factor, welch_satterthwaite

#: A figure that is no surer than this and not told from nil is not stated, ohm; common practice, no source.
USEFUL_OHM = 0.1
#: Closed points above this are worth a look, ohm: the primary itself is below 1 Ω (memory), so that they would halve its current.
HIGH_OHM = 1.0


@dataclass(frozen=True, slots=True)
class OhmTerm:
    """One source of uncertainty, ohm."""

    source: str
    kind: str
    u_ohm: float
    freedom: float


@dataclass(frozen=True, slots=True)
class Resistance:
    """Resistance of one breaker while closed. `resolution_ohm` is one step of the reading."""

    ohm: float
    u_ohm: float
    expanded_ohm: float
    coverage_factor: float
    resolution_ohm: float
    readings: int
    terms: tuple[OhmTerm, ...]


@dataclass(frozen=True, slots=True)
class NotMeasurable:
    """Why there is no figure; one step of the reading and an upper limit in ohm, where these are known."""

    reason: str
    resolution_ohm: float | None
    below_ohm: float | None


def resistance(readings: Sequence[LevelReading], probe: Probe, confidence: float) -> Resistance | NotMeasurable:
    """The resistance of one breaker's closed points from its settled readings, with the probability `confidence`."""
    closed = [r for r in readings if not r.is_open]
    if not readings:
        return NotMeasurable("the board sends no analogue readings of this probe", None, None)
    if len(closed) < LEAST_READINGS:
        return NotMeasurable(f"only {len(closed)} readings came while the points were closed", None, None)
    opened = [r.millivolts for r in readings if r.is_open]
    current = current_ma(probe, median(opened) if opened else None)
    if current is None:
        return NotMeasurable(
            "the current through the points is not known: state current_ma in the bench file", None, None
        )
    step = resolution_mv(probe) / probe.sense_gain / current
    if max(r.millivolts for r in closed) >= probe.sense_full_scale_mv - resolution_mv(probe):
        least = probe.sense_full_scale_mv / probe.sense_gain / current
        return NotMeasurable(f"the reading is at its upper end: {ohms(least)} or more", step, None)
    means = [math.fsum(s) / len(s) for s in _stretches(closed)]
    mv = math.fsum(means) / len(means) / probe.sense_gain
    if probe.current_ma is None:
        # No source of constant current: what drops across the points is missing from the supply.
        current -= mv / probe.ohm
    low, high = (0.0, 0.0) if probe.four_wire else probe.lead_ohm
    whole = mv / current
    ohm = whole - (low + high) / 2
    terms = _terms(means, whole, current, step, (high - low) / 2, probe)
    u = math.sqrt(math.fsum(t.u_ohm**2 for t in terms))
    k = coverage_factor(welch_satterthwaite([(t.u_ohm, t.freedom) for t in terms]), confidence)
    if ohm <= k * u and k * u > USEFUL_OHM:
        return NotMeasurable(
            f"one step of the reading is {ohms(step)}, and all uncertainties together ± {ohms(k * u)}: an amplifier and a sense lead would "
            "tell it",
            step,
            max(ohm, 0.0) + k * u,
        )
    return Resistance(ohm, u, k * u, k, step, len(closed), terms)


def _terms(
    means: Sequence[float], whole_ohm: float, current: float, step_ohm: float, lead_half_ohm: float, probe: Probe
) -> tuple[OhmTerm, ...]:
    terms = []
    if len(means) > 1:
        mean = math.fsum(means) / len(means)
        s = math.sqrt(math.fsum((m - mean) ** 2 for m in means) / (len(means) - 1))
        u = s / math.sqrt(len(means)) / probe.sense_gain / current
        terms.append(OhmTerm("repeatability of closed stretches", "A", u, len(means) - 1))
    for source, half in (
        ("step of the reading", step_ohm / 2),
        ("offset of the reading", probe.sense_offset_mv / current),
        ("gain and current", abs(whole_ohm) * probe.sense_error),
        ("leads and clips", lead_half_ohm),
    ):
        terms.append(OhmTerm(source, "B", half / math.sqrt(3), math.inf))
    return tuple(terms)


def findings(readings: Sequence[LevelReading], probe: Probe, found: Resistance | NotMeasurable) -> tuple[Finding, ...]:
    """Closed points that read too high, or whose level goes on falling after they have met."""
    seen = []
    if isinstance(found, Resistance) and found.ohm - found.expanded_ohm > HIGH_OHM:
        seen.append(
            Finding(
                "closed-level-high",
                None,
                f"closed, the points have {ohms(found.ohm)} ± {ohms(found.expanded_ohm)} at the probe's current: dirty or burnt, or a "
                "bad clip",
            )
        )
    falls = falling_mv(readings)
    if falls is not None and falls > resolution_mv(probe):
        seen.append(
            Finding(
                "closed-level-falls",
                None,
                f"after the points have met, the level goes on falling, by {falls:.0f} mV over a closed stretch (median; sign test, "
                f"one-sided at {100 * SIGNIFICANCE:g} %): a film that wears through slowly",
            )
        )
    return tuple(seen)


def falling_mv(readings: Sequence[LevelReading]) -> float | None:
    """Median fall from the first to the last reading of a closed stretch, millivolts; None unless most stretches surely fall.

    Sign test (binomial with probability ½), one-sided at `SIGNIFICANCE`; a stretch without change is left out. It asks for no
    shape of the fall, which depends on how long each stretch lasts.
    """
    drops = [s[0] - s[-1] for s in _stretches([r for r in readings if not r.is_open]) if len(s) > 1]
    changed = [d for d in drops if d]
    n, fell = len(changed), sum(d > 0 for d in changed)
    chance = sum(math.comb(n, k) for k in range(fell, n + 1)) / 2**n
    return median(changed) if n and chance <= SIGNIFICANCE else None


def _stretches(readings: Sequence[LevelReading]) -> list[list[int]]:
    by_start: dict[int, list[int]] = {}
    for reading in readings:
        by_start.setdefault(reading.since_tick, []).append(reading.millivolts)
    return list(by_start.values())
