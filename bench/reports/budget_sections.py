"""Sections on how sure the figures are: uncertainty budgets and the decision rule."""

from __future__ import annotations

from typing import Any

from bench.files import printable
from bench.reports.evidence import decisive
from bench.reports.figure_sections import freedom
from bench.reports.layout import DASH, Fact, Section, Table, figure, general
from bench.result import BreakerRow, BudgetRow, DifferenceRow, OpeningRow, ResultDocument

_BUDGET = ("source", "type", "distribution", "u", "unit", "sensitivity", "contribution °", "d.o.f.", "share %")
_RULES = {
    "guarded": (
        "Guarded: a figure is INSIDE only if the whole interval of its expanded uncertainty lies within the limits, OUTSIDE only if "
        "the whole interval lies beyond one of them; in between it is UNDECIDED."
    ),
    "risk": (
        "By risk: a figure is INSIDE only if the probability that it is truly outside is at most {risk}, OUTSIDE only if the "
        "probability that it is truly inside is; in between it is UNDECIDED."
    ),
    "simple": "Simple: the value alone decides; its uncertainty is stated, but not taken into account.",
}


def how_sure(result: ResultDocument) -> Section | None:
    """The budget of the opening nearest to a limit, of each breaker; as found too where it was measured apart."""
    tables = []
    found = result.as_found
    states = (
        (("", result.breakers),) if found is None else (("as left, ", result.breakers), ("as found, ", found.breakers))
    )
    for when, breakers in states:
        for breaker in breakers:
            lobe = decisive(breaker)
            row = next((o for o in breaker.openings if o.lobe == lobe), None)
            if row is not None and row.budget:
                tables.append(_budget(row.budget, f"{when}{printable(breaker.name)}, lobe {row.lobe}: {_sum(row)}"))
    if not tables:
        return None
    return Section(
        "How sure the figures are",
        (
            "Uncertainty budget after JCGM 100 (GUM): each source's standard uncertainty u, times its sensitivity, is its contribution; "
            "their squares add up. Type A comes from repeated readings, type B from bounds. Shown for the opening that has least to "
            "spare; all budgets stand at the end.",
        ),
        tables=tuple(tables),
    )


def budgets(result: ResultDocument) -> Section | None:
    """All budgets, as left and as found."""
    found = result.as_found
    tables = _budgets(result.breakers, result.differences, "" if found is None else "as left, ")
    if found is not None:
        tables += _budgets(found.breakers, found.differences, "as found, ")
    return Section("All uncertainty budgets", tables=tuple(tables)) if tables else None


def _budgets(breakers: tuple[BreakerRow, ...], differences: tuple[DifferenceRow, ...], when: str) -> list[Table]:
    tables = [
        _budget(o.budget, f"{when}{printable(b.name)}, lobe {o.lobe}: {_sum(o)}")
        for b in breakers
        for o in b.openings
        if o.budget
    ]
    return tables + [
        _budget(d.budget, f"{when}{printable(d.between[1])} after {printable(d.between[0])}, lobe {d.lobe}: {_sum(d)}")
        for d in differences
        if d.budget
    ]


def _budget(rows: tuple[BudgetRow, ...], caption: str) -> Table:
    cells = tuple(
        (
            printable(r.source),
            r.type,
            r.distribution,
            general(r.standard_uncertainty, 4),
            r.unit,
            general(r.sensitivity, 4),
            figure(r.contribution_deg, 4),
            freedom(r.degrees_of_freedom),
            figure(None if r.share is None else r.share * 100, 1),
        )
        for r in rows
    )
    words = ("source", "type", "distribution", "unit")
    return Table(caption, _BUDGET, cells, tuple(h not in words for h in _BUDGET), small=True)


def _sum(row: OpeningRow | DifferenceRow) -> str:
    return (
        f"{figure(row.angle_deg)}° ± {figure(row.expanded_uncertainty_deg)}°, u = {figure(row.standard_uncertainty_deg, 4)}°, "
        f"k = {figure(row.coverage_factor, 2)}"
    )


def decision(result: ResultDocument) -> Section:
    """The rule that verdicts follow."""
    rule: dict[str, Any] = result.decision or {}
    name = str(rule.get("rule"))
    risk, confidence = rule.get("risk"), rule.get("confidence")
    return Section(
        "Decision rule",
        (_RULES.get(name, DASH).format(risk=general(risk)) + " (JCGM 106:2012)",),
        facts=(
            Fact("Rule", name),
            Fact("Level of confidence of the expanded uncertainty", general(confidence)),
            Fact("Risk, where the rule asks for it", general(risk)),
        ),
    )
