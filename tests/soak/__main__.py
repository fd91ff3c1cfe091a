"""Long runs: `python -m tests.soak hour [--minutes N]`, `python -m tests.soak day [--hours N]`

`hour` is real time, `day` the unit's own time. Exits 1 if memory or latency grow, or a byte is missing.
"""

from __future__ import annotations

import argparse
import sys

from tests.performance.__main__ import table
from tests.soak import day, hour


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    which = parser.add_subparsers(dest="which", required=True)
    which.add_parser("hour", help="in real time").add_argument("--minutes", type=float, default=60.0)
    which.add_parser("day", help="in the unit's own time").add_argument("--hours", type=float, default=24.0)
    given = parser.parse_args()

    def tell(line: str) -> None:
        print(line, flush=True)

    found = list(hour.run(given.minutes, tell) if given.which == "hour" else day.run(given.hours, tell))
    print(table([(given.which, figure) for figure in found]))
    return 1 if any(figure.met is False for figure in found) else 0


if __name__ == "__main__":
    sys.exit(main())
