"""What the screen draws, frozen: the job's snapshot, and what belongs to the screen alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

from bench.evaluation import Evaluation
from bench.procedure import Step
from bench.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class Felt:
    """What the hand feels of a simulated unit: pull in newton metre (positive: in the running direction) and as a share of the
    magnet's greatest, whether it grips, is still on its way, felt a snap; the mark in its window; breakers whose screws are loose."""

    torque_nm: float = 0.0
    share: float = 0.0
    held: bool = True
    busy: bool = False
    snapped: bool = False
    mark_in_window: bool = False
    loose: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RehearsalState:
    """A simulated unit that the person acts on, or watches being acted on. `told`: what was last seen, mended or refused,
    `told_times`: how often something was, `told_lately` the last of them; `can_look`: there are places to look at and things to mend."""

    acting: bool
    felt: Felt = Felt()
    told: str = ""
    can_look: bool = False
    told_times: int = 0
    told_lately: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class JobState:
    """Everything on the screen at one moment.

    `running` is what the passes so far say (steps as found and verify), `stop_lines` why the job cannot be ended yet, `checks_done`
    and `checks_all` how far the other checks are. `question` waits for an answer; `ascii_only` is set where the terminal has no UTF-8.
    """

    snap: Snapshot
    title: str
    rotation: str
    poles: int
    span_deg: float
    running: Evaluation | None = None
    stop_lines: tuple[str, ...] = ()
    checks_done: int = 0
    checks_all: int = 0
    rehearsal: RehearsalState | None = None
    bell: bool = True
    can_begin_again: bool = False
    said: str = ""
    ascii_only: bool = False
    record_text: str = ""

    @property
    def step(self) -> Step:
        """The step that the job is in."""
        return self.snap.step

    def with_snapshot(self, snap: Snapshot) -> JobState:
        """The same screen of another moment."""
        return replace(self, snap=snap)
