"""Draws the README's picture from a rehearsal, GUIDE's from guided runs of the scripted board: `python -m tests.screen.pictures`."""

from __future__ import annotations

import asyncio
import re
from dataclasses import replace
from pathlib import Path

import tui
from bench.snapshot import snapshot
from tests.screen.drawing import picture
from tests.screen.states import BEYOND, ONE_PRESS, VERIFYING, WHOLE, session, state_of
from tests.support.simulated import carry_out
from tui.job_screen.rehearsal_desk import TITLE
from tui.job_screen.state import JobState

FOLDER = Path(tui.__file__).parent / "pictures"
SIZE = (100, 30)


def rehearsed() -> JobState:
    """The end of a rehearsal that was watched: a unit with main and retard breaker, four lobes each."""
    run = carry_out("with-retard", 3).run
    return JobState(snapshot(run), TITLE, run.job.unit.rotation.value, run.job.unit.poles, 360.0)


def guided() -> dict[str, JobState]:
    """The other pictures' names and what they show."""
    return {
        "neutral": state_of(session(WHOLE, ONE_PRESS + 2.0)),
        "adjust": state_of(session(BEYOND)),
        "verify": state_of(session(WHOLE, VERIFYING - 14.0)),
    }


def main() -> None:
    """Write every picture."""
    shown = {name: (replace(state, title="measurement of DEMO SCRIPT-1"), SIZE) for name, state in guided().items()}
    for name, (state, size) in {**shown, "rehearsal": (rehearsed(), (80, 24))}.items():
        svg = asyncio.run(picture(state, size))
        # A picture that loads nothing from the network: fonts are the reader's own.
        svg = re.sub(r"@font-face\s*\{.*?\}", "", svg, flags=re.DOTALL)
        (FOLDER / f"{name}.svg").write_text(svg, "utf-8")


if __name__ == "__main__":
    main()
