"""Sections on the figures: openings with their passes, once around the cam, one opening close, neutral."""

from __future__ import annotations

from collections.abc import Sequence

from bench.files import printable
from bench.reports import pictures
from bench.reports.evidence import CloseUp, Evidence, PassPoint
from bench.reports.first_page import VERDICTS
from bench.reports.layout import DASH, Fact, Picture, Section, Table, figure, general
from bench.result import BreakerRow, DifferenceRow, NeutralRow, OpeningRow, ResultDocument

_OPENINGS = (
    "lobe",
    "angle °",
    "± U °",
    "k",
    "u °",
    "d.o.f.",
    "target °",
    "limits °",
    "verdict",
    "P inside",
    "past neutral ° ± U",
    "passes",
    "scatter °",
)
_MORE = ("lobe", "dwell °", "closing °", "bounce ms", "offset °", "cylinder", "crankshaft ° ± U")


def openings(result: ResultDocument, seen: Evidence, no_journal: str) -> Section:
    """Every opening with its limits and verdict, and every pass as a picture."""
    found = result.as_found
    drawn: list[Picture] = []
    tables: list[Table] = []
    for breaker in result.breakers:
        before = None if found is None else next((b for b in found.breakers if b.name == breaker.name), None)
        passes, before_passes = seen.left.get(breaker.name, ()), seen.found.get(breaker.name, ())
        if passes or any(o.angle_deg is not None for o in breaker.openings):
            drawn.append(_passes_picture(breaker, passes, before, before_passes))
        name = printable(breaker.name)
        tables += _tables(breaker, f"{name}: as left" if found is not None else f"{name}: as measured")
        if before is not None:
            tables += _tables(before, f"{name}: as found")
    tables += _difference_tables(result.differences, "as left" if found is not None else "as measured")
    if found is not None:
        tables += _difference_tables(found.differences, "as found")
    tables += _spreads(result.breakers)
    sentences: tuple[str, ...] = (
        "Angles count in the running direction, in degrees of the rotating magnet. U is the expanded uncertainty, k the coverage "
        "factor, u the standard uncertainty; the probability that the true angle is inside the limits is P inside.",
    )
    if no_journal:
        sentences += (f"{no_journal}, so that single passes and edges cannot be shown here.",)
    return Section("Openings", sentences, pictures=tuple(drawn), tables=tuple(tables))


def _passes_picture(
    breaker: BreakerRow, passes: Sequence[PassPoint], before: BreakerRow | None, before_passes: Sequence[PassPoint]
) -> Picture:
    name = printable(breaker.name)
    told = "; ".join(
        f"lobe {o.lobe} at {figure(o.angle_deg, 2)}° ± {figure(o.expanded_uncertainty_deg, 2)}°, {VERDICTS[o.verdict].lower()}"
        for o in breaker.openings
    )
    return Picture(
        f"passes-{breaker.channel}",
        pictures.passes_svg(breaker, passes, before, before_passes),
        f"Plot of {len(passes)} passes of {name} over its {len(breaker.openings)} lobes. {told}.",
        f"{name}: every pass of every lobe in order, mean and expanded uncertainty, with target and limits where there are any.",
    )


def _tables(breaker: BreakerRow, caption: str) -> list[Table]:
    main = tuple(
        (
            str(o.lobe),
            figure(o.angle_deg),
            figure(o.expanded_uncertainty_deg),
            figure(o.coverage_factor, 2),
            figure(o.standard_uncertainty_deg),
            DASH if o.angle_deg is None else freedom(o.degrees_of_freedom),
            general(o.target_deg),
            _limits(o),
            VERDICTS[o.verdict],
            figure(o.probability_inside),
            f"{figure(o.from_neutral_deg)} ± {figure(o.from_neutral_expanded_uncertainty_deg)}",
            f"{o.passes_used}" + (f", {o.passes_void} void" if o.passes_void else ""),
            figure(o.spread_deg),
        )
        for o in breaker.openings
    )
    more = tuple(
        (
            str(o.lobe),
            figure(o.dwell_deg),
            figure(o.closing_deg),
            figure(o.bounce_ms),
            general(o.offset_deg),
            DASH if o.cylinder is None else str(o.cylinder),
            DASH if o.crank_deg is None else f"{figure(o.crank_deg)} ± {figure(o.crank_expanded_uncertainty_deg)}",
        )
        for o in breaker.openings
    )
    counted = f"degrees from {printable(breaker.from_)}, channel {breaker.channel}"
    tables = [
        Table(f"{caption}; {counted}", _OPENINGS, main, tuple(h != "verdict" for h in _OPENINGS), small=True),
        Table(f"{caption}; dwell, closing, bounce", _MORE, more, (True,) * len(_MORE), small=True),
    ]
    pairs = tuple(
        (
            str(o.lobe),
            str(p.neutral),
            str(p.passes),
            figure(p.from_neutral_deg),
            figure(p.expanded_uncertainty_deg),
            figure(p.standard_uncertainty_deg),
        )
        for o in breaker.openings
        for p in o.by_neutral
    )
    if pairs:
        header = ("lobe", "neutral", "passes", "past it °", "± U °", "u °")
        tables.append(
            Table(f"{caption}; each lobe past each neutral that it met", header, pairs, (True,) * 6, small=True)
        )
    return tables


def _difference_tables(differences: tuple[DifferenceRow, ...], words: str) -> list[Table]:
    if not differences:
        return []
    header = (
        "first",
        "second",
        "lobe",
        "second after first °",
        "± U °",
        "k",
        "u °",
        "target °",
        "limits °",
        "verdict",
        "P inside",
    )
    rows = tuple(
        (
            printable(d.between[0]),
            printable(d.between[1]),
            str(d.lobe),
            figure(d.angle_deg, sign=True),
            figure(d.expanded_uncertainty_deg),
            figure(d.coverage_factor, 2),
            figure(d.standard_uncertainty_deg),
            general(d.target_deg),
            _limits(d),
            VERDICTS[d.verdict],
            figure(d.probability_inside),
        )
        for d in differences
    )
    left = ("first", "second", "verdict")
    return [Table(f"Differences, {words}", header, rows, tuple(h not in left for h in header), small=True)]


def _spreads(breakers: tuple[BreakerRow, ...]) -> list[Table]:
    rows = tuple(
        (
            printable(b.name),
            str(b.lobe_spread.early_lobe),
            str(b.lobe_spread.late_lobe),
            figure(b.lobe_spread.spread_deg),
            figure(b.lobe_spread.expanded_uncertainty_deg),
            figure(b.lobe_spread.standard_uncertainty_deg),
        )
        for b in breakers
        if b.lobe_spread is not None
    )
    if not rows:
        return []
    header = ("breaker", "earliest lobe", "latest lobe", "spread °", "± U °", "u °")
    return [Table("Spread of the lobes, stated offsets taken off", header, rows, (False, *(True,) * 5))]


def around(result: ResultDocument) -> Section | None:
    """Once around the cam, a ring for each breaker."""
    unit = result.unit or {}
    poles = unit.get("poles")
    shown = [b for b in result.breakers if any(o.angle_deg is not None for o in b.openings)]
    if not isinstance(poles, int) or not shown:
        return None
    drawn = []
    for breaker in shown:
        name, scale = printable(breaker.name), pictures.ring_scale_deg(breaker)
        told = "; ".join(f"lobe {o.lobe} {VERDICTS[o.verdict].lower()}" for o in breaker.openings)
        target = any(o.target_deg is not None for o in breaker.openings)
        middle = "the target" if target else "the mean of the lobes"
        drawn.append(
            Picture(
                f"ring-{breaker.channel}",
                pictures.ring_svg(breaker, 360.0 / poles, unit.get("rotation") == "clockwise"),
                f"Ring picture of {name} around one turn of its cam: {told}. The ring is {scale:g}° to either side of {middle}.",
                f"{name}: dotted circle {middle}, N neutral, blue sector between the limits; mark outward: late, inward: early, with its "
                "expanded uncertainty. Disc inside, cross outside, diamond undecided, hollow square no limits.",
            )
        )
    return Section("Once around the cam", pictures=tuple(drawn))


def close_up(seen: Evidence) -> Section | None:
    """One opening in time."""
    near = seen.close_up
    if near is None:
        return None
    return Section(
        "One opening up close",
        (_close_up_words(near),),
        pictures=(
            Picture(
                "close-up",
                pictures.close_up_svg(near),
                "Two plots of probe and encoder edges over time around one opening. " + _close_up_words(near),
                f"{printable(near.breaker)}, lobe {near.lobe}: what the probe saw, over the encoder's edges.",
            ),
        ),
    )


def _close_up_words(near: CloseUp) -> str:
    speed = max(abs(near.speed_deg_s), 1e-6)
    degree_us = pictures.HAND_PLATE_DEG / speed * 1e6
    bounce = f"{near.bounce_s * 1e6:.0f} µs" if near.bounce_s > 0 else "without bounce"
    bounced = f"bounced for {bounce} ({len(near.contact) - 1} edges)" if near.bounce_s > 0 else "opened without bounce"
    merged = f", {near.told_by_number} of its edges told by number only" if near.told_by_number else ""
    return (
        f"In this pass of {printable(near.breaker)}, lobe {near.lobe}, the rotor turned at {figure(near.speed_deg_s, 1)}°/s; the points "
        f"{bounced}{merged}. One count of the encoder is {figure(near.count_deg, 4)}°, or {near.count_deg / speed * 1e6:.0f} µs; "
        f"one degree of a hand plate is {degree_us:.0f} µs."
    )


def neutral(result: ResultDocument) -> Section | None:
    """How neutral was found."""
    found = result.as_found
    tables = _neutral_tables(result.neutrals, "" if found is None else "as left: ")
    if found is not None:
        tables += _neutral_tables(found.neutrals, "as found: ")
    if not tables:
        return None
    facts: tuple[Fact, ...] = ()
    pull = result.cam_pull
    if pull is not None:
        bound = "within the bench file's bound" if pull.within_bound else "more than the bench file's bound explains"
        facts = (
            Fact(
                "Pull of the followers",
                f"{figure(pull.angle_deg, sign=True)}°, standard uncertainty {figure(pull.standard_uncertainty_deg)}°; {bound}",
            ),
        )
    return Section("Neutral", facts=facts, tables=tuple(tables))


def _neutral_tables(neutrals: tuple[NeutralRow, ...], when: str) -> list[Table]:
    if not neutrals:
        return []
    rows = tuple(
        (str(n.index), printable(n.method), figure(n.standard_uncertainty_deg), figure(n.band_deg)) for n in neutrals
    )
    header = ("neutral", "by", "u °", "band between the sides °")
    caption = f"{when}neutral".capitalize()
    tables = [Table(f"{caption}s", header, rows, (True, False, True, True))]
    estimates = tuple(
        (
            printable(e.method),
            figure(e.offset_deg, sign=True),
            figure(e.standard_uncertainty_deg),
            freedom(e.degrees_of_freedom),
            figure(e.band_deg),
            str(e.approached_forward),
            str(e.approached_backward),
        )
        for n in neutrals
        for e in n.estimates
    )
    if estimates:
        methods = ("method", "off the one used °", "u °", "d.o.f.", "band °", "in running direction", "against it")
        tables.append(Table(f"{caption} 0 by each method", methods, estimates, (False, *(True,) * 6)))
    return tables


def _limits(row: OpeningRow | DifferenceRow) -> str:
    if row.target_deg is None:
        return DASH
    return f"{general(row.lower_limit_deg)} to {general(row.upper_limit_deg)}"


def freedom(value: float | None) -> str:
    """Degrees of freedom; null in a document means infinitely many."""
    return "∞" if value is None else general(value, 4)
