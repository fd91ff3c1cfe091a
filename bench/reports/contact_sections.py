"""The section on the points themselves: bounce, scatter of closing and dwell, held against turning, resistance; and what was advised."""

from __future__ import annotations

from bench.files import printable
from bench.reports.layout import DASH, Section, Table, figure, general
from bench.result import BreakerRow, ContactRow, OhmRow, ResistanceRow, ResultDocument, SpreadOfPassesRow, StaticRow

_BOUNCE = (
    "lobe",
    "openings",
    "with returns",
    "mean returns",
    "most",
    "median ms",
    "longest ms",
    "longest return ms",
    "told by number",
    "closing ° (u)",
    "scatter ° (u)",
    "dwell ° (u)",
    "scatter ° (u)",
)


def points(result: ResultDocument) -> Section | None:
    """How the points part and close, of every breaker; as found too where it was measured apart."""
    tables: list[Table] = []
    found = result.as_found
    for when, breakers in (
        ("" if found is None else "as left, ", result.breakers),
        ("as found, ", () if found is None else found.breakers),
    ):
        for breaker in breakers:
            tables += _tables(breaker, when + printable(breaker.name))
    return Section("The points", tables=tuple(tables)) if tables else None


def advice(result: ResultDocument) -> Section | None:
    """What would make the figure surer, and how far openings are from their targets."""
    rows = tuple(
        (
            printable(b.name),
            str(o.lobe),
            figure(o.adjust.move_deg, sign=True),
            o.adjust.direction,
            printable(o.adjust.text),
        )
        for b in result.breakers
        for o in b.openings
        if o.adjust is not None
    )
    tables = []
    if rows:
        header = ("breaker", "lobe", "to the target °", "direction", "in words")
        tables.append(Table("From the target", header, rows, (False, True, True, False, False), small=True))
    if result.advice:
        steps = tuple(
            (
                printable(a.action),
                printable(a.text),
                figure(a.expanded_uncertainty_deg),
                figure(a.predicted_expanded_uncertainty_deg),
            )
            for a in result.advice
        )
        columns = ("action", "in words", "U now °", "U expected °")
        tables.append(Table("What would make the figure surer", columns, steps, (False, False, True, True)))
    sentences = (printable(result.advice_text),) if result.advice_text else ()
    return Section("Advice", sentences, tables=tuple(tables)) if sentences or tables else None


def _tables(breaker: BreakerRow, name: str) -> list[Table]:
    tables = []
    rows = tuple(_bounce(o.lobe, o.contact) for o in breaker.openings if o.contact is not None)
    if rows:
        tables.append(Table(f"{name}: bounce, closing and dwell", _BOUNCE, rows, (True,) * len(_BOUNCE), small=True))
    if breaker.static_against_turning is not None:
        tables.append(_static(breaker.static_against_turning, name))
    if breaker.contact_resistance is not None:
        tables += _resistance(breaker.contact_resistance, name)
    return tables


def _bounce(lobe: int, row: ContactRow) -> tuple[str, ...]:
    return (
        str(lobe),
        str(row.openings),
        str(row.with_returns),
        figure(row.mean_returns, 2),
        str(row.most_returns),
        figure(row.median_bounce_ms),
        figure(row.longest_bounce_ms),
        figure(row.longest_return_ms),
        str(row.merged_edges),
        *_spread(row.closing),
        *_spread(row.dwell),
    )


def _spread(row: SpreadOfPassesRow | None) -> tuple[str, str]:
    if row is None:
        return DASH, DASH
    return (
        f"{figure(row.mean_deg)} ({figure(row.standard_uncertainty_deg)})",
        f"{figure(row.deviation_deg)} ({figure(row.deviation_standard_uncertainty_deg)})",
    )


def _static(row: StaticRow, name: str) -> Table:
    header = ("held", "turning", "held less turning °", "± U °", "u °", "k", "statistic", "critical", "")
    cells = (
        str(row.static),
        str(row.turning),
        figure(row.difference_deg, sign=True),
        figure(row.expanded_uncertainty_deg),
        figure(row.standard_uncertainty_deg),
        figure(row.coverage_factor, 2),
        figure(row.statistic, 2),
        figure(row.critical, 2),
        "DIFFERS" if row.differs else "no difference told",
    )
    return Table(f"{name}: openings held against openings turned through", header, (cells,), (*(True,) * 8, False))


def _resistance(row: ResistanceRow, name: str) -> list[Table]:
    caption = f"{name}: resistance"
    if not row.measurable:
        why = f"not measurable: {printable(row.reason or DASH)}"
        unknown = ("resistance of the closed points", "resolution Ω", "below Ω")
        cells = (why, general(row.resolution_ohm, 4), general(row.below_ohm, 4))
        return [Table(caption, unknown, (cells,), (False, True, True))]
    header = ("resistance of the closed points Ω", "± U Ω", "u Ω", "k", "resolution Ω", "below Ω")
    figures = (
        general(row.ohm, 4),
        general(row.expanded_uncertainty_ohm, 4),
        general(row.standard_uncertainty_ohm, 4),
        figure(row.coverage_factor, 2),
        general(row.resolution_ohm, 4),
        general(row.below_ohm, 4),
    )
    tables = [Table(caption, header, (figures,), (True,) * len(header))]
    if row.budget:
        tables.append(_ohms(row.budget, name))
    return tables


def _ohms(rows: tuple[OhmRow, ...], name: str) -> Table:
    cells = tuple(
        (
            printable(r.source),
            r.type,
            general(r.standard_uncertainty_ohm, 4),
            "∞" if r.degrees_of_freedom is None else general(r.degrees_of_freedom, 4),
        )
        for r in rows
    )
    return Table(
        f"{name}: budget of the resistance",
        ("source", "type", "u Ω", "d.o.f."),
        cells,
        (False, False, True, True),
        small=True,
    )
