"""RESULTS.md from the sections: machine and date, what misses its goal, the figures, and how each grows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from tests.performance.figures import Figure
from tests.performance.growth import Growth

if TYPE_CHECKING:
    from tests.performance.results import Section

_HEAD = """# Figures of speed, size and error

Written by `python -m tests.performance --results [NAME …]`: all measurements, or those named anew. Not to be edited by hand; the figures
themselves are in [results/figures.json](results/figures.json).

A figure that counts is a ratio to a peer or to a limit taken in the same run. Times depend on the machine and on what else it did: each
section tells its date and the load average (processes that want a core; the measurement's own are among them) before and after it.
Shares of a core, and times for each edge, of replay, decoding and evaluation over an axis, are processor time, which other programs change
little; latencies, and times of whole commands and of the record store, are by the wall clock, and are worse on a busy machine.
An exponent is the slope of the least-squares line through the logarithms of the points: 0 does not grow, 1 grows linearly. What is said in
words comes from the upper half of the points, where fixed parts matter least.
"""


def page(sections: Sequence[Section]) -> str:
    """The whole document; sections in the order given."""
    machines = list({tuple(s.machine.items()): s.machine for s in sections}.values())
    lines = [_HEAD, *_machines(machines), *_missed(sections)]
    plain = [s for s in sections if s.growth is None]
    growing = [s for s in sections if s.growth is not None]
    if plain:
        lines += ["## Figures", ""]
        for section in plain:
            lines += [*_opening(section, machines), *_figures(section.figures)]
    if growing:
        lines += ["## How they grow", "", *_overview(growing)]
        for section in growing:
            assert section.growth is not None
            lines += [*_opening(section, machines), *_growth(section, section.growth)]
    return "\n".join(lines).rstrip() + "\n"


def _machines(machines: Sequence[dict[str, str]]) -> Iterator[str]:
    yield "## Machine" if len(machines) == 1 else "## Machines"
    yield ""
    keys = list(dict.fromkeys(k for m in machines for k in m))
    yield from _table(["", *(_name(n) for n in range(len(machines)))] if len(machines) > 1 else ["", ""])
    for key in keys:
        yield _row([key, *(m.get(key, "") for m in machines)])
    yield ""


def _name(number: int) -> str:
    return f"machine {number + 1}"


def _missed(sections: Sequence[Section]) -> Iterator[str]:
    goals = [(s.name, f) for s in sections for f in s.figures if f.met is not None]
    missed = [(name, f) for name, f in goals if f.met is False]
    yield f"{len(goals) - len(missed)} of {len(goals)} goals are met." + (" Missed:" if missed else "")
    yield ""
    for name, figure in missed:
        yield f"- {name}: {figure.name}: {_value(figure.value)} {figure.unit}, goal {figure.goal}"
    if missed:
        yield ""


def _opening(section: Section, machines: Sequence[dict[str, str]]) -> Iterator[str]:
    yield f"### {section.name.removeprefix('grow_').replace('_', ' ').capitalize()}"
    yield ""
    yield section.about
    yield ""
    where = f" on {_name(machines.index(section.machine))}" if len(machines) > 1 else ""
    before, after = (f"{load:.1f}" if load is not None else "unknown" for load in section.load)
    at = section.taken_at[:16].replace("T", " ")
    back = f"; at niceness {section.niceness}, behind all others" if section.niceness > 0 else ""
    yield f"Taken {at} UTC{where} in {section.lasted_s:.0f} s; load average {before} before, {after} after{back}."
    yield ""


def _figures(figures: Sequence[Figure]) -> Iterator[str]:
    yield from _table(["figure", "value", "unit", "goal", "met", "remark"])
    for f in figures:
        met = {True: "yes", False: "**no**", None: ""}[f.met]
        yield _row([f.name, _value(f.value), f.unit, f.goal, met, f.note])
    yield ""


def _overview(sections: Sequence[Section]) -> Iterator[str]:
    yield from _table(["over", "figure", "exponent", "it"])
    for section in sections:
        growth = section.growth
        assert growth is not None
        for curve in growth.curves:
            found = growth.upper_fit(curve)
            if found is not None and not curve.peer:
                yield _row([growth.axis, curve.name, f"{found.exponent:.2f}", growth.words(curve)])
    yield ""


def _growth(section: Section, growth: Growth) -> Iterator[str]:
    yield f"![{growth.axis}](results/{section.name}.svg)"
    yield ""
    yield from _table([growth.axis, *(f"{c.name} ({c.unit})" for c in growth.curves)])
    for number, x in enumerate(growth.x):
        yield _row([f"{x:,.0f}", *(_value(c.y[number]) for c in growth.curves)])
    yield ""
    if growth.note:
        yield f"{growth.note[0].upper()}{growth.note[1:]}."
        yield ""
    for curve in growth.curves:
        if not curve.peer:
            yield f"- {growth.sentence(curve)}"
    yield ""
    goals = [f for f in section.figures if f.met is not None]
    if goals:
        yield from _figures(goals)


def _value(value: float | None) -> str:
    return "—" if value is None else f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def _table(heads: Sequence[str]) -> Iterator[str]:
    yield _row(heads)
    yield _row(["---"] * len(heads))


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |"
