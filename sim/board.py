"""The board: what PROTOCOL.md asks of one, fed with edges of the encoder, the probes and the pedal.

All times inside are ticks of its timer since the simulated clock began; what goes out carries the board's own tick, which starts
anywhere, wraps at 2^32, and starts anew with a reset.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from cobs import cobs

from firmware_protocol.framing import FROZEN_CRC_START, BadFrame, Framer, FrameReader, crc_start
from firmware_protocol.messages import (
    COUNT_DOUBTFUL,
    HOST_MESSAGES,
    NO_CHANNEL,
    Capability,
    Hello,
    Identify,
    Index,
    Level,
    Message,
    Ping,
    Pong,
    Position,
    PositionFlag,
    Press,
    PressRequest,
    PressSource,
    ResetCause,
    Start,
    Stop,
    Trouble,
    TroubleCode,
)
from firmware_protocol.schema import FINGERPRINT
from sim.contact_report import ContactReport
from sim.edges_report import EdgesReport, Outgoing
from sim.encoder import Crossings
from sim.latch import LATENCY_S, EncoderInterrupt, IndexSeen, Latched, Noted
from sim.line import Line
from sim.scenario import BoardTable

_MASK = 0xFFFFFFFF
_GATHER_S = 0.02
_HOST_TYPES = frozenset(m.TYPE for m in HOST_MESSAGES)
OTHER_FINGERPRINT = FINGERPRINT ^ 0x0BAD0BAD


@dataclass(frozen=True, slots=True)
class SignalEdge:
    """An edge of a probe's signal at the board's pin."""

    time_s: float
    channel: int
    opened: bool


@dataclass(frozen=True, slots=True)
class Inputs:
    """What came to the board's pins in one chunk, which ends before `end_s`; `millivolts(channel, time_s)` reads a probe."""

    end_s: float
    crossings: Crossings
    contacts: Sequence[SignalEdge]
    pedal: Sequence[tuple[float, bool]]
    millivolts: Callable[[int, float], int]


@dataclass(slots=True)
class _Session:
    number: int
    began: int
    position_hz: int
    level_hz: int
    edges: bool
    positions: int = 0
    levels: int = 0
    troubles: int = 0

    def next_position(self, tick_hz: int) -> int:
        return self.began + round((self.positions + 1) * tick_hz / self.position_hz)

    def next_level(self, tick_hz: int) -> int:
        return self.began + round((self.levels + 1) * tick_hz / self.level_hz)


class Board:
    """One board. `receive` takes host bytes, `run` what the pins saw; frames go to the line."""

    def __init__(
        self,
        table: BoardTable,
        counts_per_turn: int,
        has_index: bool,
        disc_count: int,
        levels: Sequence[bool],
        board_id: bytes,
        start_tick: int,
        boot_counter: int,
        rng: np.random.Generator,
        fingerprint: int = FINGERPRINT,
        cause: ResetCause = ResetCause.POWER_ON,
    ) -> None:
        self._table = table
        self._hz = table.tick_hz
        self._turn = counts_per_turn
        self._has_index = has_index
        self._board_id = board_id
        self._fingerprint = fingerprint
        self._writer = Framer(fingerprint)
        self._rng = rng
        self._base = start_tick
        self.boot_counter = boot_counter
        self._cause = cause
        self.line = Line(table.baud, table.tick_hz, table.queue_bytes)
        self.encoder = EncoderInterrupt(
            table.tick_hz, table.rated_edge_hz, table.service_us, counts_per_turn, disc_count, rng
        )
        self._levels = sum(1 << n for n, is_open in enumerate(levels) if is_open)
        self._edges = EdgesReport(table.tick_hz, table.baud)
        self._contacts = ContactReport(table.channels, table.tick_hz)
        self._now = 0
        self._held_edges = Latched()
        self._held_contacts: list[tuple[int, int, bool]] = []
        self._held_indexes: list[IndexSeen] = []
        self._last_contact = [0] * table.channels
        self._start_over()

    # --- start, reset, commands --------------------------------------------------------------------------------------

    def _start_over(self) -> None:
        self._reader = FrameReader(Framer(self._fingerprint))
        self._session: _Session | None = None
        self._number = 0
        self._sequence = 0
        self._contact_edges = [0] * self._table.channels
        self._pedal = False
        self._gathered: dict[tuple[TroubleCode, int], list[int]] = {}
        self._index_off: list[Noted] = []
        self._dropped = 0
        self._dropped_at = 0

    def boot(self) -> bytes:
        """What the board sends as it starts: boot loader's text, a zero byte, Hello."""
        return self._table.boot_text.encode("ascii") + b"\0" + self._frame(self._hello())

    def reset(self, kept_counter: int | None, cause: ResetCause = ResetCause.WATCHDOG) -> None:
        """The board starts again in the middle; `kept_counter` replaces a boot counter that it forgot."""
        self.line.cut(self._now)
        self.boot_counter = kept_counter if kept_counter is not None else self.boot_counter + 1
        self._cause = cause
        self._base = -self._now
        self._held_edges, self._held_indexes, self._held_contacts = Latched(), [], []
        self.encoder.reset()
        self._contacts.forget_edges()
        self._start_over()
        self.line.put(self._now, self.boot(), must=True)

    @property
    def in_session(self) -> bool:
        """True between Start and Stop."""
        return self._session is not None

    def tick_at(self, time_s: float) -> int:
        """The board's own tick at a time of the simulated clock, as it is sent."""
        return (int(time_s * self._hz) + self._base) & _MASK

    def receive(self, data: bytes) -> None:
        """Bytes from the host, handled now."""
        for item in self._reader.feed(data):
            if isinstance(item, BadFrame):
                self._unknown(item)
            else:
                self._obey(item.message)

    def _unknown(self, bad: BadFrame) -> None:
        """A frame whose CRC is right but whose type is none of the host's is told, whatever its payload."""
        if bad.reason not in ("type", "payload"):
            return
        content = cobs.decode(bad.wire)
        start = FROZEN_CRC_START if content[0] == Hello.TYPE else crc_start(self._fingerprint)
        if content[0] not in _HOST_TYPES and crc_hqx(content, start) == 0:
            self._reject(content[0])

    def _reject(self, kind: int) -> None:
        if self._session is not None:
            self._queue(Outgoing(self._now, self._trouble(Noted(self._now, TroubleCode.REJECTED_COMMAND, kind), 0)))

    def _obey(self, message: Message) -> None:
        now = self._now
        if isinstance(message, Identify):
            self._put(now, self._hello(), must=True)
        elif isinstance(message, Start):
            self._start(message)
        elif isinstance(message, Stop):
            self._stop()
        elif isinstance(message, Ping):
            self._put(now, Pong(self._tick(now), message.token), must=True)
        elif isinstance(message, PressRequest) and self._session is not None:
            self._put(now, self._press(now, PressSource.REQUEST, True, message.request), must=True)
        else:
            self._reject(message.TYPE)

    def _start(self, message: Start) -> None:
        self.line.drop(self._now)
        self._number, self._sequence = message.session, 0
        self._contact_edges = [0] * self._table.channels
        # What makes the count doubtful must be told, if late.
        self._gathered = {key: known for key, known in self._gathered.items() if key[0] in COUNT_DOUBTFUL}
        self._dropped = 0
        edges = bool(message.edges) and self._table.edges
        self._session = _Session(message.session, self._now, message.position_hz, message.level_hz, edges)
        self._edges.begin(self._base, self.count)
        self._contacts.begin(self._base)

    def _stop(self) -> None:
        if self._session is not None:
            out = self._edges.stop(self._now) + self._contacts.due(self._now, everything=True)
            for key in list(self._gathered):
                out.append(Outgoing(self._now, self._told(key)))
            for item in sorted(out, key=lambda o: o.tick):
                self._put(self._now, item.message, must=True)
            self._tell_dropped(self._now, must=True)
            self._session = None
        self._put(self._now, self._hello(), must=True)

    @property
    def count(self) -> int:
        """The count as the board has it now."""
        held = self._held_edges
        return int(held.count[0] - held.step[0]) if len(held) else self.encoder.count

    # --- a chunk -----------------------------------------------------------------------------------------------------

    def run(self, inputs: Inputs) -> None:
        """What the pins saw since the last call; frames that fall due are queued on the line."""
        end = round(inputs.end_s * self._hz)
        count = self.count
        edges, indexes, noted = self._latched_edges(inputs.crossings, end)
        contacts = self._latched_contacts(inputs.contacts, end)
        self._contacts.add_edges(edges, end)
        session = self._session
        if session is None:
            for _, channel, opened in contacts:
                self._set_level(channel, opened)
            for _, down in inputs.pedal:
                self._pedal = down
            for note in noted:
                self._note(note)
        else:
            out = self._edges.run(edges, end) if session.edges else []
            out += self._events(session, inputs, end, count, contacts, indexes, noted)
            out += self._contacts.due(end - 1)
            out += self._flush_gathered(end)
            for item in sorted(out, key=lambda o: o.tick):
                self._queue(item)
            self._tell_dropped(end - 1)
        self._now = end

    def _latched_edges(self, crossings: Crossings, end: int) -> tuple[Latched, list[IndexSeen], list[Noted]]:
        edges, indexes, noted = self.encoder.run(crossings)
        if not len(edges) and not len(self._held_edges):
            return edges, indexes, noted
        edges = self._held_edges.then(edges)
        here = int(edges.tick.searchsorted(end))
        self._held_edges = edges.part(here, len(edges))
        indexes = self._held_indexes + indexes
        self._held_indexes = [i for i in indexes if i.tick >= end]
        return edges.part(0, here), [i for i in indexes if i.tick < end], noted

    def _latched_contacts(self, contacts: Sequence[SignalEdge], end: int) -> list[tuple[int, int, bool]]:
        found = self._held_contacts
        for edge in contacts:
            latency = float(self._rng.uniform(*LATENCY_S))
            tick = max(int((edge.time_s + latency) * self._hz), self._last_contact[edge.channel])
            self._last_contact[edge.channel] = tick
            found.append((tick, edge.channel, edge.opened))
        found.sort(key=lambda e: e[0])
        self._held_contacts = [e for e in found if e[0] >= end]
        return [e for e in found if e[0] < end]

    def _events(
        self,
        session: _Session,
        inputs: Inputs,
        end: int,
        count: int,
        contacts: list[tuple[int, int, bool]],
        indexes: list[IndexSeen],
        noted: list[Noted],
    ) -> list[Outgoing]:
        """Everything but Edges, in order of time."""
        out: list[Outgoing] = []
        presses = [(int(t * self._hz), down) for t, down in inputs.pedal]
        pedal_before = self._pedal
        at = 0
        while (due := session.next_position(self._hz)) < end:
            while at < len(contacts) and contacts[at][0] <= due:
                out += self._contact(*contacts[at], count)
                at += 1
            self._pedal = next((down for tick, down in reversed(presses) if tick <= due), pedal_before)
            out.append(Outgoing(due, self._position(due, count)))
            session.positions += 1
        for contact in contacts[at:]:
            out += self._contact(*contact, count)
        while session.level_hz and (due := session.next_level(self._hz)) < end:
            volts = tuple(inputs.millivolts(channel, due / self._hz) for channel in range(self._table.channels))
            out.append(Outgoing(due, Level(self._tick(due), volts)))
            session.levels += 1
        for tick, down in presses:
            self._pedal = down
            out.append(Outgoing(tick, self._press(tick, PressSource.PEDAL, down, 0, count)))
        if self._has_index:
            out += [Outgoing(i.tick, Index(self._tick(i.tick), i.count, i.step)) for i in indexes]
        for note in noted:
            self._note(note)
        out += [Outgoing(max(n.tick, self._now), self._trouble(n, 0)) for n in self._index_off]
        self._index_off.clear()
        return out

    def _set_level(self, channel: int, opened: bool) -> None:
        self._levels = self._levels | 1 << channel if opened else self._levels & ~(1 << channel)

    def _contact(self, tick: int, channel: int, opened: bool, count: int) -> list[Outgoing]:
        self._set_level(channel, opened)
        self._contact_edges[channel] = (self._contact_edges[channel] + 1) & 0xFFFF
        out, note = self._contacts.edge(tick, channel, opened, count)
        if note is not None:
            self._gather(note)
        return out

    def _position(self, at: int, count: int) -> Position:
        suspended = self._edges.suspended
        for tick, state in reversed(self._edges.switches):
            if tick <= at:
                suspended = state
                break
            suspended = not state
        flags = (PositionFlag.EDGES_SUSPENDED if suspended else 0) | (PositionFlag.PEDAL_DOWN if self._pedal else 0)
        here = self._contacts.count_at(at, count)
        return Position(self._tick(at), here, self._levels, int(flags), 0, tuple(self._contact_edges))

    def _press(self, at: int, source: PressSource, down: bool, request: int, count: int | None = None) -> Press:
        here = self._contacts.count_at(at, self.count if count is None else count)
        return Press(self._tick(at), here, source, int(down), request)

    # --- troubles ----------------------------------------------------------------------------------------------------

    def _note(self, note: Noted) -> None:
        """Remember a trouble; told at once or gathered in a session, at the beginning of the next one without."""
        if note.code is not TroubleCode.INDEX_OFF:
            self._gather(note)
        elif self._has_index:
            self._index_off.append(note)

    def _gather(self, note: Noted) -> None:
        key = (note.code, note.channel)
        known = self._gathered.setdefault(key, [note.tick, note.tick, 0])
        known[1] = note.tick
        known[2] += note.amount

    def _flush_gathered(self, end: int) -> list[Outgoing]:
        out = []
        for key, (first, _, _) in list(self._gathered.items()):
            due = max(first + int(_GATHER_S * self._hz), self._now)
            if due < end:
                out.append(Outgoing(due, self._told(key)))
        return out

    def _told(self, key: tuple[TroubleCode, int]) -> Trouble:
        first, last, amount = self._gathered.pop(key)
        return self._trouble(Noted(first, key[0], amount, key[1]), last - first)

    def _trouble(self, note: Noted, span: int) -> Trouble:
        return Trouble(self._tick(note.tick), note.code, note.channel, note.amount, span)

    # --- to the line -------------------------------------------------------------------------------------------------

    def _tick(self, at: int) -> int:
        return (at + self._base) & _MASK

    def _hello(self) -> Hello:
        table = self._table
        can = Capability.PEDAL | Capability.LEVELS | Capability.BOOT_COUNTER_KEPT
        if table.edges:
            can |= Capability.EDGES
        if self._has_index:
            can |= Capability.INDEX
        return Hello(
            wire_version=1,
            fingerprint=self._fingerprint,
            board_id=self._board_id,
            boot_counter=self.boot_counter & _MASK,
            reset_cause=self._cause,
            tick_hz=self._hz,
            counts_per_turn=self._turn,
            rated_edge_hz=table.rated_edge_hz,
            contact_channels=table.channels,
            level_channels=table.channels,
            capabilities=int(can),
            simulated=1,
            firmware_major=1,
            firmware_minor=0,
            firmware_patch=0,
            build=0,
        )

    def _frame(self, message: Message) -> bytes:
        """The message as a frame; it takes the next number of the sequence."""
        data = self._writer.encode(message, self._number, self._sequence)
        self._sequence = (self._sequence + 1) & 0xFFFF
        return data

    def _queue(self, item: Outgoing) -> None:
        """Hand a message to the line; without room it is dropped and counted, and told as soon as there is room again."""
        self._tell_dropped(item.tick)
        message = item.message
        if self._dropped or not self._put(item.tick, message):
            if not self._dropped:
                self._dropped_at = item.tick
            self._dropped += 1
            if self._session is not None and isinstance(message, Trouble):
                self._session.troubles += 1

    def _tell_dropped(self, at: int, must: bool = False) -> None:
        """Tell of dropped messages once half the queue is free: told any sooner, the telling itself would fill it."""
        if self._dropped and (must or self.line.fits(at, self._table.queue_bytes // 2)):
            note = Noted(self._dropped_at, TroubleCode.QUEUE_OVERRUN, self._dropped, NO_CHANNEL)
            if self._put(at, self._trouble(note, at - self._dropped_at), must):
                self._dropped = 0

    def _put(self, at: int, message: Message, must: bool = False) -> bool:
        session = self._session
        if session is not None and session.troubles and isinstance(message, Position):
            told = session.troubles & 0xFFFF
            message = Position(message.tick, message.count, message.levels, message.flags, told, message.contact_edges)
        before = self._sequence
        due = isinstance(message, (Hello, Pong))
        if not self.line.put(at, self._frame(message), must, due):
            self._sequence = before
            return False
        if session is not None and isinstance(message, Trouble):
            session.troubles += 1
        return True
