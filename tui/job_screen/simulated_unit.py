"""A simulated unit under the person's hand: keys become acts, and what hand and eye tell comes back."""

from __future__ import annotations

from typing import Any

from tui.job_screen.demonstrator import Demonstrator
from tui.job_screen.state import Felt, JobState, RehearsalState
from tui.simulator import Simulator


class SimulatedUnit:
    """See `Unit`. With `watched`, a demonstrator does what the screen says instead of the person."""

    def __init__(self, simulator: Simulator, breakers: tuple[str, ...], watched: bool) -> None:
        self._simulator = simulator
        self._breakers = breakers
        self._demonstrator = Demonstrator() if watched else None
        self._felt = Felt()
        self._told = ""
        self._new_session = False
        #: Papers to be used from now on: "job_right", "bench_right".
        self.papers: set[str] = set()
        self.truth: dict[str, Any] | None = None

    @property
    def state(self) -> RehearsalState:
        """What hand and eye tell now."""
        return RehearsalState(self._demonstrator is None, self._felt, self._told)

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

    def new_session(self) -> None:
        """A new session begins with the papers as they are now."""
        self._new_session = False

    def act(self, command: dict[str, Any]) -> None:
        """One act of the hand."""
        self._simulator.tell(command)

    def poll(self, state: JobState) -> None:
        """Take in what the simulator says; a demonstrator then acts on `state`."""
        for line in self._simulator.lines():
            self._take(line)
        if self._demonstrator is not None:
            for command in self._demonstrator.acts(state):
                self.act(command)

    def _take(self, line: dict[str, Any]) -> None:
        if "felt" in line:
            told = line["felt"]
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

    def _mended(self, mended: dict[str, Any]) -> None:
        self._told = str(mended["text"])
        if mended.get("use"):
            self.papers.add(str(mended["use"]))
        if mended.get("needed") and (mended.get("use") or mended.get("voids") == "zero"):
            self._new_session = True
            self._told += " The job begins anew."
        elif mended.get("needed") and mended.get("voids") == "angles":
            self._told += " All angles so far are void."

    @property
    def _exercise(self) -> dict[str, Any]:
        return self._simulator.about.get("exercise") or {}


def _pairs(items: Any) -> tuple[tuple[str, str], ...]:
    return tuple((str(i["key"]), str(i["title"])) for i in items or ())
