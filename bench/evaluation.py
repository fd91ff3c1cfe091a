"""From passes to angles: per lobe the mean opening past its reference, with budget and verdict."""

from __future__ import annotations

import cmath
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from bench import jump, monte_carlo, outliers, speed_fit, steadiness, swing
from bench import neutral as neutral_module
from bench.bench_file import BenchFile, Probe
from bench.contacts import Change
from bench.encoder import Place, edge_place, rest_place
from bench.job import Breaker, Difference, Reference, ReferenceKind, Tolerance
from bench.jump import Crossed, Jump
from bench.motion import Rest
from bench.neutral import Estimate, Finer, LiftedNeutral, Mark, Neutral
from bench.procedure import PressMark
from bench.run import BreakerTrace, Measured, Pass, Run
from bench.speed_fit import SpeedFit
from bench.steadiness import Crossing, Drift
from bench.swing import TurningPoint
from bench.uncertainty import (
    Budget,
    Shape,
    Term,
    arcsine,
    coverage_factor,
    rectangular,
    type_a,
    welch_satterthwaite,
)
from bench.verdict import Verdict, decide, probability_inside

#: Latch error of contact against encoder edges that PROTOCOL.md allows a board, seconds.
LATCH_S = 10e-6


@dataclass(frozen=True, slots=True)
class PassAngle:
    """One pass: running angle on the disc (delay taken off), its own standard uncertainty, speed, and what it is made from."""

    taken: Pass
    ordinal: int
    place: Place
    angle_deg: float
    u_deg: float
    speed_deg_s: float
    #: The middle of the opening's count, as at rest; where the closing after it was; how far the closing before it lies back.
    middle_deg: float
    closing_deg: float | None
    dwell_deg: float | None


def capacitor_delay_s(breaker: Breaker, probe: Probe) -> tuple[float, float]:
    """Middle and half-width of the delay from contact to edge, seconds: R·C·ln(1/(1-f)) over the threshold's range."""
    low_uf, high_uf = (
        (0.0, probe.unstated_capacitor_uf) if breaker.capacitor_uf is None else (breaker.capacitor_uf,) * 2
    )
    low = probe.ohm * low_uf * 1e-6 * math.log(1 / (1 - probe.threshold[0]))
    high = probe.ohm * high_uf * 1e-6 * math.log(1 / (1 - probe.threshold[1]))
    return (low + high) / 2, (high - low) / 2


@dataclass(frozen=True, slots=True)
class LobeMean:
    """All passes of one lobe. `angle_deg` counts from lobe 0's zero plus `lobe` spacings."""

    lobe: int
    passes: tuple[PassAngle, ...]
    angle_deg: float
    scatter_deg: float | None
    #: The line that gives the zero-speed angle, where it makes the angle surer; `angle_deg` is then taken from it.
    line: SpeedFit | None
    speed_deg_s: float
    u_place_deg: float
    closing_deg: float | None
    dwell_deg: float | None
    bounce_ms: float | None
    mean_bounce_s: float
    void: int


@dataclass(frozen=True, slots=True)
class Angle:
    """A value with its budget."""

    value_deg: float
    budget: Budget


@dataclass(frozen=True, slots=True)
class PairResult:
    """A lobe's mean past one neutral (index from the one first marked), over so many passes."""

    neutral: int
    passes: int
    angle: Angle


@dataclass(frozen=True, slots=True)
class OpeningResult:
    """What is stated of one lobe of one breaker."""

    mean: LobeMean
    from_neutral: Angle | None
    angle: Angle | None
    tolerance: Tolerance | None
    verdict: Verdict
    probability: float | None
    #: Of a compensated cam: the angle past each neutral that the lobe met.
    pairs: tuple[PairResult, ...]


@dataclass(frozen=True, slots=True)
class SpreadResult:
    """How far a breaker's lobes differ: the latest opening less the earliest, each past its neutral and less its stated offset."""

    early_lobe: int
    late_lobe: int
    angle: Angle


@dataclass(frozen=True, slots=True)
class BreakerResult:
    """What is stated of one breaker."""

    breaker: Breaker
    openings: tuple[OpeningResult, ...]
    spread: SpreadResult | None


@dataclass(frozen=True, slots=True)
class DifferenceResult:
    """Distance between two breakers' openings of one lobe."""

    difference: Difference
    lobe: int
    angle: Angle
    verdict: Verdict
    probability: float


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Everything that the passes so far say. `neutral.angle_deg` is on the disc, in the running direction."""

    neutral: Neutral | None
    #: How far the followers pull neutral, where it was taken with them lifted and down.
    cam_pull: LiftedNeutral | None
    zero_deg: float
    breakers: tuple[BreakerResult, ...]
    differences: tuple[DifferenceResult, ...]
    notes: tuple[tuple[str, str], ...]

    def verdicts(self) -> list[Verdict]:
        """Every verdict on something limited."""
        found = [o.verdict for b in self.breakers for o in b.openings if o.tolerance is not None]
        return found + [d.verdict for d in self.differences]


def evaluate(run: Run) -> Evaluation:
    """Evaluate what `run` has gathered, of a guided job what was verified; may be called at any time."""
    return _Evaluator(run, run.as_left or run.measured()).evaluate()


def evaluate_as_found(run: Run) -> Evaluation | None:
    """Evaluate a guided job's passes before anything was touched; None while they are not complete."""
    return None if run.as_found is None else _Evaluator(run, run.as_found).evaluate()


@dataclass(frozen=True, slots=True)
class Placed:
    """Zero on the disc, degrees in the running direction, and the mean and passes of every lobe, by breaker; no budgets."""

    zero_deg: float
    lobes: dict[str, tuple[LobeMean, ...]]


def placed(run: Run) -> Placed:
    """What `evaluate` builds its angles on, without their uncertainties: for a picture, in a fraction of the time."""
    return _Evaluator(run, run.as_left or run.measured()).placed()


def placed_as_found(run: Run) -> Placed | None:
    """The same of what was measured before anything was touched; None while that is not complete."""
    return None if run.as_found is None else _Evaluator(run, run.as_found).placed()


def evaluate_running(run: Run) -> Evaluation:
    """What the passes so far say, for a screen: intervals by k from t alone, without propagation of distributions. Quick."""
    return _Evaluator(run, run.as_left or run.measured(), propagates=False).evaluate()


class LivePlaces:
    """Places past the zero as it is known when this is made: what a screen shows while the rotor turns. No budgets."""

    def __init__(self, run: Run) -> None:
        self._evaluator = _Evaluator(run, run.measured())
        self._evaluator.place_zero()

    def rotor_deg(self, count: int) -> float:
        """Degrees past the zero of a rotor at rest at `count`."""
        evaluator = self._evaluator
        return evaluator.running_deg(rest_place(count, evaluator.offsets)) - evaluator.zero

    def opening_deg(self, breaker: Breaker, change: Change) -> float:
        """Degrees past the zero at which `breaker` opened, the capacitor's delay taken off."""
        evaluator = self._evaluator
        delay_s = capacitor_delay_s(breaker, evaluator.bench.probe)[0]
        return evaluator.pass_angle(Pass(change, None), 0, delay_s).angle_deg - evaluator.zero

    def target_from_neutral_deg(self, breaker: Breaker, lobe: int) -> float | None:
        """The target of one lobe as an angle past neutral, if its chain of references leads there by targets alone."""
        return self._evaluator.target_from_neutral(breaker, lobe)


class _Evaluator:
    def __init__(self, run: Run, measured: Measured, propagates: bool = True) -> None:
        self.propagates = propagates
        self.run = run
        self.measured = measured
        self.job = run.job
        self.bench: BenchFile = run.settings.bench
        self.count_deg = 360.0 / run.counts_per_turn if run.counts_per_turn else 0.0
        self.offsets = measured.offsets
        # Places on the disc count from the index; without one seen since the zero began they are not known.
        index, mapped = measured.index_count, run.settings.encoder_map
        self.mapped = None if mapped is None or index is None else (mapped, index)
        self.spacing = run.job.unit.lobe_spacing_deg
        self.neutral: Neutral | None = None
        self.cam_pull: LiftedNeutral | None = None
        self.zero = 0.0
        self.notes: list[tuple[str, str]] = []
        self.means: dict[str, list[LobeMean]] = {}
        self.changes: dict[int, float] = {}
        self.drifts: dict[str, Drift] = {}
        self.jumps: dict[str, Jump] = {}
        #: How far the lobes show the disc to err over its turn, where that is more than is stated.
        self.off_centre_deg = 0.0

    def place_zero(self) -> None:
        notes = self.notes
        if self.run.settings.encoder_map is not None and self.mapped is None:
            notes.append(
                (
                    "encoder-map-unused",
                    "No index signal came since the zero began, so that the encoder map could not be used; the bound on how far the "
                    "encoder is off-centre stands in the budget instead.",
                )
            )
        self.neutral = self._neutral()
        if self.neutral is not None:
            self.zero = self.neutral.angle_deg
            notes += self._neutral_notes(self.neutral)
        else:
            rough = self.measured.lobe_zero_counts
            self.zero = 0.0 if rough is None else rough * self.count_deg

    def _place(self) -> None:
        self.place_zero()
        self.means = {t.breaker.name: self._lobes(t) for t in self.measured.traces}

    def placed(self) -> Placed:
        self._place()
        return Placed(self.zero, {name: tuple(lobes) for name, lobes in self.means.items()})

    def evaluate(self) -> Evaluation:
        self._place()
        self._look_at_steadiness()
        breakers = tuple(self._breaker(b) for b in self.job.breakers)
        differences = tuple(r for d in self.job.differences for r in self._difference(d))
        notes = tuple(dict.fromkeys(self.notes))
        return Evaluation(self.neutral, self.cam_pull, self.zero, breakers, differences, notes)

    # --- neutral -----------------------------------------------------------------------------------------------------

    def running_deg(self, place: Place) -> float:
        return self._mapped(place.counts * self.run.sense * self.count_deg)

    def _mapped(self, read_deg: float) -> float:
        """An angle on the disc as read, in the running direction, put right by the encoder's map if there is one."""
        if self.mapped is None:
            return read_deg
        return read_deg + self.run.sense * self.mapped[0].correction_deg(self._from_index(read_deg))

    def _from_index(self, running_deg: float) -> float:
        """Counts from the index."""
        index = 0 if self.mapped is None else self.mapped[1]
        return running_deg * self.run.sense / self.count_deg - index

    def _neutral(self) -> Neutral | None:
        seen = self.measured
        if not self.run.sense:
            return None
        down = self._located(seen.presses, seen.rests, seen.turning_points)
        lifted = self._located(seen.lifted_presses, seen.lifted_rests, seen.lifted_turning_points)
        if lifted is None:
            return down
        joined = neutral_module.with_lifted(lifted, down, self.job.unit.poles)
        self.cam_pull = joined if joined.cam_pull_deg is not None else None
        if joined.neutral is down:
            self.notes.append(
                (
                    "followers-lifted-elsewhere",
                    "Neutral with the followers lifted was felt at another pole than with them down, so that the two cannot be joined; "
                    "what was felt with them lifted is not used.",
                )
            )
        if self.cam_pull is not None and not joined.within_bound:
            self.notes.append(
                (
                    "cam-pull-large",
                    f"The followers move neutral by {joined.cam_pull_deg:+.2f}° in the running direction, more than the bench file's "
                    "bound on the cam's torque explains. Neutral with the followers lifted is used alone; raise cam_torque_fraction, "
                    "or look for what else changed between the two.",
                )
            )
        return joined.neutral

    def _located(
        self, pressed: Sequence[PressMark], rested: Sequence[Rest], turning_points: Sequence[TurningPoint]
    ) -> Neutral | None:
        presses = [Mark(self.running_deg(rest_place(p.count, self.offsets)), p.side) for p in pressed]
        rests = []
        for rest in rested:
            side = 1 if (rest.count - rest.released_from) * self.run.sense > 0 else -1
            rests.append(Mark(self.running_deg(rest_place(rest.count, self.offsets)), side))
        return neutral_module.locate(
            presses, rests, self.job.unit.poles, self.bench.priors, self.count_deg, self._swung(presses, turning_points)
        )

    def _swung(self, presses: Sequence[Mark], turning_points: Sequence[TurningPoint]) -> Finer | None:
        """Neutral by the free swings seen while it was marked, near the presses; None if there are none."""
        alone = neutral_module.locate(presses, [], self.job.unit.poles, self.bench.priors, self.count_deg)
        if alone is None:
            return None
        geometry = swing.Geometry(
            self.run.counts_per_turn, self.run.tick_hz, self.run.sense, self.job.unit.poles, self.offsets
        )
        free = swing.free_swings(turning_points, geometry)
        found = [
            replace(e, centre_deg=self._mapped(e.centre_deg))
            for e in (swing.estimate(s, geometry) for s in free)
            if e is not None
        ]
        near = [swing.about_of(e.centre_deg, alone.angle_deg, self.job.unit.poles) for e in found]
        about = swing.About.NEUTRAL if swing.About.NEUTRAL in near else swing.About.REGISTER
        used = [e for e, at in zip(found, near) if at is about]
        placed = swing.neutral_from(used, about, alone.angle_deg, self.job.unit.poles, self.bench.priors)
        if placed is None:
            return None
        freedom = welch_satterthwaite([(t.contribution_deg, t.freedom) for t in placed.terms])
        band = 2 * math.fsum(e.friction_deg for e in used) / len(used)
        above = sum(e.side > 0 for e in used)
        estimate = Estimate(
            neutral_module.SWINGS,
            placed.angle_deg,
            placed.standard_uncertainty_deg,
            freedom,
            band,
            len(used) - above,
            above,
        )
        return Finer(estimate, placed.terms)

    def _neutral_notes(self, neutral: Neutral) -> list[tuple[str, str]]:
        notes = []
        if not neutral.agree:
            notes.append(
                (
                    "neutral-methods-differ",
                    "Swings or rests after release do not agree with the presses; the presses govern.",
                )
            )
        for estimate in neutral.estimates:
            # The band's standard uncertainty is twice that of the middle; of few values it is itself known badly, which t allows for.
            if estimate.band_deg < -coverage_factor(estimate.freedom, 0.99) * 2 * estimate.u_deg:
                notes.append(
                    (
                        "neutral-sides-crossed",
                        f"By {estimate.method}, neutral lies {-estimate.band_deg:.2f}° the wrong way round between the sides, "
                        "which friction cannot do: a press or rest was at the wrong place. Measure again.",
                    )
                )
        return notes

    # --- passes ------------------------------------------------------------------------------------------------------

    def _delay(self, breaker: Breaker) -> tuple[float, float]:
        return capacitor_delay_s(breaker, self.bench.probe)

    def pass_angle(self, taken: Pass, ordinal: int, delay_s: float) -> PassAngle:
        place = edge_place(taken.opening.edge.contact, self.offsets)
        speed = place.speed * self.run.tick_hz * self.run.sense * self.count_deg
        angle = self.running_deg(place) - max(speed, 0.0) * delay_s
        before, after = taken.closing_before, taken.closing_after
        return PassAngle(
            taken,
            ordinal,
            place,
            angle,
            place.u_counts * self.count_deg,
            speed,
            self.running_deg(rest_place(taken.opening.edge.count, self.offsets)),
            None if after is None else self._change_deg(after),
            None if before is None else angle - self._change_deg(before),
        )

    def _lobes(self, trace: BreakerTrace) -> list[LobeMean]:
        delay, _ = self._delay(trace.breaker)
        lobes = self.job.unit.lobes
        by_lobe: list[list[PassAngle]] = [[] for _ in range(lobes)]
        for taken, ordinal in zip(trace.passes, trace.ordinals, strict=True):
            by_lobe[ordinal % lobes].append(self.pass_angle(taken, ordinal, delay))
        self._leave_out_wild(trace.breaker, by_lobe)
        return [self._mean(trace, lobe, passes) for lobe, passes in enumerate(by_lobe)]

    def _leave_out_wild(self, breaker: Breaker, by_lobe: list[list[PassAngle]]) -> None:
        """Take at most one wild pass out of each lobe, by the scatter of all lobes, and say so."""
        past = [[self._past_deg(p) for p in passes] for passes in by_lobe]
        for lobe, finding in enumerate(outliers.pooled(past, least_deg=self.count_deg)):
            if finding is not None and finding.wild:
                del by_lobe[lobe][finding.index]
                self.notes.append(("wild-pass", f"{breaker.name} lobe {lobe}, {finding.text}."))

    def _mean(self, trace: BreakerTrace, lobe: int, passes: Sequence[PassAngle]) -> LobeMean:
        n = len(passes)
        past = [p.angle_deg - self.zero - p.ordinal * self.spacing for p in passes]
        mean = math.fsum(past) / n if n else math.nan
        scatter = math.sqrt(math.fsum((a - mean) ** 2 for a in past) / (n - 1)) if n > 1 else None
        speeds = [p.speed_deg_s for p in passes]
        line = self._line(trace.breaker, past, speeds, scatter) if scatter is not None else None
        if line is not None:
            mean = line.zero_speed_deg
        closings = [p.closing_deg - self.zero - p.ordinal * self.spacing for p in passes if p.closing_deg is not None]
        dwells = [p.dwell_deg for p in passes if p.dwell_deg is not None]
        bounces = [p.taken.opening.bounce_ticks / self.run.tick_hz * 1000 for p in passes]
        return LobeMean(
            lobe,
            tuple(passes),
            mean,
            scatter,
            line,
            math.fsum(p.speed_deg_s for p in passes) / n if n else 0.0,
            math.sqrt(math.fsum(p.u_deg**2 for p in passes) / n) if n else 0.0,
            math.fsum(closings) / len(closings) if closings else None,
            math.fsum(dwells) / len(dwells) if dwells else None,
            max(bounces) if bounces else None,
            math.fsum(bounces) / len(bounces) / 1000 if bounces else 0.0,
            self._void(trace, lobe, mean) if n else 0,
        )

    def _line(
        self, breaker: Breaker, past: Sequence[float], speeds: Sequence[float], scatter: float
    ) -> SpeedFit | None:
        """The line of angle over speed, if there is one and it makes the angle surer than mean and bounded delay."""
        delay, half = self._delay(breaker)
        as_read = [a + max(v, 0.0) * delay for a, v in zip(past, speeds)]
        found = speed_fit.fit(as_read, speeds)
        mean_speed = math.fsum(speeds) / len(speeds)
        mean_u = scatter / math.sqrt(len(past))
        if isinstance(found, SpeedFit):
            confidence = self.bench.decision.confidence
            surer = speed_fit.lowers_uncertainty(found, mean_u, half + LATCH_S, mean_speed, confidence)
            return found if surer else None
        if found.wanted and half * mean_speed / math.sqrt(3) > mean_u:
            wish = " and ".join(w.text for w in found.wanted)
            self.notes.append(
                (
                    "more-speeds",
                    f"{breaker.name}: the capacitor's delay is not well known; {wish} more would tell it ({found.reason}).",
                )
            )
        return None

    def _change_deg(self, change: Change) -> float:
        # A closing ends one pass and begins the next.
        known = self.changes.get(id(change))
        if known is None:
            known = self.changes[id(change)] = self.running_deg(edge_place(change.edge.contact, self.offsets))
        return known

    def _void(self, trace: BreakerTrace, lobe: int, mean: float) -> int:
        """Openings of this lobe that lie in stretches that could not be followed."""
        turn = self.job.unit.lobes * self.spacing
        at = self.zero + lobe * self.spacing + mean
        found = 0
        for first, last in trace.holes:
            low, high = sorted((self.run.deg(first), self.run.deg(last)))
            found += max(0, math.floor((high - at) / turn) - math.ceil((low - at) / turn) + 1)
        return found

    # --- steadiness --------------------------------------------------------------------------------------------------

    def _look_at_steadiness(self) -> None:
        breakers, plain = len(self.job.breakers), not self.job.needs_lobe_mark
        for breaker, trace in zip(self.job.breakers, self.measured.traces, strict=True):
            means = self.means[breaker.name]
            lobes = [[self._crossing(p) for p in mean.passes] for mean in means]
            unseen_s = 0.0 if breaker.capacitor_uf == 0 else max((m.mean_bounce_s for m in means), default=0.0)
            delay_s = self._delay(breaker)[1] + LATCH_S + self.bench.priors.unseen_bounce_fraction * unseen_s
            drift = steadiness.drift(lobes, delay_s, breakers)
            if drift is not None:
                self.drifts[breaker.name] = drift
            stated, poles = self._stated_off_centre_deg(), self.bench.priors.pole_spacing_deg
            seen = steadiness.roundness(lobes, stated, poles, plain, breakers)
            if seen is not None and seen.uneven:
                self.off_centre_deg = max(self.off_centre_deg, seen.covering_deg)
                self.notes.append(("lobes-uneven", f"{breaker.name}: {seen.text}"))
            allowed = 0.0 if plain else 2 * max(stated, self.off_centre_deg)
            marked = min((p.tick for p in self._marks()), default=0)
            jumped = jump.jump(self._crossed(trace, means), marked, delay_s, allowed, breakers)
            if jumped is not None:
                self.jumps[breaker.name] = jumped
            if not self.run.settings.guided and any(m.passes for m in means) and not trace.before:
                self.notes.append(("slip-unchecked", jump.UNCHECKED))

    def _marks(self) -> tuple[PressMark, ...]:
        return self._presses() + (() if self.measured.mark is None else (self.measured.mark,))

    def _crossed(self, trace: BreakerTrace, means: Sequence[LobeMean]) -> list[Crossed]:
        """The passes that angles are made of, and what was crossed before neutral, each past its lobe's place."""
        passes = [p for mean in means for p in mean.passes]
        if not passes:
            return []
        about = math.fsum(map(self._past_deg, passes)) / len(passes)
        found = [(p, True) for p in passes]
        for change in trace.before:
            at = self.pass_angle(Pass(change, None), 0, self._delay(trace.breaker)[0])
            found.append((replace(at, ordinal=round((at.angle_deg - about) / self.spacing)), False))
        return [
            Crossed(
                p.taken.opening.edge.tick,
                p.ordinal % self.job.unit.lobes,
                self._past_deg(p),
                p.speed_deg_s,
                is_pass,
            )
            for p, is_pass in found
        ]

    def _crossing(self, taken: PassAngle) -> Crossing:
        return Crossing(taken.angle_deg, self._past_deg(taken), taken.dwell_deg, taken.speed_deg_s)

    def _past_deg(self, taken: PassAngle) -> float:
        """How far an opening lies past its lobe's place."""
        return taken.angle_deg - taken.ordinal * self.spacing

    def _stated_off_centre_deg(self) -> float:
        if self.mapped is None:
            mounting = self.bench.mounting
            return math.degrees(mounting.eccentricity_um / 1000 / mounting.grating_radius_mm)
        # Half a turn apart an amplitude A has u = √2·A; twice the map's standard uncertainty is allowed.
        terms = self.mapped[0].terms(self._from_index(self.zero), [self._from_index(self.zero + 180.0)])
        return math.sqrt(2) * math.hypot(*(t.contribution_deg for t in terms))

    def _drifted(self, breaker: Breaker, passes: Sequence[PassAngle], marked: Iterable[PressMark]) -> list[Term]:
        """What a drift may have done to passes since the presses that they count from."""
        drift = self.drifts.get(breaker.name)
        places = [self.running_deg(rest_place(p.count, self.offsets)) for p in marked]
        bound = 0.0 if drift is None else drift.bound_deg([p.angle_deg for p in passes], places)
        jumped = self.jumps.get(breaker.name)
        return self._moved(bound, 0.0 if jumped is None else jumped.bound_deg)

    def _moved(self, drift_deg: float, jump_deg: float) -> list[Term]:
        """A drift looks like a jump and a jump like a drift: the one that allows for more."""
        if not drift_deg and not jump_deg:
            return []
        confidence = self.bench.decision.confidence
        return [
            steadiness.drift_term(drift_deg, confidence) if drift_deg >= jump_deg else jump.term(jump_deg, confidence)
        ]

    def _drifted_apart(self, first: Breaker, one: LobeMean, second: Breaker, two: LobeMean) -> list[Term]:
        """What a drift may have done to the distance between two openings."""
        places = [[p.angle_deg for p in mean.passes] for mean in (one, two)]
        bound = steadiness.apart_deg(self.drifts.get(first.name), self.drifts.get(second.name), places[0], places[1])
        jumps = [j for b in (first, second) if (j := self.jumps.get(b.name)) is not None and j.among_passes]
        return self._moved(bound, max((j.bound_deg for j in jumps), default=0.0))

    # --- angles ------------------------------------------------------------------------------------------------------

    def _own_terms(self, breaker: Breaker, mean: LobeMean, of: str = "", freedom: int | None = None) -> list[Term]:
        """Terms of one lobe's own passes; `freedom` where the scatter is known from more passes than these."""
        name = f" of {of}" if of else ""
        n = len(mean.passes)
        terms = []
        if mean.line is not None:
            terms.append(type_a(f"zero-speed angle{name}", mean.line.u_zero_speed_deg, mean.line.freedom))
        elif mean.scatter_deg is not None:
            terms.append(type_a(f"repeatability of passes{name}", mean.scatter_deg / math.sqrt(n), freedom or n - 1))
        terms.append(
            Term(f"count, place between edges{name}", "B", Shape.RECTANGULAR, mean.u_place_deg, "deg", 1.0, math.inf)
        )
        if mean.line is not None:
            return terms
        _, half = self._delay(breaker)
        speed = abs(mean.speed_deg_s)
        terms.append(rectangular(f"delay by capacitor{name}", half, "s", speed))
        if mean.mean_bounce_s and breaker.capacitor_uf != 0:
            # A return empties the capacitor: a parting shorter than the charging time is not seen, and the first edge comes late.
            unseen_s = self.bench.priors.unseen_bounce_fraction * mean.mean_bounce_s
            terms.append(rectangular(f"bounce hidden by capacitor{name}", unseen_s, "s", speed))
        terms.append(rectangular(f"latch of board{name}", LATCH_S, "s", speed))
        return terms

    def _encoder(self, start_deg: float, *distances_deg: float) -> list[Term]:
        """Of the mean over places so far from `start_deg` on the disc: by the map, else by the bound on the eccentricity."""
        if self.mapped is None:
            return [self._eccentricity(*distances_deg)]
        there = [self._from_index(start_deg + d) for d in distances_deg]
        terms = list(self.mapped[0].terms(self._from_index(start_deg), there))
        return [*terms, self._eccentricity(*distances_deg)] if self.off_centre_deg else terms

    def _eccentricity(self, *distances_deg: float) -> Term:
        """Of the mean over places so far from the reference: a sine over the turn, seen at each of them and at the reference.

        |mean of exp(iΔ) - 1|, which for one distance Δ is 2 sin(Δ/2).
        """
        ratio_deg = self.off_centre_deg or self._stated_off_centre_deg()
        turned = [cmath.rect(1.0, math.radians(d)) for d in distances_deg]
        return arcsine("encoder off-centre", ratio_deg, "deg", abs(sum(turned) / len(turned) - 1))

    def _hysteresis(self) -> Term:
        """Between neutral, felt from both sides and so in the middle, and an opening, always crossed one way: half of it."""
        return rectangular("encoder hysteresis", self.bench.mounting.hysteresis_counts * self.count_deg / 2)

    def _budget(self, terms: Sequence[Term], drifted: Sequence[Term] = ()) -> Budget:
        if not self.propagates:
            budget = Budget(tuple(terms), self.bench.decision.confidence)
        else:
            budget = monte_carlo.budget_of(terms, self.bench.decision.confidence)
        mattering = steadiness.mattering(drifted, budget)
        if not mattering:
            return budget
        if any(t.source == jump.JUMP for t in mattering):
            self.notes.append(("angles-jump", jump.text(self.jumps)))
        else:
            self.notes.append(("angles-drift", steadiness.drift_text(self.drifts)))
        expanded, confidence = budget.expanded_uncertainty_deg, self.bench.decision.confidence
        moved = [jump.beside(t, expanded, confidence) if t.source == jump.JUMP else t for t in mattering]
        return self._budget([*terms, *moved])

    def _decide(self, value_deg: float, budget: Budget, tolerance: Tolerance) -> Verdict:
        """By the bench's rule; of what drifts nothing can be said, whatever the rule."""
        if steadiness.drifts(budget):
            return Verdict.UNDECIDED
        return decide(value_deg, budget, tolerance, self.bench.decision)

    def _from_neutral(self, breaker: Breaker, mean: LobeMean) -> Angle | None:
        if self.neutral is None or not mean.passes:
            return None
        on = self._neutrals_on(breaker, mean)
        value = mean.angle_deg - on * self.spacing
        terms = self._own_terms(breaker, mean)
        terms += self.neutral.terms
        terms.append(self._hysteresis())
        terms += self._encoder(self.zero, *((p.ordinal + on) * self.spacing + value for p in mean.passes))
        terms += self._other_poles(p.ordinal + on for p in mean.passes)
        return Angle(value, self._budget(terms, self._drifted(breaker, mean.passes, self._presses())))

    def _presses(self) -> tuple[PressMark, ...]:
        return self.measured.presses + self.measured.lifted_presses

    def _neutrals_on(self, breaker: Breaker, mean: LobeMean) -> int:
        """Spacings from neutral 0, beyond the pass's ordinal, to the neutral that the pass counts from."""
        expected = self.target_from_neutral(breaker, mean.lobe)
        if expected is not None:
            # An opening just before neutral is the last one after the neutral before it: count it from where its target lies.
            return round((mean.angle_deg - expected) / self.spacing)
        return math.floor(mean.angle_deg / self.spacing) if self.job.needs_lobe_mark else 0

    def _other_poles(self, neutrals: Iterable[int]) -> list[Term]:
        """One term per neutral that was not marked itself, with the share of the passes that count from it."""
        found = Counter(n % self.job.unit.poles for n in neutrals)
        return [
            rectangular(
                f"pole spacing, neutral {place} not marked itself",
                self.bench.priors.pole_spacing_deg,
                sensitivity=times / found.total(),
            )
            for place, times in sorted(found.items())
            if place
        ]

    def _pairs(self, breaker: Breaker, mean: LobeMean) -> tuple[PairResult, ...]:
        """A compensated cam's lobe by the neutral that its passes counted from; they differ from one turn of the cam to the next."""
        if self.neutral is None or not self.job.needs_lobe_mark or not mean.passes:
            return ()
        on = self._neutrals_on(breaker, mean)
        past = [p.angle_deg - self.zero - p.ordinal * self.spacing for p in mean.passes]
        whole = math.fsum(past) / len(past)
        groups: dict[int, list[int]] = {}
        for at, taken in enumerate(mean.passes):
            groups.setdefault((taken.ordinal + on) % self.job.unit.poles, []).append(at)
        found = []
        for place, members in sorted(groups.items()):
            passes = tuple(mean.passes[at] for at in members)
            angle = mean.angle_deg + math.fsum(past[at] for at in members) / len(members) - whole
            terms = self._own_terms(breaker, replace(mean, passes=passes), freedom=len(past) - 1)
            terms += self.neutral.terms
            terms.append(self._hysteresis())
            value = angle - on * self.spacing
            terms += self._encoder(self.zero, *((p.ordinal + on) * self.spacing + value for p in passes))
            terms += self._other_poles(p.ordinal + on for p in passes)
            budget = self._budget(terms, self._drifted(breaker, passes, self._presses()))
            found.append(PairResult(place, len(passes), Angle(value, budget)))
        return tuple(found)

    def _spread(self, breaker: Breaker, openings: Sequence[OpeningResult]) -> SpreadResult | None:
        """Latest lobe against earliest, each past its own neutral and less its stated offset."""
        past = [
            (o.from_neutral.value_deg - breaker.offset_deg(o.mean.lobe), o)
            for o in openings
            if o.from_neutral is not None and o.from_neutral.value_deg is not None
        ]
        if len(past) < 2:
            return None
        (low, early), (high, late) = min(past, key=lambda p: p[0]), max(past, key=lambda p: p[0])
        terms = []
        for opening in (early, late):
            name = f"lobe {opening.mean.lobe}"
            terms += self._own_terms(breaker, opening.mean, name)
            on = self._neutrals_on(breaker, opening.mean)
            terms += self._other_poles(p.ordinal + on for p in opening.mean.passes)
        if self.mapped is None:
            # Over a whole turn: what lies between the two, and between their neutrals, may be any distance on the disc.
            terms.append(self._eccentricity(180.0))
        else:
            # Neutral is the same for both, or told apart by the pole spacing's term: what is left is the way between the openings.
            at = [self.zero + o.mean.lobe * self.spacing + o.mean.angle_deg for o in (early, late)]
            terms += self._encoder(at[0], at[1] - at[0])
        budget = self._budget(terms, self._drifted_apart(breaker, early.mean, breaker, late.mean))
        return SpreadResult(early.mean.lobe, late.mean.lobe, Angle(high - low, budget))

    def target_from_neutral(self, breaker: Breaker, lobe: int) -> float | None:
        """The breaker's target as an angle past neutral, if its chain of references leads there by targets alone."""
        total, at = 0.0, breaker
        while (expected := at.expected(lobe)) is not None:
            total += expected.target_deg
            if at.reference.kind is ReferenceKind.NEUTRAL:
                return total
            if at.reference.kind is not ReferenceKind.TARGET:
                return None
            at = self.job.breaker(at.reference.breaker or "")
        return None

    def _from_mark(self, breaker: Breaker, mean: LobeMean) -> Angle | None:
        pressed = self.measured.mark
        if pressed is None or not mean.passes:
            return None
        mark = self.running_deg(rest_place(pressed.count, self.offsets))
        whole = self.zero + mean.lobe * self.spacing + mean.angle_deg - mark
        # Nearest to the target if there is one, else the first opening after the mark or a whole number of spacings on.
        expected = breaker.expected(mean.lobe)
        near = expected.target_deg if expected is not None else self.spacing / 2
        spacings = round((whole - near) / self.spacing)
        value = whole - spacings * self.spacing
        terms = self._own_terms(breaker, mean)
        terms.append(rectangular("setting to the angle mark", self.bench.priors.mark_setting_deg))
        terms.append(rectangular("mark, count", self.count_deg / 2))
        # The mark was come to from one side, whichever: all of the hysteresis may lie between.
        terms.append(rectangular("encoder hysteresis", self.bench.mounting.hysteresis_counts * self.count_deg))
        terms += self._encoder(mark, *(whole + (p.ordinal - mean.lobe) * self.spacing for p in mean.passes))
        terms += self._other_poles([spacings])
        return Angle(value, self._budget(terms, self._drifted(breaker, mean.passes, [pressed])))

    def _between(self, first: Breaker, one: LobeMean, second: Breaker, two: LobeMean, value: float) -> Angle:
        terms = self._own_terms(first, one, first.name) + self._own_terms(second, two, second.name)
        terms += self._encoder(self.zero + one.lobe * self.spacing + one.angle_deg, value)
        return Angle(value, self._budget(terms, self._drifted_apart(first, one, second, two)))

    def _from_opening(self, breaker: Breaker, mean: LobeMean, other: Breaker) -> Angle | None:
        """From the measured opening of `other` that lies nearest before, in the running direction."""
        turn = self.job.unit.lobes * self.spacing
        best: tuple[float, LobeMean] | None = None
        for candidate in self.means[other.name]:
            if candidate.passes and mean.passes:
                here = mean.lobe * self.spacing + mean.angle_deg
                there = candidate.lobe * self.spacing + candidate.angle_deg
                distance = (here - there) % turn
                if best is None or distance < best[0]:
                    best = (distance, candidate)
        return None if best is None else self._between(other, best[1], breaker, mean, best[0])

    def _relative(self, breaker: Breaker, mean: LobeMean, reference: Reference) -> Angle | None:
        if reference.kind is ReferenceKind.NEUTRAL:
            return self._from_neutral(breaker, mean)
        if reference.kind is ReferenceKind.MARK:
            return self._from_mark(breaker, mean)
        other = self.job.breaker(reference.breaker or "")
        if reference.kind is ReferenceKind.OPENING:
            return self._from_opening(breaker, mean, other)
        expected = other.expected(mean.lobe)
        if expected is None:
            return None
        base = self._relative(breaker, mean, other.reference)
        return None if base is None else Angle(base.value_deg - expected.target_deg, base.budget)

    def _breaker(self, breaker: Breaker) -> BreakerResult:
        openings = tuple(self._opening(breaker, mean, self.notes) for mean in self.means[breaker.name])
        return BreakerResult(breaker, openings, self._spread(breaker, openings))

    def _opening(self, breaker: Breaker, mean: LobeMean, notes: list[tuple[str, str]]) -> OpeningResult:
        from_neutral = self._from_neutral(breaker, mean)
        counts_from = breaker.reference
        angle = (
            from_neutral if counts_from.kind is ReferenceKind.NEUTRAL else self._relative(breaker, mean, counts_from)
        )
        tolerance = breaker.limits(mean.lobe)
        pairs = self._pairs(breaker, mean)
        if angle is None or tolerance is None:
            return OpeningResult(mean, from_neutral, angle, tolerance, Verdict.NONE, None, pairs)
        verdict = self._decide(angle.value_deg, angle.budget, tolerance)
        if (
            self.neutral is not None
            and not steadiness.drifts(angle.budget)
            and self._counts_from_neutral(breaker)
            and self.neutral.band_deg > tolerance.width_deg
        ):
            clear = angle.budget.expanded_uncertainty_deg + self.neutral.band_deg / 2
            beyond = max(tolerance.lower_deg - angle.value_deg, angle.value_deg - tolerance.upper_deg)
            verdict = Verdict.OUTSIDE if beyond > clear else Verdict.UNDECIDED
            notes.append(
                (
                    "neutral-band-wide",
                    f"Friction holds the rotor anywhere within {self.neutral.band_deg:.2f}° around neutral, which is more than the "
                    f"tolerance of {tolerance.width_deg:.2f}°; only what lies far outside can be judged from this neutral.",
                )
            )
        probability = probability_inside(angle.value_deg, angle.budget, tolerance)
        return OpeningResult(mean, from_neutral, angle, tolerance, verdict, probability, pairs)

    def _counts_from_neutral(self, breaker: Breaker) -> bool:
        reference = breaker.reference
        while reference.kind is ReferenceKind.TARGET:
            reference = self.job.breaker(reference.breaker or "").reference
        return reference.kind is ReferenceKind.NEUTRAL

    def _difference(self, difference: Difference) -> list[DifferenceResult]:
        first, second = self.job.breaker(difference.first), self.job.breaker(difference.second)
        turn = self.job.unit.lobes * self.spacing
        found = []
        for one in self.means[first.name]:
            if not one.passes:
                continue
            options = []
            for two in self.means[second.name]:
                if two.passes:
                    value = (two.lobe - one.lobe) * self.spacing + two.angle_deg - one.angle_deg
                    options.append(((value + turn / 2) % turn - turn / 2, two))
            if not options:
                continue
            value, two = min(options, key=lambda option: abs(option[0] - difference.tolerance.target_deg))
            angle = self._between(first, one, second, two, value)
            verdict = self._decide(value, angle.budget, difference.tolerance)
            probability = probability_inside(value, angle.budget, difference.tolerance)
            found.append(DifferenceResult(difference, one.lobe, angle, verdict, probability))
        return found
