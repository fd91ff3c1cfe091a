"""A player who knows the trade, reads the screen and presses keys. It has no other way to learn anything of the unit."""

from __future__ import annotations

import re

from tests.rehearsal.screen import ScreenHere

#: Longest that anybody rehearses, seconds of the unit's time.
LONGEST_S = 1500.0
#: Pull, in hundredths of the greatest, below which the hand goes on by small steps; and for how much of it a step is taken, of a
#: degree or small. A degree from neutral it pulls by about 7, so that some of it is always left.
SMALL_STEPS_BELOW, PULL_FOR_A_STEP, PULL_FOR_A_SMALL_STEP = 12, 10, 2
#: The hand comes to neutral from so far out, degrees.
FROM_DEG = 8
MOST_STEPS = 400

#: What a person of the trade takes for wrong, and how the list of things to do words what helps.
WRONG = (
    (r"pitted|film on them", "dress and clean the points"),
    (r"lead is still screwed", "take the coil lead off"),
    (r"impulse coupling sits", "take the impulse coupling off"),
    (r"bench file says the opposite", "correct the sense in the bench file"),
    (r"come apart|screw is loose", "tighten the encoder's coupling"),
    (r"different references", "correct the reference in the job sheet"),
    (r"one tooth off|misses No\. 1", "mesh the distributor gear by its mark"),
)
CLEARANCE, SET_CLEARANCE = r"stand (\d\.\d+) mm apart", "set the clearance"
RUN_OUT, CENTRE, MOST_RUN_OUT_MM = r"(?<!less than )(\d\.\d+) mm in a turn", "centre the encoder", 0.1
#: Notes that tell of nothing on the unit.
NOTHING_WRONG = r"more would tell it|^and \d+ more"
LOOK_ROUND = "look round (M)"
FAILED = "egin again (R)"
ALLOWED = r"Clearance of all points: (\d\.\d+) to (\d\.\d+) mm"


class Stuck(Exception):
    """The screen does not say how to go on."""


class Player:
    """Call `play`; it returns what the debrief says."""

    def __init__(self, screen: ScreenHere) -> None:
        self._screen = screen
        self._allowed = (0.0, 99.0)
        #: Notes that were there when the unit was last looked over; None before the first time.
        self._looked_over: set[str] | None = None
        self._turned_round = False
        self._at_neutral_before = False
        self._verified_slowly = False
        self.sessions = 1
        self.lines: list[str] = []

    # --- reading -----------------------------------------------------------------------------------------------------

    def _read(self) -> str:
        return self._screen.text()

    def _flat(self) -> str:
        return " ".join(self._read().split())

    def _do(self) -> str:
        found = re.search(r" DO  ?([^\n]*)", self._read())
        return found[1] if found else ""

    def _step(self) -> str:
        found = re.search(r"\[(instrument check|neutral|as found|adjust|verify|other checks|record)\]", self._read())
        return found[1] if found else ""

    def _told(self) -> str:
        found = re.search(r"^» ([^\n]*)", self._read(), re.MULTILINE)
        return found[1] if found else ""

    def _notes(self) -> set[str]:
        """What is noted to be wrong, without its figures; what only asks for more passes is not."""
        noted = re.findall(r"^! ([^\n]*?)(?: \(\d+ times\))?$", self._read(), re.MULTILINE)
        return {re.sub(r"[\d.]*\d", "#", note) for note in noted if not re.search(NOTHING_WRONG, note)}

    @property
    def _turning(self) -> bool:
        return re.search(r"^turning", self._read(), re.MULTILINE) is not None

    def _pull(self) -> int:
        """The pull in hundredths, forward positive."""
        found = re.search(r"pulls (on|back) (\d+) %", self._read())
        return 0 if found is None else int(found[2]) * (1 if found[1] == "on" else -1)

    # --- hands -------------------------------------------------------------------------------------------------------

    def _key(self, key: str, times: int = 1) -> None:
        for _ in range(times):
            self._screen.key(key)

    def _wait(self, seconds: float) -> None:
        self._screen.wait(seconds)
        if self._screen.seconds > LONGEST_S:
            raise Stuck(f"After {LONGEST_S:.0f} s the screen still says:\n{self._read()}")

    def _settle(self) -> None:
        """Until the rotor stands, as the screen says."""
        self._wait(0.14)
        for _ in range(MOST_STEPS):
            if not self._turning:
                return
            self._wait(0.07)
        raise Stuck(f"The rotor does not come to a stand:\n{self._read()}")

    def _stop(self) -> None:
        if re.search(r"^turning|still turning: H holds", self._read(), re.MULTILINE):
            self._key("h")
            self._settle()
            self._wait(0.2)

    # --- the job -----------------------------------------------------------------------------------------------------

    def play(self) -> str:
        """Do what the screen says until the job is done; gives the debrief."""
        while True:
            text = self._read()
            if "Debrief" in text:
                return text
            step, do = self._step(), self._do()
            if "Done." in do:
                if "D compares" not in do:
                    raise Stuck(f"Where is the debrief?\n{text}")
                self._key("d")
            elif FAILED in do:
                self._put_right()
            elif self._notes() - (self._looked_over or set()) and self._can_look:
                self._stop()
                self._look_over()
            else:
                self._go_on(step, do)

    @property
    def _failed(self) -> bool:
        return FAILED in self._do()

    @property
    def _can_look(self) -> bool:
        return "exercise" in self._read().splitlines()[0]

    def _go_on(self, step: str, do: str) -> None:
        if "at least one whole turn" in do:
            self._turn_round()
        elif "Feel for neutral" in do or "come back to it" in do:
            self._turn_round()
            self._feel_for_neutral(from_below="Feel for neutral" in do)
        elif step in ("neutral", "as found", "verify") and "turn on through" in do:
            self._turn_through(step)
        elif step == "adjust":
            self._adjust(do)
        elif step == "other checks":
            self._other_checks(do)
        else:
            raise Stuck(f"What to do now?\n{self._read()}")

    def _turn_round(self) -> None:
        """At least a whole turn, as it was said at first."""
        if self._turned_round:
            return
        self._turned_round = True
        self._key("t")
        for _ in range(7):
            self._wait(0.75)
            if self._failed:
                return
        self._stop()

    # --- neutral -----------------------------------------------------------------------------------------------------

    def _feel_for_neutral(self, from_below: bool) -> None:
        if not self._at_neutral_before:
            self._bring_mark_into_window()
            if self._failed:
                return
            self._at_neutral_before = True
        towards, creeping = ("right", "full_stop") if from_below else ("left", "comma")
        away = "left" if from_below else "right"
        self._key(away, FROM_DEG)
        self._settle()
        for _ in range(MOST_STEPS):
            pull = self._pull() if from_below else -self._pull()
            if self._failed:
                return
            if pull <= 0:
                break
            if pull > SMALL_STEPS_BELOW:
                self._key(towards, pull // PULL_FOR_A_STEP)
            else:
                self._key(creeping, max(pull // PULL_FOR_A_SMALL_STEP, 1))
            self._settle()
        else:
            raise Stuck(f"Neutral is not to be felt:\n{self._read()}")
        self._key("space")
        self._wait(0.5)

    def _bring_mark_into_window(self) -> None:
        """By the eye: the timing mark says which neutral is meant."""
        for _ in range(MOST_STEPS):
            if "timing mark IN its window" in self._read() or self._failed:
                break
            if not self._turning:
                self._key("pagedown")
            self._wait(0.1)
        else:
            raise Stuck(f"The timing mark does not come to its window:\n{self._read()}")
        self._stop()
        for _ in range(MOST_STEPS):
            # Further on while the magnet is still drawn on, back while it is drawn back.
            pull = self._pull()
            if abs(pull) <= SMALL_STEPS_BELOW or self._failed:
                return
            self._key("right" if pull > 0 else "left")
            self._settle()

    # --- passes ------------------------------------------------------------------------------------------------------

    def _turn_through(self, step: str) -> None:
        slowly = step == "verify" and not self._verified_slowly
        for _ in range(60):
            if self._step() != step or "turn on through" not in self._do():
                break
            if self._notes() - (self._looked_over or set()) and self._can_look:
                break
            if slowly:
                # Some turns slowly.
                self._key("pagedown", 24)
                self._wait(9.5)
                slowly, self._verified_slowly = False, True
            else:
                self._key("t")
                self._wait(2.0)
        else:
            raise Stuck(f"The passes do not come to an end:\n{self._read()}")
        self._stop()

    # --- adjusting ---------------------------------------------------------------------------------------------------

    def _adjust(self, do: str) -> None:
        self._stop()
        if LOOK_ROUND in do and self._looked_over is None:
            self._look_over()
        elif "no opening seen yet" in self._read():
            self._turn_through_some()
        elif found := re.search(r"Hold the rotor at (\w+)'s target", do):
            self._set_points(found[1])
        elif "press to verify" in do:
            self._verified_slowly = False
            self._key("space")
            self._wait(0.5)
        else:
            raise Stuck(f"What to do now?\n{self._read()}")

    def _set_points(self, name: str) -> None:
        """Hold at the target, loosen, move until they just open, tighten, turn through an opening."""
        self._work_on(name)
        self._go_to_target(name)
        # Held for a while, so that the screen tells creep and what the points do.
        self._wait(2.5)
        self._key("l")
        self._wait(0.2)
        later, earlier = "up", "down"
        for _ in range(MOST_STEPS):
            # Points that stand open at the target open too early.
            if self._stands_open(name):
                self._key(later)
                self._wait(0.14)
            else:
                break
        for _ in range(MOST_STEPS):
            if self._stands_open(name):
                break
            self._key(earlier)
            self._wait(0.14)
        self._key("l")
        self._turn_through_some()

    def _turn_through_some(self) -> None:
        """Once round, after work on the points: that takes a hand some seconds."""
        self._wait(2.5)
        self._key("t")
        self._wait(6.0)
        self._stop()

    def _stands_open(self, name: str) -> bool:
        found = re.search(rf"^{name} [◇◆] (OPEN|CLOSED)", self._read(), re.MULTILINE)
        if found is None:
            raise Stuck(f"Are the {name} points open?\n{self._read()}")
        return found[1] == "OPEN"

    def _work_on(self, name: str) -> None:
        for _ in range(4):
            told = re.search(r"now move (\w+)\.", self._read())
            if (told[1] if told else "") == name:
                return
            self._key("tab")
            self._wait(0.1)
        # Only one set of points: the keys move it anyway.

    def _go_to_target(self, name: str) -> None:
        for _ in range(MOST_STEPS):
            block = re.search(rf"^{name}: .*?\n  rotor   ([^\n]*)", self._read(), re.MULTILINE | re.DOTALL)
            if block is None:
                raise Stuck(f"Where is {name}'s target?\n{self._read()}")
            said = block[1]
            if "AT THE TARGET" in said:
                return
            if on := re.search(r"turn on (\d+\.\d+)°", said):
                left = float(on[1])
                key = "right" if left > 1.1 else "full_stop"
                self._key(key, int(left) if key == "right" else max(round(left / 0.1) - 1, 1))
            elif past := re.search(r"past it by (\d+\.\d+)°", said):
                self._key("left", int(float(past[1])) + 3)
            else:
                raise Stuck(f"Where is {name}'s target?\n{self._read()}")
            self._settle()
        raise Stuck(f"The target is not to be reached:\n{self._read()}")

    # --- looking -----------------------------------------------------------------------------------------------------

    def _look_over(self) -> None:
        """Look everywhere, and put right what is seen to be wrong; then do what is told of it."""
        self._looked_over = self._notes()
        self._read_sheet()
        for title in self._titles("look at: "):
            self._choose(f"look at: {title}")
            doing = self._judge(self._told())
            if doing is None:
                continue
            before = self._read().splitlines()[1]
            self._choose(f"do: {doing}")
            self._wait(0.5)
            told = self._told()
            self.lines.append(told)
            if "begins anew" in told:
                self._anew()
                return
            if "turn on through their openings" in told:
                self._turn_through_some()
            if key := re.search(r": ([AN]) (?:marks|goes)", told):
                self._key(key[1].lower())
                if "Y yes" not in self._read():
                    raise Stuck(f"A question was expected:\n{before}\n{self._read()}")
                self._key("y")
                self._wait(0.2)
                if key[1] == "N":
                    self._turned_round = self._at_neutral_before = False

    def _read_sheet(self) -> None:
        self._key("question_mark")
        if found := re.search(ALLOWED, self._flat()):
            self._allowed = (float(found[1]), float(found[2]))
        self._key("escape")

    def _titles(self, beginning: str) -> list[str]:
        self._key("m")
        titles = [line.removeprefix(beginning) for line in self._read().splitlines() if line.startswith(beginning)]
        self._key("escape")
        return titles

    def _choose(self, title: str) -> None:
        self._key("m")
        self._screen.choose(title)
        self._wait(0.14)

    def _judge(self, seen: str) -> str | None:
        """What is to be done about what was seen; None if it is as it should be."""
        for pattern, doing in WRONG:
            if re.search(pattern, seen):
                return doing
        if (found := re.search(CLEARANCE, seen)) and not self._allowed[0] <= float(found[1]) <= self._allowed[1]:
            return SET_CLEARANCE
        if (found := re.search(RUN_OUT, seen)) and float(found[1]) > MOST_RUN_OUT_MM:
            return CENTRE
        return None

    def _put_right(self) -> None:
        """The job has failed."""
        anew = self.sessions
        self._stop()
        if self._can_look:
            self._look_over()
        if self.sessions == anew:
            self._key("r")
            self._wait(0.3)
            self._anew()

    def _anew(self) -> None:
        self._turned_round = self._at_neutral_before = False
        self._looked_over = None
        self.sessions += 1
        self._wait(0.5)

    # --- the end -----------------------------------------------------------------------------------------------------

    def _other_checks(self, do: str) -> None:
        self._stop()
        if LOOK_ROUND in do and self._looked_over is None:
            self._look_over()
        elif "C opens the list" in do and "E ends it" not in do:
            self._key("c")
            names = re.findall(r"^– not done +(.*?)  +■ stops the job", self._read(), re.MULTILINE)
            if not names:
                raise Stuck(f"Which checks stop the job?\n{self._read()}")
            for name in names:
                self._screen.say_done(name)
            self._key("escape")
            self._wait(0.3)
        elif "E ends it" in do:
            self._key("e")
            self._wait(0.5)
        else:
            raise Stuck(f"What to do now?\n{self._read()}")
