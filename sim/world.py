"""The whole simulated bench: one unit, one hand, one board, and the bytes that its line carries.

The clock and the hand start with the first Start that the board obeys; until then nothing moves and answers come at once. Everything
is computed in chunks of `CHUNK_S` whatever the caller's steps are, so that the same seed and scenario give the same bytes. A
host command takes effect at the next chunk's beginning.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from firmware_protocol.messages import ResetCause
from firmware_protocol.schema import FINGERPRINT
from sim.board import OTHER_FINGERPRINT, Board, Inputs, SignalEdge
from sim.cam import CompensatedCam, LiftablePoints, cams_of
from sim.contact import Cam, FixedPoints, JoinedPoints, Points, Transition
from sim.encoder import Encoder, disc_of
from sim.exercises import exercise_of
from sim.figures import Draws
from sim.hand import STEP_S, Balance, Feel, Hand, ProgrammedHand
from sim.impulse import coupling_of
from sim.line import ALL
from sim.mover import Mover
from sim.probe import Probe
from sim.rotor import Rotor, body_of
from sim.scenario import Scenario
from sim.unit import neutrals_of
from sim.wiring import sets_on, wires_of

CHUNK_STEPS = 20
CHUNK_S = CHUNK_STEPS * STEP_S
_NS = 1_000_000_000
_CHUNK_NS = round(CHUNK_S * _NS)
#: The mark is approached from no nearer than this after the start, degrees, so that the sense shows first.
_FIRST_TRAVEL_DEG = 25.0
#: From one mark to the next the hand turns on by at least this, degrees.
_BETWEEN_MARKS_DEG = 10.0
_RUBBISH_LINES_S = 20


class World:
    """A simulated bench. `boots` is how often the board had started before; `hand` replaces the scenario's."""

    def __init__(self, scenario: Scenario, seed: int, *, boots: int = 0, hand: Hand | None = None) -> None:
        #: What there is to find in this scenario, if it is an exercise; the unit begins with its faults.
        self.exercise = exercise_of(scenario, seed)
        if self.exercise is not None:
            scenario = self.exercise.scenario
        self.scenario = scenario
        self.seed = seed
        draws = Draws(seed)
        self._draws = draws
        self.neutrals = neutrals_of(scenario, draws)
        body = body_of(scenario, draws)
        self.cams = cams_of(scenario, self.neutrals, draws)
        self._mark_deg = self._mark()
        self._lobe_mark_deg = self._lobe_mark()
        start = self._start_index()
        # The magnet rests somewhere within its friction band.
        self.rotor = Rotor(self.neutrals, body, self.neutrals.at(start))
        self._cam_pull_deg = self.rotor.balance(0, 0) - self.rotor.equilibrium(0)
        below, above = self.rotor.balance(start, 1), self.rotor.balance(start, -1)
        self.rotor.angle_deg = below + (above - below) * float(draws.stream("start").uniform(0.1, 0.9))
        self.hand = hand if hand is not None else self._programmed_hand()
        self._lifted = self._hand_lifts
        self.rotor.lift_followers(self._lifted)
        self._mover = Mover(self.rotor, self.hand, coupling_of(scenario, draws))
        self._encoder = Encoder(disc_of(scenario, draws), self.rotor.angle_deg)
        self._points: list[tuple[int, Points | FixedPoints | JoinedPoints | LiftablePoints]] = []
        self._probes: list[Probe] = []
        self._connect()
        self.board = self._new_board(boots)
        self._started = False
        self._now_ns = 0
        self._chunks = 0
        self._peak_deg_s = 0.0
        self._boot_bytes = self._first_bytes()
        self._faults_done: set[str] = set()
        self._truth_presses: list[dict[str, object]] = []

    # --- making ------------------------------------------------------------------------------------------------------

    def _start_index(self) -> int:
        turns, poles = self.scenario.hand.turns_first, self.scenario.unit.poles
        index = -1 - turns * poles
        first = self._mark_deg
        if self._lobe_mark_deg is not None:
            # The lobes may stand anywhere; the hand turns until the mark comes round.
            index = -1 - int(self._draws.stream("cam").integers(self.scenario.unit.cylinders or 1))
            first = self._lobe_mark_deg - 360.0 * turns + self.neutrals.spacing_deg * (index + 1)
        if first is None:
            return index
        while self.neutrals.at(index) + _FIRST_TRAVEL_DEG > first:
            index -= 1
        return index

    def _lobe_mark(self) -> float | None:
        """The No. 1 lobe's mark of a compensated cam as the hand comes to it: before neutral 0, and before the angle mark."""
        cam = self.cams[0]
        if not isinstance(cam, CompensatedCam):
            return None
        before = self._draws.take("unit.lobe_mark_deg", self.scenario.unit.lobe_mark_deg)
        mark = cam.edge(2 * cam.first) - before
        if self._mark_deg is None:
            return mark
        return mark - cam.turn_deg * max(math.ceil((mark + _BETWEEN_MARKS_DEG - self._mark_deg) / cam.turn_deg), 0)

    def _mark(self) -> float | None:
        """The angle mark as the hand first comes to it: before neutral 0."""
        mark = self.scenario.hand.mark_deg
        if mark is None:
            return None
        return mark - 360.0 * math.ceil((mark + 2.0 * self.scenario.hand.below_deg) / 360.0)

    def _programmed_hand(self) -> Hand:
        feel = Feel(
            neutral=self._balance(),
            lifted=self._lifted_balance() if self.scenario.hand.followers_lifted else None,
            openings_deg=tuple(angle for cam in self.cams for angle, _ in cam.openings()),
            cam_turn_deg=self.cam_turn_deg,
            lobe_mark_deg=self._lobe_mark_deg,
            mark_deg=self._mark_deg,
        )
        return ProgrammedHand(self.scenario.hand, feel, self.rotor.angle_deg, self._draws.stream("hand"))

    @property
    def cam_turn_deg(self) -> float:
        """Rotor angle over which the cam turns once."""
        cam = self.cams[0]
        return cam.turn_deg if isinstance(cam, CompensatedCam) else 360.0

    def _balance(self) -> Balance:
        return Balance(self.rotor.balance(0, 1), self.rotor.balance(0, -1), self.rotor.balance(0, 0))

    def _lifted_balance(self) -> Balance:
        self.rotor.lift_followers(True)
        found = self._balance()
        self.rotor.lift_followers(False)
        return found

    @property
    def _hand_lifts(self) -> bool:
        return isinstance(self.hand, ProgrammedHand) and self.hand.followers_lifted

    def _connect(self) -> None:
        for wire in wires_of(self.scenario, self.cams, self.rotor.angle_deg, self._draws):
            if self._lifted and not isinstance(wire.points, FixedPoints):
                # Lifted some time before the clock starts.
                wire.probe.run([Transition(-1.0, True)], 0.0)
                self._points.append((wire.channel, LiftablePoints(wire.points)))
            else:
                self._points.append((wire.channel, wire.points))
            self._probes.append(wire.probe)

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

    # --- work on the unit --------------------------------------------------------------------------------------------

    def fit(self, scenario: Scenario, later_deg: Mapping[str, float]) -> None:
        """The unit was worked on: from now on it is as `scenario` says, and each breaker named opens so much later than that.

        Takes breakers, what hangs on their wires, the encoder's mounting, and an impulse coupling that is taken off; magnet, hand and
        board stay as they are. The place of the magnet and the encoder's reading go on from where they are.
        """
        draws = Draws(self.seed)
        before, self.scenario = self.scenario, scenario
        at_s = self._chunks * CHUNK_S
        self.cams = [cam.moved(later_deg.get(cam.name, 0.0)) for cam in cams_of(scenario, self.neutrals, draws)]
        fitted = {table.name: (cam, table) for cam, table in zip(self.cams, scenario.breaker, strict=True)}
        for points in {id(p): p for _, on_wire in self._points for p in sets_on(on_wire)}.values():
            points.refit(*fitted[points.name], at_s)
        wires = wires_of(scenario, self.cams, self.rotor.angle_deg, draws)
        for place, (wire, probe) in enumerate(zip(wires, self._probes, strict=True)):
            if wire.probe.circuit != probe.circuit:
                wire.probe.take_over(probe, at_s)
                self._probes[place] = wire.probe
        if scenario.encoder != before.encoder:
            self._encoder.refit(disc_of(scenario, draws), self.rotor.angle_deg)
        if scenario.impulse is None and before.impulse is not None:
            self._mover.take_off_coupling()

    def reconnect(self) -> None:
        """A host has opened the port anew, which resets the board; the unit stays as it is."""
        self._boot_bytes = b""
        if not self.scenario.fault.rubbish:
            # What was still on its way went to the host before.
            self.board.line.take(ALL)
            kept = self.scenario.board.boot_counter if self.scenario.fault.boot_counter_reset else None
            self.board.reset(kept, ResetCause.EXTERNAL)

    def reads_open(self, channel: int) -> bool:
        """What the board's pin of a channel reads."""
        return next(p for (c, _), p in zip(self._points, self._probes, strict=True) if c == channel).signal_open

    @property
    def peak_speed_deg_s(self) -> float:
        """Greatest speed of the magnet over the last chunk, either way."""
        return self._peak_deg_s

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
        if self._lifted and not self._hand_lifts:
            self._let_followers_down()
        track = self._mover.run(CHUNK_STEPS)
        self._peak_deg_s = float(np.abs(track.speed_deg_s).max())
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

    def _let_followers_down(self) -> None:
        self._lifted = False
        self.rotor.lift_followers(False)
        for _, points in self._points:
            if isinstance(points, LiftablePoints):
                points.let_down()

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
                "at_s": round(at_s, 2),
                "from_neutral_deg": self.neutrals.folded(angle_deg),
                "side": self._mover.direction,
                "followers_lifted": self._lifted,
                "neutral": self.neutrals.nearest(angle_deg) % self.neutrals.poles,
            }
        )

    def truth(self) -> dict[str, object]:
        """What no instrument knows: openings, neutrals, presses and rests as they are, and every figure drawn.

        Angles are degrees in the running direction. Lobe k is the k-th opening after neutral 0, or, of a compensated cam, after the
        No. 1 lobe's mark; there `by_neutral` tells how far past each neutral that it meets, and `from_neutral_deg` is their mean.
        Presses and rests are given from the nearest flux neutral; a press tells which that is. `cam_pull_deg` is how far the
        followers, once they are on the cam, pull the magnet's balance.
        """
        openings = [opening for cam in self.cams for opening in self._true_openings(cam)]
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
            "cam_pull_deg": self._cam_pull_deg,
            "presses": list(self._truth_presses),
            "rests": rests,
            "draws": dict(self._draws.resolved),
        }

    def _true_openings(self, cam: Cam) -> list[dict[str, object]]:
        if not isinstance(cam, CompensatedCam) or self._lobe_mark_deg is None:
            return [
                {"breaker": cam.name, "lobe": lobe, "from_neutral_deg": own}
                for lobe, (_, own) in enumerate(cam.openings())
            ]
        first = cam.first_after(self._lobe_mark_deg)
        openings: list[dict[str, object]] = []
        for lobe in range(cam.cylinders):
            met = cam.pairings(first + lobe)
            openings.append(
                {
                    "breaker": cam.name,
                    "lobe": lobe,
                    "from_neutral_deg": math.fsum(m.from_neutral_deg for m in met) / len(met),
                    "by_neutral": [{"neutral": m.neutral, "from_neutral_deg": m.from_neutral_deg} for m in met],
                }
            )
        return openings
