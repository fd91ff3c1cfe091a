"""What lies across a probe besides the points: told from the pattern of openings, flickers and Level readings.

Model. The probe sends the supply V through its resistance R (1 kΩ at 5 V: 5 mA) into the points; whatever else hangs on the lead lies
across them. A coil's primary is below 1 Ω (FAA-H-8083-32 gives 180 to 200 turns of about 18 gauge; resistance from memory), so that
closed points and a coil differ by about 0.6 Ω or 3 mV: less than one step of a 10-bit reading of 5 V. Two things can tell a coil from a
plain short all the same:

- As the points part, the probe's current must pass into the coil, whose inductance L (some mH, from memory) holds it off for about L/R,
  microseconds: a *brief opening* at the place of each true opening. A capacitor across the points (0.2 µF) swallows it, and not every
  board's pin catches it: no brief openings say nothing.
- With an amplifier the reading rises by gain · 5 mA · 0.6 Ω each time that the points part, *once per lobe*. The leads' resistance is in
  both readings and drops out of the step.

Limits. All this ranks causes by what was seen and says so; nothing here voids or invents an opening. The primary's own voltage as the
magnet turns is not modelled; it would show as a step once per lobe, too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from bench.bench_file import Probe
from bench.contacts import Change, ChannelTracker, Flicker, LevelReading

#: An opening shorter than this is none of the points': at a hand's speed they stay open for tens of milliseconds, seconds.
BRIEF_S = 1e-4
#: Flickers are "once per lobe" if they come in this share of the lobe spacings turned ...
LOBES_SHARE = 0.5
#: ... within so much of one place of the spacing, as a share of it (a compensated cam's offsets are a degree or two).
ONE_PLACE = 0.03
#: A level belongs to the lobe if a sine with a period of one lobe spacing explains this share of its variance.
EXPLAINED = 0.5
#: ... and such a share comes by chance with less than this probability.
SIGNIFICANCE = 0.001
#: Fewer readings than this tell no pattern.
LEAST_READINGS = 10
#: Openings of two probes within this time may be one opening on one wire, seconds: thresholds of 0.3 and 0.6 of the supply lie 2 ms
#: apart with 10 kΩ and 0.35 µF (R·C·ln(1/(1 - f)), circuit theory), and one of them alone may see a short parting that bounce ends.
TOGETHER_S = 5e-3
#: The same of closings. The points short capacitor and thresholds alike, so that on one wire only the board's latch is left (10 µs for
#: each channel, PROTOCOL.md). Two sets of points that scatter by 0.01° part by 70 µs at 150°/s.
CLOSED_TOGETHER_S = 5e-5
#: So many openings and so many closings must coincide before two probes are said to hang together: two passes of two lobes give that.
LEAST_TOGETHER = 3
#: Leads look swapped if swapping them brings all openings this much nearer to their targets, share of the distance.
SWAP_GAIN = 0.25
#: Open points are said to be bridged if they read below this share of the supply.
OPEN_SHARE = 0.95


@dataclass(frozen=True, slots=True)
class Geometry:
    """How counts and ticks stand for angle and time."""

    counts_per_turn: int
    tick_hz: int
    lobe_spacing_deg: float

    def phase(self, count: int) -> float:
        """Place of a count on the circle that one lobe spacing makes, radians."""
        return 2 * math.pi * count * 360.0 / self.counts_per_turn / self.lobe_spacing_deg


@dataclass(frozen=True, slots=True)
class ProbeSeen:
    """What one probe did: its state, whether it was ever open for good, the counts turned in its state, flickers and readings."""

    name: str
    channel: int
    is_open: bool
    has_opened: bool
    unchanged_counts: int
    flickers: tuple[Flicker, ...]
    readings: tuple[LevelReading, ...]

    @classmethod
    def of(cls, name: str, tracker: ChannelTracker) -> ProbeSeen:
        """What `tracker` has seen so far."""
        return cls(
            name,
            tracker.channel,
            bool(tracker.lasting_open),
            tracker.has_opened,
            tracker.unchanged_counts,
            tuple(tracker.flickers),
            tuple(tracker.readings),
        )


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that would explain it; `because` is the evidence for or against, empty if there is none."""

    code: str
    text: str
    because: str = ""


@dataclass(frozen=True, slots=True)
class Pattern:
    """What was seen, and what may have caused it, the likeliest first."""

    seen: str
    causes: tuple[Cause, ...]

    @property
    def text(self) -> str:
        """For the error: evidence, then causes in order."""
        causes = "; ".join(
            f"({n}) {c.text}" + (f" [{c.because}]" if c.because else "") for n, c in enumerate(self.causes, 1)
        )
        return f"Seen: {self.seen}. Likely causes, the likeliest first: {causes}."


COIL = Cause("coil", "the coil lead is still on the points")
GROUND_LEAD = Cause("ground-lead", "a grounding (P-) lead's spring still shorts them")
CAPACITOR = Cause("capacitor", "the capacitor is shorted")
JUMPER = Cause("jumper", "breakers are jumpered together")
NEVER_OPEN = Cause("never-open", "the points never open")
BARELY_OPEN = Cause("barely-open", "the points only just part: far too small a clearance, or a worn follower")
CLIP = Cause("clip", "the clip is off or sits on paint")
DIRTY = Cause("dirty", "the points are dirty or oily")
NEVER_CLOSE = Cause("never-close", "the points never close")


def ohms(ohm: float) -> str:
    """A resistance for a text, two figures."""
    return f"{float(f'{ohm:.2g}'):g} Ω"


def resolution_mv(probe: Probe) -> float:
    """Smallest step of a Level reading, millivolts as told: of the converter, but no less than the message's whole millivolts."""
    return max(probe.sense_full_scale_mv / (1 << probe.sense_bits), 1.0)


def current_ma(probe: Probe, open_mv: float | None) -> float | None:
    """Current through closed points, milliampere: as stated, else by the open level where no amplifier hides it; None if unknown."""
    if probe.current_ma is not None:
        return probe.current_ma
    if probe.supply_mv is not None:
        return probe.supply_mv / probe.ohm
    if open_mv is not None and probe.sense_gain == 1.0:
        return open_mv / probe.ohm
    return None


def stuck(seen: ProbeSeen, others: Sequence[ProbeSeen], probe: Probe, geometry: Geometry) -> Pattern:
    """Why a probe never changed for good: what was seen and the causes in the order of the evidence."""
    return _never_closed(seen, probe, geometry) if seen.is_open else _never_opened(seen, others, probe, geometry)


def _never_opened(seen: ProbeSeen, others: Sequence[ProbeSeen], probe: Probe, geometry: Geometry) -> Pattern:
    openings = [f for f in seen.flickers if not f.was_open]
    brief = [f for f in openings if f.longest_ticks < BRIEF_S * geometry.tick_hz]
    longer = [f for f in openings if f.longest_ticks >= BRIEF_S * geometry.tick_hz]
    wave = lobe_wave(seen.readings, geometry)
    step_ohm = _step_ohm(wave, probe)
    resolved = _resolved_ohm(seen.readings, probe)
    told: list[str] = []
    coil, never = COIL, NEVER_OPEN
    order = [coil, GROUND_LEAD, CAPACITOR, JUMPER, never]
    plain_short = False
    if longer:
        longest = max(f.longest_ticks for f in longer) / geometry.tick_hz
        told.append(f"{len(longer)} openings too short to be settled, the longest {longest * 1000:.2f} ms")
        order = [BARELY_OPEN, *order]
    if lobes := once_per_lobe(brief, seen.unchanged_counts, geometry):
        longest = max(f.longest_ticks for f in brief) / geometry.tick_hz
        told.append(f"brief openings of at most {longest * 1e6:.1f} µs at the same place of {lobes} lobes")
        coil = Cause(
            COIL.code,
            COIL.text,
            "the points work, but something of low resistance that holds current off lies across them",
        )
        order = [coil, *(c for c in order if c.code not in (COIL.code, NEVER_OPEN.code, GROUND_LEAD.code)), GROUND_LEAD]
    elif brief:
        told.append(f"brief openings ({len(brief)}), but not once per lobe")
    else:
        told.append("not even a brief opening")
    if step_ohm is not None:
        told.append(f"a level that rises and falls once per lobe by about {ohms(step_ohm)}")
        coil = Cause(
            COIL.code, COIL.text, f"the points work, and about {ohms(step_ohm)} more shows each time that they part"
        )
        order = [coil, *(c for c in order if c.code not in (COIL.code, NEVER_OPEN.code))]
    elif resolved is not None and not brief:
        plain_short = True
        told.append(f"a steady level, where {ohms(resolved)} would show")
        coil = Cause(COIL.code, COIL.text, "hardly: its resistance would show once per lobe")
        order = [c for c in order if c.code != COIL.code] + [coil]
    elif (wander := _wander_mv(seen.readings)) > 2 * resolution_mv(probe):
        told.append(f"a level that wanders by {wander} mV, but not with the lobes")
    elif seen.readings:
        told.append(f"a level in which a coil cannot be told from closed points{_too_coarse(seen.readings, probe)}")
    if any(o.has_opened for o in others):
        order = [c for c in order if c.code != JUMPER.code]
        told.append("another probe opened, so that they are not jumpered together")
    elif others and plain_short:
        told.append("no other probe opened either")
        order = [JUMPER, *(c for c in order if c.code != JUMPER.code)]
    return Pattern(", ".join(told), tuple(order))


def _never_closed(seen: ProbeSeen, probe: Probe, geometry: Geometry) -> Pattern:
    closings = [f for f in seen.flickers if f.was_open]
    wave = lobe_wave(seen.readings, geometry)
    told: list[str] = []
    order = [CLIP, DIRTY, NEVER_CLOSE]
    if closings:
        told.append(f"{len(closings)} contacts too short to be settled")
        order = [Cause(DIRTY.code, DIRTY.text, "they meet, but do not stay in contact"), CLIP, NEVER_CLOSE]
    if wave is not None and wave.step_mv > 2 * resolution_mv(probe) and probe.sense_gain == 1.0:
        # Low level m against high level M: the contact's resistance is R·m/(M - m).
        ohm = probe.ohm * wave.low_mv / (wave.high_mv - wave.low_mv)
        told.append(f"a level that falls once per lobe to {wave.low_mv:.0f} of {wave.high_mv:.0f} mV")
        order = [Cause(DIRTY.code, DIRTY.text, f"they meet with about {ohms(ohm)}"), CLIP, NEVER_CLOSE]
    elif not closings:
        told.append("not even a brief contact")
        if len(seen.readings) >= LEAST_READINGS:
            told.append("a steady level")
    return Pattern(", ".join(told), tuple(order))


@dataclass(frozen=True, slots=True)
class LobeWave:
    """Readings that rise and fall once per lobe: their lower and upper level (10th and 90th percentile), and the share explained."""

    low_mv: float
    high_mv: float
    explained: float

    @property
    def step_mv(self) -> float:
        """Distance between the levels."""
        return self.high_mv - self.low_mv


def lobe_wave(readings: Sequence[LevelReading], geometry: Geometry) -> LobeWave | None:
    """The readings' change with the place in the lobe spacing; None if there are too few, or the place explains too little.

    Least squares of m = a + b·cos φ + c·sin φ with φ the place; the share explained is that of the variance about the mean, R². Of n normal
    values without any wave R² exceeds r with probability (1 - r)^((n - 3)/2) (F test with 2 and n - 3 degrees of freedom), which must
    be below `SIGNIFICANCE`. A rotor at rest gives the same reading again and again: only the first at a count is taken.
    """
    first: dict[int, LevelReading] = {}
    for reading in readings:
        first.setdefault(reading.count, reading)
    if len(first) < LEAST_READINGS:
        return None
    readings = list(first.values())
    import numpy as np

    values = np.array([r.millivolts for r in readings], dtype=float)
    turned = np.array([geometry.phase(r.count) for r in readings])
    design = np.column_stack((np.ones(len(values)), np.cos(turned), np.sin(turned)))
    found, _, rank, _ = np.linalg.lstsq(design, values, rcond=None)
    whole = float(np.sum((values - values.mean()) ** 2))
    if rank < 3 or whole == 0.0:
        return None
    explained = 1.0 - float(np.sum((values - design @ found) ** 2)) / whole
    low, high = np.quantile(values, [0.1, 0.9])
    chance = (1.0 - min(explained, 1.0)) ** ((len(values) - 3) / 2)
    return LobeWave(float(low), float(high), explained) if explained >= EXPLAINED and chance < SIGNIFICANCE else None


def once_per_lobe(flickers: Sequence[Flicker], turned_counts: int, geometry: Geometry) -> int:
    """In how many lobe spacings flickers came at one and the same place; 0 if in less than `LOBES_SHARE` of those turned, or than 2.

    Points that bounce as they close flicker at a second place, so that the place with most of them is looked at.
    """
    spacing = geometry.counts_per_turn * geometry.lobe_spacing_deg / 360.0
    most = 0
    for centre in flickers:
        turned = [(f.count - centre.count) / spacing for f in flickers]
        most = max(most, len({round(t) for t in turned if abs(t - round(t)) <= ONE_PLACE}))
    return most if most >= max(2, LOBES_SHARE * math.floor(turned_counts / spacing)) else 0


def _step_ohm(wave: LobeWave | None, probe: Probe) -> float | None:
    current = current_ma(probe, None)
    if wave is None or current is None or wave.step_mv <= 2 * resolution_mv(probe):
        return None
    return wave.step_mv / probe.sense_gain / current


def _resolved_ohm(readings: Sequence[LevelReading], probe: Probe) -> float | None:
    """Two steps of the reading in ohm, if it is steady and no coil could hide behind them."""
    current = current_ma(probe, None)
    if len(readings) < LEAST_READINGS or current is None or _wander_mv(readings) > 2 * resolution_mv(probe):
        return None
    ohm = 2 * resolution_mv(probe) / probe.sense_gain / current
    return ohm if ohm < 0.2 else None


def _wander_mv(readings: Sequence[LevelReading]) -> int:
    values = [r.millivolts for r in readings]
    return max(values) - min(values) if values else 0


def _too_coarse(readings: Sequence[LevelReading], probe: Probe) -> str:
    current = current_ma(probe, None)
    if current is None or len(readings) < LEAST_READINGS:
        return ""
    return f" (one step of it is {ohms(resolution_mv(probe) / probe.sense_gain / current)})"


# --- of a measurement that went on ---------------------------------------------------------------------------------------


def together(first: Sequence[Change], second: Sequence[Change], tick_hz: int) -> bool:
    """True if two probes' settled changes, of both kinds, coincide as only one and the same wire makes them.

    Two sets of points timed to open together may do so within hundredths of a degree, but hardly close together as well, and not each time.
    """
    if not first or not second:
        return False
    for opened, within_s in ((True, TOGETHER_S), (False, CLOSED_TOGETHER_S)):
        reach = int(within_s * tick_hz)
        one = sorted(c.edge.tick for c in first if c.opened is opened)
        other = sorted(c.edge.tick for c in second if c.opened is opened)
        low = max(one[0], other[0]) - reach if one and other else 0
        high = min(one[-1], other[-1]) + reach if one and other else 0
        one = [t for t in one if low <= t <= high]
        other = [t for t in other if low <= t <= high]
        if len(one) != len(other) or len(one) < LEAST_TOGETHER:
            return False
        if any(abs(a - b) > reach for a, b in zip(one, other, strict=True)):
            return False
    return True


def swapped(measured_deg: Sequence[float], targets_deg: Sequence[float], spacing_deg: float) -> bool:
    """True if two breakers open near each other's targets rather than near their own. Angles past neutral, degrees.

    Sum of squared distances to the targets (on the circle of one lobe spacing) as connected and as swapped; the second must be below
    the square of `SWAP_GAIN` times the first. Two targets alike tell nothing.
    """
    (a, b), (s, t) = measured_deg, targets_deg

    def apart(x: float, y: float) -> float:
        return (x - y + spacing_deg / 2) % spacing_deg - spacing_deg / 2

    as_is = apart(a, s) ** 2 + apart(b, t) ** 2
    other = apart(a, t) ** 2 + apart(b, s) ** 2
    return other < SWAP_GAIN**2 * as_is


def bridged_ohm(readings: Sequence[LevelReading], probe: Probe) -> float | None:
    """Resistance across the open points, ohm, if they read clearly below the supply; None if not, or if it is not known.

    Divider: R·m/(V - m) for the median reading m. A secondary, a leaking capacitor or wet insulation lies there.
    """
    if probe.supply_mv is None or probe.sense_gain != 1.0:
        return None
    settled = [r.millivolts for r in readings if r.is_open]
    if len(settled) < LEAST_READINGS:
        return None
    middle = median(settled)
    if middle >= OPEN_SHARE * probe.supply_mv:
        return None
    return probe.ohm * middle / (probe.supply_mv - middle)
