"""The owner's page: what, found, left and verdict, in one clear sentence each."""

from __future__ import annotations

from bench.files import printable
from bench.records.model import Stored
from bench.reports.layout import DASH, Fact, FirstPage, figure, general, joined
from bench.result import BreakerRow, DifferenceRow, FoundRow, OpeningRow, ResultDocument

VERDICTS = {
    "inside": "INSIDE",
    "outside": "OUTSIDE",
    "undecided": "UNDECIDED",
    "none": "NO VERDICT",
}
#: Of what was found; worst first.
_FOUND = {
    "outside": "outside the limits",
    "undecided": "undecided",
    "none": "without a verdict",
    "inside": "inside the limits",
}
#: More would not be read in a sentence.
_MOST_NAMED = 4


def unit_line(result: ResultDocument, stored: Stored | None) -> str:
    """Which unit."""
    return f"Part number {_part(result, stored)}, serial number {_serial(result, stored)}"


def first_page(result: ResultDocument, stored: Stored | None, blanks: tuple[str, ...]) -> FirstPage:
    """The page, from the result and, if there is one, its record with its story."""
    verdict = result.overall().value
    found = result.as_found
    return FirstPage(
        what=_what(result),
        found=_found(found),
        left=("As left, " if found is not None else "As measured, ")
        + _figures(result.breakers, result.differences)
        + ".",
        verdict=verdict,
        verdict_title=VERDICTS[verdict],
        verdict_sentence=_verdict(result, verdict),
        facts=_facts(result, stored),
        blanks=blanks,
    )


def _what(result: ResultDocument) -> str:
    lobes = max((len(b.openings) for b in result.breakers), default=0)
    names = joined([printable(b.name) for b in result.breakers])
    sets = "the set of points" if len(result.breakers) == 1 else f"{len(result.breakers)} sets of points"
    return (
        f"The angle of the rotating magnet at which {sets} ({names}) open was measured on the bench with an angle encoder, "
        f"at every one of the {lobes} lobes of the cam, while the unit was turned by hand."
    )


def _found(found: FoundRow | None) -> str:
    if found is None:
        return "As found: not measured apart; this report holds one measurement."
    return (
        f"As found, before anything was touched, {_figures(found.breakers, found.differences)}.{_found_verdict(found)}"
    )


def _found_verdict(found: FoundRow) -> str:
    verdicts = [verdict for _, verdict in _limited(found)]
    if len(verdicts) == 1:
        return f" The one limited figure was {_FOUND[verdicts[0]]}."
    told = [
        f"{number} {'was' if number == 1 else 'were'} {words}"
        for verdict, words in _FOUND.items()
        if (number := verdicts.count(verdict))
    ]
    return f" Of {len(verdicts)} limited figures, {joined(told)}." if told else ""


def _figures(breakers: tuple[BreakerRow, ...], differences: tuple[DifferenceRow, ...]) -> str:
    parts = []
    for breaker in breakers:
        known = [o for o in breaker.openings if o.angle_deg is not None]
        if not known:
            parts.append(f"{printable(breaker.name)} gave no figure")
            continue
        angles = [o.angle_deg or 0.0 for o in known]
        low, high = figure(min(angles), 2), figure(max(angles), 2)
        at = f"{low}°" if low == high else f"{low}° to {high}°"
        u = figure(max(o.expanded_uncertainty_deg or 0.0 for o in known), 2)
        parts.append(f"{printable(breaker.name)} opened at {at} past {_reference(breaker.from_)} (each ± {u}° or less)")
    for first, second in dict.fromkeys(d.between for d in differences):
        of = [d.angle_deg for d in differences if d.between == (first, second) and d.angle_deg is not None]
        if of:
            low, high = figure(min(of), 2, sign=True), figure(max(of), 2, sign=True)
            at = f"{low}°" if low == high else f"{low}° to {high}°"
            parts.append(f"{printable(second)} opened {at} after {printable(first)}")
    return "; ".join(parts)


def _reference(name: str) -> str:
    if name in ("neutral", "mark"):
        return {"neutral": "neutral", "mark": "the manual's angle mark"}[name]
    breaker, dot, _ = name.rpartition(".")
    return f"the target of {printable(breaker)}" if dot else f"the opening of {printable(name)}"


def _verdict(result: ResultDocument, verdict: str) -> str:
    limits = result.limits or {}
    manual = f"{printable(str(limits.get('reference')))}, revision {printable(str(limits.get('revision')))}"
    limited = _limited(result)
    if verdict == "none":
        return "No limits were given, so that this is a measurement without a verdict."
    whole = _with_uncertainty(result)
    if verdict == "inside":
        if len(limited) == 1:
            return f"The one limited figure lies inside the limits of {manual}{whole}."
        return f"All {len(limited)} limited figures lie inside the limits of {manual}{whole}."
    wrong = [text for text, found in limited if found == verdict]
    named = joined(wrong[:_MOST_NAMED] + ([f"{len(wrong) - _MOST_NAMED} more"] if len(wrong) > _MOST_NAMED else []))
    count = f"{len(wrong)} of {len(limited)} limited figures" if len(limited) > 1 else "The limited figure"
    lie = "lies" if len(wrong) == 1 else "lie"
    if verdict == "outside":
        return f"{count} {lie} outside the limits of {manual}: {named}."
    return f"{count} cannot be decided against the limits of {manual}, because the uncertainty reaches over a limit: {named}."


def _with_uncertainty(result: ResultDocument) -> str:
    rule = (result.decision or {}).get("rule")
    return {
        "guarded": ", each with its whole uncertainty",
        "risk": ", each with the risk that the decision rule allows",
    }.get(str(rule), ", each by its value alone")


def _limited(result: ResultDocument | FoundRow) -> list[tuple[str, str]]:
    found = [
        (f"{printable(b.name)} lobe {o.lobe} at {figure(o.angle_deg, 2)}° ({_range(o)})", o.verdict)
        for b in result.breakers
        for o in b.openings
        if o.target_deg is not None
    ]
    return found + [
        (
            f"{printable(d.between[1])} after {printable(d.between[0])}, lobe {d.lobe}, at {figure(d.angle_deg, 2)}° ({_range(d)})",
            d.verdict,
        )
        for d in result.differences
    ]


def _range(row: OpeningRow | DifferenceRow) -> str:
    return f"limits {general(row.lower_limit_deg)}° to {general(row.upper_limit_deg)}°"


def _serial(result: ResultDocument, stored: Stored | None) -> str:
    return printable(stored.serial_number if stored is not None else str((result.unit or {}).get("serial_number", "")))


def _part(result: ResultDocument, stored: Stored | None) -> str:
    return printable(stored.part_number if stored is not None else str((result.unit or {}).get("part_number", "")))


def _facts(result: ResultDocument, stored: Stored | None) -> tuple[Fact, ...]:
    unit, limits = result.unit or {}, result.limits
    cam = str(unit.get("cam"))
    if cam == "compensated":
        cam = f"compensated, {unit.get('cylinders')} lobes"
    facts = [
        Fact("Part number", _part(result, stored)),
        Fact("Serial number", _serial(result, stored)),
        Fact("Rotation, seen from the drive end", str(unit.get("rotation"))),
        Fact(
            "Poles and cam",
            f"{unit.get('poles')} poles, {cam} cam" if cam == "plain" else f"{unit.get('poles')} poles, {cam}",
        ),
        Fact("Impulse coupling", str(unit.get("impulse_coupling"))),
        Fact(
            "Limits from",
            "none given"
            if limits is None
            else f"{printable(str(limits.get('reference')))}, revision {printable(str(limits.get('revision')))}",
        ),
        Fact("Measured", printable(result.run_date or DASH)),
    ]
    if stored is not None:
        record = stored.record
        hours = stored.service_hours
        facts += [
            Fact("Service hours, as typed", DASH if hours is None else f"{general(hours)} h"),
            Fact("Operator, as typed", printable(stored.operator) if stored.operator else DASH),
            Fact("Record", record.id),
        ]
        if record.recheck_of is not None:
            facts.append(Fact("Recheck of record", record.recheck_of))
        if stored.rechecks:
            facts.append(Fact("Rechecked by record", ", ".join(stored.rechecks)))
    return tuple(facts)
