"""The guided job in plain lines: sentences out, typed lines in; for screen readers, terminals that know only lines, and logs."""

from __future__ import annotations

import argparse
import contextlib
import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, TextIO

from bench import cautions
from bench.entries import caution_entry, sentence, skipped_entry
from bench.errors import BenchError
from bench.job_file import JobFile
from bench.procedure import Step
from bench.run import Run
from bench.session import Session
from tui import job_plain_hand as hand
from tui import job_plain_intake, places
from tui import job_plain_words as plain
from tui.intake import IntakeResult
from tui.job_plain_asking import Asking, adjustment, checks, choice, yes_or_no
from tui.job_plain_teller import Teller
from tui.job_screen import words
from tui.job_screen.conduct import Conduct
from tui.job_screen.desk import Desk
from tui.job_screen.dialogs import Ways
from tui.job_screen.help import OF_STEP
from tui.job_screen.state import JobState

PULL_HZ = 15
#: Longer lines are nothing that a person types.
MOST_LETTERS = 4_000
#: Words that begin an entry, and what is entered.
ENTRIES = {
    "clearance": "point clearance",
    "tension": "spring tension",
    "torque": "screw torque",
    "moved": "points moved",
    "other": "other",
}
#: Steps in which a press is taken.
PRESSED = frozenset({Step.MARKS, Step.NEUTRAL, Step.ADJUST})
ADJUSTED = frozenset({Step.ADJUST, Step.VERIFY, Step.CHECKS})
#: From where the job can be led back, and the word for it.
BACK_FROM = {
    Step.ADJUST: frozenset({Step.VERIFY, Step.CHECKS}),
    Step.NEUTRAL: frozenset({Step.NEUTRAL, Step.AS_FOUND, Step.ADJUST, Step.VERIFY}),
}
HELP = (
    "Words to type, each with Enter. Enter alone is a press: here, now; the pedal does the same.",
    "where tells the angle, the points and the distance to each target; passes tells each lobe's passes so far.",
    "clearance, tension, torque, moved or other enters what was done to the points, for instance: clearance main 0.35 mm.",
    "checks is the list of other checks; end ends the job and keeps its record.",
    "adjust goes back to adjusting, neutral marks neutral anew; both ask first, and say what becomes void.",
    "again begins again after a failure, recheck verifies a second time, linked to the record.",
    "cautions reads the cautions; help is this; stop leaves a question; leave ends the program, and what was read is kept.",
)
#: Keys of the screen in texts that both share, and the words to type instead.
TYPED = {
    "(K)": "(clearance)",
    "(A, K)": "(adjust, clearance)",
    "Lines marked ■ stop": "Some lines stop",
    "V begins": "recheck begins",
}
LEAVE = "Leave now? What was read so far is kept"


@dataclass(frozen=True, slots=True)
class Beginning:
    """What is settled before the first question. `options` are those of `measure`, None in a rehearsal; `resumed`: the job goes on."""

    options: argparse.Namespace | None = None
    job: JobFile | None = None
    resumed: bool = False
    ways: Ways | None = None


@dataclass(frozen=True, slots=True)
class _Agreed:
    """What the first questions came to; `cautions` are entered where no intake does it."""

    intake: IntakeResult | None
    resume_id: str | None
    cautions: tuple[str, ...]


class PlainJob:
    """One job from intake to record. `say` is given each sentence. `begin`, then `typed` lines and `round`s until it is `left`."""

    def __init__(
        self,
        desk: Desk,
        say: Callable[[str], None],
        beginning: Beginning,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._desk = desk
        self._say = say
        self._beginning = beginning
        self._clock = clock
        self._conduct = Conduct(desk, clock)
        self._teller = Teller(clock)
        self._told: Session | None = None
        self._state: JobState | None = None
        self._dialogue: Asking[Any] | None = None
        self._then: Callable[[Any], None] = lambda _: None
        self._debriefed: Session | None = None
        self._complained = ""
        #: True once the person has left.
        self.left = False

    @property
    def session(self) -> Session | None:
        """The session under way, or the last one."""
        return self._conduct.session

    def begin(self) -> None:
        """Say what this is, and ask the first question."""
        self._say(f"breakerbench, {self._desk.title}. The word stop leaves a question.")
        if self._desk.unit is not None and self._desk.unit.sheet:
            self._say("This is an exercise: something may be wrong with the unit. Type sheet for the manual's extract.")
        self._ask(self._first_questions(), self._agreed)

    def round(self) -> None:
        """Take in what happened since the last time, and tell what is new."""
        if self.left:
            return
        try:
            state = self._conduct.pull()
        except BenchError as error:
            if error.text != self._complained:
                self._complained = error.text
                self._say(error.text)
            return
        session = self.session
        if state is None or session is None:
            return
        if session is not self._told:
            if self._told is not None:
                self._say("The job begins anew.")
            rehearsal = state.rehearsal
            self._teller = Teller(self._clock, 0 if rehearsal is None or self._told is None else rehearsal.told_times)
            self._told = session
        self._state = state
        self._say_all(self._teller.new(state, session.run, self._dialogue is not None))
        self._debrief_once(session)

    def typed(self, line: str) -> None:
        """A line was typed."""
        line = line.strip()
        if self._dialogue is not None:
            if line.lower() == "stop":
                self._stop_asking()
            else:
                self._answer(line)
            return
        session, state = self.session, self._state
        if session is None or state is None:
            return
        said = line.split()
        verb, rest = (said[0].lower(), said[1:]) if said else ("", [])
        if verb in ENTRIES:
            self._enter_adjustment(session, ENTRIES[verb], rest)
        elif verb in hand.WORDS:
            self._act([verb, *rest])
        elif verb in self._words:
            self._words[verb](session, state)
        else:
            self._say(f"{verb} is none of the words. Type help for them.")

    def leave(self) -> None:
        """Whatever is under way is kept as an open job; tell so."""
        self.left = True
        session = self.session
        if session is None or self._conduct.ended:
            return
        text = self._conduct.leave()
        if session.run.failure is not None:
            self._say(session.run.failure.text)
        if text:
            self._say(text)

    # --- questions ---------------------------------------------------------------------------------------------------

    def _ask(self, dialogue: Asking[Any], then: Callable[[Any], None]) -> None:
        self._dialogue, self._then = dialogue, then
        self._advance(lambda: next(dialogue))

    def _answer(self, line: str) -> None:
        dialogue = self._dialogue
        if dialogue is not None:
            self._advance(lambda: dialogue.send(line))

    def _advance(self, step: Callable[[], str]) -> None:
        try:
            question = step()
        except StopIteration as done:
            self._dialogue = None
            self._then(done.value)
        else:
            self._say(question)

    def _stop_asking(self) -> None:
        if self._dialogue is not None:
            self._dialogue.close()
            self._dialogue = None
            if self.session is None:
                self.left = True
            self._say("Left. Nothing more was entered.")

    # --- beginning ---------------------------------------------------------------------------------------------------

    def _first_questions(self) -> Asking[_Agreed]:
        beginning = self._beginning
        if beginning.ways is not None:
            question = f"{beginning.ways.title}: watch the whole job being done, or act it yourself by typed words?"
            beginning.ways.chosen((yield from choice(question, ("watch", "act"), "act")))
        resume_id = None
        waiting = self._desk.interrupted()
        if waiting:
            resume_id = yield from _which(waiting)
        if beginning.options is None or beginning.resumed or resume_id is not None:
            if beginning.options is not None:
                self._say(
                    "The interrupted job goes on. Nobody counted meanwhile: neutral, marks and passes begin anew."
                )
            return _Agreed(None, resume_id, (yield from job_plain_intake.acknowledged()))
        return _Agreed((yield from job_plain_intake.intake(beginning.job, beginning.options, places.home())), None, ())

    def _agreed(self, agreed: _Agreed) -> None:
        try:
            session = self._conduct.begin(agreed.intake, agreed.resume_id)
        except BenchError as error:
            self._ask(yes_or_no(f"{error.text} Try again?"), lambda yes: self._tried(yes, agreed))
            return
        self._say("The job begins. Enter alone is a press, as the pedal is; type help for the other words.")
        for text in agreed.cautions:
            session.enter(caution_entry(text))

    def _tried(self, yes: bool, agreed: _Agreed) -> None:
        if yes:
            self._agreed(agreed)
        else:
            self.left = True

    # --- words -------------------------------------------------------------------------------------------------------

    @property
    def _words(self) -> dict[str, Callable[[Session, JobState], None]]:
        return {
            "": self._press,
            "press": self._press,
            "where": lambda _, state: self._say_all(plain.where(state)),
            "passes": self._passes,
            "adjust": lambda session, _: self._back(session, Step.ADJUST),
            "neutral": lambda session, _: self._back(session, Step.NEUTRAL),
            "checks": self._checks,
            "end": self._end,
            "again": self._again,
            "recheck": self._recheck,
            "help": self._help,
            "cautions": lambda *_: self._say_all(cautions.ALL),
            "sheet": self._sheet,
            "debrief": self._debrief,
            "leave": self._leave,
            "stop": lambda *_: self._say("There is no question to leave. Type leave to end the program."),
        }

    def _say_all(self, sentences: Sequence[str]) -> None:
        for said in sentences:
            self._say(said)

    def _press(self, session: Session, state: JobState) -> None:
        unit = self._desk.unit
        if session.over:
            self._say(plain.do(state))
        elif unit is not None and not unit.state.acting:
            self._say("You are watching: the presses are made for you.")
        elif not state.snap.live or session.run.step not in PRESSED:
            self._say("A press is not needed now. " + plain.do(state))
        elif unit is not None:
            unit.act({"do": "press"})
        else:
            session.press()

    def _passes(self, _: Session, state: JobState) -> None:
        shown = state.snap.evaluation or state.running
        if shown is None:
            self._say("There are no passes in this step yet.")
            return
        for result in shown.breakers:
            self._say_all(plain.lobe_sentences(result, state.snap.passes_wanted))

    def _back(self, session: Session, step: Step) -> None:
        if session.over or session.run.step not in BACK_FROM[step]:
            self._say(
                f"From the step {words.STEP_OF[session.run.step]} the job cannot be led to {words.STEP_OF[step]}."
            )
            return
        self._ask(yes_or_no(words.going_back(step)), lambda yes: session.lead(step) if yes else None)

    def _enter_adjustment(self, session: Session, what: str, given: list[str]) -> None:
        if session.over or session.run.step not in ADJUSTED:
            self._say("Clearance, tension and torque belong to the steps adjust, verify and other checks.")
            return
        names = [b.name for b in session.run.job.breakers]
        asked = adjustment(what, names, given, self._desk.check_list.tools, date.today())
        self._ask(asked, lambda entry: self._adjusted(session, entry))

    def _adjusted(self, session: Session, entry: dict[str, Any]) -> None:
        session.enter(entry)
        self._say(f"Entered. {sentence(entry)}.")
        if session.run.step in (Step.VERIFY, Step.CHECKS):
            session.lead(Step.ADJUST)
            self._say("A change after the final press: what was verified is void. Verify again.")

    def _checks(self, session: Session, _: JobState) -> None:
        if session.over or session.run.hello is None:
            self._say("Other checks can be entered while the job goes on.")
            return
        asked = checks(self._desk.check_list, lambda: session.run.entries, session.enter, date.today())
        self._ask(asked, lambda _: None)

    def _end(self, session: Session, state: JobState) -> None:
        if session.over or session.run.step is not Step.CHECKS:
            self._say("The job ends in the step other checks. " + plain.do(state))
            return
        stopped = self._conduct.stop_lines()
        if not stopped:
            session.lead(Step.DONE)
            return
        question = (
            f"{' '.join(stopped)} End all the same? The record then says that a step was skipped: not for record."
        )
        self._ask(yes_or_no(question), lambda yes: self._ended_all_the_same(session) if yes else None)

    def _ended_all_the_same(self, session: Session) -> None:
        session.enter(skipped_entry("other checks"))
        session.lead(Step.DONE)

    def _again(self, session: Session, _: JobState) -> None:
        if session.run.failure is None:
            self._say("again is for a job that has failed.")
        else:
            self._begin_further(False)

    def _recheck(self, session: Session, _: JobState) -> None:
        if not self._conduct.ended or session.run.failure is not None:
            self._say("recheck is for a job that is done.")
        else:
            self._begin_further(True)

    def _begin_further(self, recheck: bool) -> None:
        try:
            self._conduct.again(recheck)
        except BenchError as error:
            self._say(error.text)

    def _help(self, session: Session, _: JobState) -> None:
        about = OF_STEP.get(session.run.step, "")
        for key, word in TYPED.items():
            about = about.replace(key, word)
        unit = self._desk.unit
        self._say_all([about, *HELP] if about else HELP)
        if unit is not None and unit.state.acting:
            self._say(hand.HELP)
            if unit.places:
                self._say(hand.LOOK_HELP)

    def _sheet(self, *_: object) -> None:
        sheet = () if self._desk.unit is None else self._desk.unit.sheet
        self._say_all(sheet or ("There is no manual's extract here.",))

    def _debrief(self, *_: object) -> None:
        self._say(self._desk.debrief() or "There is a debrief when a rehearsal has ended.")

    def _debrief_once(self, session: Session) -> None:
        unit = self._desk.unit
        if unit is None or not unit.state.can_look or not self._conduct.ended or session is self._debriefed:
            return
        self._debriefed = session
        if session.run.failure is None:
            self._debrief()

    def _leave(self, session: Session, _: JobState) -> None:
        if session.over and self._conduct.ended:
            self.left = True
            return
        resumed = "." if self._desk.unit is not None else ", and the job can be resumed."
        self._ask(yes_or_no(f"{LEAVE}{resumed} Leave?"), self._left)

    def _left(self, yes: bool) -> None:
        self.left = yes

    def _act(self, said: list[str]) -> None:
        unit = self._desk.unit
        if unit is None:
            self._say("Here is no simulated unit: turn the unit on the bench.")
            return
        if not unit.state.acting:
            self._say("You are watching: the unit is turned for you.")
            return
        act = hand.act(said, unit)
        if act.command is not None:
            unit.act(act.command)
            if act.moves:
                self._teller.acted()
        if act.said:
            self._say(act.said)


def _which(waiting: tuple[tuple[str, str], ...]) -> Asking[str | None]:
    listed = "".join(f"\n{n}. {line}." for n, (_, line) in enumerate(waiting, 1))
    question = f"Interrupted jobs:{listed}\nType the number of the one to go on with. Enter: none of them, a new job."
    answer = yield question
    while answer and not (answer.isascii() and answer.isdigit() and 0 < int(answer) <= len(waiting)):
        answer = yield f"That is none of them. {question}"
    return waiting[int(answer) - 1][0] if answer else None


# --- lines in, lines out ----------------------------------------------------------------------------------------------


class Voice:
    """Prints each sentence on a line of its own."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._ascii_only = not _can_write(stream, "°±“”µΩ")

    def __call__(self, text: str) -> None:
        """Say it. Nobody listening is no reason to stop measuring."""
        with contextlib.suppress(OSError):
            for line in text.splitlines():
                print(plain.worded(line, self._ascii_only), file=self._stream, flush=True)


def _can_write(stream: TextIO, letters: str) -> bool:
    try:
        letters.encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def typed_lines() -> queue.Queue[str | None]:
    """Lines typed from now on, None when no more can come. Read without Python's buffer, which a waiting thread would lock at the end."""
    found: queue.Queue[str | None] = queue.Queue()
    keyboard, encoding = sys.stdin.fileno(), sys.stdin.encoding or "utf-8"

    def listen() -> None:
        rest = b""
        with contextlib.suppress(OSError):
            while data := os.read(keyboard, 4096):
                *lines, rest = (rest + data).split(b"\n")
                for line in lines:
                    found.put(line.decode(encoding, "replace")[:MOST_LETTERS])
                rest = rest[:MOST_LETTERS]
        if rest:
            found.put(rest.decode(encoding, "replace"))
        found.put(None)

    threading.Thread(target=listen, daemon=True).start()
    return found


def carry_out(desk: Desk, beginning: Beginning, stream: TextIO) -> Run | None:
    """Carry out a job in plain lines on `stream`, until it is left, standard input ends, or Control-C.

    Gives the run of its last session, closed and concluded; None if none was begun.
    """
    job = PlainJob(desk, Voice(stream), beginning)
    lines = typed_lines()
    stopped: list[int] = []
    # Only noted, so that no record is left half read; acted on between two rounds.
    before = signal.signal(signal.SIGINT, lambda number, _: stopped.append(number))
    try:
        job.begin()
        while not job.left and not stopped:
            with contextlib.suppress(queue.Empty):
                line = lines.get(timeout=1 / PULL_HZ)
                if line is None:
                    break
                job.typed(line)
            job.round()
        job.leave()
    finally:
        signal.signal(signal.SIGINT, before)
    return None if job.session is None else job.session.run
