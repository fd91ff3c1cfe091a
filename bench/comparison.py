"""Two measurements of one unit against each other: what changed, with the correlated uncertainty of the change.

Change d = y(after) - y(before), per breaker and lobe. A term that both figures hold in common with sensitivities c₁ and c₂ enters d
with c₂ - c₁ (JCGM 100:2008, 5.2.2, correlation +1), whatever is made anew each time enters twice. What is common:

- the cam's pull on neutral, a property of the unit (plain cam, so that the followers stand alike at each neutral), as far as both
  times they were on the cam;
- the delay by the capacitor, if job and bench state the same circuit: it acts with the difference of the speeds;
- encoder off-centre and hysteresis, and the spacing of the poles, only if encoder and rotor were clamped together the same way and the
  same neutral is meant. The index tells: it must lie as far from neutral, within the scatter of both neutrals and whole pole spacings.
  Off-centre then acts with the vector between the places, e^iθ₂ - e^iθ₁ - (e^iν₂ - e^iν₁), for a change d at one place 2 sin(d/2).

Limits: nothing else was changed on the unit in between. New point springs change the cam's pull, a new capacitor the delay: then these
do not cancel. Anything that is not known to be common is taken as independent.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, replace

from bench import monte_carlo, neutral
from bench.adjustment import Adjustment
from bench.errors import UsageError
from bench.evaluation import Angle, Evaluation, LobeMean, OpeningResult, evaluate
from bench.job import Breaker, Cam, Job, ReferenceKind
from bench.run import Measured, Run
from bench.uncertainty import Term, coverage_factor, rectangular, welch_satterthwaite

INDEPENDENT = "independent, adds"
COMMON = "common, acts with the difference"
CANCELS = "common, cancels"
#: Places of the index that agree by chance more often than this prove nothing.
CHANCE = 0.05
_OWN = ("repeatability of passes", "zero-speed angle")
_OFF_CENTRE = "encoder off-centre"
_OTHER_POLE = "pole spacing, neutral "


@dataclass(frozen=True, slots=True)
class Row:
    """One term of a change and how it was treated."""

    term: Term
    treatment: str


@dataclass(frozen=True, slots=True)
class Change:
    """What became of one opening. `larger` if the change is more than its expanded uncertainty."""

    breaker: str
    lobe_before: int
    lobe_after: int
    before_deg: float
    after_deg: float
    angle: Angle
    rows: tuple[Row, ...]
    larger: bool
    text: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """All changes. `same_clamping`: by the index, encoder and rotor were clamped together as before (None: nothing tells).

    `neutral_moved`: pole spacings from the neutral marked before to the one marked after, where the index tells it.
    """

    changes: tuple[Change, ...]
    same_clamping: bool | None
    neutral_moved: int
    notes: tuple[str, ...]


def compare(before: Run, after: Run) -> Comparison:
    """After against before; both have ended validly. Raises UsageError where they are not the same unit, set up alike."""
    _check_same(before.job, after.job)
    return _Comparer(before, after).comparison()


def _check_same(before: Job, after: Job) -> None:
    one, two = before.unit, after.unit
    facts: list[tuple[str, object, object]] = [
        ("part number", one.part_number, two.part_number),
        ("serial number", one.serial_number, two.serial_number),
        ("rotation", one.rotation.value, two.rotation.value),
        ("number of poles", one.poles, two.poles),
        ("cam", one.cam.value, two.cam.value),
        ("number of cylinders", one.cylinders, two.cylinders),
        ("breakers", ", ".join(b.name for b in before.breakers), ", ".join(b.name for b in after.breakers)),
    ]
    if all(x == y for _, x, y in facts):
        for was, now in zip(before.breakers, after.breakers, strict=True):
            facts.append((f"what {was.name} counts from", str(was.reference), str(now.reference)))
            if was.reference.kind is ReferenceKind.TARGET and str(was.reference) == str(now.reference):
                name = was.reference.breaker or ""
                targets = [b.tolerance.target_deg for j in (before, after) if (b := j.breaker(name)).tolerance]
                facts.append((f"target of {name}", f"{targets[0]:g}°", f"{targets[-1]:g}°"))
                offsets = [str(list(j.breaker(name).offsets_deg)) for j in (before, after)]
                facts.append((f"lobe offsets of {name}", offsets[0], offsets[1]))
    wrong = [
        f"{what} ({x if x is not None else 'none'} and {y if y is not None else 'none'})"
        for what, x, y in facts
        if x != y
    ]
    if wrong:
        raise UsageError(f"--against: the two captures cannot be compared, since they differ in {', '.join(wrong)}.")


class _Comparer:
    def __init__(self, before: Run, after: Run) -> None:
        self.runs = before, after
        self.unit = before.job.unit
        self.plain = self.unit.cam is Cam.PLAIN
        self.evaluations = evaluate(before), evaluate(after)
        self.same_clamping, self.moved = self._clamping()
        self.confidence = before.settings.bench.decision.confidence

    def comparison(self) -> Comparison:
        notes = [self._clamping_note()]
        changes = []
        for was, now in zip(self.evaluations[0].breakers, self.evaluations[1].breakers, strict=True):
            by_lobe = {o.mean.lobe: o for o in now.openings}
            for opening in was.openings:
                other = by_lobe[self._lobe_after(opening.mean.lobe)]
                one, two = _angle(opening), _angle(other)
                if one is None or two is None:
                    notes.append(f"{was.breaker.name} lobe {opening.mean.lobe} has no angle in both captures.")
                else:
                    changes.append(self._change(was.breaker, opening, one, other, two))
        return Comparison(tuple(changes), self.same_clamping, self.moved, tuple(notes))

    # --- same place on the disc? -------------------------------------------------------------------------------------

    def _clamping(self) -> tuple[bool | None, int]:
        """Does the index lie as before, whole pole spacings aside; and how many spacings on the marked neutral lies."""
        one, two = self.runs
        marked = [e.neutral for e in self.evaluations]
        places = [_from_index(r, e) for r, e in zip(self.runs, self.evaluations, strict=True)]
        if places[0] is None or places[1] is None or one.hello is None or two.hello is None:
            return None, 0
        if (one.hello.board_id, one.counts_per_turn, one.sense) != (two.hello.board_id, two.counts_per_turn, two.sense):
            return None, 0
        scatter = [t for n in marked if n is not None for t in n.terms if t.kind == "A"]
        freedom = welch_satterthwaite([(t.contribution_deg, t.freedom) for t in scatter])
        # The index stands for a count either way.
        limit = coverage_factor(freedom, 0.99) * math.hypot(*(t.contribution_deg for t in scatter))
        limit += 2 * 360.0 / one.counts_per_turn
        spacing = 360.0 / self.unit.poles
        if 2 * limit / spacing > CHANCE:
            return None, 0
        off = places[1] - places[0]
        spacings = round(off / spacing)
        if abs(off - spacings * spacing) > limit:
            return False, 0
        return True, spacings % self.unit.poles

    def _clamping_note(self) -> str:
        if self.same_clamping:
            told = "By the index, encoder and rotor are clamped together as before; what the encoder adds at one place cancels."
            if self.moved and self.plain:
                told += f" Neutral was marked {self.moved} pole(s) further on, so lobes are paired by place and not by name."
            return told
        named = (
            ""
            if not self.plain
            else " Lobes are paired by name: right only if the same neutral was marked first both times."
        )
        if self.same_clamping is None:
            return f"Nothing tells whether encoder and rotor are clamped together as before; what the encoder adds counts in full.{named}"
        return f"By the index, the encoder was clamped anew in between; what it adds counts in full.{named}"

    def _lobe_after(self, lobe: int) -> int:
        return (lobe - self.moved) % self.unit.lobes if self.same_clamping and self.plain else lobe

    # --- one change --------------------------------------------------------------------------------------------------

    def _change(self, breaker: Breaker, was: OpeningResult, one: Angle, now: OpeningResult, two: Angle) -> Change:
        spacing = self.unit.lobe_spacing_deg
        value = (two.value_deg - one.value_deg + spacing / 2) % spacing - spacing / 2
        root = _root(self.runs[0].job, breaker)
        rows = self._rows(one, two, root is ReferenceKind.NEUTRAL)
        if self.same_clamping:
            rows += self._off_centre(root, was.mean, one, now.mean, two)
            if self.moved and self.plain and root is ReferenceKind.NEUTRAL:
                # Pole k against the neutral marked before and after: P(k) - P(m) less P(k) - P(0), whatever k.
                bound = max(r.settings.bench.priors.pole_spacing_deg for r in self.runs)
                rows.append(Row(rectangular("pole spacing between the two marked neutrals", bound), INDEPENDENT))
        budget = monte_carlo.budget_of([r.term for r in rows], self.confidence)
        larger = abs(value) > budget.expanded_uncertainty_deg
        text = _in_words(breaker.name, was.mean.lobe, value, budget.expanded_uncertainty_deg, larger)
        angle = Angle(value, budget)
        return Change(
            breaker.name, was.mean.lobe, now.mean.lobe, one.value_deg, two.value_deg, angle, tuple(rows), larger, text
        )

    def _rows(self, one: Angle, two: Angle, by_neutral: bool) -> list[Row]:
        before, after = ({t.source: t for t in a.budget.terms} for a in (one, two))
        rows = []
        for source in dict.fromkeys([*before, *after]):
            if self.same_clamping and source == _OFF_CENTRE and source in before and source in after:
                continue
            poles = source.startswith(_OTHER_POLE)
            if poles and self.same_clamping and self.plain and self.moved and by_neutral:
                continue
            if self._common(source):
                rows.append(_difference(before.get(source), after.get(source)))
                continue
            for term, when in ((before.get(source), "before"), (after.get(source), "after")):
                if term is not None:
                    rows.append(Row(replace(term, source=f"{source}, {when}"), INDEPENDENT))
        return rows

    def _common(self, source: str) -> bool:
        one, two = (r.settings.bench for r in self.runs)
        if source == neutral.CAM_TORQUE:
            return self.plain
        if source.startswith(_OTHER_POLE):
            return bool(self.same_clamping) and (self.plain or not self.moved)
        if source == "encoder hysteresis":
            return bool(self.same_clamping) and one.mounting == two.mounting
        if source.startswith("delay by capacitor"):
            circuits = [[b.capacitor_uf for b in r.job.breakers] for r in self.runs]
            return one.probe == two.probe and circuits[0] == circuits[1]
        return False

    def _off_centre(self, root: ReferenceKind, was: LobeMean, one: Angle, now: LobeMean, two: Angle) -> list[Row]:
        """What the encoder's run-out does to the change, from where on the disc each figure was taken."""
        held = [t for a in (one, two) for t in a.budget.terms if t.source == _OFF_CENTRE]
        if len(held) < 2:
            # Mapped in one of them: nothing in common is left.
            return []
        vectors = []
        for run, evaluation, mean, angle in zip(self.runs, self.evaluations, (was, now), (one, two), strict=True):
            index = _index_deg(run)
            turned = [_turned(p.angle_deg - index) for p in mean.passes]
            opened = sum(turned) / len(turned)
            mark = _seen(run).mark
            if root is ReferenceKind.NEUTRAL:
                start = _turned(evaluation.zero_deg - index)
            elif root is ReferenceKind.MARK and mark is not None:
                start = _turned(run.deg(mark.count) - index)
            else:
                start = opened * _turned(-angle.value_deg)
            vectors.append(opened - start)
        widest = max(held, key=lambda t: t.standard_uncertainty)
        return [Row(replace(widest, sensitivity=abs(vectors[1] - vectors[0])), COMMON)]


def _root(job: Job, breaker: Breaker) -> ReferenceKind:
    """What a breaker's angle counts from in the end, through the targets of others."""
    reference = breaker.reference
    while reference.kind is ReferenceKind.TARGET:
        reference = job.breaker(reference.breaker or "").reference
    return reference.kind


def _turned(angle_deg: float) -> complex:
    return cmath.rect(1.0, math.radians(angle_deg))


def _angle(opening: OpeningResult) -> Angle | None:
    return opening.angle if opening.angle is not None else opening.from_neutral


def _seen(run: Run) -> Measured:
    """What the evaluation was made from: of a guided job, what was verified."""
    return run.as_left or run.measured()


def _index_deg(run: Run) -> float:
    count = _seen(run).index_count
    return 0.0 if count is None else run.deg(count)


def _from_index(run: Run, evaluation: Evaluation) -> float | None:
    """The marked neutral's distance from the index, degrees in the running direction; None where there is no index."""
    if evaluation.neutral is None or not run.has_index or _seen(run).index_count is None:
        return None
    return evaluation.neutral.angle_deg - _index_deg(run)


def _difference(one: Term | None, two: Term | None) -> Row:
    """A common cause, seen with two sensitivities. Where both bound it, the tighter bound holds for both."""
    known = [t for t in (one, two) if t is not None]
    tightest = min(known, key=lambda t: t.standard_uncertainty)
    off = (two.sensitivity if two is not None else 0.0) - (one.sensitivity if one is not None else 0.0)
    return Row(replace(tightest, sensitivity=off), CANCELS if abs(off) < 1e-12 else COMMON)


def _in_words(breaker: str, lobe: int, change_deg: float, expanded_deg: float, larger: bool) -> str:
    told = f"{breaker} lobe {lobe}: change {change_deg:+.3f}° ± {expanded_deg:.3f}°"
    if not larger:
        return f"{told}. Not larger than its uncertainty: no change can be told."
    way = "later" if change_deg > 0 else "earlier"
    return f"{told}. Larger than its uncertainty: it opens {way} in the running direction."


def adjustment(comparison: Comparison, breaker: str, moved: float) -> Adjustment | None:
    """The breaker's mean change over its lobes as what moving it by `moved` did; None if it has no change.

    Only the passes' own scatter is independent from lobe to lobe; all else is added as if fully common, which is never too small.
    """
    changes = [c for c in comparison.changes if c.breaker == breaker]
    if not changes:
        return None
    n = len(changes)
    parts: list[tuple[float, float]] = []
    shared: dict[str, tuple[float, float]] = {}
    for change in changes:
        for term in change.angle.budget.terms:
            part = term.contribution_deg / n
            if term.source.startswith(_OWN):
                parts.append((part, term.freedom))
            else:
                shared[term.source] = (shared.get(term.source, (0.0, 0.0))[0] + part, term.freedom)
    parts += shared.values()
    mean = math.fsum(c.angle.value_deg for c in changes) / n
    return Adjustment(moved, mean, math.hypot(*(u for u, _ in parts)), welch_satterthwaite(parts))
