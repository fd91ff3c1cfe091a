"""The whole simulated bench: one unit, one hand, one board, and the bytes that its line carries.

The clock and the hand start with the first Start that the board obeys; until then nothing moves and answers come at once. Everything
is computed in chunks of `CHUNK_S` whatever the caller's steps are, so that the same seed and scenario give the same bytes. A
host command takes effect at the next chunk's beginning.
"""

from __future__ import annotations

import math

import numpy as np

from firmware_protocol.messages import ResetCause
from firmware_protocol.schema import FINGERPRINT
from sim.board import OTHER_FINGERPRINT, Board, Inputs, SignalEdge
from sim.contact import FixedPoints, Points, cam_of, points_of
from sim.encoder import Encoder, disc_of
from sim.figures import Draws
from sim.hand import STEP_S, Feel, Hand, ProgrammedHand
from sim.impulse import coupling_of
from sim.line import ALL
from sim.mover import Mover
from sim.probe import Probe
from sim.rotor import Rotor, body_of
from sim.scenario import Scenario
from sim.unit import neutrals_of

CHUNK_STEPS = 20
CHUNK_S = CHUNK_STEPS * STEP_S
_NS = 1_000_000_000
_CHUNK_NS = round(CHUNK_S * _NS)
#: The mark is approached from no nearer than this after the start, degrees, so that the sense shows first.
_FIRST_TRAVEL_DEG = 25.0
_RUBBISH_LINES_S = 20


class World:
    """A simulated bench. `boots` is how often the board had started before; `hand` replaces the scenario's."""

    def __init__(self, scenario: Scenario, seed: int, *, boots: int = 0, hand: Hand | None = None) -> None:
        self.scenario = scenario
        self.seed = seed
        draws = Draws(seed)
        self._draws = draws
        self.neutrals = neutrals_of(scenario, draws)
        body = body_of(scenario, draws)
        self.cams = [cam_of(table, self.neutrals, draws) for table in scenario.breaker]
        start = self._start_index()
        # The magnet rests somewhere within its friction band.
        self.rotor = Rotor(self.neutrals, body, self.neutrals.at(start))
        below, above = self.rotor.balance(start, 1), self.rotor.balance(start, -1)
        self.rotor.angle_deg = below + (above - below) * float(draws.stream("start").uniform(0.1, 0.9))
        self.hand = hand if hand is not None else self._programmed_hand()
        self._mover = Mover(self.rotor, self.hand, coupling_of(scenario, draws))
        self._encoder = Encoder(disc_of(scenario, draws), self.rotor.angle_deg)
        self._points: list[tuple[int, Points | FixedPoints]] = []
        self._probes: list[Probe] = []
        self._connect()
        self.board = self._new_board(boots)
        self._started = False
        self._now_ns = 0
        self._chunks = 0
        self._boot_bytes = self._first_bytes()
        self._faults_done: set[str] = set()
        self._truth_presses: list[dict[str, object]] = []

    # --- making ------------------------------------------------------------------------------------------------------

    def _start_index(self) -> int:
        mark = self._mark()
        index = -1 - self.scenario.hand.turns_first * self.scenario.unit.poles
        if mark is None:
            return index
        while self.neutrals.at(index) + _FIRST_TRAVEL_DEG > mark:
            index -= 1
        return index

    def _mark(self) -> float | None:
        """The angle mark as the hand first comes to it: before neutral 0."""
        mark = self.scenario.hand.mark_deg
        if mark is None:
            return None
        return mark - 360.0 * math.ceil((mark + 2.0 * self.scenario.hand.below_deg) / 360.0)

    def _programmed_hand(self) -> Hand:
        feel = Feel(
            from_below_deg=self.rotor.balance(0, 1),
            from_above_deg=self.rotor.balance(0, -1),
            centre_deg=self.rotor.balance(0, 0),
            openings_deg=tuple(angle for cam in self.cams for angle, _ in cam.openings()),
            mark_deg=self._mark(),
        )
        return ProgrammedHand(self.scenario.hand, feel, self.rotor.angle_deg, self._draws.stream("hand"))

    def _connect(self) -> None:
        scenario, draws = self.scenario, self._draws
        ohm = draws.take("probe.ohm", scenario.probe.ohm)
        by_channel = {t.channel: (t, cam) for t, cam in zip(scenario.breaker, self.cams, strict=True)}
        for channel in range(scenario.board.channels):
            threshold = draws.take(f"probe.threshold.{channel}", scenario.probe.threshold)
            points: Points | FixedPoints = FixedPoints(True)
            capacitor = 0.0
            coil_on = False
            if channel in by_channel:
                table, cam = by_channel[channel]
                capacitor = draws.take(f"breaker.{table.name}.capacitor_uf", table.capacitor_uf)
                points = points_of(scenario, table, cam, self.rotor.angle_deg, draws)
                coil_on = scenario.fault.coil_lead_on
            self._points.append((channel, points))
            self._probes.append(Probe(ohm, capacitor, threshold, scenario.probe.supply_mv, points.is_open, coil_on))

    def _new_board(self, boots: int) -> Board:
        scenario = self.scenario
        rng = self._draws.stream("board")
        drawn_tick = int(rng.integers(2**32))
        board_id = b"SIM" + rng.bytes(5)
        table = scenario.board
        counter = table.boot_counter if scenario.fault.boot_counter_reset else table.boot_counter + boots
        return Board(
            table,
            counts_per_turn=4 * scenario.encoder.lines,
            has_index=scenario.encoder.index,
            disc_count=self._encoder.count,
            levels=[probe.signal_open for probe in self._probes],
            board_id=board_id,
            start_tick=drawn_tick if table.start_tick is None else table.start_tick,
            boot_counter=counter,
            rng=rng,
            fingerprint=OTHER_FINGERPRINT if scenario.fault.other_fingerprint else FINGERPRINT,
            # A further start is a new connection's reset.
            cause=ResetCause.EXTERNAL if boots else ResetCause.POWER_ON,
        )

    def _first_bytes(self) -> bytes:
        return b"" if self.scenario.fault.rubbish else self.board.boot()

    # --- the port ----------------------------------------------------------------------------------------------------

    def boot(self) -> bytes:
        """What the board sent as it started; given once, here or by the first `advance`."""
        data, self._boot_bytes = self._boot_bytes, b""
        return data

    def receive(self, data: bytes) -> None:
        """Bytes from the host."""
        if self.scenario.fault.rubbish:
            return
        if not self._started:
            # Before the clock runs, what is answered has left at once.
            self._boot_bytes += self.board.line.take(ALL)
        self.board.receive(data)
        if self.board.in_session and not self._started:
            self._started = True

    @property
    def started(self) -> bool:
        """True once the clock runs."""
        return self._started or self.scenario.fault.rubbish

    @property
    def speaking(self) -> bool:
        """True while letting time pass can bring bytes."""
        if self.scenario.fault.rubbish:
            return True
        silent = self.scenario.fault.silent_at_s
        if not self._started or self.closed or (silent is not None and self.now_s > silent):
            return False
        return self.board.in_session or self.board.line.waiting(self._now_ns * self.scenario.board.tick_hz // _NS) > 0

    @property
    def now_s(self) -> float:
        """Device time since the clock started."""
        return self._now_ns / _NS

    @property
    def hand_done(self) -> bool:
        """True when the hand has finished its program and will rest for ever."""
        return self.hand.done

    @property
    def closed(self) -> bool:
        """True when the port has gone away (a fault)."""
        at = self.scenario.fault.close_at_s
        return at is not None and self.started and self.now_s >= at

    def advance(self, seconds: float) -> bytes:
        """Let time pass; the bytes that have left the line by then and were not given before."""
        if self.scenario.fault.rubbish:
            return self._rubbish(seconds)
        if not self._started:
            return self.boot() + self.board.line.take(ALL)
        self._now_ns += round(seconds * _NS)
        while self._chunks * _CHUNK_NS < self._now_ns:
            self._chunk()
        limits = [f for f in (self.scenario.fault.silent_at_s, self.scenario.fault.close_at_s) if f is not None]
        now_s = min([self.now_s, *limits])
        return self.boot() + self.board.line.take(now_s * self.scenario.board.tick_hz)

    def _rubbish(self, seconds: float) -> bytes:
        first = self._now_ns * _RUBBISH_LINES_S // _NS
        self._now_ns += round(seconds * _NS)
        last = self._now_ns * _RUBBISH_LINES_S // _NS
        return b"".join(b"T=%d.%02d C  OK  line %d\r\n" % (20 + n % 5, n * 7 % 100, n) for n in range(first, last))

    # --- time passes -------------------------------------------------------------------------------------------------

    def _chunk(self) -> None:
        self._apply_faults(self._chunks * CHUNK_S)
        self._chunks += 1
        track = self._mover.run(CHUNK_STEPS)
        end_s = self._chunks * CHUNK_S
        crossings = self._encoder.run(track)
        edges: list[SignalEdge] = []
        for (channel, points), probe in zip(self._points, self._probes, strict=True):
            edges += [SignalEdge(e.time_s, channel, e.is_open) for e in probe.run(points.run(track), end_s)]
        edges.sort(key=lambda e: e.time_s)
        for at, down in track.pedal:
            if down:
                self._remember_press(at, float(np.interp(at, track.time_s, track.angle_deg)))
        self.board.run(Inputs(end_s, crossings, edges, track.pedal, self._millivolts))

    def _millivolts(self, channel: int, time_s: float) -> int:
        return self._probes[channel].millivolts(time_s)

    def _apply_faults(self, now_s: float) -> None:
        fault = self.scenario.fault
        if fault.reset_at_s is not None and now_s >= fault.reset_at_s and self._first("reset"):
            self.board.reset(self.scenario.board.boot_counter if fault.boot_counter_reset else None)
        if fault.lost_counts is not None and now_s >= fault.lost_counts.at_s and self._first("lost_counts"):
            self.board.encoder.lose(fault.lost_counts.counts)

    def _first(self, name: str) -> bool:
        if name in self._faults_done:
            return False
        self._faults_done.add(name)
        return True

    # --- truth -------------------------------------------------------------------------------------------------------

    def _remember_press(self, at_s: float, angle_deg: float) -> None:
        self._truth_presses.append(
            {
                "tick": self.board.tick_at(at_s),
                "from_neutral_deg": self.neutrals.folded(angle_deg),
                "side": self._mover.direction,
            }
        )

    def truth(self) -> dict[str, object]:
        """What no instrument knows: openings, neutrals, presses and rests as they are, and every figure drawn.

        Angles are degrees in the running direction. Lobe k is the k-th opening after neutral 0; presses and rests are given
        from the nearest flux neutral.
        """
        openings = [
            {"breaker": cam.name, "lobe": lobe, "from_neutral_deg": own}
            for cam in self.cams
            for lobe, (_, own) in enumerate(cam.openings())
        ]
        rests = [
            {
                "tick": self.board.tick_at(rest.time_s),
                "from_neutral_deg": self.neutrals.folded(rest.angle_deg),
                "side": 1 if rest.angle_deg > rest.released_deg else -1,
            }
            for rest in self._mover.rests
        ]
        return {
            "openings": openings,
            "neutrals": [{"index": k, "deg": a} for k, a in enumerate(self.neutrals.within_turn_deg)],
            "mark_deg": self.scenario.hand.mark_deg,
            "presses": list(self._truth_presses),
            "rests": rests,
            "draws": dict(self._draws.resolved),
        }
