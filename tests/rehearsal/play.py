"""One rehearsal played, and what its debrief says against what the seed had put into it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from sim import scenario as scenarios
from sim.exercises import exercise_of
from tests.rehearsal.player import Player, Stuck
from tests.rehearsal.screen import ScreenHere

INSIDE = "✓ INSIDE"


@dataclass(frozen=True)
class Played:
    """What was seeded, and what the debrief names: titles of faults. `stuck`: what the screen said where the player was stuck."""

    scenario: str
    seed: int
    seeded: tuple[str, ...]
    named: tuple[str, ...] = ()
    put_right: tuple[str, ...] = ()
    needless: str = ""
    verdict: str = ""
    seconds: float = 0.0
    sessions: int = 0
    inside: int = 0
    beyond: int = 0
    debrief: str = ""
    stuck: str = ""

    @property
    def holds(self) -> bool:
        """Each seeded fault named and none other, all put right, nothing done without need, the unit inside its limits."""
        right = set(self.named) == set(self.seeded) == set(self.put_right)
        return right and not self.stuck and not self.needless and self.verdict == INSIDE


def play(scenario: str, seed: int) -> Played:
    """Play it by what the screen says alone."""
    exercise = exercise_of(scenarios.load(scenario), seed)
    seeded = () if exercise is None else tuple(fault.title for fault in exercise.faults)
    screen = ScreenHere(scenario, seed)
    player = Player(screen)
    try:
        text = player.play()
    except (Stuck, AssertionError) as stuck:
        return Played(scenario, seed, seeded, seconds=screen.seconds, sessions=player.sessions, stuck=str(stuck))
    named = re.findall(r"^  \d\. ([^:]+): (put right|NOT put right)", text, re.MULTILINE)
    verdict = re.search(r"result as a whole: (.*)", text)
    needless = re.search(r"done without need: (.*)", text)
    return Played(
        scenario,
        seed,
        seeded,
        tuple(title for title, _ in named),
        tuple(title for title, fate in named if fate == "put right"),
        needless[1] if needless else "",
        verdict[1] if verdict else "",
        screen.seconds,
        player.sessions,
        len(re.findall(r"  inside ±$", text, re.MULTILINE)),
        len(re.findall(r"  BEYOND ±$", text, re.MULTILINE)),
        text,
    )


HEAD = f"{'seed':>4}  {'device s':>8}  sessions  angles inside ±  result"


def row(one: Played) -> str:
    """One line of the table under `HEAD`."""
    said = f"{', '.join(one.named)}: {one.verdict}" if not one.stuck else "STUCK"
    inside = f"{one.inside} of {one.inside + one.beyond}"
    mark = ""
    if not one.holds:
        mark = f"   DOES NOT HOLD (seeded: {', '.join(one.seeded)}; needless: {one.needless or 'nothing'})"
    return f"{one.seed:>4}  {one.seconds:>8.0f}  {one.sessions:>8}  {inside:>15}  {said}{mark}"


def count(played: Sequence[Played]) -> str:
    """How many of them hold."""
    inside, beyond = sum(p.inside for p in played), sum(p.beyond for p in played)
    holding = sum(p.holds for p in played)
    return f"{holding} of {len(played)} hold; {inside} of {inside + beyond} angles lie inside their ±"
