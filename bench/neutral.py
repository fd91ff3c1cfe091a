"""Where neutral is, from presses and from rests after a release, each approached from both sides.

Model. Friction stops rotor and feel short on the side that they come from; the middle between the mean of either side
is free of it as far as friction is the same both ways. A steady cam torque T pulls all of it by T/(p·T₀) radians, for p poles and
peak magnet torque T₀ (torque near neutral: p·T₀ per radian); that is common to every method and is carried as a bound.
Angles are degrees in the running direction.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from bench.bench_file import Priors
from bench.uncertainty import Shape, Term, coverage_factor, rectangular, welch_satterthwaite

LEAST_PER_SIDE = 2
CAM_TORQUE = "neutral, cam torque"
SWINGS = "swings"


@dataclass(frozen=True, slots=True)
class Mark:
    """A place stated to be neutral. `side` +1: approached in the running direction, -1: against it."""

    angle_deg: float
    side: int


@dataclass(frozen=True, slots=True)
class Estimate:
    """One method's neutral: place, scatter-borne standard uncertainty, and the band between the sides' means."""

    method: str
    angle_deg: float
    u_deg: float
    freedom: float
    band_deg: float
    from_below: int
    from_above: int

    @property
    def weight(self) -> float:
        """Inverse of the variance, made smaller where few values know it badly."""
        widened = self.u_deg * coverage_factor(self.freedom, 0.95)
        return 1.0 / max(widened, 1e-6) ** 2


@dataclass(frozen=True, slots=True)
class Finer:
    """An estimate by a method finer than presses, and the terms that are its own."""

    estimate: Estimate
    terms: tuple[Term, ...]


@dataclass(frozen=True, slots=True)
class Neutral:
    """The neutral first marked: its place, and every term of its uncertainty."""

    angle_deg: float
    method: str
    terms: tuple[Term, ...]
    estimates: tuple[Estimate, ...]
    band_deg: float
    agree: bool

    @property
    def standard_uncertainty_deg(self) -> float:
        """Combined standard uncertainty of the place."""
        return math.sqrt(math.fsum(t.contribution_deg**2 for t in self.terms))


def fold(angle_deg: float, origin_deg: float, spacing_deg: float) -> tuple[float, int]:
    """`angle_deg` moved by whole spacings to within half a spacing of the origin, and how many spacings it was off."""
    turns = round((angle_deg - origin_deg) / spacing_deg)
    return angle_deg - turns * spacing_deg, turns


def both_sides(method: str, marks: Sequence[Mark], least_per_side: int = LEAST_PER_SIDE) -> Estimate | None:
    """Middle between the mean of either side, with pooled scatter. None while a side has too few, or no scatter is known."""
    below = [m.angle_deg for m in marks if m.side > 0]
    above = [m.angle_deg for m in marks if m.side < 0]
    freedom = len(below) + len(above) - 2
    if min(len(below), len(above)) < least_per_side or freedom < 1:
        return None
    mean_below, mean_above = math.fsum(below) / len(below), math.fsum(above) / len(above)
    squares = math.fsum((a - mean_below) ** 2 for a in below) + math.fsum((a - mean_above) ** 2 for a in above)
    u = math.sqrt(squares / freedom) / 2 * math.sqrt(1 / len(below) + 1 / len(above))
    return Estimate(method, (mean_below + mean_above) / 2, u, freedom, mean_above - mean_below, len(below), len(above))


def locate(
    presses: Sequence[Mark],
    rests: Sequence[Mark],
    poles: int,
    priors: Priors,
    count_deg: float,
    swung: Finer | None = None,
) -> Neutral | None:
    """The neutral that the first press was at; None while there are not two presses from each side.

    Swings, or else rests (which end the same swings and are not independent of them), are combined with the presses where both
    agree within their 99 % interval; where not, the presses govern and `agree` is false. `count_deg` is the width of a count.
    """
    if not presses:
        return None
    spacing = 360.0 / poles
    origin = presses[0].angle_deg
    folded, places = _folded(presses, origin, spacing)
    pressed = both_sides("presses", folded)
    if pressed is None:
        return None
    # Only rests at the neutral that was pressed first: any other is off by an unknown error of the poles' spacing.
    rested = both_sides("rests", [r for r in rests if fold(r.angle_deg, origin, spacing)[1] == 0])
    finer = swung if swung is not None else None if rested is None else Finer(rested, (_scatter(rested),))
    estimates = [e for e in (pressed, rested, None if swung is None else swung.estimate) if e is not None]
    agree = finer is None or _agree(pressed, finer.estimate)
    used = [pressed] if finer is None or not agree else [pressed, finer.estimate]
    weights = [e.weight for e in used]
    share = [w / math.fsum(weights) for w in weights]
    angle = math.fsum(s * e.angle_deg for s, e in zip(share, used, strict=True))
    band = max(0.0, *(e.band_deg for e in used))
    own = [(_scatter(pressed),), *([] if finer is None or not agree else [finer.terms])]
    terms = [
        replace(t, sensitivity=t.sensitivity * part) for part, group in zip(share, own, strict=True) for t in group
    ]
    terms.append(rectangular(CAM_TORQUE, math.degrees(priors.cam_torque_fraction) / poles))
    terms.append(rectangular("neutral, unequal friction", band / 2, sensitivity=priors.friction_asymmetry))
    # Each mark was read as the middle of its count; the finest that a common part of that can be is one count wide. Swings are
    # placed between the edges.
    read_at_rest = math.fsum(s for s, e in zip(share, used, strict=True) if e.method != SWINGS)
    terms.append(rectangular("neutral, count", count_deg / 2, sensitivity=read_at_rest))
    if len(places) > 1:
        terms.append(rectangular("neutral, pole spacing", priors.pole_spacing_deg))
    method = " and ".join(e.method for e in used)
    return Neutral(angle, method, tuple(terms), tuple(estimates), pressed.band_deg, agree)


@dataclass(frozen=True, slots=True)
class LiftedNeutral:
    """Neutral that used what was felt with the followers off the cam, and what that tells of the cam's pull.

    `cam_pull_deg` is how far the followers move neutral in the running direction, None where it was not felt with them down as well;
    `within_bound` is false where that is more than scatter and the bench's bound on the cam's torque explain.
    """

    neutral: Neutral
    cam_pull_deg: float | None
    u_cam_pull_deg: float | None
    within_bound: bool


def with_lifted(lifted: Neutral, down: Neutral | None, poles: int) -> LiftedNeutral:
    """Join neutral felt with the followers lifted with the one felt with them on the cam, at the place of the latter.

    Model: lifted gives N, down gives N + b with b the cam's pull, bounded by the bench file. Where the difference is within that
    bound and the scatter, the mean weighted by the inverse square of each one's standard uncertainty; b then counts with the share
    of `down`. Where not, the bound does not hold for this unit, and the lifted one stands alone. What both have in common (unequal
    friction, the count) adds with its sign (JCGM 100:2008, 5.2.2, correlation +1).
    """
    free = [t for t in lifted.terms if t.source != CAM_TORQUE]
    alone = replace(
        lifted, method=f"{lifted.method}, followers lifted", terms=tuple(_named(free)), estimates=_lifted(lifted)
    )
    if down is None:
        return LiftedNeutral(alone, None, None, True)
    angle, places = fold(lifted.angle_deg, down.angle_deg, 360.0 / poles)
    if places % poles:
        # Another neutral: each is off its place by an error of its own, which the cam's pull cannot be told from.
        return LiftedNeutral(down, None, None, True)
    both = [t for t in free if t.kind == "A"], [t for t in down.terms if t.kind == "A"]
    freedom = welch_satterthwaite([(t.contribution_deg, t.freedom) for group in both for t in group])
    pull = down.angle_deg - angle
    u_pull = math.hypot(*(t.contribution_deg for group in both for t in group))
    bound = math.sqrt(3) * math.fsum(t.contribution_deg for t in down.terms if t.source == CAM_TORQUE)
    within = abs(pull) <= bound + coverage_factor(freedom, 0.99) * u_pull
    estimates = _lifted(lifted, angle - lifted.angle_deg) + down.estimates
    band = max(lifted.band_deg, down.band_deg)
    if not within:
        moved = replace(alone, angle_deg=angle, estimates=estimates, band_deg=band)
        return LiftedNeutral(moved, pull, u_pull, False)
    weights = 1 / math.fsum(t.contribution_deg**2 for t in free), 1 / down.standard_uncertainty_deg**2
    share = weights[0] / math.fsum(weights)
    terms = _named([_times(t, share) for t in free]) + [_times(t, 1 - share) for t in down.terms]
    joined = Neutral(
        share * angle + (1 - share) * down.angle_deg,
        f"{alone.method}; {down.method}",
        tuple(_merged(terms)),
        estimates,
        band,
        lifted.agree and down.agree,
    )
    return LiftedNeutral(joined, pull, u_pull, True)


def _lifted(neutral: Neutral, by_deg: float = 0.0) -> tuple[Estimate, ...]:
    return tuple(
        replace(e, method=f"{e.method}, followers lifted", angle_deg=e.angle_deg + by_deg) for e in neutral.estimates
    )


def _named(terms: Sequence[Term]) -> list[Term]:
    return [replace(t, source=f"{t.source}, followers lifted") if t.kind == "A" else t for t in terms]


def _times(term: Term, share: float) -> Term:
    return replace(term, sensitivity=term.sensitivity * share)


def _merged(terms: Sequence[Term]) -> list[Term]:
    """Terms of one source as one, with their contributions added."""
    merged: dict[str, Term] = {}
    for term in terms:
        known = merged.get(term.source)
        if known is None:
            merged[term.source] = term
        else:
            total = known.contribution_deg + term.contribution_deg
            u = known.standard_uncertainty or term.standard_uncertainty
            merged[term.source] = replace(known, standard_uncertainty=u, sensitivity=total / u if u else 0.0)
    return list(merged.values())


def _scatter(estimate: Estimate) -> Term:
    return Term(f"neutral, scatter of {estimate.method}", "A", Shape.T, estimate.u_deg, "deg", 1.0, estimate.freedom)


def _folded(marks: Sequence[Mark], origin: float, spacing: float) -> tuple[list[Mark], set[int]]:
    folded, places = [], set()
    for mark in marks:
        angle, place = fold(mark.angle_deg, origin, spacing)
        folded.append(Mark(angle, mark.side))
        places.add(place)
    return folded, places


def _agree(one: Estimate, other: Estimate) -> bool:
    freedom = welch_satterthwaite([(one.u_deg, one.freedom), (other.u_deg, other.freedom)])
    limit = coverage_factor(freedom, 0.99) * math.hypot(one.u_deg, other.u_deg)
    return abs(one.angle_deg - other.angle_deg) <= max(limit, 1e-9)
