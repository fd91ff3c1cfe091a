"""What a board showed in a conformance run, collected from the journal's records: facts without judgement.

Sans-IO. Ticks are unwrapped (see `ticks`). A *segment* is a stretch of one session in which no frame is missing; a *boot* is a stretch
between two resets of the board.

Entries of the journal that belong to a conformance run (`kind`): `step` (name, state, attended: see `conformance_steps`), `clock`
(host_s: the host's clock, stamped just before the entry was written), `round-trip` (seconds from asking for a press to reading its
answer, null if none came).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from bench.journal import Kind, Record
from bench.stream import BoardReset, FramesLost, SessionStream, StreamItem, TooManyBadFrames
from bench.ticks import TickUnwrapper
from firmware_protocol.framing import Frame, FrameReader
from firmware_protocol.messages import (
    Contact,
    Edges,
    EdgesFlag,
    Hello,
    Index,
    Level,
    Position,
    Press,
    PressSource,
    Stop,
    Trouble,
)

M = TypeVar("M", Position, Contact, Index, Press, Level, Trouble)
_DOWN = 0x8000


@dataclass(frozen=True, slots=True)
class Seen(Generic[M]):
    """One message with its unwrapped tick, and where in the stream it came."""

    tick: int
    segment: int
    boot: int
    message: M


@dataclass(frozen=True, slots=True)
class StepEntry:
    """A step of the guided run began or ended. `tick`: of the latest Position then; `contacts`: how many Contacts had come."""

    name: str
    state: str
    attended: bool
    tick: int
    contacts: int


@dataclass(frozen=True, slots=True)
class ClockPoint:
    """The host's clock, and the tick of the latest Position that had come by then."""

    host_s: float
    tick: int
    boot: int


@dataclass(frozen=True, slots=True)
class LinkFailure:
    """What ended the run before its time."""

    code: str
    text: str


class Evidence:
    """Feed it the records in the journal's order."""

    def __init__(self) -> None:
        self.stream = SessionStream()
        self.bytes_received = 0
        self.positions: list[Seen[Position]] = []
        self.contacts: list[Seen[Contact]] = []
        self.indexes: list[Seen[Index]] = []
        self.presses: list[Seen[Press]] = []
        self.levels: list[Seen[Level]] = []
        self.troubles: list[Seen[Trouble]] = []
        #: Position's tally of Trouble messages and how many came, where they first differ though no frame is missing.
        self.trouble_tally_off: tuple[int, int] | None = None
        self.edges_frames = 0
        self.edges_told = 0
        #: Places where an Edges message does not begin at the count at which the one before ended.
        self.edges_broken = 0
        self.frames_lost = 0
        self.resets: list[BoardReset] = []
        self.steps: list[StepEntry] = []
        self.clock: list[ClockPoint] = []
        self.round_trips_s: list[float | None] = []
        self.failure: LinkFailure | None = None
        self.stop_sent = False
        self.stop_answered = False
        #: A reset ended the session: the caller is to send Start again.
        self.restart_wanted = False
        #: Counts that the rotor was turned up and down at most in one go, see `_travel`.
        self.rise_counts = 0
        self.fall_counts = 0
        self._sent = FrameReader()
        self._ticks = TickUnwrapper()
        self._segment = 0
        self._boot = 0
        self._session_troubles = 0
        self._session_whole = True
        self._edges_end: int | None = None
        self._lowest: int | None = None
        self._highest: int | None = None

    @property
    def hello(self) -> Hello | None:
        """The board's latest greeting."""
        return self.stream.hello

    def feed(self, record: Record) -> None:
        """Take in one record."""
        if record.kind is Kind.TO_BOARD:
            self._to_board(record.payload)
        elif record.kind is Kind.FROM_BOARD:
            self.bytes_received += len(record.payload)
            for item in self.stream.received(record.payload):
                self._take(item)
        elif record.kind is Kind.ENTRY:
            self._entry(record.document())

    def fail(self, code: str, text: str) -> None:
        """Something ended the run before its time; the first that did is kept."""
        if self.failure is None:
            self.failure = LinkFailure(code, text)

    def answered(self, request: int) -> bool:
        """True if the request of a press with that number has been answered."""
        return any(p.message.source == PressSource.REQUEST and p.message.request == request for p in self.presses)

    def last(self, name: str) -> StepEntry | None:
        """The latest entry of the step of that name."""
        return next((s for s in reversed(self.steps) if s.name == name), None)

    def begun(self, name: str) -> StepEntry | None:
        """The entry with which the step of that name began."""
        return next((s for s in reversed(self.steps) if s.name == name and s.state == "begun"), None)

    @property
    def device_s(self) -> float:
        """Time of the board's clock covered by Positions."""
        if self.hello is None or not self.positions:
            return 0.0
        return (self.positions[-1].tick - self.positions[0].tick) / self.hello.tick_hz

    # -----------------------------------------------------------------------------------------------------------------

    def _to_board(self, data: bytes) -> None:
        if self.stream.sent(data):
            self._new_segment()
            self._session_troubles, self._session_whole = 0, True
        for frame in self._sent.feed(data):
            if isinstance(frame, Frame) and isinstance(frame.message, Stop):
                self.stop_sent = True

    def _entry(self, entry: dict[str, Any]) -> None:
        kind = entry.get("kind")
        if kind == "step":
            tick = self.positions[-1].tick if self.positions else 0
            self.steps.append(
                StepEntry(
                    str(entry.get("name")),
                    str(entry.get("state")),
                    bool(entry.get("attended")),
                    tick,
                    len(self.contacts),
                )
            )
        elif kind == "clock" and self.positions and not self.stop_sent:
            self.clock.append(ClockPoint(float(entry.get("host_s", 0.0)), self.positions[-1].tick, self._boot))
        elif kind == "round-trip":
            seconds = entry.get("seconds")
            self.round_trips_s.append(None if seconds is None else float(seconds))
        elif kind == "error":
            self.fail(str(entry.get("code")), str(entry.get("text")))

    def _new_segment(self) -> None:
        self._segment += 1
        self._edges_end = None

    def _take(self, item: StreamItem) -> None:
        if isinstance(item, FramesLost):
            self.frames_lost += item.frames
            self._session_whole = False
            self._new_segment()
        elif isinstance(item, BoardReset):
            self.resets.append(item)
            self.restart_wanted = True
            self._boot += 1
            self._ticks.restart()
            self._lowest = self._highest = None
            self._new_segment()
        elif not isinstance(item, TooManyBadFrames):
            # Of damaged frames the stream's own counts tell.
            self._message(item)

    def _message(self, frame: Frame) -> None:
        message = frame.message
        if isinstance(message, Hello):
            self.stop_answered = self.stop_answered or self.stop_sent
        elif isinstance(message, Position):
            seen = self._seen(message)
            self.positions.append(seen)
            self._travel(message.count)
            told = self._session_troubles & 0xFFFF
            if self._session_whole and message.troubles != told and self.trouble_tally_off is None:
                self.trouble_tally_off = (message.troubles, told)
        elif isinstance(message, Edges):
            self._edges(message)
        elif isinstance(message, Contact):
            self.contacts.append(self._seen(message))
        elif isinstance(message, Index):
            self.indexes.append(self._seen(message))
        elif isinstance(message, Press):
            self.presses.append(self._seen(message))
        elif isinstance(message, Level):
            self.levels.append(self._seen(message))
        elif isinstance(message, Trouble):
            self.troubles.append(self._seen(message))
            self._session_troubles += 1

    def _seen(self, message: M) -> Seen[M]:
        return Seen(self._ticks.unwrap(message.tick), self._segment, self._boot, message)

    def _edges(self, message: Edges) -> None:
        self.edges_frames += 1
        self.edges_told += len(message.steps)
        goes_on = not message.flags & EdgesFlag.AFTER_SUSPENSION
        if goes_on and self._edges_end is not None and message.count != self._edges_end:
            self.edges_broken += 1
        down = sum(1 for step in message.steps if step & _DOWN)
        self._edges_end = message.count + len(message.steps) - 2 * down

    def _travel(self, count: int) -> None:
        """The greatest rise from any earlier count of this boot, and the greatest fall: a turn there and a turn back."""
        self._lowest = count if self._lowest is None else min(self._lowest, count)
        self._highest = count if self._highest is None else max(self._highest, count)
        self.rise_counts = max(self.rise_counts, count - self._lowest)
        self.fall_counts = max(self.fall_counts, self._highest - count)
