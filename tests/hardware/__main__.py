"""Makes the drawings and tables of HARDWARE.md: `python -m tests.hardware`. Needs ngspice for the simulated figures."""

from __future__ import annotations

import shutil
import sys

from tests.hardware import document, tables


def main() -> int:
    """Write all of it; exit status."""
    if shutil.which("ngspice") is None:
        print("ngspice is needed for the simulated figures (Debian: apt-get install ngspice)", file=sys.stderr)
        return 1
    document.DRAWINGS.mkdir(exist_ok=True)
    for path, text in document.drawings().items():
        path.write_text(text, "utf-8")
    text = document.DOCUMENT.read_text("utf-8")
    document.DOCUMENT.write_text(document.filled(text, tables.all_tables(tables.simulate())), "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
