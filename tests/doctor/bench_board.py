"""A bench on a small scale for the doctor's tests: a rotor, leads, a pedal, and a board that tells of them in bytes.

What a person does (turn, touch a lead to ground, press) acts on the bench; what is wrong is wrong on the bench or in the board.
Everything is worked out in steps of 10 ms of true time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from firmware_protocol.framing import Frame, Framer, FrameReader
from firmware_protocol.messages import (
    Contact,
    Edges,
    Hello,
    Identify,
    Index,
    Level,
    Message,
    Position,
    Press,
    PressRequest,
    Start,
    Stop,
    Trouble,
    TroubleCode,
)
from firmware_protocol.schema import FINGERPRINT

TICK_HZ = 2_000_000
STEP_S = 0.01
TURN = 10_000
INDEX_AT = 3_000
#: 90 degrees a second.
COUNTS_PER_STEP = 25
OPEN_MV, CLOSED_MV = 5_000, 20
HELLO = Hello(1, FINGERPRINT, b"builder1", 12, 1, TICK_HZ, TURN, 100_000, 2, 2, 0x1F, 0, 1, 2, 3, 99)


@dataclass(frozen=True)
class Faults:
    """What is wrong; by default nothing."""

    hello: Hello = HELLO
    index_spacing: int = TURN
    index_dead: bool = False
    #: The index comes so often, then no more.
    index_times: int = 1_000
    dead_leads: frozenset[int] = frozenset()
    #: To which channel each lead goes.
    leads: tuple[int, ...] = (0, 1)
    no_common_ground: bool = False
    #: The probes are on points that a cam opens as the rotor turns, two sets 3 counts apart; or on one and the same set.
    cam: bool = False
    bridged: bool = False
    #: How far channel 0's reading falls, in mV, while another probe is closed.
    ground_resistance_mv: int = 0
    closed_mv: int = CLOSED_MV
    illegal_every_counts: int = 0
    trouble: TroubleCode | None = None
    trouble_untold: bool = False
    position_every: int = 1
    #: Every so many Positions one is sampled half a period late.
    position_late_every: int = 0
    #: The board's clock over its stated rate.
    clock: float = 1.0
    pedal_dead: bool = False
    pedal_upside_down: bool = False
    pedal_never_up: bool = False
    silent_at_s: float | None = None
    deaf: bool = False
    rubbish: bool = False
    reset_at_s: float | None = None
    boot_counter_stuck: bool = False
    requests_unanswered: int = 0
    answer_after_s: float = 0.0
    encoder_b_dead: bool = False
    encoder_dead: bool = False
    edges_wrong_count: bool = False
    edges_missing: bool = False
    contacts_untold: frozenset[int] = frozenset()
    contacts_uncounted: frozenset[int] = frozenset()
    levels_missing: bool = False
    level_bits_inverted: bool = False
    stop_unanswered: bool = False
    #: Every so many frames one is damaged or left out.
    damage_every: int = 0
    lose_every: int = 0


class Bench:
    """`turning` is -1, 0 or 1; `touched` is the lead that lies on ground, or None; `pedal` is true while pressed."""

    def __init__(self, faults: Faults) -> None:
        self.faults = faults
        self.turning = 0
        self.touched: int | None = None
        self.pedal = False
        self.now_s = 0.0
        #: The board's own time, and the part of a step that it has not made yet.
        self._board_s = 0.0
        self._owed = 0.0
        self._hello = faults.hello
        self._framer = Framer(faults.hello.fingerprint)
        self._reader = FrameReader(self._framer)
        self._out = b""
        self._frames = 0
        self._place = 500
        self._requests = 0
        self._indexes = 0
        self._due: list[tuple[float, int]] = []
        self._restart()
        self._out = b"ready\r\n\0"
        self._say(self._hello)

    def _restart(self) -> None:
        self._session, self._sequence, self._running = 0, 0, False
        self._count = self._place % 4
        self._begin()

    def _begin(self) -> None:
        channels = self._hello.contact_channels
        self._tallies = [0] * channels
        self._closed = [False] * channels
        self._pedal_told = False
        self._steps = self._positions = self._troubles = 0
        self._last_edge_tick: int | None = None

    # --- the port ----------------------------------------------------------------------------------------------------

    def receive(self, data: bytes) -> None:
        """The host's bytes."""
        for frame in self._reader.feed(data):
            if isinstance(frame, Frame) and not self._gone:
                self._obey(frame.message)

    def advance(self) -> bytes:
        """10 ms pass; what came on the line meanwhile."""
        self.now_s += STEP_S
        if self.faults.rubbish:
            return b"T=21.5 C OK\r\n" * 4
        if self.faults.reset_at_s is not None and abs(self.now_s - self.faults.reset_at_s) < STEP_S / 2:
            counter = self._hello.boot_counter + (not self.faults.boot_counter_stuck)
            self._hello = replace(self._hello, boot_counter=counter, reset_cause=3)
            self._restart()
            self._out += b"\0"
            self._say(self._hello)
        self._owed += self.faults.clock
        while self._owed > 1 - 1e-9:
            self._owed -= 1
            self._board_s += STEP_S
            if self._running:
                self._step()
        said, self._out = self._out, b""
        return b"" if self._gone else said

    @property
    def _gone(self) -> bool:
        at = self.faults.silent_at_s
        return self.faults.deaf or self.faults.rubbish or (at is not None and self.now_s >= at)

    def _obey(self, message: Message) -> None:
        if isinstance(message, Identify):
            self._say(self._hello)
        elif isinstance(message, Start):
            self._session, self._sequence, self._running = message.session, 0, True
            self._begin()
        elif isinstance(message, Stop):
            self._running = False
            if not self.faults.stop_unanswered:
                self._say(self._hello)
        elif isinstance(message, PressRequest) and self._running:
            self._requests += 1
            if self._requests > self.faults.requests_unanswered:
                self._due.append((self.now_s + self.faults.answer_after_s, message.request))

    def _say(self, message: Message) -> None:
        if self.faults.rubbish or self.faults.deaf:
            return
        wire = self._framer.encode(message, self._session, self._sequence)
        self._sequence = (self._sequence + 1) & 0xFFFF
        self._frames += 1
        if self.faults.lose_every and self._frames % self.faults.lose_every == 0:
            return
        if self.faults.damage_every and self._frames % self.faults.damage_every == 0:
            wire = bytes((wire[0], wire[1] ^ 0x40 or 1)) + wire[2:]
        self._out += wire

    # --- one step of 10 ms -------------------------------------------------------------------------------------------

    def _tick(self, before_s: float = 0.0) -> int:
        return int(1_000_000 + (self._board_s - before_s) * self._hello.tick_hz)

    def _step(self) -> None:
        self._steps += 1
        if self.turning:
            self._turn()
        self._touch()
        self._press()
        if self._steps % self.faults.position_every == 0:
            self._position()
        if self._steps % 20 == 0 and self._hello.level_channels and not self.faults.levels_missing:
            self._say(Level(self._tick() & 0xFFFF_FFFF, self._millivolts()))
        if self._steps == 100 and self.faults.trouble is not None:
            self._trouble(self.faults.trouble)

    def _trouble(self, code: TroubleCode) -> None:
        self._troubles += 1
        if not self.faults.trouble_untold:
            self._say(Trouble(self._tick(), code, 255, 1, 0))

    def _turn(self) -> None:
        steps: list[int] = []
        first, start = self._tick(STEP_S), self._count
        tick_step = (self._tick() - first) // COUNTS_PER_STEP
        for k in range(COUNTS_PER_STEP):
            self._place += self.turning
            if self.faults.encoder_dead:
                continue
            step = (1 if self._place % 2 else -1) if self.faults.encoder_b_dead else self.turning
            self._count += step
            self._last_edge_tick = first + (k + 1) * tick_step
            if self.faults.cam:
                self._cam(self._last_edge_tick)
            steps.append(tick_step | (0x8000 if step < 0 else 0))
            # The signal is one count wide: the same count from both sides.
            if self._place % self.faults.index_spacing == INDEX_AT and self._indexed:
                self._indexes += 1
                self._say(Index(self._last_edge_tick, self._count, step))
            if self.faults.illegal_every_counts and self._place % self.faults.illegal_every_counts == 0:
                self._trouble(TroubleCode.ILLEGAL_TRANSITION)
        if steps and not self.faults.edges_missing:
            wrong = int(self.faults.edges_wrong_count and self._steps % 50 == 0)
            self._say(Edges(first, start + wrong, 0, tuple(steps)))

    @property
    def _indexed(self) -> bool:
        has = self._hello.capabilities & 1 and not self.faults.index_dead
        return bool(has) and self._indexes < self.faults.index_times

    def _cam(self, tick: int) -> None:
        for channel in range(self._hello.contact_channels):
            place = self._place - (0 if self.faults.bridged else 3 * channel)
            closed = place % (TURN // 4) < TURN // 10
            if closed != self._closed[channel]:
                self._closed[channel] = closed
                # One pin's interrupt waits for the other's, 8 µs; a capacitor delays an opening by each pin's own threshold, 200 µs.
                self._contact(channel, not closed, tick + (16 if closed else 400) * channel)

    def _touch(self) -> None:
        if self.faults.cam:
            return
        for channel in range(self._hello.contact_channels):
            closed = self._grounded(channel)
            if closed != self._closed[channel]:
                self._closed[channel] = closed
                # Two bounces, then it stays.
                for k, state in enumerate((closed, not closed, closed)):
                    self._contact(channel, not state, self._tick(0.008 - 0.001 * k - 0.0002 * channel))

    def _grounded(self, channel: int) -> bool:
        lead = self.touched
        if lead is None or lead in self.faults.dead_leads:
            return False
        return self.faults.no_common_ground or self.faults.leads[lead] == channel

    def _contact(self, channel: int, opened: bool, tick: int) -> None:
        self._tallies[channel] += channel not in self.faults.contacts_uncounted
        if channel in self.faults.contacts_untold:
            return
        ages: tuple[int, ...] = ()
        if self._last_edge_tick is not None:
            ages = tuple(tick - self._last_edge_tick + 800 * k for k in range(4))
        self._say(Contact(tick, self._count, channel, int(opened), 1, 0, 0, 0, ages, (1,) * len(ages), (), ()))

    def _press(self) -> None:
        if self.pedal != self._pedal_told and not self.faults.pedal_dead:
            self._pedal_told = self.pedal
            if self.pedal or not self.faults.pedal_never_up:
                self._say(Press(self._tick(0.005), self._count, 0, int(self.pedal), 0))
        for due in list(self._due):
            if self.now_s >= due[0]:
                self._due.remove(due)
                self._say(Press(self._tick(0.001), self._count, 1, 1, due[1]))

    def _position(self) -> None:
        self._positions += 1
        late = self.faults.position_late_every and self._positions % self.faults.position_late_every == 0
        levels = sum(1 << n for n, closed in enumerate(self._closed) if closed == self.faults.level_bits_inverted)
        flags = 2 if self._pedal_told != self.faults.pedal_upside_down else 0
        tick = self._tick(-0.0055 if late else 0.0)
        self._say(Position(tick, self._count, levels, flags, self._troubles, tuple(self._tallies)))

    def _millivolts(self) -> tuple[int, ...]:
        shift = self.faults.ground_resistance_mv
        return tuple(
            self.faults.closed_mv if closed else OPEN_MV - (shift if channel == 0 and any(self._closed[1:]) else 0)
            for channel, closed in enumerate(self._closed)
        )[: self._hello.level_channels]
