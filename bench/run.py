"""The run: everything after the journal, as a pure function of its records.

Feed it the records in order; ask at any time for a snapshot, and at the end for what was measured. It knows no clock and no
file, so that a replay goes the very same way as the live run.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from bench import encoder_map, probe_patterns, procedure
from bench.contacts import Change, ChannelTracker, ContactEdge, Flicker, LevelReading, Settled
from bench.encoder import PhaseTable, directions_of, edges_of
from bench.encoder_lines import LineWatch
from bench.errors import BenchError, ProcedureError
from bench.files import printable
from bench.holding import Holding
from bench.horizon import Horizon
from bench.job import Breaker
from bench.journal import Kind, Record
from bench.motion import Motion, Rest
from bench.probe_patterns import Geometry, ProbeSeen
from bench.procedure import PressMark, Procedure, Step
from bench.settings import Settings
from bench.stream import BoardReset, FramesLost, SessionStream, StreamItem, TooManyBadFrames
from bench.swing import TurningPoint, TurningPoints
from bench.ticks import TickUnwrapper
from firmware_protocol.framing import Frame
from firmware_protocol.messages import (
    COUNT_DOUBTFUL,
    MESSAGES_MISSING,
    Capability,
    Contact,
    Edges,
    EdgesFlag,
    Hello,
    Index,
    Level,
    Position,
    Press,
    PressSource,
    Trouble,
    TroubleCode,
)

#: The rotor must have run this far in the running direction before an opening counts: backlash is taken up.
APPROACH_DEG = 1.0
#: An encoder coarser than a degree is no better than the plate.
LEAST_COUNTS_PER_TURN = 360
#: Bounce that goes on for longer and over more than this is chatter: where the points parted is not known from it.
LONGEST_BOUNCE_S = 0.02
WIDEST_BOUNCE_DEG = 1.0
#: Points that open twice at one lobe, farther apart than this, have chattered; so have those that closed for less than LEAST_DWELL_DEG.
TWICE_DEG = 2.0
LEAST_DWELL_DEG = 2.0
#: No cam's lobes are off by so much (they are off by a few degrees at the worst; common practice, no source).
OUT_OF_PLACE_DEG = 10.0
#: What a capacitor's delay (2.4 ms) makes of all hand speeds up to 340°/s is 0.8°, and points scatter by hundredths.
PASSES_APART_DEG = 1.0
#: A press at the No. 1 lobe's mark must be this far from an opening, or else it cannot tell which lobe is No. 1.
LOBE_MARK_CLEAR_DEG = 3.0
#: A press marks a place at which the rotor is held; above this speed it was meant for something else, degrees per second.
MOVING_DEG_S = 10.0
#: The count may be lost so often before something must be mended first.
MOST_VOIDS = 5
#: A report that messages were dropped may come so long after the loss that it explains (PROTOCOL.md, Trouble: 100 ms).
OVERRUN_TOLD_S = 0.2
#: Openings remembered per breaker for a person who adjusts.
RECENT = 40
#: Steps of the guided job in which every opening is shown.
FOLLOWED = frozenset({Step.AS_FOUND, Step.ADJUST, Step.VERIFY})
#: Kinds of journal entries that a person makes and the record keeps.
ENTERED = frozenset({"check", "adjustment", "caution", "operator"})
#: Periods of Position without one that tell of a loss, however the sequence looks.
HOLE_PERIODS = 3


@dataclass(frozen=True, slots=True)
class Failure:
    """Why the run ended without a valid result."""

    code: str
    text: str


@dataclass(slots=True)
class Note:
    """Something that the record must tell; `times` counts repetitions."""

    code: str
    text: str
    times: int = 1


@dataclass(slots=True)
class Pass:
    """One opening crossed in the running direction, and the closings before and after it."""

    opening: Change
    closing_before: Change | None
    closing_after: Change | None = None


@dataclass(frozen=True, slots=True)
class Followed:
    """An opening of the guided job: its ordinal, the step it fell in, and how often the rotor had been held before it."""

    ordinal: int
    change: Change
    step: Step
    holding: int


@dataclass(slots=True)
class BreakerTrace:
    """What one set of points did in this epoch."""

    breaker: Breaker
    #: Passes so far of each lobe.
    lobe_passes: list[int]
    passes: list[Pass] = field(default_factory=list)
    ordinals: list[int] = field(default_factory=list)
    #: Openings in the running direction while neutral was still to be marked. No passes, but on the same disc.
    before: list[Change] = field(default_factory=list)
    closing: Change | None = None
    #: The latest pass, while its closing is still to come.
    open_pass: Pass | None = None
    #: The latest openings of the guided job, whatever its step.
    recent: deque[Followed] = field(default_factory=lambda: deque(maxlen=RECENT))
    #: Stretches (first and last count) over which openings could not be followed; the last may still be going on.
    holes: list[tuple[int, int]] = field(default_factory=list)
    blind_since: int | None = None
    #: How often an opening was found where none of the cam's can be.
    out_of_place: int = 0


@dataclass(slots=True)
class Epoch:
    """Everything measured against one zero; a lost count begins a new one."""

    traces: list[BreakerTrace]
    rests: list[Rest] = field(default_factory=list)
    turning_points: TurningPoints = field(default_factory=TurningPoints)
    #: The same, seen while the followers were lifted off the cam.
    lifted_rests: list[Rest] = field(default_factory=list)
    lifted_turning_points: TurningPoints = field(default_factory=TurningPoints)
    last_index_count: int | None = None
    #: Tick up to which index signals have confirmed the count.
    verified_tick: int | None = None
    index_missing: bool = False
    #: Least and greatest count since the last index.
    without_index: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Measured:
    """What is known against one zero up to one moment: everything that an evaluation needs."""

    traces: tuple[BreakerTrace, ...]
    rests: tuple[Rest, ...]
    turning_points: tuple[TurningPoint, ...]
    lifted_rests: tuple[Rest, ...]
    lifted_turning_points: tuple[TurningPoint, ...]
    presses: tuple[PressMark, ...]
    lifted_presses: tuple[PressMark, ...]
    mark: PressMark | None
    #: Learnt phase offsets, counts.
    offsets: tuple[float, float, float, float]
    #: Count of the last index signal; None if there was none.
    index_count: int | None
    #: Place, in running counts, that lobes are counted from roughly.
    lobe_zero_counts: float | None

    def kept(self) -> Measured:
        """The same, so that further passes do not change it."""
        return replace(self, traces=tuple(_copy(t) for t in self.traces))


def _copy(trace: BreakerTrace) -> BreakerTrace:
    return replace(
        trace,
        lobe_passes=[*trace.lobe_passes],
        passes=[*trace.passes],
        ordinals=[*trace.ordinals],
        before=[*trace.before],
        holes=[*trace.holes],
        recent=deque(trace.recent, maxlen=RECENT),
    )


class Run:
    """See the module's text. `finished` once nothing further is looked at; then `failure` is None or says why."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.job = settings.job
        self.stream = SessionStream()
        self.notes: list[Note] = []
        self.failure: Failure | None = None
        self.sense = 0
        self.sense_known = settings.bench.encoder_sense != "unknown"
        self.restart_wanted = False
        self.phases = PhaseTable()
        self.voids = 0
        self.epoch = self._new_epoch()
        self.procedure: Procedure | None = None
        #: The guided job's two sets of passes, as soon as each is complete.
        self.as_found: Measured | None = None
        self.as_left: Measured | None = None
        #: What the person at the screen entered, in order: checks, adjustments, cautions acknowledged.
        self.entries: list[dict[str, Any]] = []
        #: True from the moment the port is lost until a new session has begun.
        self.link_lost = False
        self.holding: Holding | None = None
        self.tick = 0
        self.count = 0
        self.levels = 0
        self.counts_per_turn = 0
        self.tick_hz = 0
        self._ticks = TickUnwrapper()
        self._motion: Motion | None = None
        self._horizon: Horizon | None = None
        self._trackers: list[ChannelTracker] = []
        self._last_position: int | None = None
        self._troubles = 0
        self._known_count: int | None = None
        self._edges_broken_at: int | None = None
        self._next_edges_count: int | None = None
        self._lines: LineWatch | None = None
        self._before_loss: Hello | None = None
        #: What a snapshot worked out of this run and keeps for the next one. Some of it refers to the run, so it has to go with it.
        self.derived: dict[str, Any] = {}

    @property
    def finished(self) -> bool:
        """True once the result is settled."""
        return self.failure is not None or self.step is Step.DONE

    @property
    def step(self) -> Step:
        """The step that the job is in."""
        return Step.SENSE if self.procedure is None else self.procedure.step

    @property
    def hello(self) -> Hello | None:
        """The board, once it has greeted."""
        return self.stream.hello

    def feed(self, record: Record) -> None:
        """The next record of the journal. After the run has finished, records change nothing."""
        if self.finished:
            return
        try:
            if record.kind is Kind.FROM_BOARD:
                for item in self.stream.received(record.payload):
                    self._take(item)
                    if self.finished:
                        return
            elif record.kind is Kind.TO_BOARD:
                if self.stream.sent(record.payload):
                    self._begin_session()
            elif record.kind is Kind.ENTRY:
                entry = record.document()
                if entry.get("kind") == "error":
                    self.failure = Failure(printable(str(entry.get("code"))), printable(str(entry.get("text"))))
                elif entry.get("kind") == "end":
                    raise ProcedureError(
                        "ended", "The recording ends before the measurement was complete" + self._lacking()
                    )
                elif entry.get("kind") == "link":
                    self._link_lost(printable(str(entry.get("text"))))
                elif entry.get("kind") == "step":
                    self._led_to(str(entry.get("to")))
                elif str(entry.get("kind")) in ENTERED and _can_be_written(entry):
                    self.entries.append(entry)
        except BenchError as error:
            self.failure = Failure(error.code, error.text)

    def lobe_counts(self) -> Mapping[str, Sequence[int]]:
        """Passes so far per breaker and lobe."""
        return {trace.breaker.name: trace.lobe_passes for trace in self.epoch.traces}

    def deg(self, counts: float) -> float:
        """Counts as degrees in the running direction."""
        return counts * self.sense * 360.0 / self.counts_per_turn if self.counts_per_turn else 0.0

    def measured(self) -> Measured:
        """What has been measured so far against the present zero."""
        epoch, steps = self.epoch, self.procedure
        return Measured(
            traces=tuple(epoch.traces),
            rests=tuple(epoch.rests),
            turning_points=tuple(epoch.turning_points.points),
            lifted_rests=tuple(epoch.lifted_rests),
            lifted_turning_points=tuple(epoch.lifted_turning_points.points),
            presses=() if steps is None else tuple(steps.presses),
            lifted_presses=() if steps is None else tuple(steps.lifted_presses),
            mark=None if steps is None else steps.mark,
            offsets=self.phases.offsets(),
            index_count=epoch.last_index_count,
            lobe_zero_counts=self.lobe_zero_counts(),
        )

    @property
    def presses_taken(self) -> int:
        """Presses that count so far, the mark's included."""
        steps = self.procedure
        if steps is None:
            return 0
        marks = (steps.mark is not None) + (steps.lobe_mark is not None)
        return len(steps.presses) + len(steps.lifted_presses) + marks

    @property
    def start_deg(self) -> float:
        """Where the session began, degrees in the running direction."""
        start = self._motion.start_count if self._motion is not None else None
        return 0.0 if start is None else self.deg(start)

    @property
    def speed_deg_s(self) -> float:
        """Speed of the rotor now, degrees per second in the running direction."""
        return 0.0 if self._motion is None else self.deg(self._motion.speed() * self.tick_hz)

    def note(self, code: str, text: str) -> None:
        """Remember something for the record; a repetition is counted."""
        for known in self.notes:
            if known.code == code and known.text == text:
                known.times += 1
                return
        self.notes.append(Note(code, text))

    # --- the session -------------------------------------------------------------------------------------------------

    def _begin_session(self) -> None:
        hello = self.stream.hello
        if hello is None:
            raise ProcedureError("no-greeting", "The recording begins a session with a board that never greeted.")
        self._same_board(hello, self._before_loss)
        self._before_loss = None
        stated = self.settings.bench.counts_per_turn
        if stated is not None and stated != hello.counts_per_turn:
            raise ProcedureError(
                "counts-per-turn",
                f"The board is set to {hello.counts_per_turn} counts per turn, the bench file says {stated}. Correct the wrong one.",
            )
        if hello.counts_per_turn < LEAST_COUNTS_PER_TURN:
            raise ProcedureError(
                "counts-per-turn",
                f"The board is set to {hello.counts_per_turn} counts per turn; this job needs at least {LEAST_COUNTS_PER_TURN}.",
            )
        if (mapped := self.settings.encoder_map) is not None:
            encoder_map.check(mapped, self.settings.run_date, hello.board_id, hello.counts_per_turn)
        for breaker in self.job.breakers:
            if breaker.channel >= hello.contact_channels:
                raise ProcedureError(
                    "no-channel",
                    f"{breaker.name} is on channel {breaker.channel}, but this board has only {hello.contact_channels} "
                    f"(0 to {hello.contact_channels - 1}).",
                )
        self.counts_per_turn, self.tick_hz = hello.counts_per_turn, hello.tick_hz
        self.link_lost = False
        self.holding = Holding(hello.counts_per_turn, hello.tick_hz) if self.settings.guided else None
        self._ticks.restart()
        criteria = self.settings.bench.criteria
        self._motion = Motion(hello.counts_per_turn, hello.tick_hz)
        self._lines = LineWatch(hello.counts_per_turn, hello.tick_hz)
        self._horizon = Horizon([b.channel for b in self.job.breakers], hello.tick_hz)
        self._trackers = [
            ChannelTracker(
                b.channel,
                int(criteria.settled_ms / 1000 * hello.tick_hz),
                criteria.settled_deg * hello.counts_per_turn / 360,
            )
            for b in self.job.breakers
        ]
        self._last_position = None
        self._troubles = 0
        self._next_edges_count = None
        self._known_count = None
        self._edges_broken_at = None
        self.phases.forget_run()
        self.epoch.turning_points.cut()
        if self.procedure is None:
            self.procedure = Procedure(
                self.job,
                self.settings.passes,
                hello.tick_hz,
                followers_lifted=self.settings.followers_lifted,
                guided=self.settings.guided,
                after_neutral=_first_passes(self.settings),
            )

    def _take(self, item: StreamItem) -> None:
        if isinstance(item, FramesLost):
            self._lost("frames-lost", "Frames were lost on the line; the passes that they touch are void.")
        elif isinstance(item, BoardReset):
            self._reset(item)
        elif isinstance(item, TooManyBadFrames):
            raise ProcedureError(
                "bad-line",
                f"{item.bad} of the last {item.of} frames were damaged, which is more than a line in order shows; the run is void. "
                "Check cable, ground and baud rate.",
            )
        else:
            self._message(item)

    def _message(self, frame: Frame) -> None:
        message = frame.message
        if isinstance(message, Position):
            self._position(message)
        elif isinstance(message, Edges):
            self._edges(message)
        elif isinstance(message, Contact):
            self._contact(message, frame.wire)
        elif isinstance(message, Index):
            self._index(message)
        elif isinstance(message, Level):
            self._level(message)
        elif isinstance(message, Press):
            self._press(message)
        elif isinstance(message, Trouble):
            self._trouble(message)

    # --- messages ----------------------------------------------------------------------------------------------------

    def _position(self, message: Position) -> None:
        motion, horizon, steps = self._parts()
        tick = self._ticks.unwrap(message.tick)
        if len(message.contact_edges) <= max(b.channel for b in self.job.breakers):
            raise ProcedureError(
                "board-protocol",
                f"The board's position reports tell of {len(message.contact_edges)} probes only, against its own greeting. Its "
                "firmware is at fault.",
            )
        if self._last_position is None:
            self._known_count = message.count
            steps.begin(tick)
        else:
            self._check_hole(tick)
        self._last_position = tick
        self._check_troubles(message.troubles)
        self.tick, self.count, self.levels = tick, message.count, message.levels
        low, high = self.epoch.without_index or (message.count, message.count)
        self.epoch.without_index = (min(low, message.count), max(high, message.count))
        if steps.followers_lifted:
            self._watch_followers(steps, message.levels)
        rest = motion.feed(tick, message.count)
        if self.holding is not None:
            self.holding.position(tick, message.count)
        if steps.step is Step.SENSE:
            self._find_sense(motion, steps, tick)
        elif rest is not None and steps.step is Step.NEUTRAL:
            self.epoch.rests.append(rest)
            steps.progressed(tick)
        if self.sense and motion.snapped(self.sense):
            raise procedure.impulse_error()
        confirmed = horizon.position(tick, message.count, message.levels, message.contact_edges)
        if horizon.contact_lost:
            horizon.contact_lost = False
            self._lost(
                "contact-lost", "A probe's edge went missing; the passes that it touches are void.", restart=False
            )
        for known in confirmed:
            for trace, tracker in zip(self.epoch.traces, self._trackers, strict=True):
                for change in tracker.confirm(known, self.sense or 1):
                    self._change(trace, change)
                    if self.finished:
                        return
                if trace.blind_since is not None and tracker.settled is not Settled.UNKNOWN:
                    trace.holes.append((trace.blind_since, known.count))
                    trace.blind_since = None
            self._known_count = known.count
        if steps.followers_lifted:
            for tracker in self._trackers:
                tracker.watch_anew()
        elif self.sense:
            self._check_stuck()
        self._check_index()
        if self._edges_broken_at is not None and tick - self._edges_broken_at > OVERRUN_TOLD_S * self.tick_hz:
            self._edges_broken_at = None
            self._count_doubtful("Encoder edges are missing between two reports.")
        self._check_complete()
        if not self.finished:
            steps.check_progress(tick, self.missing)

    def _watch_followers(self, steps: Procedure, levels: int) -> None:
        """Points that close tell that the followers are on the cam."""
        if all(levels >> b.channel & 1 for b in self.job.breakers):
            return
        if steps.followers_down():
            epoch = self.epoch
            epoch.lifted_rests, epoch.rests = epoch.rests, []
            epoch.lifted_turning_points, epoch.turning_points = epoch.turning_points, TurningPoints()
        else:
            self.epoch.rests.clear()
            self.epoch.turning_points = TurningPoints()
            self.note(
                "followers-not-lifted",
                "Neutral was to be taken first with the followers lifted, but the points closed before there were two presses from "
                "each side; what was pressed until then is not used, and the cam's pull stays in the uncertainty.",
            )

    def _find_sense(self, motion: Motion, steps: Procedure, tick: int) -> None:
        start = motion.start_count if motion.start_count is not None else self.count
        travel = (self.count - start) * 360 / self.counts_per_turn
        if abs(travel) < procedure.SENSE_DEG:
            return
        direction = 1 if travel > 0 else -1
        if self.sense_known:
            running = self.job.unit.rotation
            self.sense = 1 if self.settings.bench.encoder_sense == running.value else -1
            if self.sense != direction:
                raise ProcedureError(
                    "wrong-direction",
                    f"The rotor was turned {running.other} as seen from the drive end, but this unit runs {running}. Turn the other way, "
                    "or correct rotation in the job file or encoder_sense in the bench file.",
                )
        else:
            self.sense = direction
            self.note(
                "sense-unchecked",
                f"The bench file does not state the encoder's sense, so the first travel was taken as {self.job.unit.rotation}. If "
                "the rotor was turned the other way, all angles are wrong: state encoder_sense.",
            )
        steps.sense_found(tick)

    def _edges(self, message: Edges) -> None:
        ticks, boundaries, after = edges_of(self._ticks.unwrap(message.tick), message.count, message.steps)
        expected = self._next_edges_count
        self._next_edges_count = after
        if message.flags & EdgesFlag.AFTER_SUSPENSION or expected is None:
            self.phases.forget_run()
            self.epoch.turning_points.cut()
            if self._lines is not None:
                self._lines.cut()
        elif expected != message.count:
            self._edges_broken_at = self.tick
            self.phases.forget_run()
            self.epoch.turning_points.cut()
        if self._lines is not None and self._lines.feed(ticks, boundaries):
            self._line_dead()
            return
        self.phases.learn(ticks, boundaries)
        if self.step is Step.NEUTRAL:
            self.epoch.turning_points.feed(ticks, boundaries, directions_of(message.steps))

    def _contact(self, message: Contact, wire: bytes) -> None:
        _, horizon, _ = self._parts()
        tick = self._ticks.unwrap(message.tick)
        horizon.contact(message.channel, tick, tick + message.storm_ticks, 1 + message.storm_edges)
        if self.holding is not None:
            # A merged storm ends as an odd or even number of edges leaves it.
            opened = bool(message.opened) ^ bool(message.storm_edges & 1)
            self.holding.edge(message.channel, tick, message.count, opened)
        for tracker in self._trackers:
            if tracker.channel == message.channel:
                tracker.edge(ContactEdge(tick, message.count, bool(message.opened), message, wire))

    def _index(self, message: Index) -> None:
        self.epoch.without_index = None
        self.epoch.index_missing = False
        previous = self.epoch.last_index_count
        self.epoch.last_index_count = message.count
        if previous is None:
            return
        off = (message.count - previous + self.counts_per_turn // 2) % self.counts_per_turn - self.counts_per_turn // 2
        if abs(off) > 1:
            self._count_doubtful(f"Between two index signals the count is off a full turn by {off}.")
            # This index found the loss; from here on the count is whole again.
            self.epoch.last_index_count = message.count
            return
        self.epoch.verified_tick = self._ticks.unwrap(message.tick)
        self._check_complete()

    def _press(self, message: Press) -> None:
        motion, _, steps = self._parts()
        tick = self._ticks.unwrap(message.tick)
        bouncing = message.source == PressSource.PEDAL and steps.pedal_is_bouncing(tick)
        if not message.down or bouncing:
            return
        if steps.step in (Step.MARKS, Step.NEUTRAL) and abs(self.speed_deg_s) > MOVING_DEG_S:
            self.note(
                "press-moving",
                f"A press was not used, since the rotor was turning at {abs(self.speed_deg_s):.0f}°/s: stop, then press.",
            )
            return
        side = motion.direction_before(tick, message.count) * (self.sense or 1)
        unverified = self.has_index and self.epoch.last_index_count is None and not self.presses_taken
        before = steps.step
        if steps.press(PressMark(tick, message.count, side)):
            if before is Step.ADJUST:
                self._forget_passes()
            elif unverified:
                self.note(
                    "zero-unverified",
                    "No index signal came before the first mark, so nothing confirms the count from there to the first index. Turn "
                    "once round before marking.",
                )
        elif steps.step is Step.NEUTRAL:
            self.note(
                "press-side-unclear",
                "A press was not used, since it is not clear from which side the rotor came: come to neutral over at least 2° without "
                "overshooting.",
            )
        else:
            self.note("press-unused", f"A press in the step “{steps.step.value}” was kept but not used.")

    def _trouble(self, message: Trouble) -> None:
        self._troubles = (self._troubles + 1) & 0xFFFF
        code = TroubleCode(message.code)
        name = code.name.lower().replace("_", " ")
        if code in COUNT_DOUBTFUL:
            self._count_doubtful(f"The board reports {name} ({message.amount}).")
        elif code in MESSAGES_MISSING:
            self._edges_broken_at = None
            self._lost("board-overrun", f"The board reports {name}; the passes that it touches are void.")
        elif code is TroubleCode.REJECTED_COMMAND:
            self.note("rejected-command", "The board refused a command.")

    # --- losses ------------------------------------------------------------------------------------------------------

    def _lost(self, code: str, text: str, restart: bool = True) -> None:
        self.note(code, text)
        if self._horizon is not None and restart:
            self._horizon.restart()
        for trace, tracker in zip(self.epoch.traces, self._trackers, strict=True):
            if trace.blind_since is None:
                known = self._known_count if self._known_count is not None else self.count
                trace.blind_since = tracker.departure_count if tracker.departure_count is not None else known
            trace.closing = trace.open_pass = None
            tracker.lose_track()
        self.phases.forget_run()
        self.epoch.turning_points.cut()
        self._next_edges_count = None
        self._edges_broken_at = None
        # An index may have been among what was lost.
        self.epoch.without_index = None

    def _check_hole(self, tick: int) -> None:
        last = self._last_position
        period = self.tick_hz / max(self.stream.position_hz, 1)
        if last is not None and not 0 < tick - last <= HOLE_PERIODS * period:
            self.stream.counts.losses += 1
            self._lost("time-lost", "Reports are missing from the line; the passes that they touch are void.")
            if self._motion is not None:
                self._motion.cut()

    def _check_troubles(self, told: int) -> None:
        # What a lost Trouble said is unknown: suppose the worst.
        if told != self._troubles:
            self._troubles = told
            self._count_doubtful("A report of trouble was lost on the line.")

    def _count_doubtful(self, what: str) -> None:
        if not self.has_index:
            raise ProcedureError("count-lost", f"{what} Without an index the whole run is void. Start again.")
        self._void_zero("count-doubtful", f"{what} The zero and all passes are void; mark neutral again.")

    def _line_dead(self) -> None:
        text = (
            "Only one of the encoder's two lines changes while the rotor turns: the other one is dead, and nothing is counted. Check the "
            "encoder's plug, its supply and both lines up to the board"
        )
        if not self.has_index or self.step is Step.SENSE or self.voids >= MOST_VOIDS:
            raise ProcedureError("encoder-line-dead", f"{text}, then start again.")
        self._void_zero("encoder-line-dead", f"{text}. The zero and all passes are void; mark neutral again.")

    def _void_zero(self, code: str, text: str, counted: bool = True) -> None:
        """`counted`: too many of them end the run."""
        self.note(code, text)
        self.voids += counted
        if self.voids > MOST_VOIDS:
            raise ProcedureError(
                "count-lost",
                f"The count was lost {self.voids} times. Check encoder, wiring and board, then start again.",
            )
        self.epoch = self._new_epoch()
        self.phases = PhaseTable()
        for tracker in self._trackers:
            tracker.lose_track()
        if self.procedure is not None:
            self.procedure.zero_void()

    def _link_lost(self, text: str) -> None:
        """The port is gone, and is being looked for: nobody counts until it is back."""
        self.link_lost = True
        self._before_loss = self.stream.hello or self._before_loss
        self.stream.cut()
        if self.holding is not None:
            self.holding.cut()
        self._void_zero(
            "link-lost",
            f"{text} The zero and the passes of this step are void; mark neutral again once the board is back.",
            # Whoever leads the job sees each loss, and decides when it is enough.
            counted=False,
        )

    def _same_board(self, now: Hello, before: Hello | None) -> None:
        if before is not None and _identity(now) != _identity(before):
            raise ProcedureError(
                "other-board",
                "In the middle of the session another board answers, or the same one set differently. Start again with the board that "
                "belongs here.",
            )

    def _reset(self, reset: BoardReset) -> None:
        self._same_board(reset.hello, reset.before)
        if not reset.begun:
            # Nothing was counted in this session.
            self.restart_wanted = True
            return
        if not self.has_index:
            raise ProcedureError(
                "count-lost", "The board started anew, and without an index the whole run is void. Start again."
            )
        self._void_zero(
            "board-reset",
            "The board started anew in the middle of the session. The zero and all passes are void; mark neutral again.",
        )
        self.restart_wanted = True

    # --- findings ----------------------------------------------------------------------------------------------------

    def _change(self, trace: BreakerTrace, change: Change) -> None:
        motion, _, steps = self._parts()
        if not self.sense:
            return
        if self._chattered(change):
            # Something between the first and the last edge was the points' own change; nothing tells which.
            self._chatter(trace, change.edge.count, change.edge.count + change.bounce_counts)
            return
        if not change.opened:
            if change.forward:
                trace.closing = change
                if trace.open_pass is not None:
                    trace.open_pass.closing_after, trace.open_pass = change, None
            return
        approach = motion.approach_deg(change.edge.tick, change.edge.count, self.sense)
        closing, trace.closing = trace.closing, None
        if not change.forward or approach < APPROACH_DEG:
            return
        is_pass = steps.opening()
        if self.holding is not None and steps.step in FOLLOWED:
            ordinal = self._ordinal(trace, change)
            trace.recent.append(Followed(ordinal, change, steps.step, self.holding.number))
        if not is_pass and steps.step in (Step.MARKS, Step.NEUTRAL):
            trace.before.append(change)
        if is_pass:
            if closing is not None and trace.passes and self._ordinal(trace, change) == trace.ordinals[-1]:
                self._opened_twice(trace, change)
                return
            if closing is not None and self.deg(change.edge.count - closing.edge.count) < LEAST_DWELL_DEG:
                self._chatter(trace, closing.edge.count, change.edge.count)
                return
            if trace.passes and abs(self._off_place_deg(trace, change)) > OUT_OF_PLACE_DEG:
                self._out_of_place(trace)
            trace.open_pass = Pass(change, closing)
            trace.passes.append(trace.open_pass)
            trace.ordinals.append(self._ordinal(trace, change))
            self._compare_with_first(trace)
            lobe = trace.ordinals[-1] % self.job.unit.lobes
            trace.lobe_passes[lobe] += 1
            if trace.lobe_passes[lobe] <= self.settings.passes:
                steps.progressed(change.edge.tick)
            self._check_complete()

    def _opened_twice(self, trace: BreakerTrace, change: Change) -> None:
        first = trace.passes[-1].opening.edge.count
        if abs(self.deg(change.edge.count - first)) > TWICE_DEG:
            # So far apart either may be the points' own, or neither.
            trace.passes.pop()
            trace.lobe_passes[trace.ordinals.pop() % self.job.unit.lobes] -= 1
            self._chatter(trace, first, change.edge.count)
            return
        self.note(
            "opened-twice",
            f"{trace.breaker.name} opened, closed and opened again at one lobe; the first opening counts.",
        )
        trace.open_pass = trace.passes[-1]
        trace.open_pass.closing_after = None

    def _chatter(self, trace: BreakerTrace, first: int, last: int) -> None:
        # The points' own change may be the last edge itself.
        trace.holes.append((first, last + self.sense))
        trace.closing = trace.open_pass = None
        self.note(
            "chatter",
            f"{trace.breaker.name} chattered where it should open or close once; the passes that it touches are void. Look at clip, "
            "lead and points.",
        )

    def _off_place_deg(self, trace: BreakerTrace, change: Change) -> float:
        """How far an opening lies behind the place where its lobe should be, by the breaker's first pass."""
        base, ordinal, lobes = trace.ordinals[0], self._ordinal(trace, change), self.job.unit.lobes
        due = (ordinal - base) * 360.0 / self.job.unit.poles
        due += trace.breaker.offset_deg(ordinal % lobes) - trace.breaker.offset_deg(base % lobes)
        return self.deg(change.edge.count - trace.passes[0].opening.edge.count) - due

    def _out_of_place(self, trace: BreakerTrace) -> None:
        """Either this opening or the first one was none of the cam's; what comes next will tell."""
        self.note(
            "out-of-place",
            f"{trace.breaker.name} opened more than {OUT_OF_PLACE_DEG:.0f}° from where its lobes opened before: clip, points or coupling "
            "were disturbed. Its passes are void and are taken anew.",
        )
        trace.out_of_place += 1
        if trace.out_of_place > MOST_VOIDS:
            raise ProcedureError(
                "out-of-place",
                f"{trace.breaker.name} opens now here, now there, and by no cam. Check points, clip, encoder and its coupling, then "
                "start again.",
            )
        trace.passes, trace.ordinals = [], []
        trace.lobe_passes = [0] * self.job.unit.lobes

    def _compare_with_first(self, trace: BreakerTrace) -> None:
        """Tell when the latest pass lies farther from the first one of its lobe than points ever scatter."""
        lobes = self.job.unit.lobes
        latest = trace.ordinals[-1]
        first = next(n for n, ordinal in enumerate(trace.ordinals) if (ordinal - latest) % lobes == 0)
        apart = self.deg(trace.passes[-1].opening.edge.count - trace.passes[first].opening.edge.count)
        if abs(apart - (latest - trace.ordinals[first]) * 360.0 / self.job.unit.poles) > PASSES_APART_DEG:
            self.note(
                "passes-apart",
                f"Passes of {trace.breaker.name} lobe {latest % lobes} lie more than {PASSES_APART_DEG:g}° apart, which points in order do "
                "not: see that encoder, coupling, clip and points are tight. If something slipped, every angle since then is wrong: "
                "mark neutral and measure again.",
            )

    def _chattered(self, change: Change) -> bool:
        """True if what lies between a change's first and last edge is too long for bounce."""
        too_long = change.bounce_ticks > LONGEST_BOUNCE_S * self.tick_hz
        return too_long and abs(self.deg(change.bounce_counts)) > WIDEST_BOUNCE_DEG

    @property
    def has_index(self) -> bool:
        """True if the bench's encoder has an index and the board reports it."""
        hello = self.stream.hello
        return self.settings.bench.index and hello is not None and bool(hello.capabilities & Capability.INDEX)

    @property
    def count_verified(self) -> bool:
        """True if an index has confirmed the count since the last pass, or none can."""
        if not self.has_index or self.epoch.index_missing:
            return True
        latest = max((t.passes[-1].opening.edge.tick for t in self.epoch.traces if t.passes), default=0)
        return self.epoch.verified_tick is not None and self.epoch.verified_tick >= latest

    def missing(self) -> str:
        """What the job still needs, in words."""
        if self.procedure is None:
            return "a board"
        if self.procedure.step is Step.DONE:
            return "nothing"
        passes = self.lobe_counts()
        if self.procedure.passes_complete(passes):
            return "the encoder's index, which confirms the count: turn on by up to a turn"
        return self.procedure.missing(passes)

    def _check_complete(self) -> None:
        """Done when all passes are in and the index has confirmed the count behind them."""
        steps = self.procedure
        if steps is None or not steps.passes_complete(self.lobe_counts()) or not self.count_verified:
            return
        if steps.step is Step.AS_FOUND:
            self.as_found, steps.step = self.measured().kept(), Step.ADJUST
        elif steps.step is Step.VERIFY:
            self.as_left, steps.step = self.measured().kept(), Step.CHECKS
        else:
            steps.step = Step.DONE

    def _led_to(self, step: str) -> None:
        """The person at the screen leads the guided job to another step; what that makes void is void."""
        steps = self.procedure
        if steps is None or not steps.guided:
            return
        if step == Step.DONE and steps.step is Step.CHECKS:
            steps.step = Step.DONE
        elif step == Step.ADJUST and steps.step in (Step.VERIFY, Step.CHECKS):
            # Whatever is changed after the passes makes them those of another setting.
            self.as_left, steps.step = None, Step.ADJUST
            self._forget_passes()
        elif step == Step.NEUTRAL and steps.step in (Step.NEUTRAL, Step.AS_FOUND, Step.ADJUST, Step.VERIFY):
            self.epoch = self._new_epoch()
            for tracker in self._trackers:
                tracker.lose_track()
            steps.zero_void()

    def _forget_passes(self) -> None:
        """What follows is another set of passes against the same zero."""
        for trace in self.epoch.traces:
            trace.passes, trace.ordinals, trace.holes, trace.before = [], [], [], []
            trace.lobe_passes = [0] * self.job.unit.lobes
            trace.open_pass = None

    def _ordinal(self, trace: BreakerTrace, change: Change) -> int:
        """Which opening it is, counted in lobe spacings from the first one after the zero."""
        zero = self.zero_counts()
        spacing = self.counts_per_turn / self.job.unit.poles
        first = trace.passes[0].opening if trace.passes else change
        at = change.edge.count * self.sense
        base = first.edge.count * self.sense
        if self.procedure is not None and self.procedure.lobe_mark is not None:
            lead = self._lobe_lead(trace.breaker, base - self.procedure.lobe_mark.count * self.sense)
        else:
            lead = 0 if zero is None else int((base - zero) // spacing)
        return lead + round((at - base) / spacing)

    def _lobe_lead(self, breaker: Breaker, counts: float) -> int:
        """Openings between the press at the No. 1 lobe's mark and the one `counts` after it."""
        unit = self.job.unit
        after, spacing = counts * 360.0 / self.counts_per_turn, unit.lobe_spacing_deg
        nearest = math.floor(after / spacing)

        def lead_of_first(n: int) -> float:
            return after - n * spacing - (breaker.offset_deg(n % unit.lobes) - breaker.offset_deg(0))

        clear = [
            n
            for n in (nearest - 1, nearest, nearest + 1)
            if LOBE_MARK_CLEAR_DEG <= lead_of_first(n) <= spacing - LOBE_MARK_CLEAR_DEG
        ]
        if len(clear) != 1:
            raise procedure.lobe_mark_error(breaker, lead_of_first(nearest) % spacing, LOBE_MARK_CLEAR_DEG)
        return clear[0]

    def zero_counts(self) -> float | None:
        """Rough place, in running counts, that angles are shown from: neutral's first press, a mark, or the first opening.

        Lobe 0 of a plain cam is the first opening after it.
        """
        steps = self.procedure
        presses = [] if steps is None else steps.zero_presses
        if presses:
            first = presses[0].count * self.sense
            half = self.counts_per_turn / self.job.unit.poles / 2
            near = [(p.count * self.sense - first + half) % (2 * half) - half for p in presses]
            return first + sum(near) / len(near)
        if steps is not None and (mark := steps.mark or steps.lobe_mark) is not None:
            return mark.count * self.sense
        opened = [t.passes[0].opening.edge.count * self.sense for t in self.epoch.traces if t.passes]
        return min(opened) - 0.5 if opened else None

    def lobe_zero_counts(self) -> float | None:
        """Rough place, in running counts, that lobe 0 is the first opening after: a compensated cam's mark, else as `zero_counts`."""
        mark = None if self.procedure is None else self.procedure.lobe_mark
        return self.zero_counts() if mark is None else mark.count * self.sense

    def _check_stuck(self) -> None:
        limit = 2 * self.counts_per_turn / self.job.unit.poles
        for place, tracker in enumerate(self._trackers):
            if tracker.unchanged_counts > limit:
                seen = [ProbeSeen.of(b.name, t) for b, t in zip(self.job.breakers, self._trackers, strict=True)]
                geometry = Geometry(self.counts_per_turn, self.tick_hz, self.job.unit.lobe_spacing_deg)
                others = seen[:place] + seen[place + 1 :]
                pattern = probe_patterns.stuck(seen[place], others, self.settings.bench.probe, geometry)
                raise procedure.stuck_error(self.job.breakers[place], seen[place].is_open, pattern)

    def level_readings(self, breaker: Breaker) -> tuple[LevelReading, ...]:
        """Analogue readings of a breaker's probe while it was settled, of this session."""
        return tuple(r for t in self._trackers if t.channel == breaker.channel for r in t.readings)

    def flickers(self, breaker: Breaker) -> tuple[Flicker, ...]:
        """What a breaker's probe did without a settled change, of this session."""
        return tuple(f for t in self._trackers if t.channel == breaker.channel for f in t.flickers)

    def _level(self, message: Level) -> None:
        tick = self._ticks.unwrap(message.tick)
        for tracker in self._trackers:
            if tracker.channel < len(message.millivolts):
                tracker.level(tick, message.millivolts[tracker.channel])

    def _check_index(self) -> None:
        low, high = self.epoch.without_index or (0, 0)
        if self.has_index and high - low > 1.25 * self.counts_per_turn:
            self.epoch.without_index = None
            self.epoch.index_missing = True
            self.note(
                "index-missing", "No index signal came over more than a turn, so that the count could not be checked."
            )

    # --- small -------------------------------------------------------------------------------------------------------

    def _new_epoch(self) -> Epoch:
        return Epoch([BreakerTrace(b, [0] * self.job.unit.lobes) for b in self.job.breakers])

    def _parts(self) -> tuple[Motion, Horizon, Procedure]:
        if self._motion is None or self._horizon is None or self.procedure is None:
            raise ProcedureError("no-session", "The recording holds reports of a session that never began.")
        return self._motion, self._horizon, self.procedure

    def _lacking(self) -> str:
        return "." if self.procedure is None else f". Missing: {self.missing()}."


def _can_be_written(entry: dict[str, Any]) -> bool:
    """Half a character, which JSON can name, could never be stored or printed."""
    try:
        json.dumps(entry, ensure_ascii=False).encode("utf-8")
    except ValueError:
        return False
    return True


def _first_passes(settings: Settings) -> Step:
    """What the passes behind the first neutral are."""
    if not settings.guided:
        return Step.PASSES
    return Step.VERIFY if settings.recheck else Step.AS_FOUND


def _identity(hello: Hello) -> tuple[object, ...]:
    """What must stay the same for one and the same board."""
    return (
        hello.fingerprint,
        hello.board_id,
        hello.tick_hz,
        hello.counts_per_turn,
        hello.contact_channels,
        hello.capabilities,
    )
