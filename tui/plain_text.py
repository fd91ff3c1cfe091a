"""A result in words and figures, for a terminal and for ears."""

from __future__ import annotations

from bench.result import BreakerRow, DifferenceRow, OpeningRow, ResultDocument

VERDICTS = {
    "inside": "INSIDE the limits",
    "outside": "OUTSIDE the limits",
    "undecided": "UNDECIDED: the uncertainty reaches over a limit",
    "none": "no limits, no verdict",
}


#: With more lobes off than this, their common setting is at fault, and a line for each says no more than the table.
MOVES_TOLD = 8


def result(document: ResultDocument) -> str:
    """The whole result."""
    lines = []
    if document.simulated:
        lines += ["SIMULATED UNIT: a rehearsal, not for record.", ""]
    unit = document.unit or {}
    lines.append(
        f"Unit {unit.get('part_number')}, serial {unit.get('serial_number')}, {unit.get('rotation')} seen from the drive end, "
        f"{unit.get('poles')} poles"
    )
    if document.limits:
        lines.append(f"Limits from {document.limits.get('reference')}, revision {document.limits.get('revision')}")
    else:
        lines.append("No limits were given: measured only.")
    for neutral in document.neutrals[:1]:
        lines.append(
            f"Neutral by {neutral.method}: standard uncertainty {degrees(neutral.standard_uncertainty_deg)}, "
            f"band between the sides {degrees(neutral.band_deg)}"
        )
    pull = document.cam_pull
    if pull is not None and pull.angle_deg is not None:
        lines.append(
            f"The followers pull neutral by {pull.angle_deg:+.2f}° (standard uncertainty {degrees(pull.standard_uncertainty_deg)})"
        )
    if document.engine is not None and document.engine.crank_deg_per_magneto_deg is not None:
        lines.append(
            f"On a four-stroke engine of {document.engine.cylinders} cylinders, 1° of the magneto is "
            f"{document.engine.crank_deg_per_magneto_deg:.3g}° of the crankshaft"
        )
    if document.as_found is not None:
        lines += ["", "AS FOUND, before anything was touched:"]
        for breaker in document.as_found.breakers:
            lines += _breaker(breaker)
        lines += ["", "AS LEFT:"]
    for breaker in document.breakers:
        lines += ["", *_breaker(breaker)]
    if document.differences:
        lines.append("")
    for difference in document.differences:
        lines.append(
            f"{difference.between[1]} after {difference.between[0]}, lobe {difference.lobe}: {_figure(difference)}  {_limits(difference)}  "
            f"{VERDICTS[difference.verdict]}"
        )
    moves = [o.adjust.text for b in document.breakers for o in b.openings if o.adjust and o.verdict != "inside"]
    moves = [] if len(moves) > MOVES_TOLD else moves
    if moves or document.advice_text:
        lines += ["", *moves, *([document.advice_text] if document.advice_text else [])]
    if document.notes:
        lines += ["", "Notes:"]
        lines += [f"  {n.text}" + (f" ({n.times} times)" if n.times > 1 else "") for n in document.notes]
    return "\n".join(lines)


def _breaker(breaker: BreakerRow) -> list[str]:
    counted = f"degrees from {breaker.from_}"
    lines = [f"{breaker.name} (channel {breaker.channel}), {counted}"]
    for opening in breaker.openings:
        cylinder = "" if opening.cylinder is None else f" (cylinder {opening.cylinder})"
        lines.append(
            f"  lobe {opening.lobe}{cylinder}: {_figure(opening)}  {_limits(opening)}  {VERDICTS[opening.verdict]}  "
            f"({opening.passes_used} passes"
            + (f", {opening.passes_void} void" if opening.passes_void else "")
            + (f"; dwell {degrees(opening.dwell_deg, 1)}" if opening.dwell_deg is not None else "")
            + ")"
        )
    spread = breaker.lobe_spread
    if spread is not None and spread.spread_deg is not None:
        offsets = ", stated offsets taken off" if any(o.offset_deg for o in breaker.openings) else ""
        lines.append(
            f"  spread of the lobes{offsets}: {spread.spread_deg:.2f}° ± {degrees(spread.expanded_uncertainty_deg)} (lobe "
            f"{spread.late_lobe} latest, lobe {spread.early_lobe} earliest)"
        )
    return lines


def _figure(row: OpeningRow | DifferenceRow) -> str:
    if row.angle_deg is None:
        return "   –   "
    return f"{row.angle_deg:7.2f}° ± {degrees(row.expanded_uncertainty_deg)}"


def _limits(row: OpeningRow | DifferenceRow) -> str:
    if row.target_deg is None:
        return "no limits"
    return f"target {row.target_deg:g}° ({row.lower_limit_deg:g}° to {row.upper_limit_deg:g}°)"


def degrees(value: float | None, places: int = 2) -> str:
    """A figure with its sign of degrees, or a dash."""
    return "–" if value is None else f"{value:.{places}f}°"
