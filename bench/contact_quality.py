"""How well the points make and break: chatter, slow or dirty contact, spread of closing and dwell, static against turning openings.

Pure functions over what each opening was (`OpeningSeen`). Nothing here changes an angle; findings are notes for the person.

Model. Clean points part once and stay parted, or bounce for a fraction of a millisecond, from lobe to lobe alike and whatever the
angle. Dirty, burnt or badly sprung ones return often, settle late, on one lobe more than on others, or open at an angle that goes
with their bounce.
Limits. A capacitor hides every return shorter than its charging time; a slow hand draws bounce out, so that *static* openings are
judged for their angle only. Bounds without a source are marked; a finding says "look", never "reject".
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist, median

from bench import student
from bench.contacts import Change, Flicker
from bench.uncertainty import Budget, Shape, Term, rectangular, type_a
from firmware_protocol.messages import Contact

#: An opening crossed more slowly than this, or with the rotor stopping within a count, is static: held and crept.
STATIC_DEG_S = 5.0
#: Mean number of returns per opening that is much; common practice, no source.
MANY_RETURNS = 5.0
#: Bounce longer than this settles late, milliseconds; common practice, no source (JOB.md: 0.1 to several ms).
LATE_MS = 5.0
#: A lobe whose median bounce exceeds the others' by less than this is not worth a word, milliseconds.
LEAST_EXCESS_MS = 0.5
#: Two-sided level of significance of each breaker's tests.
SIGNIFICANCE = 0.01
#: Points that part so far before an opening or nearer, and close again, make a false start of it; common practice, no source.
FALSE_START_DEG = 3.0
#: Fewer openings than this tell nothing of scatter.
LEAST_OPENINGS = 3
#: Pairs of values up to which Mann–Whitney's test is exact (30 against 30; the work grows with the square).
MOST_EXACT = 900


@dataclass(frozen=True, slots=True)
class OpeningSeen:
    """One opening in the running direction. Angles are past the lobe's own zero; `closing_deg` and `dwell_deg` None if not seen."""

    lobe: int
    angle_deg: float
    speed_deg_s: float
    static: bool
    bounce_ms: float
    returns: int
    longest_return_ms: float
    merged_edges: int
    closing_deg: float | None
    dwell_deg: float | None
    #: How far before this opening the points first parted, to close again for so long that it did not count; 0 if they did not.
    false_start_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Chatter:
    """Returns to closed of the openings of one lobe, turning and static ones alike. `merged`: of so many edges only the number is known."""

    openings: int
    with_returns: int
    mean_returns: float
    most_returns: int
    median_bounce_ms: float
    longest_bounce_ms: float
    longest_return_ms: float
    merged: int


@dataclass(frozen=True, slots=True)
class Spread:
    """Of n values: mean, its standard uncertainty, standard deviation and how uncertain that is (both None of a single value)."""

    n: int
    mean_deg: float
    u_mean_deg: float | None
    deviation_deg: float | None
    u_deviation_deg: float | None


@dataclass(frozen=True, slots=True)
class StaticDifference:
    """Static openings less turning ones, lobe by lobe, with its budget and the test that it is nil."""

    static: int
    turning: int
    difference_deg: float
    budget: Budget
    statistic: float
    critical: float

    @property
    def differs(self) -> bool:
        """True if the two do not agree."""
        return self.statistic > self.critical


@dataclass(frozen=True, slots=True)
class Finding:
    """Something to look at. `lobe` None means the breaker as a whole; `text` says what was seen and by which test or bound."""

    code: str
    lobe: int | None
    text: str


def is_static(contact: Contact, tick_hz: int, count_deg: float) -> bool:
    """True if the rotor was held or crept at a probe's edge.

    That is: no encoder edge within the board's 50 ms on either side, the edges around do not run one way, or the time between the
    nearest edge before and the nearest after makes less than `STATIC_DEG_S`.
    """
    if not contact.before_steps or not contact.after_steps:
        return True
    around = {*contact.before_steps[:2], *contact.after_steps[:2]}
    gap = contact.before_ages[0] + contact.after_delays[0]
    return len(around) != 1 or 0 in around or count_deg * tick_hz < STATIC_DEG_S * gap


def seen(
    lobe: int, opening: Change, tick_hz: int, count_deg: float, angle_deg: float, speed_deg_s: float,
    closing_deg: float | None = None, dwell_deg: float | None = None, false_start_deg: float = 0.0,
) -> OpeningSeen:  # fmt: skip
    """An opening as the functions below take it."""
    ms = 1000.0 / tick_hz
    return OpeningSeen(
        lobe,
        angle_deg,
        speed_deg_s,
        is_static(opening.edge.contact, tick_hz, count_deg),
        opening.bounce_ticks * ms,
        opening.returns,
        opening.longest_return_ticks * ms,
        opening.merged_edges,
        closing_deg,
        dwell_deg,
        false_start_deg,
    )


def false_start_deg(
    opening: Change, closing_before: Change | None, flickers: Sequence[Flicker], counts_per_turn: int, sense: int
) -> float:
    """How far before an opening the points first parted in the same closed stretch, within `FALSE_START_DEG`; 0 if they did not."""
    since = -math.inf if closing_before is None else closing_before.edge.tick
    before = [
        (opening.edge.count - f.count) * sense * 360.0 / counts_per_turn
        for f in flickers
        if not f.was_open and since < f.tick < opening.edge.tick
    ]
    return max((d for d in before if 0 < d <= FALSE_START_DEG), default=0.0)


def chatter(openings: Sequence[OpeningSeen]) -> Chatter | None:
    """Chatter of one lobe's openings; None without any."""
    if not openings:
        return None
    bounces = [o.bounce_ms for o in openings]
    return Chatter(
        len(openings),
        sum(o.returns > 0 for o in openings),
        math.fsum(o.returns for o in openings) / len(openings),
        max(o.returns for o in openings),
        median(bounces),
        max(bounces),
        max(o.longest_return_ms for o in openings),
        sum(o.merged_edges for o in openings),
    )


def spread(values_deg: Sequence[float], u_common_deg: float = 0.0) -> Spread | None:
    """Mean and scatter of one lobe's closing angles or dwells; `u_common_deg` is what all of them share. None without any.

    u(mean) = √(s²/n + u_common²). The standard deviation s of n normal values is itself uncertain by √(1/c4² - 1) of its expectation
    (JCGM 100:2008, E.4.3 and Table E.1: 52 % for n = 3, 24 % for n = 10).
    """
    n = len(values_deg)
    if n == 0:
        return None
    mean = math.fsum(values_deg) / n
    if n == 1:
        return Spread(1, mean, None, None, None)
    s = math.sqrt(math.fsum((v - mean) ** 2 for v in values_deg) / (n - 1))
    return Spread(n, mean, math.hypot(s / math.sqrt(n), u_common_deg), s, s * relative_u_of_deviation(n))


def relative_u_of_deviation(n: int) -> float:
    """Relative standard deviation of the experimental standard deviation of n normal values, n at least 2."""
    c4 = math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    return math.sqrt(1 / c4**2 - 1)


# --- slow or dirty -------------------------------------------------------------------------------------------------------


def findings(openings: Sequence[OpeningSeen], least_deg: float) -> tuple[Finding, ...]:
    """What looks slow or dirty in one breaker's openings. Scatter of less than `least_deg` (a count) is not looked at."""
    turning = [o for o in openings if not o.static]
    lobes = sorted({o.lobe for o in turning})
    found = []
    for lobe in lobes:
        own = [o for o in turning if o.lobe == lobe]
        found += _much(lobe, own)
        worse = _longer_than_others(lobe, own, [o for o in turning if o.lobe != lobe], len(lobes))
        found += [] if worse is None else [worse]
    goes_along = _scatters_with_bounce(turning, least_deg)
    return tuple(found if goes_along is None else [*found, goes_along])


def _much(lobe: int, own: Sequence[OpeningSeen]) -> list[Finding]:
    if len(own) < LEAST_OPENINGS:
        return []
    found = []
    mean = math.fsum(o.returns for o in own) / len(own)
    if mean >= MANY_RETURNS:
        text = f"the points went back to closed {mean:.1f} times per opening on average, {max(o.returns for o in own)} at most"
        found.append(Finding("many-returns", lobe, text))
    late = [o.bounce_ms for o in own if o.bounce_ms > LATE_MS]
    if late:
        text = f"{len(late)} of {len(own)} openings took more than {LATE_MS:g} ms to settle, {max(late):.1f} ms at most"
        found.append(Finding("late-settled", lobe, text))
    early = [o.false_start_deg for o in own if o.false_start_deg > 0]
    if early:
        text = (
            f"before {len(early)} of {len(own)} openings the points had parted already, up to {max(early):.2f}° earlier, and closed "
            "again for longer than bounce; the angle is that of the last parting"
        )
        found.append(Finding("false-start", lobe, text))
    return found


def _longer_than_others(
    lobe: int, own: Sequence[OpeningSeen], others: Sequence[OpeningSeen], lobes: int
) -> Finding | None:
    """A lobe that bounces longer than the unit's other lobes, one-sided, Bonferroni over the lobes."""
    if len(own) < LEAST_OPENINGS or len(others) < LEAST_OPENINGS:
        return None
    a, b = [o.bounce_ms for o in own], [o.bounce_ms for o in others]
    if median(a) - median(b) < LEAST_EXCESS_MS:
        return None
    chance = rank_sum_chance(a, b)
    if chance > SIGNIFICANCE / lobes:
        return None
    return Finding(
        "bounces-longer",
        lobe,
        f"bounces for {median(a):.2f} ms (median), the other lobes for {median(b):.2f} ms; Mann–Whitney test, probability by chance "
        f"{chance:.2g}",
    )


def rank_sum_chance(larger: Sequence[float], smaller: Sequence[float]) -> float:
    """Probability by chance that the first values exceed the second by as much: Mann–Whitney's U, one-sided.

    Exact by the recurrence of U's distribution (Mann & Whitney, Ann. Math. Stat. 18 (1947) 50) up to `MOST_EXACT` pairs, beyond by its
    normal approximation with continuity correction (ibid.). Both suppose no ties; a tie counts against the first.
    """
    m, n = len(larger), len(smaller)
    ordered = sorted(smaller)
    u = sum(bisect_left(ordered, a) for a in larger)
    if m * n > MOST_EXACT:
        return 1.0 - NormalDist(m * n / 2, math.sqrt(m * n * (m + n + 1) / 12)).cdf(u - 0.5)
    # ways[j][k]: orderings of i of the first and j of the second with U = k. The greatest of them all is either one of the first,
    # which adds j to U, or one of the second.
    ways = [[1] + [0] * (m * n) for _ in range(n + 1)]
    for _ in range(m):
        for j in range(1, n + 1):
            ways[j] = [(ways[j][k - j] if k >= j else 0) + ways[j - 1][k] for k in range(m * n + 1)]
    return sum(ways[n][u:]) / math.comb(m + n, m)


def _scatters_with_bounce(turning: Sequence[OpeningSeen], least_deg: float) -> Finding | None:
    """The angle goes with the bounce: Pearson's r of both, each about its lobe's mean, t = r√(ν/(1-r²)), ν = N - L - 1."""
    angles, bounces, lobes = [], [], 0
    for lobe in {o.lobe for o in turning}:
        own = [o for o in turning if o.lobe == lobe]
        if len(own) < LEAST_OPENINGS:
            continue
        lobes += 1
        angle, bounce = math.fsum(o.angle_deg for o in own) / len(own), math.fsum(o.bounce_ms for o in own) / len(own)
        angles += [o.angle_deg - angle for o in own]
        bounces += [o.bounce_ms - bounce for o in own]
    freedom = len(angles) - lobes - 1
    if freedom < LEAST_OPENINGS:
        return None
    aa, bb = math.fsum(a * a for a in angles), math.fsum(b * b for b in bounces)
    if aa <= 0 or bb <= 0:
        return None
    slope = math.fsum(a * b for a, b in zip(angles, bounces, strict=True)) / bb
    r = slope * math.sqrt(bb / aa)
    chance = correlation_chance(r, freedom)
    moved = abs(slope) * math.sqrt(bb / freedom)
    if chance > SIGNIFICANCE or moved < least_deg:
        return None
    return Finding(
        "scatters-with-bounce",
        None,
        f"openings that bounce longer come {'later' if slope > 0 else 'earlier'}, by {abs(slope):.3f}° a millisecond (r = {r:.2f}, "
        f"probability by chance {chance:.2g}); this makes {moved:.3f}° of the scatter",
    )


def correlation_chance(r: float, freedom: int) -> float:
    """Two-sided probability by chance of a correlation of at least |r|."""
    if abs(r) >= 1.0:
        return 0.0
    return 2.0 * (1.0 - student.distribution(abs(r) * math.sqrt(freedom / (1 - r * r)), freedom))


# --- static against turning ----------------------------------------------------------------------------------------------


def static_against_turning(
    openings: Sequence[OpeningSeen], count_deg: float, delay_half_s: float, confidence: float
) -> StaticDifference | None:
    """How far static openings lie from turning ones; None unless some lobe has both and the turning ones' scatter is known.

    Per lobe d = mean of static - mean of turning; combined with weights w = n_s·n_t/(n_s + n_t), which for equal variances is least
    squares with a lobe effect. Variance Σw²(s_s²/n_s + s_t²/n_t)/(Σw)², with each group's scatter pooled within lobes and not
    supposed equal; degrees of freedom by Welch–Satterthwaite. For one lobe that is Welch's t-test (Biometrika 34 (1947) 28). Where no
    lobe has two static openings, these are supposed to scatter as the turning ones do.

    What scatter does not show is added: a static opening lies anywhere within a count (one term for all: a rotor held still does
    not average it), and the turning ones carry the delay's bound `delay_half_s` at their speed. They differ if |d| exceeds t at 1 %,
    two-sided, times the combined u.
    """
    by_lobe: list[tuple[list[float], list[float]]] = []
    speeds: list[float] = []
    for lobe in sorted({o.lobe for o in openings}):
        still = [o.angle_deg for o in openings if o.lobe == lobe and o.static]
        moving = [o for o in openings if o.lobe == lobe and not o.static]
        if still and moving:
            by_lobe.append((still, [o.angle_deg for o in moving]))
            speeds += [abs(o.speed_deg_s) for o in moving]
    free_s, free_t = (sum(len(pair[g]) - 1 for pair in by_lobe) for g in (0, 1))
    if free_t < 1:
        return None
    square_s = _within([pair[0] for pair in by_lobe]) / free_s if free_s else 0.0
    square_t = _within([pair[1] for pair in by_lobe]) / free_t
    if not free_s:
        square_s, free_s = square_t, free_t
    weights = [len(s) * len(t) / (len(s) + len(t)) for s, t in by_lobe]
    whole = math.fsum(weights)
    difference = math.fsum(w * (_mean(s) - _mean(t)) for w, (s, t) in zip(weights, by_lobe, strict=True)) / whole
    share_s = math.fsum(w * w / len(s) for w, (s, _) in zip(weights, by_lobe, strict=True)) / whole**2
    share_t = math.fsum(w * w / len(t) for w, (_, t) in zip(weights, by_lobe, strict=True)) / whole**2
    terms = (
        type_a("repeatability of static openings", math.sqrt(square_s * share_s), free_s),
        type_a("repeatability of turning openings", math.sqrt(square_t * share_t), free_t),
        Term("count, place of a rotor held", "B", Shape.RECTANGULAR, count_deg / math.sqrt(12), "deg", 1.0, math.inf),
        rectangular("delay by capacitor", delay_half_s, "s", _mean(speeds)),
    )
    budget = Budget(terms, confidence)
    u = budget.standard_uncertainty_deg
    return StaticDifference(
        sum(len(s) for s, _ in by_lobe),
        sum(len(t) for _, t in by_lobe),
        difference,
        budget,
        abs(difference) / u if u > 0 else math.inf if difference else 0.0,
        student.quantile(
            1 - SIGNIFICANCE / 2, max(1.0, math.floor(budget.freedom)) if math.isfinite(budget.freedom) else math.inf
        ),
    )


def static_text(found: StaticDifference) -> str:
    """For the note: what differs, and why that matters."""
    later = "later" if found.difference_deg > 0 else "earlier"
    why = (
        "Turning, the opening comes late: more capacitance than stated delays the probe, or the angle at speed is not the one to set by."
        if found.difference_deg < 0
        else "Held, the opening comes late: drag or stick in the contact, or the hand crept past it."
    )
    return (
        f"{found.static} static openings (held, or crept below {STATIC_DEG_S:g}°/s) lie {abs(found.difference_deg):.3f}° {later} than "
        f"{found.turning} turning ones, ± {found.budget.expanded_uncertainty_deg:.3f}° (Welch's t {found.statistic:.2f}, critical "
        f"{found.critical:.2f} at {100 * SIGNIFICANCE:g} %, two-sided). {why}"
    )


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _within(groups: Sequence[Sequence[float]]) -> float:
    """Sum of squared deviations from each group's own mean."""
    return math.fsum((v - _mean(g)) ** 2 for g in groups for v in g)
