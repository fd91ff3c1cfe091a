"""Listens to a guided job and gives what is new as sentences: each thing once, when it changes, and nothing that changes all the time."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

from bench import cautions
from bench.adjusting import PointsAdjusting, SeenOpening
from bench.procedure import TAKING, Step
from bench.run import BreakerTrace, Followed, Run
from tui import job_plain_words as plain
from tui.job_screen import words
from tui.job_screen.state import JobState, RehearsalState

#: What the passes so far say, and notes that repeat, are told at most so often.
JUDGE_EVERY_S, NOTE_EVERY_S = 5.0, 10.0
#: A creeping rotor is told of at most so often, and when it went on by so much.
CREEP_EVERY_S, CREEP_DEG = 2.0, 0.1
#: What an adjustment changed is told again when it differs by so much.
MOVED_DEG = 0.1
#: A change of the magnet's pull by this share of the greatest is noticeable.
NOTICEABLE = 0.05
#: An act of the hand shows in what is felt after so long.
SETTLE_S = 0.3
#: Below this the rotor stands, degrees per second.
STANDS_DEG_S = 0.5


class Teller:
    """Ask `new` at each pull. A fresh one belongs to each session."""

    def __init__(self, clock: Callable[[], float] = time.monotonic, told_times: int = 0) -> None:
        """`told_times`: how often something was told by eye and hand before this session."""
        self._clock = clock
        self._step: Step | None = None
        self._do = ""
        self._needed = ""
        self._blocked: tuple[str, ...] = ()
        # Those that were acknowledged word by word a moment ago.
        self._cautioned = set(cautions.ACKNOWLEDGED)
        self._presses = (0, 0)
        self._rests = 0
        self._connected = self._lost = self._failed = self._simulated = self._ended = self._kept = False
        self._notes: dict[tuple[str, str], int] = {}
        self._noted_at = 0.0
        self._last: dict[str, Followed] = {}
        self._passes: dict[str, tuple[int, ...]] = {}
        self._judged_at = self._clock()
        self._judgement: list[str] = []
        self._helps: bool | None = None
        self._told_as_found = self._told_verified = False
        self._held = False
        self._crept = 0.0
        self._crept_at = 0.0
        self._moved: dict[str, tuple[int, float]] = {}
        self._held_points: dict[str, str] = {}
        self._share = 0.0
        self._hand = ""
        self._acted_at: float | None = None
        self._snapped = False
        self._mark = False
        self._told_times = told_times

    def acted(self) -> None:
        """The hand was asked to move: what it then feels is told in any case."""
        self._acted_at = self._clock()

    def new(self, state: JobState, run: Run, talking: bool = False) -> list[str]:
        """What is new. While somebody is `talking` (questions and answers), openings and the like are passed over."""
        first = state.snap.step in TAKING and self._step not in TAKING
        openings = [*self._openings(state, run), *self._holding(state)]
        loud = [*self._link(state), *self._presses_taken(state), *self._noting(state)]
        steps = [*self._found(state), *self._stepping(state)]
        after = [*self._hand_feels(state), *self._done(state)]
        judged = [*self._judging(state)]
        if talking:
            return [*loud, *steps, *after]
        # The opening that ends marking neutral is the first of the next step; any other belongs to the step that it may end.
        return [*loud, *(steps + openings if first else openings + steps), *judged, *after]

    # --- link, presses, notes ----------------------------------------------------------------------------------------

    def _link(self, state: JobState) -> Iterator[str]:
        snap = state.snap
        if not self._connected and not snap.connected and self._step is None and snap.failure is None:
            self._step = snap.step
            yield "Connecting to the board."
        if snap.connected and not self._connected:
            self._connected, self._step = True, None
            yield "The board answers."
        if snap.simulated and not self._simulated:
            self._simulated = True
            if state.rehearsal is None and "REHEARSAL" not in state.title:
                yield "This is a SIMULATED board: not for record."
        if snap.link_lost != self._lost:
            self._lost = snap.link_lost
            if self._lost:
                self._do = plain.do(state)
                yield f"FAULT. {' '.join(words.blocked(state))} {self._do}"
            else:
                yield "The board answers again."
        if snap.failure is not None and not self._failed:
            self._failed = True
            if snap.failure.code != "interrupted":
                self._do = plain.do(state)
                yield f"FAULT. It cannot go on. {snap.failure.text} {self._do}"

    def _presses_taken(self, state: JobState) -> Iterator[str]:
        snap, before = state.snap, self._presses
        self._presses = snap.presses
        if snap.step is not Step.NEUTRAL:
            if self._step is Step.MARKS and snap.step is not Step.MARKS:
                yield "Press taken at the mark."
            elif self._step is Step.ADJUST and snap.step is Step.VERIFY:
                yield "Press taken: the points are set and tightened."
            return
        if self._step is Step.MARKS:
            yield "Press taken at the mark."
        for side in (0, 1):
            if snap.presses[side] > before[side]:
                yield plain.press_sentence(snap, side)
        if snap.rests > self._rests:
            yield f"A rest after letting go was taken: {snap.rests} so far."
        self._rests = snap.rests

    def _noting(self, state: JobState) -> Iterator[str]:
        now = self._clock()
        for note in state.snap.notes:
            key = note.code, note.text
            told = self._notes.get(key)
            if told is None or (note.times > told and now - self._noted_at >= NOTE_EVERY_S):
                self._notes[key], self._noted_at = note.times, now
                yield f"Note: {note}" if told is None else f"Note again: {note}"

    # --- steps -------------------------------------------------------------------------------------------------------

    def _stepping(self, state: JobState) -> Iterator[str]:
        snap = state.snap
        if not snap.connected or snap.failure is not None or snap.link_lost:
            return
        # In the other steps it is in what is to be done, or told with the passes.
        needed = words.needed(state) if snap.step in (Step.SENSE, Step.MARKS, Step.NEUTRAL) else ""
        if snap.step is not self._step:
            self._step = snap.step
            self._do = self._needed = ""
            name = words.STEP_OF[snap.step]
            number = words.STEP_NAMES.index(name) + 1
            yield f"{_not_for_record(state)}Step {number} of {len(words.STEP_NAMES)}: {name}."
            if snap.caution and snap.caution not in self._cautioned:
                self._cautioned.add(snap.caution)
                yield f"Caution. {snap.caution}"
            if snap.step in TAKING:
                self._judged_at = self._clock()
                yield f"Needed: {snap.passes_wanted} passes of every lobe."
            if snap.step is Step.CHECKS:
                self._blocked = ()
        doing = plain.do(state)
        if doing != self._do:
            self._do = doing
            yield doing
        if needed != self._needed:
            self._needed = needed
            if needed:
                yield f"Still needed: {needed}."
        blocked = words.blocked(state)
        if blocked != self._blocked:
            self._blocked = blocked
            yield from (f"It cannot end yet. {sentence}" for sentence in blocked)

    # --- openings ----------------------------------------------------------------------------------------------------

    def _openings(self, state: JobState, run: Run) -> Iterator[str]:
        snap = state.snap
        adjusting = {p.name: p for p in snap.adjusting}
        for trace, points in zip(run.epoch.traces, snap.points):
            name = trace.breaker.name
            before = self._passes.get(name, points.passes)
            self._passes[name] = points.passes
            if not snap.guided:
                yield from _unguided(state, trace, before, points.passes, points.last_opening_deg)
                continue
            new = self._fresh(trace)
            for lobe in _unfollowed(run, new, before, points.passes):
                passed = _passed(state, lobe, before, points.passes)
                yield plain.first_opening_sentence(trace.breaker, lobe, points.last_opening_deg, passed)
            if not new:
                continue
            seen = _paired(run, trace, adjusting.get(name))
            for followed in new:
                lobe = followed.ordinal % run.job.unit.lobes
                passed = _passed(state, lobe, before, points.passes) if followed.step is snap.step else ""
                angle = seen.get(id(followed))
                if angle is None:
                    yield f"{name}, lobe {lobe}: opened; there is nothing yet to count its angle from{passed}."
                else:
                    yield plain.opening_sentence(trace.breaker, angle, passed, followed.step is Step.ADJUST)
            if name in adjusting and snap.step in (Step.ADJUST, Step.VERIFY):
                yield from self._changed(new[-1].holding, adjusting[name])

    def _fresh(self, trace: BreakerTrace) -> list[Followed]:
        recent = list(trace.recent)
        known = self._last.get(trace.breaker.name)
        at = next((n for n, followed in enumerate(recent) if followed is known), -1)
        if recent:
            self._last[trace.breaker.name] = recent[-1]
        return recent[at + 1 :]

    def _changed(self, setting: int, points: PointsAdjusting) -> Iterator[str]:
        """What the last adjustment changed: with the first opening after it, and if later openings tell otherwise."""
        if points.moved_deg is None:
            return
        told = self._moved.get(points.name)
        if told is None or told[0] != setting or abs(told[1] - points.moved_deg) >= MOVED_DEG:
            self._moved[points.name] = setting, points.moved_deg
            yield f"{points.name}: {words.moved_words(points)}."

    def _found(self, state: JobState) -> Iterator[str]:
        """What a step came to, once it is complete."""
        snap = state.snap
        if snap.as_found is not None and not self._told_as_found:
            self._told_as_found = True
            yield from (f"As found. {line}" for line in plain.result_sentences(snap.as_found))
        if snap.step is Step.CHECKS and state.running is not None and not self._told_verified:
            self._told_verified = True
            yield from (f"As verified. {line}" for line in plain.result_sentences(state.running))
        if snap.step is not Step.CHECKS:
            self._told_verified = False

    def _judging(self, state: JobState) -> Iterator[str]:
        snap, now = state.snap, self._clock()
        if snap.step not in TAKING or state.running is None or now - self._judged_at < JUDGE_EVERY_S:
            return
        said = plain.so_far_sentences(state)
        self._judged_at = now
        yield from (line for line in said if line not in self._judgement)
        self._judgement = said
        helps = words.more_passes_help(state.running)
        if helps is not None and helps != self._helps:
            self._helps = helps
            yield (
                "Further passes still make it surer."
                if helps
                else "Further passes no longer help: other terms of the uncertainty rule."
            )

    # --- a rotor that is held ----------------------------------------------------------------------------------------

    def _holding(self, state: JobState) -> Iterator[str]:
        snap, now = state.snap, self._clock()
        if snap.held and not self._held and snap.step is Step.ADJUST:
            yield from (plain.rotor_sentence(points) for points in snap.adjusting)
        if snap.held != self._held:
            self._held, self._crept = snap.held, 0.0
        crept = words.crept_words(snap)
        if crept and abs(snap.crept_deg - self._crept) >= CREEP_DEG and now - self._crept_at >= CREEP_EVERY_S:
            self._crept, self._crept_at = snap.crept_deg, now
            yield crept
        for points in snap.adjusting:
            said = words.held_words(points)
            if said and said != self._held_points.get(points.name):
                yield f"{points.name}: {said}."
            self._held_points[points.name] = said

    # --- a simulated unit's hand -------------------------------------------------------------------------------------

    def _hand_feels(self, state: JobState) -> Iterator[str]:
        if state.rehearsal is None:
            return
        felt = state.rehearsal.felt
        if felt.snapped and not self._snapped:
            yield "The rotor SNAPPED forward in the hand."
        self._snapped = felt.snapped
        yield from self._told(state.rehearsal)
        if not state.rehearsal.acting or (felt.held and (felt.busy or abs(state.snap.speed_deg_s) >= STANDS_DEG_S)):
            return
        asked = False
        if self._acted_at is not None:
            if self._clock() - self._acted_at < SETTLE_S:
                return
            asked, self._acted_at = True, None
        hand = plain.pull_words(felt)
        noticed = abs(felt.share - self._share) >= NOTICEABLE or (abs(felt.share) < plain.NO_PULL) != (
            abs(self._share) < plain.NO_PULL
        )
        if asked or (hand != self._hand and (noticed or not felt.held)):
            self._hand, self._share = hand, felt.share
            yield hand
        if felt.mark_in_window != self._mark:
            self._mark = felt.mark_in_window
            yield f"The timing mark is {'in' if felt.mark_in_window else 'no longer in'} its window."

    def _told(self, rehearsal: RehearsalState) -> Iterator[str]:
        """What was seen, mended or refused."""
        new, self._told_times = rehearsal.told_times - self._told_times, rehearsal.told_times
        if new > 0:
            yield from rehearsal.told_lately[-new:]

    # --- the end -----------------------------------------------------------------------------------------------------

    def _done(self, state: JobState) -> Iterator[str]:
        snap = state.snap
        if snap.evaluation is not None and not self._ended:
            self._ended = True
            yield from (f"As left. {line}" for line in plain.result_sentences(snap.evaluation))
            if snap.advice is not None:
                yield snap.advice if snap.advice.endswith(".") else f"{snap.advice}."
        if state.record_text and not self._kept:
            self._kept = True
            yield state.record_text


def _not_for_record(state: JobState) -> str:
    if not state.snap.simulated:
        return ""
    return "Rehearsal, not for record. " if "REHEARSAL" in state.title else "Not for record. "


def _unfollowed(run: Run, new: list[Followed], before: tuple[int, ...], now: tuple[int, ...]) -> Iterator[int]:
    """Lobes of passes that came without being followed: the one that ended marking neutral."""
    followed = {f.ordinal % run.job.unit.lobes for f in new}
    yield from (lobe for lobe, n in enumerate(now) if n > before[lobe] and lobe not in followed)


def _passed(state: JobState, lobe: int, before: tuple[int, ...], now: tuple[int, ...]) -> str:
    if now[lobe] <= before[lobe]:
        return ""
    wanted = state.snap.passes_wanted
    return f", pass {now[lobe]} of {wanted}" if now[lobe] <= wanted else f", one more pass than the {wanted} needed"


def _paired(run: Run, trace: BreakerTrace, points: PointsAdjusting | None) -> dict[int, SeenOpening]:
    """Which opening each shown angle is of, by the identity of the openings.

    Whether an angle is known depends on the lobe alone, so going back both lists pair by lobe.
    """
    found: dict[int, SeenOpening] = {}
    angles = [] if points is None else list(points.latest)
    for followed in reversed(trace.recent):
        if angles and angles[-1].lobe == followed.ordinal % run.job.unit.lobes:
            found[id(followed)] = angles.pop()
    return found


def _unguided(
    state: JobState, trace: BreakerTrace, before: tuple[int, ...], now: tuple[int, ...], last_deg: float | None
) -> Iterator[str]:
    """Passes of a job that the simulator's own hand does; angles past neutral only."""
    for lobe, count in enumerate(now):
        if count > before[lobe]:
            at = "" if last_deg is None else f" at {last_deg:.2f}° {words.SPELLED[state.snap.angle_from]}"
            yield f"{trace.breaker.name}, lobe {lobe}: opened{at}, pass {count} of {state.snap.passes_wanted}."
