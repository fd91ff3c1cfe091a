"""Runs the measurements and prints their figures."""

from __future__ import annotations

import argparse
import importlib
import json
import pkgutil
import sys
from collections.abc import Sequence

from tests import performance
from tests.performance.figures import Figure

PREFIX = "measure_"


def names() -> list[str]:
    """All measurements, by the names of their files."""
    modules = pkgutil.iter_modules(performance.__path__)
    return sorted(module.name.removeprefix(PREFIX) for module in modules if module.name.startswith(PREFIX))


def take(name: str) -> list[Figure]:
    """The figures of one measurement."""
    return list(importlib.import_module(f"{performance.__name__}.{PREFIX}{name}").measure())


def table(rows: Sequence[tuple[str, Figure]]) -> str:
    """The figures for a reader."""
    cells = [("measurement", "figure", "value", "unit", "goal", "met", "")]
    for name, figure in rows:
        value = "—" if figure.value is None else f"{figure.value:.4g}"
        met = {True: "yes", False: "NO", None: ""}[figure.met]
        cells.append((name, figure.name, value, figure.unit, figure.goal, met, figure.note))
    widths = [max(len(row[column]) for row in cells) for column in range(len(cells[0]))]
    lines = []
    for row in cells:
        padded = [c.rjust(w) if i == 2 else c.ljust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))]
        lines.append("  ".join(padded).rstrip())
    return "\n".join(lines)


def main() -> int:
    """Command line; exit status 1 if a goal is not met."""
    parser = argparse.ArgumentParser(prog="python -m tests.performance", description=__doc__)
    parser.add_argument("name", nargs="*", help=f"which measurements (default: all): {', '.join(names())}")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    options = parser.parse_args()
    unknown = set(options.name) - set(names())
    if unknown:
        parser.error(f"there is no measurement {', '.join(sorted(unknown))}; there are {', '.join(names())}")
    rows = [(name, figure) for name in options.name or names() for figure in take(name)]
    if options.json:
        print(json.dumps([{"measurement": n, **f.document()} for n, f in rows], indent=1, ensure_ascii=False))
    else:
        print(table(rows))
    return 1 if any(figure.met is False for _, figure in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
