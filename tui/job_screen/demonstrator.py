"""Does on a simulated unit what the screen says, so that a newcomer can watch the whole job once."""

from __future__ import annotations

from typing import Any

from bench.adjusting import PointsAdjusting
from bench.procedure import Step
from tui.job_screen.state import JobState

#: Presses that it makes from each side, and openings that it looks at after each adjustment.
PRESSES, OPENINGS = 3, 2
#: It stops adjusting once the openings lie so near the target, or after so many attempts at one set.
NEAR_DEG, ATTEMPTS = 0.5, 4
#: Pulls of the screen that it waits after an act, so that its effect shows.
PATIENCE = 6
SLOW_DEG_S, FAST_DEG_S = 50.0, 90.0

Command = dict[str, Any]


class Demonstrator:
    """Ask `acts` at each pull of the screen."""

    def __init__(self) -> None:
        self._wait = 0
        self._turning = 0.0
        self._sought = ""
        self._attempts: dict[str, int] = {}
        self._turned_first = False

    def acts(self, state: JobState) -> list[Command]:
        """What the hand does now."""
        if self._wait > 0:
            self._wait -= 1
            return []
        if state.rehearsal is None or not state.snap.live:
            self._turning = 0.0
            return []
        step = state.step
        if step is Step.SENSE:
            return self._first_turn()
        if step is Step.NEUTRAL:
            return self._neutral(state)
        if step in (Step.AS_FOUND, Step.VERIFY):
            slow = sum(sum(p.passes) for p in state.snap.points) % 8 < 4
            return self._turn(SLOW_DEG_S if slow else FAST_DEG_S)
        if step is Step.ADJUST:
            return self._adjust(state)
        return self._stop()

    def _first_turn(self) -> list[Command]:
        if self._turned_first:
            return []
        self._turned_first = True
        return self._after({"do": "turn", "by_deg": 400.0, "speed_deg_s": FAST_DEG_S})

    def _neutral(self, state: JobState) -> list[Command]:
        felt = state.rehearsal.felt if state.rehearsal is not None else None
        if felt is None or felt.busy:
            return []
        below, above = state.snap.presses
        if not below and not above and not self._sought and not felt.mark_in_window:
            # The timing mark in its window tells which neutral is meant.
            return self._after({"do": "turn", "by_deg": 4.0, "speed_deg_s": 30.0}, 2)
        if self._sought:
            self._sought = ""
            return self._after({"do": "press"})
        if below >= PRESSES and above >= PRESSES:
            return self._turn(SLOW_DEG_S)
        self._sought = "below" if below <= above else "above"
        self._turning = 0.0
        return self._after({"do": "seek", "from": self._sought})

    def _adjust(self, state: JobState) -> list[Command]:
        snap = state.snap
        if any(p.mean_deg is None or len(p.latest) < OPENINGS for p in snap.adjusting):
            return self._turn(SLOW_DEG_S)
        points = next((p for p in snap.adjusting if self._is_off(p)), None)
        if points is None:
            stopped = self._stop()
            return stopped or self._after({"do": "press"})
        if self._turning:
            return self._stop()
        felt = state.rehearsal.felt if state.rehearsal is not None else None
        if felt is None or felt.busy or not snap.held:
            return []
        self._attempts[points.name] = self._attempts.get(points.name, 0) + 1
        off = max(min(-(points.off_deg or 0.0), 5.0), -5.0)
        breaker = points.name
        return [
            {"do": "loosen", "breaker": breaker},
            {"do": "points", "breaker": breaker, "by_deg": round(off, 2)},
            {"do": "tighten", "breaker": breaker},
            *self._turn(SLOW_DEG_S, 4 * PATIENCE),
        ]

    def _is_off(self, points: PointsAdjusting) -> bool:
        off = points.off_deg
        return off is not None and abs(off) > NEAR_DEG and self._attempts.get(points.name, 0) < ATTEMPTS

    def _turn(self, speed_deg_s: float, patience: int = PATIENCE) -> list[Command]:
        if self._turning == speed_deg_s:
            return []
        self._turning = speed_deg_s
        return self._after({"do": "keep_turning", "speed_deg_s": speed_deg_s}, patience)

    def _stop(self) -> list[Command]:
        if not self._turning:
            return []
        self._turning = 0.0
        return self._after({"do": "hold"})

    def _after(self, command: Command, patience: int = PATIENCE) -> list[Command]:
        self._wait = patience
        return [command]
