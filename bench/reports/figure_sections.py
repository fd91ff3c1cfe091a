"""Sections on the figures: openings with their passes, once around the cam, one opening close, neutral."""

from __future__ import annotations

from collections.abc import Mapping

from bench.files import printable
from bench.reports import pictures
from bench.reports.drawn import (
    CloseUp,
    DrawnBreaker,
    DrawnOpening,
    PassesPicture,
    RingPicture,
    Wanted,
)
from bench.reports.evidence import Evidence
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
#: Names of the pictures, with the channel for those of a breaker.
_PASSES, _RING, _CLOSE_UP = "passes-", "ring-", "close-up"
#: Above it no coverage factor differs from that of infinitely many; without any scatter 50 digits would be printed.
_MOST_FREEDOM = 1_000_000
_MORE = ("lobe", "dwell °", "closing °", "bounce ms", "offset °", "cylinder", "crankshaft ° ± U")


def wanted(result: ResultDocument, seen: Evidence) -> dict[str, Wanted]:
    """What is to be drawn for the sections below, by the pictures' names."""
    found = {} if result.as_found is None else {b.name: b for b in result.as_found.breakers}
    drawn: dict[str, Wanted] = {}
    for breaker in result.breakers:
        passes = seen.left.get(breaker.name, ())
        if passes or _measured(breaker):
            before = found.get(breaker.name)
            drawn[_PASSES + str(breaker.channel)] = PassesPicture(
                drawn_breaker(breaker),
                passes,
                None if before is None else drawn_breaker(before),
                seen.found.get(breaker.name, ()),
            )
    drawn |= rings(result)
    if seen.close_up is not None:
        drawn[_CLOSE_UP] = seen.close_up
    return drawn


def rings(result: ResultDocument) -> dict[str, Wanted]:
    """Those of the wanted pictures for which the result alone will do."""
    unit = result.unit or {}
    poles, clockwise = unit.get("poles"), unit.get("rotation") == "clockwise"
    if not isinstance(poles, int):
        return {}
    return {
        _RING + str(b.channel): RingPicture(drawn_breaker(b), 360.0 / poles, clockwise)
        for b in result.breakers
        if _measured(b)
    }


def _measured(breaker: BreakerRow) -> bool:
    return any(o.angle_deg is not None for o in breaker.openings)


def drawn_breaker(breaker: BreakerRow) -> DrawnBreaker:
    """What the pictures show of a breaker."""
    return DrawnBreaker(
        printable(breaker.name),
        printable(breaker.from_),
        tuple(
            DrawnOpening(
                o.lobe,
                o.angle_deg,
                o.expanded_uncertainty_deg,
                o.from_neutral_deg,
                o.target_deg,
                o.lower_limit_deg,
                o.upper_limit_deg,
                o.offset_deg,
                o.verdict,
            )
            for o in breaker.openings
        ),
    )


def openings(result: ResultDocument, seen: Evidence, no_journal: str, svgs: Mapping[str, str]) -> Section:
    """Every opening with its limits and verdict, and every pass as a picture; `svgs` are those `wanted`, drawn."""
    found = result.as_found
    drawn: list[Picture] = []
    tables: list[Table] = []
    for breaker in result.breakers:
        before = None if found is None else next((b for b in found.breakers if b.name == breaker.name), None)
        name, picture = printable(breaker.name), _PASSES + str(breaker.channel)
        if picture in svgs:
            passes = len(seen.left.get(breaker.name, ()))
            drawn.append(_passes_picture(picture, svgs[picture], breaker, passes, before))
        tables += _tables(breaker, f"{name}: as left" if found is not None else f"{name}: as measured")
        if before is not None:
            tables += _tables(before, f"{name}: as found")
    tables += _difference_tables(result.differences, "as left" if found is not None else "as measured")
    if found is not None:
        tables += _difference_tables(found.differences, "as found")
    tables += _spreads(result.breakers, "" if found is None else ", as left")
    if found is not None:
        tables += _spreads(found.breakers, ", as found")
    sentences: tuple[str, ...] = (
        "Angles count in the running direction, in degrees of the rotating magnet. U is the expanded uncertainty, k the coverage "
        "factor, u the standard uncertainty; the probability that the true angle is inside the limits is P inside.",
    )
    if no_journal:
        sentences += (f"{no_journal}, so that single passes and edges cannot be shown here.",)
    return Section("Openings", sentences, pictures=tuple(drawn), tables=tuple(tables))


def _passes_picture(picture: str, svg: str, breaker: BreakerRow, passes: int, before: BreakerRow | None) -> Picture:
    name = printable(breaker.name)
    told = _lobes(breaker) if before is None else f"As left: {_lobes(breaker)}. As found: {_lobes(before)}"
    return Picture(
        picture,
        svg,
        f"Plot of {passes} passes of {name} over its {len(breaker.openings)} lobes. {told}.",
        f"{name}: every pass of every lobe in order, mean and expanded uncertainty, with target and limits where there are any.",
    )


def _lobes(breaker: BreakerRow) -> str:
    return "; ".join(
        f"lobe {o.lobe} at {figure(o.angle_deg, 2)}° ± {figure(o.expanded_uncertainty_deg, 2)}°, {VERDICTS[o.verdict].lower()}"
        for o in breaker.openings
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


def _spreads(breakers: tuple[BreakerRow, ...], when: str) -> list[Table]:
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
    return [Table(f"Spread of the lobes, stated offsets taken off{when}", header, rows, (False, *(True,) * 5))]


def around(result: ResultDocument, svgs: Mapping[str, str]) -> Section | None:
    """Once around the cam, a ring for each breaker."""
    drawn = []
    when = "" if result.as_found is None else ", as left"
    for breaker in result.breakers:
        picture = _RING + str(breaker.channel)
        if picture not in svgs:
            continue
        name, scale = printable(breaker.name), pictures.ring_scale_deg(drawn_breaker(breaker))
        told = "; ".join(f"lobe {o.lobe} {VERDICTS[o.verdict].lower()}" for o in breaker.openings)
        target = any(o.target_deg is not None for o in breaker.openings)
        middle = "the target" if target else "the mean of the lobes"
        drawn.append(
            Picture(
                picture,
                svgs[picture],
                f"Ring picture of {name}{when} around one turn of its cam: {told}. The ring is {scale:g}° to either side of {middle}.",
                f"{name}{when}: dotted circle {middle}, N neutral, blue sector between the limits; mark outward: late, inward: early, with "
                "its expanded uncertainty. Disc inside, cross outside, diamond undecided, hollow square no limits.",
            )
        )
    return Section("Once around the cam", pictures=tuple(drawn)) if drawn else None


def close_up(result: ResultDocument, seen: Evidence, svgs: Mapping[str, str]) -> Section | None:
    """One opening in time."""
    near = seen.close_up
    if near is None:
        return None
    when = "" if result.as_found is None else " as left"
    return Section(
        "One opening up close",
        (_close_up_words(near),),
        pictures=(
            Picture(
                _CLOSE_UP,
                svgs[_CLOSE_UP],
                "Two plots of probe and encoder edges over time around one opening. " + _close_up_words(near),
                f"{printable(near.breaker)}, lobe {near.lobe}{when}: what the probe saw, over the encoder's edges.",
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
    if value is not None and value > _MOST_FREEDOM:
        return f"> {_MOST_FREEDOM:,.0f}"
    return "∞" if value is None else general(value, 4)
