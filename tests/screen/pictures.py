"""Draws the README's picture from a real rehearsal: `python -m tests.screen.pictures`."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import tui
from bench.snapshot import snapshot
from tests.screen.drawing import picture
from tests.support.simulated import carry_out

FOLDER = Path(tui.__file__).parent / "pictures"


def main() -> None:
    """Write every picture."""
    shot = snapshot(carry_out("with-retard", 3).run)
    svg = asyncio.run(picture(shot, (80, 24), "REHEARSAL on a simulated unit – not for record"))
    # A picture that loads nothing from the network: fonts are the reader's own.
    svg = re.sub(r"@font-face\s*\{.*?\}", "", svg, flags=re.DOTALL)
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / "rehearsal.svg").write_text(svg, "utf-8")


if __name__ == "__main__":
    main()
