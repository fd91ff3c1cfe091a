"""What a measurement says of each breaker's points and probe, put together from its run and its evaluation.

Nothing here goes into an angle: it is told beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from bench import contact_quality, contact_resistance, probe_patterns
from bench.contact_quality import Chatter, Finding, OpeningSeen, Spread, StaticDifference
from bench.contact_resistance import NotMeasurable, Resistance
from bench.contacts import Change
from bench.evaluation import BreakerResult, Evaluation, LobeMean, capacitor_delay_s
from bench.job import Breaker, ReferenceKind
from bench.run import BreakerTrace, Run


@dataclass(frozen=True, slots=True)
class LobeContacts:
    """One lobe's contacts; None where nothing was seen."""

    lobe: int
    chatter: Chatter | None
    closing: Spread | None
    dwell: Spread | None


@dataclass(frozen=True, slots=True)
class BreakerContacts:
    """One breaker's contacts."""

    breaker: Breaker
    lobes: tuple[LobeContacts, ...]
    static: StaticDifference | None
    resistance: Resistance | NotMeasurable
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Contacts:
    """All breakers' contacts, and notes (code, text) for the record."""

    breakers: tuple[BreakerContacts, ...]
    notes: tuple[tuple[str, str], ...]


def of_run(run: Run, evaluation: Evaluation) -> Contacts:
    """Contacts of a run that has been evaluated; may be called at any time."""
    found = tuple(
        _breaker(run, evaluation, result, trace)
        for result, trace in zip(evaluation.breakers, run.epoch.traces, strict=True)
    )
    notes = [
        (f.code, f"{b.breaker.name}{'' if f.lobe is None else f' lobe {f.lobe}'}: {f.text}.")
        for b in found
        for f in b.findings
    ]
    for contacts in found:
        if contacts.static is not None and contacts.static.differs:
            text = contact_quality.static_text(contacts.static)
            notes.append(("static-differs", f"{contacts.breaker.name}: {text}"))
    return Contacts(found, (*notes, *_wiring(run, evaluation)))


def _breaker(run: Run, evaluation: Evaluation, result: BreakerResult, trace: BreakerTrace) -> BreakerContacts:
    breaker, bench = result.breaker, run.settings.bench
    count_deg = 360.0 / run.counts_per_turn
    every = [o for opening in result.openings for o in _seen(run, evaluation, breaker, opening.mean)]
    readings = run.level_readings(breaker)
    resistance = contact_resistance.resistance(readings, bench.probe, bench.decision.confidence)
    _, half_s = capacitor_delay_s(breaker, bench.probe)
    return BreakerContacts(
        breaker,
        tuple(_lobe(run, trace, o.mean.lobe, [s for s in every if s.lobe == o.mean.lobe]) for o in result.openings),
        contact_quality.static_against_turning(every, count_deg, half_s, bench.decision.confidence),
        resistance,
        (
            *contact_quality.findings(every, count_deg),
            *contact_resistance.findings(readings, bench.probe, resistance),
        ),
    )


def _seen(run: Run, evaluation: Evaluation, breaker: Breaker, mean: LobeMean) -> list[OpeningSeen]:
    """The openings that the lobe's angle was made from."""
    spacing, count_deg = run.job.unit.lobe_spacing_deg, 360.0 / run.counts_per_turn
    found = []
    for taken in mean.passes:
        zero = evaluation.zero_deg + taken.ordinal * spacing
        opening = taken.taken.opening
        # Of a static opening the middle of its count, since no fit through its edges holds.
        static = contact_quality.is_static(opening.edge.contact, run.tick_hz, count_deg)
        found.append(
            contact_quality.seen(
                mean.lobe,
                opening,
                run.tick_hz,
                count_deg,
                (taken.middle_deg if static else taken.angle_deg) - zero,
                taken.speed_deg_s,
                None if taken.closing_deg is None else taken.closing_deg - zero,
                taken.dwell_deg,
                contact_quality.false_start_deg(
                    opening, taken.taken.closing_before, run.flickers(breaker), run.counts_per_turn, run.sense
                ),
            )
        )
    return found


def _lobe(run: Run, trace: BreakerTrace, lobe: int, seen: Sequence[OpeningSeen]) -> LobeContacts:
    # What an edge's place shares with all others of the lobe is the sixth part of a count at most; the count's own share is kept.
    common = 360.0 / run.counts_per_turn / math.sqrt(12)
    turning = [o for o in seen if not o.static]
    return LobeContacts(
        lobe,
        contact_quality.chatter(_every(run, trace, lobe)),
        contact_quality.spread([o.closing_deg for o in turning if o.closing_deg is not None], common),
        contact_quality.spread([o.dwell_deg for o in turning if o.dwell_deg is not None], common),
    )


def _every(run: Run, trace: BreakerTrace, lobe: int) -> list[OpeningSeen]:
    """All passes of a lobe, those that were left out of its angle as wild included."""
    count_deg, lobes = 360.0 / run.counts_per_turn, run.job.unit.lobes
    return [
        contact_quality.seen(lobe, p.opening, run.tick_hz, count_deg, math.nan, math.nan)
        for p, ordinal in zip(trace.passes, trace.ordinals, strict=True)
        if ordinal % lobes == lobe
    ]


def _wiring(run: Run, evaluation: Evaluation) -> list[tuple[str, str]]:
    """What openings and levels say of the wiring."""
    notes = []
    for one, other in combinations(run.epoch.traces, 2):
        if probe_patterns.together(_changes(one), _changes(other), run.tick_hz):
            notes.append(
                (
                    "probes-change-together",
                    f"{one.breaker.name} and {other.breaker.name} open and close at the same instants, as one wire does: look for a jumper "
                    "between the breakers, or both clips on one terminal. If so, both angles are those of the two together.",
                )
            )
    for first, second in combinations(evaluation.breakers, 2):
        angles = [_from_neutral_deg(b) for b in (first, second)]
        targets = [_target_deg(run, b.breaker) for b in (first, second)]
        known = [v for v in (*angles, *targets) if v is not None]
        if len(known) == 4 and probe_patterns.swapped(known[:2], known[2:], run.job.unit.lobe_spacing_deg):
            notes.append(
                (
                    "leads-perhaps-swapped",
                    f"{first.breaker.name} opens where {second.breaker.name} should, and the other way round: the probes' leads may be "
                    "swapped. Nothing was exchanged; look, and measure again if they are.",
                )
            )
    for trace in run.epoch.traces:
        ohm = probe_patterns.bridged_ohm(run.level_readings(trace.breaker), run.settings.bench.probe)
        if ohm is not None:
            notes.append(
                (
                    "open-level-low",
                    f"{trace.breaker.name}: open, the points are bridged by about {probe_patterns.ohms(ohm)}: a coil by way of its "
                    "secondary, a leaking capacitor, or wet insulation. It lengthens the probe's delay beyond what is allowed for.",
                )
            )
    return notes


def _changes(trace: BreakerTrace) -> list[Change]:
    openings = [p.opening for p in trace.passes]
    # A closing between two passes belongs to both.
    closings = {c.edge.tick: c for p in trace.passes for c in (p.closing_before, p.closing_after) if c is not None}
    return openings + list(closings.values())


def _from_neutral_deg(result: BreakerResult) -> float | None:
    found = [o.from_neutral.value_deg for o in result.openings if o.from_neutral is not None]
    return math.fsum(found) / len(found) if found else None


def _target_deg(run: Run, breaker: Breaker) -> float | None:
    """Target past neutral, through other breakers' targets; None if there is none."""
    reference, tolerance = breaker.reference, breaker.tolerance
    if tolerance is None or reference.kind is ReferenceKind.MARK:
        return None
    if reference.kind is ReferenceKind.NEUTRAL or reference.breaker is None:
        return tolerance.target_deg
    base = _target_deg(run, run.job.breaker(reference.breaker))
    return None if base is None else base + tolerance.target_deg
