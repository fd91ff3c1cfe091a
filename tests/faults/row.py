"""A row of the fault matrix: what is injected, and what must then happen. And how one run of it went.

A result is *wrong* if an opening is off the simulator's truth by more than three times its own expanded uncertainty and `SLACK_DEG`
more. The interval is meant to cover in 95 % of cases, so that one opening in twenty lies outside it by right; three times as far
lies outside it no right measurement, whatever the freedom: Student's t at two degrees has P(|t| > 3·4.30) = 0.6 %, at five
P(|t| > 3·2.57) = 0.06 % (table of t), and the stated freedom is rarely below that. `SLACK_DEG` is half a count of 10,000 (0.018°), which
an interval of a hundredth of a degree could not be blamed for.

Two presses from each side make wide intervals, which would hide a count slipped by a quarter of a degree. So a second figure is taken that
knows no such mercy: the error that is left when the true middle of the very presses that were used stands in place of neutral
(`off_marks_deg`). What is left is scatter of the points (0.03° at the most, √2 less by two passes), half a count on either side and
the encoder's mounting (2 µm on 20 mm: 0.012° over half a turn, geometry): `OFF_MARKS_DEG` is four standard deviations of it.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from tui.columns import columns

WRONG_TIMES_U = 3.0
SLACK_DEG = 0.02
OFF_MARKS_DEG = 4 * 0.026
#: A fault that strikes so shortly before the run's end need not be told any more.
UNTOLD_S = 1.0
#: Told by the document's figures of the line (bad frames, losses) rather than by a note.
LINE = "line"
#: Boards that a job can be played against: that of `sim` in memory, and the firmware, cycle by cycle.
BOTH = ("memory", "firmware")


class Injected(Protocol):
    """What a row's maker gives: hooks into one run. See `tests.faults.fault.Fault`."""


@dataclass(frozen=True)
class Row:
    """One fault. `told`: after it has struck, one of these codes must be told by a note, the failure or the line's figures (none: it
    may pass unnoticed). `failures`: codes with which a run may end without a result. `tell_within_s`: device time, where the
    stream itself shows the fault at once.
    """

    name: str
    injected: str
    make: Callable[[random.Random, int], Injected]
    least_valid: float
    told: frozenset[str] = frozenset()
    failures: frozenset[str] = frozenset()
    tell_within_s: float | None = None
    #: Some of `BOTH`.
    peers: tuple[str, ...] = ("memory",)
    #: What is known of the fault physically that no stream shows: the limit of `off_marks_deg` is then another one.
    off_marks_limit_deg: float = OFF_MARKS_DEG
    #: Notes that say of the angles themselves that they may be wrong: an angle that is off is then not silently so. A fault made of
    #: others has more of them.
    doubted: frozenset[str] = frozenset()
    #: The probes of the first two breakers hang on each other's points: so far as the instrument goes that is the truth.
    swapped: bool = False
    #: What runs it: a short job in this process, files, or whole programs.
    kind: str = "job"
    #: The plain case, to compare with.
    never_strikes: bool = False
    #: Runs in CI.
    seeds: int = 1
    #: Runs at the most in the long command; rows of whole processes take seconds each.
    most_runs: int = 1_000_000
    #: What no instrument could see from these signals, said plainly. The row then shows what happens and is not held to it.
    weak: str = ""


@dataclass(frozen=True)
class Outcome:
    """How one run of a row ended. Times in seconds; angles in degrees."""

    row: str
    seed: int
    valid: bool
    exit_status: int
    failure: str = ""
    notes: tuple[str, ...] = ()
    struck_s: float | None = None
    ended_s: float = 0.0
    told: bool = False
    told_after_s: float | None = None
    #: "device" or "wall".
    clock: str = "device"
    openings: int = 0
    beyond_u: int = 0
    #: Wrong angles that nothing told of, and those that a note in `Row.doubted` did tell of.
    wrong: int = 0
    wrong_told: int = 0
    #: Such a note was there.
    doubted: bool = False
    #: 0 where it could not be taken: whole programs do not tell the presses' truth.
    off_marks_deg: float = 0.0
    worst_over_u: float = 0.0
    acknowledged_lost: int = 0
    replay_differs: bool = False
    #: Whatever else is not as it must be, in words.
    faults: tuple[str, ...] = ()


@dataclass(frozen=True)
class Tally:
    """A row's runs together."""

    row: Row
    outcomes: tuple[Outcome, ...]

    @property
    def valid_share(self) -> float:
        """Share of runs with a valid result."""
        return sum(o.valid for o in self.outcomes) / len(self.outcomes)

    @property
    def struck(self) -> int:
        """Runs in which the fault did strike."""
        return sum(o.struck_s is not None for o in self.outcomes)

    @property
    def slowest(self) -> Outcome | None:
        """The run whose message came last after its fault."""
        told = [o for o in self.outcomes if o.told_after_s is not None]
        return max(told, key=lambda o: o.told_after_s or 0.0, default=None)

    def misses(self) -> list[str]:
        """What the row does not keep, in words; empty if it holds."""
        found = [m for o in self.outcomes for m in misses(self.row, o)]
        n = len(self.outcomes)
        # So many valid runs that a row whose true share is the least one would have them in all but a few per cent of tables.
        least = self.row.least_valid * n - 2 * (n * self.row.least_valid * (1 - self.row.least_valid)) ** 0.5
        if sum(o.valid for o in self.outcomes) < least:
            found.append(
                f"{self.row.name}: valid in {self.valid_share:.0%}, at least {self.row.least_valid:.0%} was asked for"
            )
        if not self.struck and not self.row.never_strikes:
            found.append(f"{self.row.name}: the fault never struck")
        return found


def misses(row: Row, o: Outcome) -> list[str]:
    """What one run does not keep of its row, in words."""
    found = list(o.faults)
    if not row.weak:
        if o.wrong:
            found.append(f"{o.wrong} wrong angles ({o.worst_over_u:.1f} U)")
        if o.valid and o.off_marks_deg > row.off_marks_limit_deg and not o.doubted:
            found.append(f"an opening is {o.off_marks_deg:.3f}° off the true middle of its presses")
    if o.acknowledged_lost:
        found.append(f"{o.acknowledged_lost} things acknowledged are not in the journal")
    if o.replay_differs:
        found.append("the replay differs")
    if not o.valid and o.failure not in row.failures:
        found.append(f"ended with {o.failure!r}")
    if o.exit_status not in ({0, 1, 3} if o.valid else {4}):
        found.append(f"exit status {o.exit_status}")
    if row.told and o.struck_s is not None and (not o.valid or o.ended_s - o.struck_s > UNTOLD_S):
        if not o.told:
            found.append(f"told nothing of {', '.join(sorted(row.told))}; notes {o.notes}, failure {o.failure!r}")
        elif row.tell_within_s is not None and (o.told_after_s or 0.0) > row.tell_within_s:
            found.append(f"told only after {o.told_after_s:.2f} s")
    return [f"{row.name}, seed {o.seed}: {text}" for text in found]


HEAD = (
    "row",
    "runs",
    "struck",
    "valid",
    "least",
    "wrong",
    ">U",
    "off marks",
    "ack. lost",
    "slowest message",
    "replays ≠",
    "held",
)


def line(tally: Tally) -> tuple[str, ...]:
    """The row's line of the table."""
    row, outcomes = tally.row, tally.outcomes
    openings = sum(o.openings for o in outcomes)
    beyond = sum(o.beyond_u for o in outcomes)
    slowest = tally.slowest
    return (
        row.name,
        str(len(outcomes)),
        str(tally.struck),
        f"{tally.valid_share:.0%}",
        f"{row.least_valid:.0%}",
        str(sum(o.wrong for o in outcomes)),
        f"{beyond}/{openings}",
        f"{off:.3f}°" if (off := max(o.off_marks_deg for o in outcomes)) else "—",
        str(sum(o.acknowledged_lost for o in outcomes)),
        "—" if slowest is None else f"{slowest.told_after_s:.2f} s {slowest.clock}",
        str(sum(o.replay_differs for o in outcomes)),
        "weak" if row.weak else "no" if tally.misses() else "yes",
    )


def table(tallies: Sequence[Tally]) -> str:
    """The whole table for a reader."""
    cells = [HEAD, *map(line, tallies)]
    return columns(cells, right=range(1, len(HEAD)))
