"""The same application under its framework, with the simulator in a process of its own and in real time."""

from __future__ import annotations

import argparse
import asyncio
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import OptionList, Static

from sim import scenario as scenarios
from tui.debrief import debrief
from tui.job_screen.app import JobScreen
from tui.job_screen.lines import Lines
from tui.job_screen.rehearsal_desk import RehearsalDesk
from tui.job_screen.simulated_unit import SimulatedUnit
from tui.simulator import Simulator

SCENARIO, SEED = "exercise-coil-lead-on", 3
WITHIN_S = 40.0


def shown(app: JobScreen) -> str:
    """The texts of the topmost screen."""
    parts = [part.plain for part in app.screen.query(Lines)] + [str(part.render()) for part in app.screen.query(Static)]
    return "\n".join(parts)


async def until(pilot: Pilot[None], holds: Callable[[], bool]) -> None:
    app = pilot.app
    assert isinstance(app, JobScreen)
    deadline = time.monotonic() + WITHIN_S
    while not holds():
        assert time.monotonic() < deadline, shown(app)
        await pilot.pause(0.05)


async def choose(pilot: Pilot[None], title: str) -> None:
    app = pilot.app
    await pilot.press("m")
    await until(pilot, lambda: bool(app.screen.query(OptionList)))
    lines = app.screen.query_one(OptionList)
    titles = [str(lines.get_option_at_index(n).prompt) for n in range(lines.option_count)]
    lines.highlighted = titles.index(title)
    await pilot.press("enter")
    await pilot.pause()


async def _find_the_coil_lead(app: JobScreen) -> tuple[str, str]:
    """Turns, fails, looks at the debrief that is not yet deserved, mends, and begins again."""
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: "Turn the rotor at least one whole turn" in shown(app))
        await pilot.press("t")
        await until(pilot, lambda: "never opened over two whole lobe spacings" in shown(app))
        await pilot.press("h")
        await until(pilot, lambda: "Hold the rotor (H), look at the unit" in shown(app) and app.session_ended)
        await pilot.press("d")
        await until(pilot, lambda: "NOT put right" in shown(app))
        early = shown(app)
        await pilot.press("escape")
        await choose(pilot, "look at: coil lead")
        await until(pilot, lambda: "The coil's lead is still screwed to the points' terminal." in shown(app))
        await choose(pilot, "do: take the coil lead off")
        await until(pilot, lambda: "The coil's lead is off the points" in shown(app))
        await pilot.press("r")
        await until(pilot, lambda: "Turn the rotor at least one whole turn" in shown(app))
        await pilot.press("t")
        await until(pilot, lambda: "Feel for neutral" in shown(app) and "◇ OPEN" in shown(app))
        return early, shown(app)


def test_a_fault_found_under_the_framework_stands_in_the_debrief(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BREAKERBENCH_HOME", str(tmp_path))
    options = argparse.Namespace(scenario=SCENARIO, seed=SEED, capture=None, record=False)
    names = tuple(b.name for b in scenarios.load(SCENARIO).breaker)
    with Simulator(SCENARIO, SEED, 1.0, acting=True) as simulator:
        unit = SimulatedUnit(simulator, names, watched=False)
        desk = RehearsalDesk(options, simulator, unit, followers_lifted=False)
        app = JobScreen(desk)
        early, late = asyncio.run(_find_the_coil_lead(app))
        assert app.session is not None
        app.session.interrupt()
        desk.end(app.session)
        truth = simulator.last_truth()
    assert early.startswith("REHEARSAL – not for record")
    assert "coil lead left on: NOT put right" in early
    assert "REHEARSAL on a simulated unit – not for record" in late
    text = debrief(truth, desk.sessions, app.session.run.job, unit.steps)
    assert "1. coil lead left on: put right at" in text
    assert "— the job begins anew (before: no-opening) —" in text
    assert "There is no valid result: Stopped by the user" in text
