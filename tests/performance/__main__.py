"""Runs the measurements and prints their figures."""

from __future__ import annotations

import argparse
import json
import pkgutil
import sys
import traceback
from collections.abc import Sequence

from tests import performance
from tests.performance.figures import Figure
from tests.performance.results import GROWING, Results, take
from tui.columns import columns

PREFIX = "measure_"


def names() -> list[str]:
    """All measurements, by the names of their files; those of growth keep their prefix, and come last."""
    modules = [module.name for module in pkgutil.iter_modules(performance.__path__)]
    plain = sorted(name.removeprefix(PREFIX) for name in modules if name.startswith(PREFIX))
    return plain + sorted(name for name in modules if name.startswith(GROWING))


def table(rows: Sequence[tuple[str, Figure]]) -> str:
    """The figures for a reader."""
    cells = [("measurement", "figure", "value", "unit", "goal", "met", "")]
    for name, figure in rows:
        value = "—" if figure.value is None else f"{figure.value:.4g}"
        met = {True: "yes", False: "NO", None: ""}[figure.met]
        cells.append((name, figure.name, value, figure.unit, figure.goal, met, figure.note))
    return columns(cells, right=(2,))


def keep(chosen: Sequence[str], results: Results) -> bool:
    """Take measurements one by one into RESULTS.md; false if one failed, whose section then stays as it was, or missed a goal."""
    well = True
    for name in chosen:
        print(f"{name} …", flush=True)
        try:
            section = take(name)
        except Exception:
            traceback.print_exc()
            print(f"{name} could not be taken.", flush=True)
            well = False
            continue
        results.put(section)
        well &= all(figure.met is not False for figure in section.figures)
        print(table([(name, figure) for figure in section.figures]), flush=True)
    return well


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line; exit status 1 if a goal is not met."""
    parser = argparse.ArgumentParser(prog="python -m tests.performance", description=__doc__)
    parser.add_argument("name", nargs="*", help=f"which measurements (default: all): {', '.join(names())}")
    kinds = parser.add_mutually_exclusive_group()
    kinds.add_argument("--json", action="store_true", help="print one JSON document")
    kinds.add_argument(
        "--results", action="store_true", help="keep them in RESULTS.md, in place of what it has under those names"
    )
    options = parser.parse_args(arguments)
    unknown = set(options.name) - set(names())
    if unknown:
        parser.error(f"there is no measurement {', '.join(sorted(unknown))}; there are {', '.join(names())}")
    chosen = options.name or names()
    if options.results:
        return 0 if keep(chosen, Results()) else 1
    rows = [(name, figure) for name in chosen for figure in take(name).figures]
    if options.json:
        print(json.dumps([{"measurement": n, **f.document()} for n, f in rows], indent=1, ensure_ascii=False))
    else:
        print(table(rows))
    return 1 if any(figure.met is False for _, figure in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
