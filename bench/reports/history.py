"""A unit's history from its records: every figure over service hours or date, and its drift."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from bench.records.model import Stored, StoreError
from bench.reports.drift import Change, Drift, Point, in_service, line
from bench.result import BreakerRow, ResultDocument

_TITLES = {"dwell": "dwell", "resistance": "resistance of the closed points"}
HOURS, DATE = "hours", "date"
ANGLE, DWELL, RESISTANCE, CHECK = "angle", "dwell", "resistance", "check"


@dataclass(frozen=True, slots=True)
class Reading:
    """One figure of one visit: the mean of a breaker's lobes with the least and greatest, or one check's value.

    `u` is the standard uncertainty, None where none is known. Lobes share nearly all of it (neutral), so that a mean is taken to be as
    unsure as a lobe on average.
    """

    value: float
    u: float | None
    expanded: float | None
    least: float
    greatest: float


@dataclass(frozen=True, slots=True)
class Visit:
    """One record: `at` in hours or days; found is None where nothing was measured before adjusting."""

    record_id: str
    began_at: str
    service_hours: float | None
    at: float
    verdict: str
    for_record: bool
    found: Reading | None
    left: Reading | None


@dataclass(frozen=True, slots=True)
class Trend:
    """A figure over all visits. `name` is the breaker's or check's; `unit` that of the figure; the drift is per 100 h or per year."""

    kind: str
    name: str
    unit: str
    target: float | None
    lower_limit: float | None
    upper_limit: float | None
    visits: tuple[Visit, ...]
    drift: Drift


@dataclass(frozen=True, slots=True)
class History:
    """All trends of one unit. `over`: "hours" or "date"; `unreadable` names records whose result this version cannot read."""

    serial_number: str
    part_number: str
    over: str
    records: int
    left_out: int
    unreadable: tuple[str, ...]
    trends: tuple[Trend, ...]


def per(over: str) -> tuple[float, str]:
    """What a drift is stated per: so many hours or days, and its name."""
    return (100.0, "100 h") if over == HOURS else (365.25, "year")


def history(serial_number: str, stored: Sequence[Stored], over: str | None, rehearsals: bool) -> History:
    """The history of one unit from all its records, in whatever order. `over`: None for hours where all have them.

    Simulated measurements are left out unless `rehearsals`, or unless the unit has no others.
    """
    real = [s for s in stored if s.record.result.get("simulated") is False]
    used = list(stored) if rehearsals or not real else real
    hours = all(s.service_hours is not None for s in used)
    chosen = over or (HOURS if hours and len(used) > 1 else DATE)
    if chosen == HOURS:
        used = [s for s in used if s.service_hours is not None]
    used = sorted(used, key=lambda s: (_place(s, chosen), s.sequence))
    results: list[tuple[Stored, ResultDocument]] = []
    unreadable = []
    for one in used:
        try:
            results.append((one, one.record.document))
        except StoreError:
            unreadable.append(one.record.id)
    trends = (*_breakers(results, chosen), *_checks(results, chosen))
    part = used[-1].part_number if used else stored[-1].part_number if stored else ""
    left_out = len(stored) - len(used)
    return History(serial_number, part, chosen, len(used), left_out, tuple(unreadable), trends)


def _place(stored: Stored, over: str) -> float:
    if over == HOURS:
        return stored.service_hours or 0.0
    return datetime.fromisoformat(stored.record.began_at).timestamp() / 86_400.0


def _visit(stored: Stored, over: str, found: Reading | None, left: Reading | None) -> Visit:
    record = stored.record
    return Visit(
        record.id,
        record.began_at,
        stored.service_hours,
        _place(stored, over),
        record.verdict,
        not record.not_for_record,
        found,
        left,
    )


def _breakers(results: Sequence[tuple[Stored, ResultDocument]], over: str) -> list[Trend]:
    names = dict.fromkeys((b.name, b.from_) for _, r in results for b in r.breakers)
    trends = []
    for name, from_ in names:
        for kind in (ANGLE, DWELL, RESISTANCE):
            visits, rows = [], []
            for stored, result in results:
                left = _row(result.breakers, name, from_)
                if left is None:
                    continue
                before = result.as_found
                found = None if before is None else _row(before.breakers, name, from_)
                rows.append(left)
                visits.append(
                    _visit(stored, over, None if found is None else _reading(found, kind), _reading(left, kind))
                )
            if any(v.left is not None for v in visits):
                title = f"{name}, from {from_}" if kind == ANGLE else f"{name}, {_TITLES[kind]}"
                limits = _common_limits(rows[-1]) if kind == ANGLE else (None, None, None)
                trends.append(
                    Trend(kind, title, "Ω" if kind == RESISTANCE else "°", *limits, tuple(visits), _drift(visits, over))
                )
    return trends


def _row(breakers: Sequence[BreakerRow], name: str, from_: str) -> BreakerRow | None:
    return next((b for b in breakers if b.name == name and b.from_ == from_), None)


def _reading(breaker: BreakerRow, kind: str) -> Reading | None:
    if kind == DWELL:
        values = [o.dwell_deg for o in breaker.openings if o.dwell_deg is not None]
        return _mean(values, None, None) if values else None
    if kind == RESISTANCE:
        found = breaker.contact_resistance
        if found is None or not found.measurable or found.ohm is None:
            return None
        return _mean([found.ohm], found.standard_uncertainty_ohm, found.expanded_uncertainty_ohm)
    known = [o for o in breaker.openings if o.angle_deg is not None]
    if not known:
        return None
    # A compensated cam's lobes differ by what the manual says; the rest is theirs.
    values = [(o.angle_deg or 0.0) - (o.offset_deg or 0.0) for o in known]
    u = [o.standard_uncertainty_deg for o in known if o.standard_uncertainty_deg is not None]
    expanded = [o.expanded_uncertainty_deg for o in known if o.expanded_uncertainty_deg is not None]
    whole = len(u) == len(known) == len(expanded)
    return _mean(
        values, math.fsum(u) / len(u) if whole else None, math.fsum(expanded) / len(expanded) if whole else None
    )


def _mean(values: Sequence[float], u: float | None, expanded: float | None) -> Reading:
    return Reading(math.fsum(values) / len(values), u, expanded, min(values), max(values))


def _common_limits(breaker: BreakerRow) -> tuple[float | None, float | None, float | None]:
    """Target and limits, offsets taken off, where all limited lobes share them."""
    found = {
        (
            o.target_deg - (o.offset_deg or 0.0),
            o.lower_limit_deg - (o.offset_deg or 0.0),
            o.upper_limit_deg - (o.offset_deg or 0.0),
        )
        for o in breaker.openings
        if o.target_deg is not None and o.lower_limit_deg is not None and o.upper_limit_deg is not None
    }
    rounded = {tuple(round(v, 6) for v in limits) for limits in found}
    return next(iter(found)) if len(rounded) == 1 else (None, None, None)


def _checks(results: Sequence[tuple[Stored, ResultDocument]], over: str) -> list[Trend]:
    names = dict.fromkeys((c.name, c.unit or "") for s, _ in results for c in s.record.checks if c.value is not None)
    trends = []
    for name, unit in names:
        visits = []
        limits: tuple[float | None, float | None] = (None, None)
        for stored, _ in results:
            for check in stored.record.checks:
                if check.name == name and (check.unit or "") == unit and check.value is not None:
                    value = check.value
                    limits = (check.lower_limit, check.upper_limit)
                    visits.append(_visit(stored, over, None, Reading(value, None, None, value, value)))
        trends.append(Trend(CHECK, name, unit, None, *limits, tuple(visits), _drift(visits, over)))
    return trends


def _drift(visits: Sequence[Visit], over: str) -> Drift:
    scale, _ = per(over)
    changes = [
        Change(
            (after.at - before.at) / scale, after.found.value - before.left.value, _both(after.found.u, before.left.u)
        )
        for before, after in zip(visits, visits[1:])
        if after.found is not None and before.left is not None and after.at > before.at
    ]
    if changes:
        return in_service(changes)
    return line([Point(v.at / scale, v.left.value, v.left.u) for v in visits if v.left is not None])


def _both(first: float | None, second: float | None) -> float | None:
    return None if first is None or second is None else math.hypot(first, second)
