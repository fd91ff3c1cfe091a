"""A rehearsal acted by a person: commands as JSON lines, and what hands and eyes tell back. SCENARIOS.md explains each line.

Nothing that is told while it lasts holds an angle: the person finds those with the instrument. What was true is told at the end.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass

from sim.acting import ActingHand
from sim.exercises import BY_KEY, FAULTS, Exercise, Fault
from sim.figures import Draws
from sim.scenario import Scenario
from sim.world import CHUNK_S, World

#: Time between two tellings of what is felt, and the longest line that is read.
FELT_S = 0.06
MOST_BYTES = 10_000
#: The timing mark shows in its window so far either side of neutral 0, degrees.
WINDOW_DEG = 3.0
#: No hand turns a magnet so fast; a coupling's spring does, degrees per second.
SNAP_DEG_S = 1500.0
SLOWEST_DEG_S, SLOWEST_TURNING_DEG_S, FASTEST_DEG_S = 0.1, 5.0, 360.0
MOST_TURN_DEG = 3600.0
#: Points can be moved by so much at once and in all; their screw moves them by so much, degrees.
MOST_MOVE_DEG, MOST_MOVED_DEG = 5.0, 15.0
TIGHTENED_DEG = (0.05, 0.4)

Document = dict[str, object]


class Refused(Exception):
    """A command that cannot be done; the text says why."""


@dataclass(slots=True)
class _Screw:
    loose: bool = False
    moved_deg: float = 0.0
    tightened: int = 0


@dataclass(slots=True)
class _Act:
    at_s: float
    kind: str
    text: str
    amount: float = 0.0


class Rehearsal:
    """One unit, from the first command to the last, whatever hosts come and go at `world`."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        draws = Draws(seed)
        self._hand = ActingHand(scenario.hand.feel_sd_deg, draws.stream("hand"))
        self.world = World(scenario, seed, hand=self._hand)
        self._hand.meet(self.world.rotor)
        self._rng = draws.stream("tightening")
        self._screws = {table.name: _Screw() for table in scenario.breaker}
        self._as_found = self.world.truth()["openings"]
        self._felt_at_s = -FELT_S
        self._torques: list[float] = []
        self._peak_deg_s = 0.0
        self._acts: list[_Act] = []
        self._looked: list[Document] = []
        self._mended_at_s: dict[str, float] = {}
        self._needless: list[str] = []
        self._obeyed: dict[str, tuple[tuple[str, ...], Callable[..., Document]]] = {
            "turn": (("by_deg", "speed_deg_s"), self._turn),
            "keep_turning": (("speed_deg_s",), self._keep_turning),
            "hold": ((), self._hold),
            "release": ((), self._release),
            "grip": ((), self._grip),
            "press": ((), self._press),
            "seek": (("from",), self._seek),
            "loosen": (("breaker",), self._loosen),
            "points": (("breaker", "by_deg"), self._points),
            "tighten": (("breaker",), self._tighten),
            "look": (("at",), self._look),
            "mend": (("what",), self._mend),
        }

    # --- time --------------------------------------------------------------------------------------------------------

    def advance(self, seconds: float) -> tuple[bytes, list[Document]]:
        """Let time pass: the board's bytes, and what was felt meanwhile, each as a line to be told."""
        data, felt = [], []
        while seconds > 0:
            data.append(self.world.advance(min(seconds, CHUNK_S)))
            seconds -= CHUNK_S
            if self.world.started:
                self._torques.append(self.world.rotor.hand_torque_nm)
                self._peak_deg_s = max(self._peak_deg_s, self.world.peak_speed_deg_s)
                if self.world.now_s >= self._felt_at_s + FELT_S - 1e-9:
                    felt.append(self._felt())
        return b"".join(data), felt

    def _felt(self) -> Document:
        self._felt_at_s = self.world.now_s
        hand, rotor = self._hand, self.world.rotor
        # The hand holds against what pushes the magnet; a moment's mean, as a hand feels it.
        torque = -math.fsum(self._torques) / len(self._torques) if hand.held else 0.0
        snapped = self._peak_deg_s > SNAP_DEG_S
        self._torques, self._peak_deg_s = [], 0.0
        from_mark = math.remainder(rotor.angle_deg, 360.0)
        return {
            "felt": {
                "torque_nm": round(torque, 4),
                "share": round(min(max(torque / rotor.body.detent_peak_nm, -1.0), 1.0), 3),
                "held": hand.held,
                "busy": hand.busy,
                "speed_deg_s": round(rotor.speed_deg_s, 1),
                "snapped": snapped,
                "mark_in_window": abs(from_mark) <= WINDOW_DEG,
                "loose": [name for name, screw in self._screws.items() if screw.loose],
            }
        }

    # --- commands ----------------------------------------------------------------------------------------------------

    def obey(self, line: str) -> Document:
        """Do what a line asks; the answer, which for what cannot be done is `refused` with the reason."""
        try:
            return self._obey(line)
        except Refused as refused:
            return {"refused": str(refused)}

    def _obey(self, line: str) -> Document:
        try:
            command = json.loads(line)
        except (ValueError, RecursionError):
            raise Refused("A line of JSON was expected.") from None
        if not isinstance(command, dict) or not isinstance(command.get("do"), str):
            raise Refused('An object with "do" was expected.')
        do = command.pop("do")
        if do not in self._obeyed:
            raise Refused(f"{_short(do)} is none of {', '.join(self._obeyed)}.")
        keys, action = self._obeyed[do]
        if set(command) != set(keys):
            raise Refused(f"With {do} exactly these were expected: {', '.join(keys) or 'no further keys'}.")
        return action(*(command[key] for key in keys))

    def _turn(self, by_deg: object, speed_deg_s: object) -> Document:
        by = _number("by_deg", by_deg, -MOST_TURN_DEG, MOST_TURN_DEG)
        if by == 0.0:
            raise Refused("by_deg: an angle other than 0 was expected.")
        speed = _number("speed_deg_s", speed_deg_s, SLOWEST_DEG_S, FASTEST_DEG_S)
        self._must_hold()
        self._hand.turn(by, speed)
        self._act("turn on" if by > 0 else "turn back", "turned {:.1f}° " + ("on" if by > 0 else "back"), abs(by))
        return {"did": "turn"}

    def _keep_turning(self, speed_deg_s: object) -> Document:
        speed = _number("speed_deg_s", speed_deg_s, -FASTEST_DEG_S, FASTEST_DEG_S)
        if abs(speed) < SLOWEST_TURNING_DEG_S:
            raise Refused(f"speed_deg_s: at least {SLOWEST_TURNING_DEG_S:g}, forward or backward, was expected.")
        self._must_hold()
        self._hand.keep_turning(speed)
        way = "on" if speed > 0 else "backward"
        self._act(f"keep turning {way}", f"kept turning {way} at {abs(speed):.0f}°/s")
        return {"did": "keep_turning"}

    def _hold(self) -> Document:
        self._must_hold()
        self._hand.hold()
        self._act("hold", "stopped and held")
        return {"did": "hold"}

    def _release(self) -> Document:
        self._must_hold()
        self._hand.release()
        self._act("release", "let go")
        return {"did": "release"}

    def _grip(self) -> Document:
        if self._hand.holds:
            raise Refused("The hand holds the rotor already.")
        self._hand.grip()
        self._act("grip", "took hold")
        return {"did": "grip"}

    def _press(self) -> Document:
        self._hand.press()
        self._act("press", "pressed the pedal")
        return {"did": "press"}

    def _seek(self, side: object) -> Document:
        if side != "below" and side != "above":
            raise Refused("from: below or above was expected.")
        self._must_hold()
        self._hand.seek("below" if side == "below" else "above")
        self._act("seek", f"felt for neutral from {side}")
        return {"did": "seek"}

    def _loosen(self, breaker: object) -> Document:
        name, screw = self._screw(breaker)
        if screw.loose:
            raise Refused(f"The {name} points are loose already.")
        screw.loose = True
        self._act("loosen", f"loosened the {name} points")
        return {"did": "loosen"}

    def _points(self, breaker: object, by_deg: object) -> Document:
        name, screw = self._screw(breaker)
        by = _number("by_deg", by_deg, -MOST_MOVE_DEG, MOST_MOVE_DEG)
        if not screw.loose:
            raise Refused(f"The {name} points are screwed tight; loosen them first.")
        if abs(screw.moved_deg + by) > MOST_MOVED_DEG:
            raise Refused(f"The {name} points go no further that way.")
        screw.moved_deg += by
        self._fit()
        way = "later" if by > 0 else "earlier"
        self._act(f"points {name} {way}", f"moved the {name} points {{:.2f}}° {way}", abs(by))
        return {"did": "points"}

    def _tighten(self, breaker: object) -> Document:
        name, screw = self._screw(breaker)
        if not screw.loose:
            raise Refused(f"The {name} points are tight already.")
        screw.loose = False
        screw.tightened += 1
        screw.moved_deg += float(self._rng.uniform(*TIGHTENED_DEG)) * float(self._rng.choice((-1.0, 1.0)))
        self._fit()
        self._act("tighten", f"tightened the {name} points")
        return {"did": "tighten"}

    def _look(self, at: object) -> Document:
        exercise = self.world.exercise
        if exercise is None:
            raise Refused("This rehearsal is no exercise; there is nothing to look at.")
        seen = exercise.seen(at) if isinstance(at, str) else None
        if seen is None:
            raise Refused(f"at: one of {', '.join(fault.place for fault in FAULTS)} was expected.")
        self._looked.append({"at": at, "at_s": self._now_s})
        self._act("look", f"looked at: {at}")
        return {"seen": {"at": at, "text": seen}}

    def _mend(self, what: object) -> Document:
        exercise = self.world.exercise
        if exercise is None:
            raise Refused("This rehearsal is no exercise; there is nothing to mend.")
        fault = BY_KEY.get(what) if isinstance(what, str) else None
        if fault is None:
            raise Refused(f"what: one of {', '.join(BY_KEY)} was expected.")
        self._must_stand()
        needed = exercise.is_there(fault)
        if fault not in exercise.faults and fault.key not in self._needless:
            self._needless.append(fault.key)
        text = exercise.mend(fault)
        if needed:
            self._mended_at_s[fault.key] = self._now_s
            self._fit()
            if fault.key == "impulse-fitted" and self._hand.holds:
                # The coupling comes away with the spring's wind in it; the hand takes hold of the magnet itself.
                self._hand.grip()
        self._act("mend", f"mended: {fault.mend_title}")
        mended: Document = {"what": fault.key, "needed": needed, "text": text}
        return {
            "mended": {**mended, "voids": fault.voids if needed else "nothing", "use": fault.use if needed else None}
        }

    def _screw(self, breaker: object) -> tuple[str, _Screw]:
        if not isinstance(breaker, str) or breaker not in self._screws:
            raise Refused(f"breaker: one of {', '.join(self._screws)} was expected.")
        self._must_stand()
        return breaker, self._screws[breaker]

    def _must_hold(self) -> None:
        if not self._hand.holds:
            raise Refused("The hand has let go of the rotor; take hold first.")

    def _must_stand(self) -> None:
        if self._hand.keeps_turning:
            raise Refused("Both hands are turning the rotor; stop first.")

    def _fit(self) -> None:
        exercise = self.world.exercise
        scenario = self.world.scenario if exercise is None else exercise.scenario
        self.world.fit(scenario, {name: screw.moved_deg for name, screw in self._screws.items()})

    @property
    def _now_s(self) -> float:
        return round(self.world.now_s, 2)

    def _act(self, kind: str, text: str, amount: float = 0.0) -> None:
        last = self._acts[-1] if self._acts else None
        if amount and last is not None and last.kind == kind:
            last.amount += amount
        else:
            self._acts.append(_Act(self._now_s, kind, text, amount))

    # --- at the end --------------------------------------------------------------------------------------------------

    def truth(self) -> Document:
        """The world's truth, and what the person did; with an exercise, what was wrong and what became of it."""
        acts = [{"at_s": act.at_s, "do": act.text.format(act.amount)} for act in self._acts]
        points = [
            {"breaker": name, "moved_deg": screw.moved_deg, "loose": screw.loose, "tightened": screw.tightened}
            for name, screw in self._screws.items()
        ]
        exercise = self.world.exercise
        debrief: Document | None = None
        if exercise is not None:
            debrief = {
                "title": exercise.title,
                "faults": [self._told(exercise, fault) for fault in exercise.faults],
                "needless": list(self._needless),
                "looked": list(self._looked),
                "acts": acts,
            }
        return {
            **self.world.truth(),
            "openings_as_found": self._as_found,
            "points": points,
            "acts": acts,
            "exercise": debrief,
        }

    def _told(self, exercise: Exercise, fault: Fault) -> Document:
        return {
            "key": fault.key,
            "title": fault.title,
            "text": exercise.told(fault),
            "mended": fault.key in self._mended_at_s,
            "mended_at_s": self._mended_at_s.get(fault.key),
        }


def _number(key: str, given: object, low: float, high: float) -> float:
    if isinstance(given, bool) or not isinstance(given, (int, float)) or not low <= given <= high:
        raise Refused(f"{key}: a number from {low:g} to {high:g} was expected.")
    return float(given)


def _short(text: str) -> str:
    return text[:40] if text.isprintable() else "That"
