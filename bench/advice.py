"""What would help most: the next actions, ranked by how far each is predicted to lower the uncertainty that matters.

It looks at one figure: the undecided one least likely to be inside, or else the widest limited one, or else the widest. For
each action the terms of its budget that the action changes are replaced, and the budget is worked out anew, with its degrees of
freedom and, where a bound rules, its propagated interval. Models:

- presses and passes: each further one scatters as those before (standard deviation s, as found): u = s/2·√(1/n₁ + 1/n₂) for neutral,
  s/√n for passes; degrees of freedom rise by one each. Neutral is placed anew from marks of that scatter, so that presses and a
  finer method get the weights that `neutral.locate` would give them;
- rests: scatter as the presses do, for want of anything else; swings do better;
- speeds: the line of `speed_fit` through the present passes and those asked for, with the scatter of the present ones;
- bounds (capacitor, probe, cam torque, pole spacing, encoder): replaced by what is left of them once the action is done.

Limits: s is known from few values, so that what is obtained scatters about the prediction; the median of many agrees. Actions that go
into the same measurement add up by their variances, not by their reductions.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from bench import monte_carlo, neutral, speed_fit
from bench.evaluation import Angle, Evaluation, LobeMean, OpeningResult
from bench.job import Breaker, ReferenceKind, Tolerance
from bench.neutral import Estimate, Finer, Mark, Neutral
from bench.run import Run
from bench.uncertainty import Term, rectangular, type_a
from bench.verdict import Verdict

#: How many presses or passes one piece of advice asks for.
MORE_PRESSES = 2
MORE_PASSES = 5
#: A probe circuit that hardly delays: source resistance, ohm.
LOW_OHM = 1000.0
#: What a mapped encoder leaves, degrees (5 seconds of arc).
MAPPED_DEG = 5 / 3600
#: An action that lowers U by less than this share is not worth the work.
WORTH = 0.05

UP = "turning up to it in the running direction"
BACK = "coming back to it"
_OFF_CENTRE = "encoder off-centre"
_DELAY = "delay by capacitor"
#: Terms in seconds, which act with the speed, and which a line over speed replaces.
_BY_SPEED = (_DELAY, "bounce hidden by capacitor", "latch of board")
_OTHER_POLE = "pole spacing, neutral "
_SEVERAL_POLES = "neutral, pole spacing"
_LIFTED = "followers lifted"


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do, and the expanded uncertainty now and as predicted, degrees."""

    action: str
    text: str
    expanded_uncertainty_deg: float
    predicted_deg: float


@dataclass(frozen=True, slots=True)
class Advice:
    """Actions on the figure called `name`, best first; empty where none is worth it. `ruling` names what then rules, and its share."""

    name: str
    expanded_uncertainty_deg: float
    actions: tuple[Action, ...]
    ruling: str
    text: str


@dataclass(frozen=True, slots=True)
class _Subject:
    """The figure that matters: its budget, and the openings whose own passes are in it, with the suffix of their terms."""

    name: str
    angle: Angle
    openings: tuple[tuple[Breaker, LobeMean, str], ...]
    tolerance: Tolerance | None


def advise(run: Run, evaluation: Evaluation) -> Advice | None:
    """Advice on the figure that matters most; None while there is no angle. Takes some tenths of a second where bounds rule."""
    subject = _subject(run, evaluation)
    return None if subject is None else _Adviser(run, evaluation, subject).advice()


def _subject(run: Run, evaluation: Evaluation) -> _Subject | None:
    found: list[tuple[tuple[int, float], _Subject]] = []
    for result in evaluation.breakers:
        for opening in result.openings:
            if opening.angle is not None:
                name = f"{result.breaker.name} lobe {opening.mean.lobe}"
                passes = _passes_of(run, evaluation, result.breaker, opening)
                subject = _Subject(name, opening.angle, passes, opening.tolerance)
                limited = opening.tolerance is not None
                found.append((_matters(opening.verdict, opening.probability, opening.angle, limited), subject))
    for pair in evaluation.differences:
        first, second = pair.difference.first, pair.difference.second
        one = next(m for b, m in _means(evaluation) if b.name == first and m.lobe == pair.lobe)
        two = _second_of(run, evaluation, second, one, pair.angle.value_deg)
        openings = (
            (run.job.breaker(first), one, f" of {first}"),
            (run.job.breaker(second), two, f" of {second}"),
        )
        subject = _Subject(f"{second} after {first}, lobe {pair.lobe}", pair.angle, openings, pair.difference.tolerance)
        found.append((_matters(pair.verdict, pair.probability, pair.angle, True), subject))
    return max(found, key=lambda f: f[0])[1] if found else None


def _matters(verdict: Verdict, probability: float | None, angle: Angle, limited: bool) -> tuple[int, float]:
    if verdict is Verdict.UNDECIDED and probability is not None:
        return 2, -probability
    return int(limited), angle.budget.expanded_uncertainty_deg


def _means(evaluation: Evaluation) -> list[tuple[Breaker, LobeMean]]:
    return [(b.breaker, o.mean) for b in evaluation.breakers for o in b.openings if o.mean.passes]


def _second_of(run: Run, evaluation: Evaluation, name: str, one: LobeMean, after_deg: float) -> LobeMean:
    """The opening of breaker `name` that lies `after_deg` after `one`, give or take whole turns of the cam."""
    unit = run.job.unit
    turn = unit.lobes * unit.lobe_spacing_deg

    def off(two: LobeMean) -> float:
        away = (two.lobe - one.lobe) * unit.lobe_spacing_deg + two.angle_deg - one.angle_deg - after_deg
        return abs((away + turn / 2) % turn - turn / 2)

    return min((m for b, m in _means(evaluation) if b.name == name), key=off)


def _passes_of(
    run: Run, evaluation: Evaluation, breaker: Breaker, opening: OpeningResult
) -> tuple[tuple[Breaker, LobeMean, str], ...]:
    """Openings that an opening's angle hangs on: its own, and the one that it counts from."""
    reference = breaker.reference
    while reference.kind is ReferenceKind.TARGET:
        reference = run.job.breaker(reference.breaker or "").reference
    if reference.kind is not ReferenceKind.OPENING or opening.angle is None:
        return ((breaker, opening.mean, ""),)
    other = run.job.breaker(reference.breaker or "")
    source = f" of {other.name}"
    first = _second_of(run, evaluation, other.name, opening.mean, -_counted(run, breaker, opening))
    return (other, first, source), (breaker, opening.mean, f" of {breaker.name}")


def _counted(run: Run, breaker: Breaker, opening: OpeningResult) -> float:
    """Angle from the measured opening at the root of a chain of targets."""
    total = 0.0 if opening.angle is None else opening.angle.value_deg
    at = breaker
    while at.reference.kind is ReferenceKind.TARGET:
        at = run.job.breaker(at.reference.breaker or "")
        expected = at.expected(opening.mean.lobe)
        total += 0.0 if expected is None else expected.target_deg
    return total


class _Adviser:
    def __init__(self, run: Run, evaluation: Evaluation, subject: _Subject) -> None:
        self.run = run
        self.job = run.job
        self.bench = run.settings.bench
        self.count_deg = 360.0 / run.counts_per_turn
        self.neutral = evaluation.neutral
        self.pull_known = evaluation.cam_pull is not None
        self.subject = subject
        self.terms = subject.angle.budget.terms
        self.now = subject.angle.budget.expanded_uncertainty_deg

    def advice(self) -> Advice:
        found = [
            *self._presses(),
            *self._rests(),
            *self._passes(),
            *self._speeds(),
            *self._bounds(),
        ]
        worth = [a for a in found if a.predicted_deg < self.now * (1 - WORTH)]
        worth.sort(key=lambda a: a.predicted_deg)
        budget = self.subject.angle.budget
        ruling = max(budget.terms, key=budget.share)
        share = budget.share(ruling)
        if worth:
            text = f"For {self.subject.name}, best next: {worth[0].text}"
        else:
            known = "a bound that no repeating lowers" if math.isinf(ruling.freedom) else "scatter"
            text = (
                f"For {self.subject.name}, ±{self.now:.2g}°, nothing that this tool knows of helps much further: “{ruling.source}” "
                f"makes {share:.0%} of the variance ({known})."
            )
        return Advice(self.subject.name, self.now, tuple(worth), ruling.source, self._band() + text)

    def _band(self) -> str:
        """What to say first where friction alone keeps the verdict open, however small the uncertainty becomes."""
        tolerance = self.subject.tolerance
        if tolerance is None or not self._on_neutral() or self.neutral is None:
            return ""
        if self.neutral.band_deg <= tolerance.width_deg:
            return ""
        return (
            f"Friction holds the rotor anywhere within {self.neutral.band_deg:.2f}° around neutral, more than the tolerance of "
            f"{tolerance.width_deg:.2f}°: no repeating decides {self.subject.name}. Find what drags (seal, felt, brush, bearings, the "
            "encoder's coupling), free it, and measure again. "
        )

    # --- what all have in common -------------------------------------------------------------------------------------

    def _predicted(self, terms: Sequence[Term]) -> float:
        return monte_carlo.budget_of(terms, self.subject.angle.budget.confidence).expanded_uncertainty_deg

    def _action(self, action: str, what: str, terms: Sequence[Term]) -> Action:
        predicted = self._predicted(terms)
        digits = _digits(predicted)
        return Action(action, f"{what}: ±{self.now:.{digits}f}° → ±{predicted:.{digits}f}°", self.now, predicted)

    def _replaced(self, change: Callable[[Term], Term | None]) -> list[Term]:
        return [new for term in self.terms if (new := change(term)) is not None]

    # --- neutral -----------------------------------------------------------------------------------------------------

    def _estimate(self, method: str) -> Estimate | None:
        """The one estimate of a method; None where several were joined, which is not modelled."""
        found = [e for e in self.neutral.estimates if e.method.split(",")[0] == method] if self.neutral else []
        return found[0] if len(found) == 1 else None

    def _on_neutral(self) -> bool:
        """Does the figure count from neutral?"""
        return self.neutral is not None and set(self.neutral.terms) <= set(self.terms)

    def _with_neutral(self, placed: Neutral | None) -> list[Term] | None:
        """The budget with neutral placed anew. None where neutral plays no part in it, or cannot be placed so."""
        if placed is None or self.neutral is None or not self._on_neutral():
            return None
        kept = [t for t in self.terms if t not in self.neutral.terms]
        terms = [*placed.terms, *(t for t in self.neutral.terms if _of_several_poles(t))]
        if _LIFTED in self.neutral.method:
            terms = [t for t in terms if t.source != neutral.CAM_TORQUE]
        return kept + terms

    def _placed(self, presses: Sequence[Mark], rests: Sequence[Mark] | None = None) -> Neutral | None:
        """Neutral from these presses, with the rests and swings that there are unless others are given."""
        unit, priors = self.job.unit, self.bench.priors
        if self.neutral is None or not self.neutral.agree:
            # Where the finer method does not agree, more presses do not make it.
            return neutral.locate(presses, [], unit.poles, priors, self.count_deg)
        rested = self._estimate("rests")
        if rests is None:
            rests = [] if rested is None else _marks(rested)
        return neutral.locate(presses, rests, unit.poles, priors, self.count_deg, self._swung())

    def _swung(self) -> Finer | None:
        """The swings, with their terms as they were before weighing."""
        estimate, pressed = self._estimate("swings"), self._estimate("presses")
        if estimate is None or pressed is None or self.neutral is None:
            return None
        share = estimate.weight / (estimate.weight + pressed.weight)
        common = {"neutral, scatter of presses", neutral.CAM_TORQUE, "neutral, unequal friction", "neutral, count"}
        own = [
            t
            for t in self.neutral.terms
            if t.source.removesuffix(f", {_LIFTED}") not in common and not _of_several_poles(t)
        ]
        return Finer(estimate, tuple(replace(t, sensitivity=t.sensitivity / share) for t in own))

    def _presses(self) -> list[Action]:
        pressed = self._estimate("presses")
        if pressed is None:
            return []
        one = MORE_PRESSES // 2
        lifted = f" with the {_LIFTED}" if _LIFTED in pressed.method else ""
        options = [
            (MORE_PRESSES, 0, f"two more presses{lifted} at neutral {UP}"),
            (0, MORE_PRESSES, f"two more presses{lifted} at neutral {BACK}"),
            (one, one, f"one more press{lifted} at neutral from each side"),
            (MORE_PRESSES, MORE_PRESSES, f"two more presses{lifted} at neutral from each side"),
        ]
        found = []
        for below, above, what in options:
            total = f"{pressed.from_below + below} {UP} and {pressed.from_above + above} {BACK} in all"
            terms = self._with_neutral(self._placed(_marks(pressed, below, above)))
            if terms is not None:
                found.append(self._action("presses", f"{what} ({total})", terms))
        if not found:
            return []
        # Of the ways to spend two presses only the best is worth telling.
        *two, four = found
        return [min(two, key=lambda a: a.predicted_deg), four]

    def _rests(self) -> list[Action]:
        pressed = self._estimate("presses")
        if pressed is None or self._estimate("rests") is not None or self._estimate("swings") is not None:
            return []
        like = replace(pressed, method="rests", from_below=2, from_above=2)
        scale = math.sqrt((1 / 2 + 1 / 2) / (1 / pressed.from_below + 1 / pressed.from_above))
        rests = _marks(replace(like, u_deg=pressed.u_deg * scale))
        terms = self._with_neutral(self._placed(_marks(pressed), rests))
        if terms is None:
            return []
        what = "let the magnet go twice from each side of neutral and come to rest freely (counted as if rests scattered as presses do)"
        return [self._action("rests", what, terms)]

    # --- passes ------------------------------------------------------------------------------------------------------

    def _passes(self) -> list[Action]:
        factors: dict[str, tuple[float, int]] = {}
        for _, mean, suffix in self.subject.openings:
            n = len(mean.passes)
            for source in ("repeatability of passes", "zero-speed angle"):
                factors[source + suffix] = (math.sqrt(n / (n + MORE_PASSES)), MORE_PASSES)
        if not any(t.source in factors for t in self.terms):
            return []

        def more(term: Term) -> Term:
            factor, extra = factors.get(term.source, (1.0, 0))
            return replace(term, standard_uncertainty=term.standard_uncertainty * factor, freedom=term.freedom + extra)

        n = min(len(mean.passes) for _, mean, _ in self.subject.openings)
        return [
            self._action("passes", f"five more passes of each lobe ({n + MORE_PASSES} in all)", self._replaced(more))
        ]

    def _speeds(self) -> list[Action]:
        found = []
        for breaker, mean, suffix in self.subject.openings:
            delayed = next((t for t in self.terms if t.source == _DELAY + suffix), None)
            if delayed is None or delayed.contribution_deg == 0 or not mean.passes:
                continue
            what = f"take all passes of {breaker.name} at half the speed (about {abs(mean.speed_deg_s) / 2:.2g}°/s)"
            found.append(self._action("slower", what, self._scaled({source + suffix: 0.5 for source in _BY_SPEED})))
            found += self._line(breaker, mean, suffix)
        return found

    def _line(self, breaker: Breaker, mean: LobeMean, suffix: str) -> list[Action]:
        """Passes at other speeds, so that the angle at standstill comes from a line and not from a bound on the delay."""
        if mean.scatter_deg is None or mean.line is not None:
            return []
        speeds = [p.speed_deg_s for p in mean.passes]
        asked: list[speed_fit.Wanted] = []
        fitted = speed_fit.fit([0.0] * len(speeds), speeds)
        while isinstance(fitted, speed_fit.NotUsable):
            if not fitted.wanted or len(asked) > 2 * speed_fit.LEAST_PER_END:
                return []
            for wanted in fitted.wanted:
                asked.append(wanted)
                speeds += [wanted.speed_deg_s] * wanted.passes
            fitted = speed_fit.fit([0.0] * len(speeds), speeds)
        if not asked:
            return []
        n = len(speeds)
        middle = math.fsum(speeds) / n
        squares = math.fsum((v - middle) ** 2 for v in speeds)
        u = mean.scatter_deg * math.sqrt(1 / n + middle**2 / squares)
        gone = {f"{source}{suffix}" for source in ("repeatability of passes", *_BY_SPEED)}
        terms = [t for t in self.terms if t.source not in gone]
        terms.append(type_a(f"zero-speed angle{suffix}", u, n - 2))
        what = f"{breaker.name}: " + " and ".join(w.text for w in asked) + " of each lobe besides, which tell the delay"
        return [self._action("speeds", what, terms)]

    # --- bounds ------------------------------------------------------------------------------------------------------

    def _bounds(self) -> list[Action]:
        return [*self._capacitor(), *self._probe(), *self._encoder(), *self._followers(), *self._poles()]

    def _scaled(self, factors: dict[str, float]) -> list[Term]:
        return self._replaced(
            lambda t: replace(t, standard_uncertainty=t.standard_uncertainty * factors.get(t.source, 1.0))
        )

    def _delayed(self) -> list[tuple[Breaker, str]]:
        held = {t.source for t in self.terms if t.contribution_deg > 0}
        return [(b, _DELAY + suffix) for b, _, suffix in self.subject.openings if _DELAY + suffix in held]

    def _capacitor(self) -> list[Action]:
        unstated = [(b, source) for b, source in self._delayed() if b.capacitor_uf is None]
        if not unstated:
            return []
        # The bound was 0 to RC·ln(1/(1-f)) at the highest f; once C is known (at most this large), from the lowest f on.
        low, high = (math.log(1 / (1 - f)) for f in self.bench.probe.threshold)
        left = (high - low) / high
        names = " and ".join(b.name for b, _ in unstated)
        what = f"state the capacitor across the points of {names} in the job file (if it is the largest allowed for; smaller is better)"
        return [self._action("capacitor", what, self._scaled({source: left for _, source in unstated}))]

    def _probe(self) -> list[Action]:
        ohm = self.bench.probe.ohm
        delayed = self._delayed()
        if ohm <= LOW_OHM or not delayed:
            return []
        what = f"a probe circuit of {LOW_OHM:g} Ω instead of {ohm:g} Ω"
        return [self._action("probe", what, self._scaled({source: LOW_OHM / ohm for _, source in delayed}))]

    def _encoder(self) -> list[Action]:
        if not any(t.source == _OFF_CENTRE and t.contribution_deg > MAPPED_DEG for t in self.terms):
            return []
        mapped = replace(rectangular("encoder map", 1.0), standard_uncertainty=MAPPED_DEG)
        terms = self._replaced(lambda t: mapped if t.source == _OFF_CENTRE else t)
        return [
            self._action("encoder-map", "map the encoder (counted with what is left then, 5 seconds of arc)", terms)
        ]

    def _followers(self) -> list[Action]:
        if self.neutral is None or self.pull_known or _LIFTED in self.neutral.method:
            return []
        if not any(t.source == neutral.CAM_TORQUE and t.contribution_deg > 0 for t in self.terms):
            return []
        terms = self._replaced(lambda t: None if t.source == neutral.CAM_TORQUE else t)
        what = "feel neutral with the followers lifted off the cam (measure --followers-lifted), as often as now"
        return [self._action("followers-lifted", what, terms)]

    def _poles(self) -> list[Action]:
        found = []
        other = [t for t in self.terms if t.source.startswith(_OTHER_POLE)]
        if len(other) == 1 and not self.job.needs_lobe_mark:
            terms = self._replaced(lambda t: None if t is other[0] else t)
            what = f"measure again with neutral marked at the pole just before {self.subject.name} instead of the one marked now"
            found.append(self._action("other-neutral", what, terms))
        if any(_of_several_poles(t) for t in self.terms):
            terms = self._replaced(lambda t: None if _of_several_poles(t) else t)
            found.append(self._action("one-neutral", "make all marks at one and the same neutral", terms))
        return found


def _of_several_poles(term: Term) -> bool:
    """Is it there because the presses were at several neutrals? Swings about register carry it too, but with their weight only."""
    return term.source == _SEVERAL_POLES and term.sensitivity == 1.0


def _digits(figure_deg: float) -> int:
    """Decimals that show two figures of an uncertainty, at least two and at most four."""
    return 2 if figure_deg <= 0 else min(4, max(2, 1 - math.floor(math.log10(figure_deg))))


def _marks(estimate: Estimate, below: int = 0, above: int = 0) -> list[Mark]:
    """Marks of which `neutral.both_sides` makes the same estimate, with so many more of the same scatter on either side."""
    scatter = 2 * estimate.u_deg / math.sqrt(1 / estimate.from_below + 1 / estimate.from_above)
    found = []
    for side, number in ((1, estimate.from_below + below), (-1, estimate.from_above + above)):
        middle = estimate.angle_deg - side * estimate.band_deg / 2
        pairs = number // 2
        # `number` values with the sum of squares scatter²·(number - 1), symmetric about the middle.
        off = scatter * math.sqrt((number - 1) / (2 * pairs))
        angles = [middle + off] * pairs + [middle - off] * pairs + [middle] * (number % 2)
        found += [Mark(angle, side) for angle in angles]
    return found
