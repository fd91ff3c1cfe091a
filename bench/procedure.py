"""The job's order of steps, decided by the stream alone: sense, marks, neutral, passes, done."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from bench.errors import ProcedureError
from bench.job import Breaker, Job
from bench.neutral import LEAST_PER_SIDE
from bench.probe_patterns import Pattern

SENSE_DEG = 15.0
NO_PROGRESS_S = 60.0
PEDAL_BOUNCE_S = 0.25


class Step(StrEnum):
    """Where the job is. Without a person at the screen: sense, marks, neutral, passes, done."""

    SENSE = "sense"
    MARKS = "marks"
    NEUTRAL = "neutral"
    PASSES = "passes"
    #: The guided job: passes before anything is touched, adjusting, passes after the final torque, what else the manual asks for.
    AS_FOUND = "as found"
    ADJUST = "adjust"
    VERIFY = "verify"
    CHECKS = "checks"
    DONE = "done"


#: Steps in which openings are passes.
TAKING = frozenset({Step.PASSES, Step.AS_FOUND, Step.VERIFY})


@dataclass(frozen=True, slots=True)
class PressMark:
    """An accepted press: tick, count, side (+1 approached in the running direction, -1 against it, 0 unknown)."""

    tick: int
    count: int
    side: int


@dataclass(slots=True)
class Procedure:
    """State of the job. `Run` tells it what happened; it tells which step is next and when nothing more can come."""

    job: Job
    passes_wanted: int
    tick_hz: int
    step: Step = Step.SENSE
    lobe_mark: PressMark | None = None
    mark: PressMark | None = None
    presses: list[PressMark] = field(default_factory=list)
    #: Followers are off the cam, so that no cam torque pulls; presses now are for `lifted_presses`.
    followers_lifted: bool = False
    lifted_presses: list[PressMark] = field(default_factory=list)
    neutral_skipped: bool = False
    #: A person at the screen leads the job on after the passes as found.
    guided: bool = False
    #: Where the job goes on when neutral is found.
    after_neutral: Step = Step.PASSES
    _progress_tick: int | None = None
    _last_pedal_tick: int | None = None

    def begin(self, tick: int) -> None:
        """The session has begun."""
        self._progress_tick = tick

    def sense_found(self, tick: int) -> None:
        """The running direction is known."""
        if self.step is Step.SENSE:
            self.step = self._first_step()
            self._progress_tick = tick

    def press(self, mark: PressMark) -> bool:
        """A press came; true if it counts for this step."""
        if self.step is Step.MARKS:
            if self.job.needs_lobe_mark and self.lobe_mark is None:
                self.lobe_mark = mark
            else:
                self.mark = mark
            if self.mark is not None or not self.job.needs_mark:
                self.step = Step.NEUTRAL
        elif self.step is Step.NEUTRAL and mark.side != 0:
            (self.lifted_presses if self.followers_lifted else self.presses).append(mark)
        elif self.step is Step.ADJUST:
            self.step = Step.VERIFY
        else:
            return False
        self._progress_tick = mark.tick
        return True

    def pedal_is_bouncing(self, tick: int) -> bool:
        """An edge of the pedal came, either way; true if it follows another one too closely to be a press of its own."""
        last, self._last_pedal_tick = self._last_pedal_tick, tick
        return last is not None and tick - last < PEDAL_BOUNCE_S * self.tick_hz

    def opening(self) -> bool:
        """An opening in the running direction was confirmed; true if it is a pass."""
        if self.step is Step.NEUTRAL and self._neutral_complete():
            self.step = self.after_neutral
        return self.step in TAKING

    def progressed(self, tick: int) -> None:
        """Something came that the job still lacked."""
        self._progress_tick = tick

    def _neutral_complete(self) -> bool:
        if not self.job.needs_neutral and not self.presses and not self.lifted_presses:
            self.neutral_skipped = True
            return True
        return max(min(_per_side(self.presses)), min(_per_side(self.lifted_presses))) >= LEAST_PER_SIDE

    @property
    def presses_per_side(self) -> tuple[int, int]:
        """Presses of the present part of the step, approached in the running direction and against it."""
        return _per_side(self.lifted_presses if self.followers_lifted else self.presses)

    @property
    def zero_presses(self) -> list[PressMark]:
        """Presses that say which neutral the lobes count from: those with the followers down, if they are enough to place it."""
        if self.lifted_presses and min(_per_side(self.presses)) < LEAST_PER_SIDE:
            return self.lifted_presses
        return self.presses

    def followers_down(self) -> bool:
        """The followers are on the cam again. True if enough was pressed while they were lifted; if not, it is dropped."""
        self.followers_lifted = False
        if min(_per_side(self.lifted_presses)) >= LEAST_PER_SIDE:
            return True
        self.lifted_presses.clear()
        return False

    def zero_void(self) -> None:
        """The count is lost: marks and neutral must be set again. That is no progress."""
        if self.step in (Step.SENSE, Step.DONE, Step.CHECKS):
            return
        if self.step in (Step.AS_FOUND, Step.ADJUST, Step.VERIFY):
            self.after_neutral = self.step
        self.presses.clear()
        self.lifted_presses.clear()
        self.lobe_mark = self.mark = None
        self.step = self._first_step()

    def _first_step(self) -> Step:
        return Step.MARKS if self.job.needs_lobe_mark or self.job.needs_mark else Step.NEUTRAL

    @property
    def lobe_mark_wanted(self) -> bool:
        """True while the next press is the No. 1 lobe mark."""
        return self.step is Step.MARKS and self.job.needs_lobe_mark and self.lobe_mark is None

    def passes_complete(self, passes: Mapping[str, Sequence[int]]) -> bool:
        """True when every lobe of every breaker has its passes; `passes` gives their number per lobe."""
        return self.step in TAKING and all(n >= self.passes_wanted for lobes in passes.values() for n in lobes)

    def check_progress(self, tick: int, missing: Callable[[], str]) -> None:
        """Raise ProcedureError when nothing has come for a minute of device time, and say what was missing."""
        if self.guided or self.step is Step.DONE or self._progress_tick is None:
            return
        if tick - self._progress_tick >= NO_PROGRESS_S * self.tick_hz:
            raise ProcedureError("incomplete", f"Nothing happened for {NO_PROGRESS_S:.0f} s. Missing: {missing()}.")

    def missing(self, passes: Mapping[str, Sequence[int]]) -> str:
        """What the present step still needs, in words."""
        if self.step is Step.SENSE:
            return f"{SENSE_DEG:.0f}° of travel in the running direction"
        if self.step is Step.MARKS:
            if self.lobe_mark_wanted:
                return "a press at the No. 1 lobe's mark, before its points open"
            return "a press at the manual's angle mark"
        if self.step is Step.NEUTRAL:
            below, above = self.presses_per_side
            parts = []
            if not self._neutral_complete():
                for n, side in ((below, "turning up to it in the running direction"), (above, "coming back to it")):
                    if n < LEAST_PER_SIDE:
                        parts.append(f"{LEAST_PER_SIDE - n} more press{'es' if n == 0 else ''} at neutral {side}")
            if self.followers_lifted:
                parts.append("the followers let down on the cam again")
            return ", ".join(parts) or "the first opening in the running direction"
        if self.step is Step.ADJUST:
            return "a press when the points are set and tightened"
        if self.step is Step.CHECKS:
            return "the end of the other checks"
        short = [
            f"{name} lobe {lobe}: {self.passes_wanted - n}"
            for name, lobes in passes.items()
            for lobe, n in enumerate(lobes)
            if n < self.passes_wanted
        ]
        return "passes of " + ", ".join(short)


def _per_side(presses: Sequence[PressMark]) -> tuple[int, int]:
    below = sum(1 for p in presses if p.side > 0)
    return below, len(presses) - below


def stuck_error(breaker: Breaker, is_open: bool, pattern: Pattern) -> ProcedureError:
    """A probe that has not changed over more travel than any cam needs; `pattern` tells what it did instead."""
    code, never = ("no-closing", "closed") if is_open else ("no-opening", "opened")
    return ProcedureError(
        code,
        f"{breaker.name} (channel {breaker.channel}) never {never} over two whole lobe spacings. {pattern.text} Check these, then "
        "start again.",
    )


def lobe_mark_error(breaker: Breaker, lead_deg: float, least_deg: float) -> ProcedureError:
    """The No. 1 mark was pressed so near an opening that it cannot tell which one is No. 1."""
    return ProcedureError(
        "lobe-mark-unclear",
        f"{breaker.name} opens {lead_deg:.1f}° after the press at the No. 1 lobe's mark, give or take whole lobe spacings; a press within "
        f"{least_deg:g}° of an opening cannot tell which lobe is No. 1. Start again and press some degrees before it opens the points.",
    )


def impulse_error() -> ProcedureError:
    """The rotor stalled, then snapped."""
    return ProcedureError(
        "impulse-coupling",
        "The rotor stopped and then snapped forward: an impulse coupling is still at work. Keep fingers and leads clear. Take it "
        "off, or secure its flyweights as the manual permits, then start again.",
    )
