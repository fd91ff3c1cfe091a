"""Words typed to a simulated unit's hand, as the simulator's acts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tui.intake_fields import number
from tui.job_screen.desk import Unit

KEEP_DEG_S = 80.0
#: How fast the hand turns by so many degrees at most; beyond the last as fast as it keeps turning.
SPEEDS = ((0.5, 2.0), (5.0, 10.0), (90.0, 40.0))
HELP = (
    "The hand on the simulated unit: turn 15 turns on by 15 degrees, back 1.5 turns back; keep keeps turning, keep back does so backward, "
    "hold stops and holds; let go, and grip to take hold again; loosen main, move main 0.3 later (or earlier), tighten main."
)
LOOK_HELP = (
    "look tells where one can look, look PLACE looks there; mend tells what can be mended, mend THING does it; sheet reads the manual's "
    "extract."
)
WORDS = frozenset(
    {"turn", "back", "keep", "hold", "let", "release", "grip", "loosen", "move", "tighten", "look", "mend"}
)


@dataclass(frozen=True, slots=True)
class Act:
    """What was meant: commands for the unit, or a sentence why not. `moves`: the rotor's pull is of interest afterwards."""

    command: dict[str, Any] | None = None
    said: str = ""
    moves: bool = False


def act(words: Sequence[str], unit: Unit) -> Act:
    """The act that `words` ask for; the first is one of `WORDS`."""
    verb, rest = words[0], list(words[1:])
    if verb in ("turn", "back"):
        return _turn(verb, rest)
    if verb == "keep":
        back = rest == ["back"]
        return Act(
            {"do": "keep_turning", "speed_deg_s": -KEEP_DEG_S if back else KEEP_DEG_S},
            f"The hand keeps turning {'backward' if back else 'on'}; hold stops it.",
            True,
        )
    if verb in ("hold", "grip"):
        return Act({"do": verb}, moves=True)
    if verb in ("let", "release"):
        return Act({"do": "release"}, moves=True)
    if verb in ("look", "mend"):
        return _look(verb, rest, unit)
    return _screws(verb, rest, unit)


def _turn(verb: str, rest: list[str]) -> Act:
    by = _figure(rest[0]) if len(rest) == 1 else None
    if by is None or by <= 0:
        return Act(said=f"By how many degrees? For instance: {verb} 15, or {verb} 0.1.")
    speed = next((s for most, s in SPEEDS if by <= most), KEEP_DEG_S)
    return Act({"do": "turn", "by_deg": by if verb == "turn" else -by, "speed_deg_s": speed}, moves=True)


def _screws(verb: str, rest: list[str], unit: Unit) -> Act:
    names = unit.breakers
    name = rest.pop(0) if rest and rest[0] in names else names[0] if len(names) == 1 else None
    if name is None:
        return Act(said=f"Which set of points? {', '.join(f'{verb} {n}' for n in names)}.")
    if verb != "move":
        return Act({"do": verb, "breaker": name})
    by = _figure(rest[0]) if len(rest) == 2 and rest[1] in ("later", "earlier") else None
    if by is None or by <= 0:
        return Act(
            said=f"By how many degrees, and which way? For instance: move {name} 0.3 later, or move {name} 0.3 earlier."
        )
    return Act(
        {"do": "points", "breaker": name, "by_deg": by if rest[1] == "later" else -by},
        f"The {name} points are moved by {by:g}° to open {rest[1]}, if their screws are loose.",
    )


def _look(verb: str, rest: list[str], unit: Unit) -> Act:
    there = dict(unit.places if verb == "look" else unit.mends)
    if not there:
        return Act(said=f"This rehearsal is no exercise: there is nothing to {verb}{' at' if verb == 'look' else ''}.")
    wanted = " ".join(word for word in rest if word != "at")
    found = [key for key, title in there.items() if wanted.lower() in (key.lower(), title.lower())]
    if not found:
        listed = "; ".join(f"{key}, {title}" for key, title in there.items())
        missed = f"There is no {wanted} here. " if wanted else ""
        return Act(said=f"{missed}Type {verb} and one of these words: {listed}.")
    return Act({"do": "look", "at": found[0]} if verb == "look" else {"do": "mend", "what": found[0]})


def _figure(text: str) -> float | None:
    found = number(text.removesuffix("°"))
    return None if isinstance(found, str) else float(found)
