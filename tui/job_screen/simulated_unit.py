"""A simulated unit under the person's hand: keys become acts, and what hand and eye tell comes back."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import Any

from bench.procedure import Step
from tui.debrief import StepTaken
from tui.job_screen.demonstrator import Demonstrator
from tui.job_screen.state import Felt, JobState, RehearsalState
from tui.simulator import Simulator

#: So much of what was seen, mended or refused is remembered, should several be told between two looks at the state.
TOLD_LATELY = 20
#: A session's stop is told at once; one that never began is not told of.
TRUTH_WITHIN_S = 1.0
#: What a mending that moves the openings makes void, by step, and what to do then.
_VOID = {
    Step.AS_FOUND: " The passes so far are of another setting: N marks neutral anew and takes them again.",
    Step.ADJUST: " The points open elsewhere now: turn on through their openings.",
    Step.VERIFY: " The passes so far are void: A goes back to adjusting.",
    Step.CHECKS: " What was verified is void: A goes back to adjusting.",
    Step.DONE: " The result is void: V verifies anew.",
}


class SimulatedUnit:
    """See `Unit`. With `watched`, a demonstrator does what the screen says instead of the person."""

    def __init__(
        self,
        simulator: Simulator,
        breakers: tuple[str, ...],
        watched: bool,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._simulator = simulator
        self._clock = clock
        self._began: float | None = None
        self._session = 0
        self._step: Step | None = None
        self._breakers = breakers
        self._demonstrator = Demonstrator() if watched else None
        self._felt = Felt()
        self._told = ""
        self._told_times = 0
        self._told_lately: deque[str] = deque(maxlen=TOLD_LATELY)
        self._new_session = False
        #: Papers to be used from now on: "job_right", "bench_right".
        self.papers: set[str] = set()
        #: What was true when the last session ended; None while one goes on.
        self.truth: dict[str, Any] | None = None
        #: Every step that the job came to.
        self.steps: list[StepTaken] = []

    @property
    def state(self) -> RehearsalState:
        """What hand and eye tell now."""
        acting = self._demonstrator is None
        return RehearsalState(
            acting,
            self._felt,
            self._told,
            can_look=acting and bool(self.places),
            told_times=self._told_times,
            told_lately=tuple(self._told_lately),
        )

    @property
    def breakers(self) -> tuple[str, ...]:
        """Names of the sets of points."""
        return self._breakers

    @property
    def places(self) -> tuple[tuple[str, str], ...]:
        """Where one can look."""
        return _pairs(self._exercise.get("places"))

    @property
    def mends(self) -> tuple[tuple[str, str], ...]:
        """What one can mend."""
        return _pairs(self._exercise.get("mends"))

    @property
    def sheet(self) -> tuple[str, ...]:
        """The exercise's manual extract."""
        return tuple(str(line) for line in self._exercise.get("sheet", ()))

    @property
    def title(self) -> str:
        """The exercise's title, empty without one."""
        return str(self._exercise.get("title", ""))

    @property
    def wants_new_session(self) -> bool:
        """True from a mending that changes the papers until `new_session`."""
        return self._new_session

    def watch(self) -> None:
        """From now on a demonstrator does what the screen says."""
        self._demonstrator = Demonstrator()

    def new_session(self) -> None:
        """A new session begins with the papers as they are now."""
        self._new_session = False
        self.truth = None
        self._session += 1
        self._step = None

    def hear_truth(self) -> None:
        """A session has ended: wait for what the simulator then tells, if it had begun."""
        for line in self._simulator.lines_until("truth", TRUTH_WITHIN_S if self._began is not None else 0.0):
            self._take(line)

    def act(self, command: dict[str, Any]) -> None:
        """One act of the hand."""
        self._simulator.tell(command)

    def poll(self, state: JobState) -> None:
        """Take in what the simulator says; a demonstrator then acts on `state`."""
        for line in self._simulator.lines():
            self._take(line)
        if state.step is not self._step and state.snap.connected:
            self._step = state.step
            self.steps.append(StepTaken(self._now_s, self._session, state.step))
        if self._demonstrator is not None:
            for command in self._demonstrator.acts(state):
                self.act(command)

    @property
    def _now_s(self) -> float:
        """Seconds since the unit's clock began; it is real time, and what is felt begins with it."""
        return 0.0 if self._began is None else self._clock() - self._began

    def _take(self, line: dict[str, Any]) -> None:
        if "felt" in line:
            told = line["felt"]
            if self._began is None:
                self._began = self._clock()
            self._felt = Felt(
                float(told["torque_nm"]),
                float(told["share"]),
                bool(told["held"]),
                bool(told["busy"]),
                bool(told["snapped"]),
                bool(told["mark_in_window"]),
                tuple(str(name) for name in told["loose"]),
            )
        elif "seen" in line:
            self._told = str(line["seen"]["text"])
        elif "refused" in line:
            self._told = str(line["refused"])
        elif "mended" in line:
            self._mended(line["mended"])
        elif "truth" in line:
            self.truth = line["truth"]
        elif line.get("did") in ("loosen", "tighten"):
            self._told = "The screws are loose." if line["did"] == "loosen" else "The screws are tight."
        if line.keys() & {"seen", "refused", "mended"} or line.get("did") in ("loosen", "tighten"):
            self._told_times += 1
            self._told_lately.append(self._told)

    def _mended(self, mended: dict[str, Any]) -> None:
        self._told = str(mended["text"])
        if mended.get("use"):
            self.papers.add(str(mended["use"]))
        if mended.get("needed") and (mended.get("use") or mended.get("voids") == "zero"):
            self._new_session = True
            self._told += " The job begins anew."
        elif mended.get("needed") and mended.get("voids") == "angles":
            self._told += "" if self._step is None else _VOID.get(self._step, "")

    @property
    def _exercise(self) -> dict[str, Any]:
        return self._simulator.about.get("exercise") or {}


def _pairs(items: Any) -> tuple[tuple[str, str], ...]:
    return tuple((str(i["key"]), str(i["title"])) for i in items or ())
