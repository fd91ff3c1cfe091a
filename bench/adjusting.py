"""What a person who sets the points needs to know now: how far each set opens from its target, and what was just changed.

All angles are degrees in the running direction from what the job says they count from; live figures, without a budget: the verdict is
left to the passes taken after the final torque.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from weakref import WeakKeyDictionary

from bench.evaluation import LivePlaces
from bench.holding import HeldChange
from bench.job import Breaker, ReferenceKind
from bench.procedure import Step
from bench.run import BreakerTrace, Followed, Run

#: Share of a lobe spacing before a reference that is shown as a negative angle.
BEFORE = 0.25
#: Latest openings that are shown.
SHOWN = 6


@dataclass(frozen=True, slots=True)
class SeenOpening:
    """One opening: its lobe, and its angle from the breaker's own reference."""

    lobe: int
    angle_deg: float


@dataclass(frozen=True, slots=True)
class HeldPoints:
    """The points opened or closed while the rotor was held at `angle_deg` from their reference."""

    opened: bool
    angle_deg: float


@dataclass(frozen=True, slots=True)
class PointsAdjusting:
    """One set of points while it is set.

    `mean_deg` is that of the openings since the rotor was last held, `moved_deg` how that differs from the openings before, lobe by lobe;
    `distance_deg` how far the rotor is to be turned on to the target (negative: it is past it). None where it is not known.
    """

    name: str
    counts_from: str
    target_deg: float | None
    lower_deg: float | None
    upper_deg: float | None
    distance_deg: float | None
    latest: tuple[SeenOpening, ...]
    mean_deg: float | None
    moved_deg: float | None
    held: HeldPoints | None

    @property
    def off_deg(self) -> float | None:
        """How much later than its target it opens (negative: earlier)."""
        return None if self.mean_deg is None or self.target_deg is None else self.mean_deg - self.target_deg


def folded(angle_deg: float, spacing_deg: float) -> float:
    """The angle past the reference whose opening is next or was just passed."""
    return (angle_deg + BEFORE * spacing_deg) % spacing_deg - BEFORE * spacing_deg


def points_adjusting(run: Run, places: LivePlaces) -> tuple[PointsAdjusting, ...]:
    """Every set of points of `run`, by the zero that `places` has."""
    view = _View(run, places)
    return tuple(view.points(trace) for trace in run.epoch.traces)


def lately(recent: Sequence[Followed]) -> tuple[list[Followed], list[Followed]]:
    """Openings since the rotor was last held, and those of the setting before; adjusting and verifying are one setting."""
    if not recent:
        return [], []
    last = recent[-1]
    now = [f for f in recent if f.holding == last.holding]
    before = [f for f in recent if f.holding < last.holding]
    return now, [f for f in before if f.holding == before[-1].holding]


#: Openings' angles past the zero, by breaker and tick: each is asked for at every moment that it is shown. The latest are kept.
MOST_PAST = 1000
_past: WeakKeyDictionary[LivePlaces, dict[tuple[str, int], float]] = WeakKeyDictionary()


class _View:
    def __init__(self, run: Run, places: LivePlaces) -> None:
        self.run = run
        self.places = places
        self.spacing = run.job.unit.lobe_spacing_deg
        self.traces = {t.breaker.name: t for t in run.epoch.traces}
        # An opening's place does not change under the same zero; what it counts from does from moment to moment.
        self._past = _past.setdefault(places, {})
        while len(self._past) > MOST_PAST:
            del self._past[next(iter(self._past))]
        self._references: dict[tuple[str, int], float | None] = {}

    def points(self, trace: BreakerTrace) -> PointsAdjusting:
        breaker, recent = trace.breaker, list(trace.recent)
        now, before = lately(recent)
        lobe = recent[-1].ordinal % self.run.job.unit.lobes if recent else 0
        expected = breaker.expected(lobe)
        rotor = folded(self.places.rotor_deg(self.run.count), self.spacing)
        zero = self._reference_deg(breaker, lobe)
        distance = None
        if expected is not None and zero is not None:
            half = self.spacing / 2
            distance = (zero + expected.target_deg - rotor + half) % self.spacing - half
        return PointsAdjusting(
            name=breaker.name,
            counts_from=str(breaker.reference),
            target_deg=None if expected is None else expected.target_deg,
            lower_deg=None if expected is None else expected.lower_deg,
            upper_deg=None if expected is None else expected.upper_deg,
            distance_deg=distance,
            latest=tuple(self._seen(breaker, f) for f in recent[-SHOWN:] if self._angle(breaker, f) is not None),
            mean_deg=self._mean(breaker, now),
            moved_deg=self._moved(breaker, before, now),
            held=self._held(breaker, zero),
        )

    def _past_neutral(self, breaker: Breaker, followed: Followed) -> float:
        key = breaker.name, followed.change.edge.tick
        if key not in self._past:
            self._past[key] = folded(self.places.opening_deg(breaker, followed.change), self.spacing)
        return self._past[key]

    def _reference_deg(self, breaker: Breaker, lobe: int) -> float | None:
        """Where the breaker's angle counts from, past the zero."""
        key = breaker.name, lobe
        if key not in self._references:
            self._references[key] = self._find_reference_deg(breaker, lobe)
        return self._references[key]

    def _find_reference_deg(self, breaker: Breaker, lobe: int) -> float | None:
        reference = breaker.reference
        if reference.kind is ReferenceKind.NEUTRAL:
            return 0.0
        if reference.kind is ReferenceKind.MARK:
            steps = self.run.procedure
            return None if steps is None or steps.mark is None else self.places.rotor_deg(steps.mark.count)
        other = self.traces[reference.breaker or ""]
        if reference.kind is ReferenceKind.TARGET:
            return self.places.target_from_neutral_deg(other.breaker, lobe)
        openings = [self._past_neutral(other.breaker, f) for f in lately(list(other.recent))[0]]
        return math.fsum(openings) / len(openings) if openings else None

    def _angle(self, breaker: Breaker, followed: Followed) -> float | None:
        zero = self._reference_deg(breaker, followed.ordinal % self.run.job.unit.lobes)
        return None if zero is None else folded(self._past_neutral(breaker, followed) - zero, self.spacing)

    def _seen(self, breaker: Breaker, followed: Followed) -> SeenOpening:
        return SeenOpening(followed.ordinal % self.run.job.unit.lobes, self._angle(breaker, followed) or 0.0)

    def _mean(self, breaker: Breaker, openings: Sequence[Followed]) -> float | None:
        angles = [a for f in openings if (a := self._angle(breaker, f)) is not None]
        return math.fsum(angles) / len(angles) if angles else None

    def _moved(self, breaker: Breaker, before: Sequence[Followed], now: Sequence[Followed]) -> float | None:
        """Mean change of the lobes that were seen in both; of all openings where none was."""
        lobes = self.run.job.unit.lobes

        def by_lobe(openings: Sequence[Followed]) -> dict[int, list[float]]:
            found: dict[int, list[float]] = {}
            for followed in openings:
                found.setdefault(followed.ordinal % lobes, []).append(self._past_neutral(breaker, followed))
            return {lobe: angles for lobe, angles in found.items() if angles}

        one, two = by_lobe(before), by_lobe(now)
        if not one or not two:
            return None
        both = one.keys() & two.keys()
        if not both:
            every = [[a for angles in found.values() for a in angles] for found in (one, two)]
            return _mean(every[1]) - _mean(every[0])
        return _mean([_mean(two[lobe]) - _mean(one[lobe]) for lobe in sorted(both)])

    def _held(self, breaker: Breaker, zero: float | None) -> HeldPoints | None:
        holding = self.run.holding
        change: HeldChange | None = None if holding is None else holding.changes.get(breaker.channel)
        if change is None or zero is None or self.run.step not in (Step.ADJUST, Step.VERIFY):
            return None
        return HeldPoints(change.opened, folded(self.places.rotor_deg(change.count) - zero, self.spacing))


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)
