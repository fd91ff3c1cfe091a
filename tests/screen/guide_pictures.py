"""Draws GUIDE.md's pictures from guided runs of the scripted board: `python -m tests.screen.guide_pictures`."""

from __future__ import annotations

import asyncio
import re
from dataclasses import replace
from pathlib import Path

from textual.app import App, ComposeResult
from textual.widgets import Footer

import tui
from bench.evaluation import evaluate_running
from bench.run import Run
from bench.snapshot import snapshot
from tests.statements.test_guided import feed, guided_run, job_script
from tests.support.scripted import MARKING, MARKING_PRESSES, Script
from tui.job_screen.app import JobScreen
from tui.job_screen.state import JobState
from tui.job_screen.view import JobView

FOLDER = Path(tui.__file__).parent / "pictures"
SIZE = (100, 30)


class _Picture(App[None]):
    ENABLE_COMMAND_PALETTE = False
    BINDINGS = JobScreen.BINDINGS[:12]

    def __init__(self, state: JobState) -> None:
        super().__init__()
        self._state = state
        self._view = JobView()

    def compose(self) -> ComposeResult:
        yield self._view
        yield Footer()

    def on_mount(self) -> None:
        self._view.show(self._state)


def state_of(run: Run) -> JobState:
    """The screen of a run as it stands."""
    unit = run.job.unit
    judged = evaluate_running(run) if any(t.passes for t in run.epoch.traces) else None
    snap = replace(snapshot(run), simulated=True)
    return JobState(snap, "measurement", unit.rotation.value, unit.poles, 360.0, running=judged)


async def _drawn(state: JobState) -> str:
    app = _Picture(state)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        app._view.show(state)
        await pilot.pause()
        svg = app.export_screenshot(title="breakerbench")
    # A picture that loads nothing from the network: fonts are the reader's own.
    return re.sub(r"@font-face\s*\{.*?\}", "", svg, flags=re.DOTALL)


def _until(path: tuple[tuple[float, float], ...], end_s: float) -> tuple[tuple[float, float], ...]:
    """A path cut off at a time."""
    kept = [p for p in path if p[0] <= end_s]
    (t0, a0), (t1, a1) = kept[-1], next(p for p in path if p[0] > end_s)
    return (*kept, (end_s, a0 + (a1 - a0) * (end_s - t0) / (t1 - t0)))


def states() -> dict[str, JobState]:
    """Each picture's name and what it shows."""
    neutral = feed(guided_run(), Script(MARKING[:8], MARKING_PRESSES[:2]))
    adjust = feed(guided_run(), job_script(moved_deg=2.6, presses=0))
    script = job_script()
    verify = feed(guided_run(), replace(script, path=_until(script.path, script.path[-3][0] + 15.0)))
    return {"neutral": state_of(neutral), "adjust": state_of(adjust), "verify": state_of(verify)}


def main() -> None:
    """Write every picture."""
    for name, state in states().items():
        (FOLDER / f"{name}.svg").write_text(asyncio.run(_drawn(state)), "utf-8")


if __name__ == "__main__":
    main()
