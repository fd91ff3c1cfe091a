"""A short whole job on a faulty bench in this process: the real handshake, the real run, a real journal and its replay.

Two poles, two presses from each side, two passes: some 18 s of device time. A technician who does what the instrument says stands at the
bench: told that the zero is void, they mark neutral again; as long as passes are missing they turn on; after some tries they give
up. Nothing moves by the host's clock: its two watches over the line (silence, nothing readable) are kept in device time.
"""

from __future__ import annotations

import math
import random
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bench import bench_file, job_file
from bench.acquisition import SILENT_AFTER_S
from bench.errors import BenchError
from bench.journal import JournalReader, JournalWriter, Kind, Record
from bench.link import Handshake, Sender
from bench.procedure import Step
from bench.result import ResultDocument, document
from bench.run import Failure, Run
from bench.session import UNREADABLE, UNREADABLE_AFTER_S
from bench.settings import Rehearsal, header, read_header
from sim import scenario as scenarios
from sim.encoder import Crossings, Encoder
from sim.hand import STEP_S, Feel, Hand, ProgrammedHand
from sim.mover import Track
from sim.scenario import Scenario
from sim.world import World
from tests.faults.fault import Fault, FaultyPoints
from tests.faults.row import LINE, SLACK_DEG, WRONG_TIMES_U, Outcome, Row
from tests.firmware import built
from tests.firmware.pins import PinWorld

PASSES = 2
PIECE_S = 0.1
LONGEST_S = 260.0
#: So often does the technician begin anew, and so often turn on for passes that are still missing.
MOST_TRIES = 5
_NEAR_TICKS = 200

SCENARIO = """
description = "a short job, two poles"
[unit]
rotation = "clockwise"
poles = 2
pole_spacing_error_deg = 0
[[breaker]]
name = "main"
channel = 0
opens_deg = {uniform = [9.0, 11.0]}
dwell_deg = {uniform = [55, 65]}
[encoder]
eccentricity_um = 2
[hand]
presses_per_side = 2
releases_per_side = 0
turns = 3.3
speeds_deg_s = [150, 220]
"""
JOB: dict[str, Any] = {
    "unit": {
        "part_number": "DEMO",
        "serial_number": "FAULTY-1",
        "rotation": "clockwise",
        "poles": 2,
        "impulse_coupling": "none",
    },
    "limits": {"reference": "Demonstration manual, invented", "revision": "A"},
    "breaker": [
        {
            "name": "main",
            "channel": 0,
            "opens_at_deg": 10.0,
            "minus_deg": 4.0,
            "plus_deg": 4.0,
            "from": "neutral",
            "capacitor_uf": 0.2,
        }
    ],
}
BENCH: dict[str, Any] = {"counts_per_turn": 10_000, "encoder_sense": "clockwise", "index": True}


def plain() -> Scenario:
    """The short job's scenario."""
    import tomllib

    return scenarios.parse(tomllib.loads(SCENARIO), "short job", "short-job")


# --- the technician ------------------------------------------------------------------------------------------------------


class Technician:
    """Carries out the program of `sim`'s hand, and on what the instrument says begins anew or turns on."""

    def __init__(self, program: ProgrammedHand, table: Any, feel: Feel, fault: Fault, draw: Any) -> None:
        self._program: Hand = program
        self._table, self._feel, self._fault, self._draw = table, feel, fault, draw
        self._steps = 0
        self._angle = program.target_deg
        self.target_deg = program.target_deg
        self.held, self.pedal = program.held, program.pedal
        #: Never for ever: the mover would not look at the hand any more.
        self.done = False
        self.tries = 0
        self._voids = 0

    def heed(self, run: Run) -> None:
        """Do what the instrument now says, if it is something new or the program has come to its end. Once for each piece of time."""
        if run.voids != self._voids:
            self._voids = run.voids
            if self.tries < MOST_TRIES and run.step is Step.NEUTRAL:
                self.begin_anew()
        elif self._program.done and self.tries < MOST_TRIES:
            (self.turn_on if run.step is Step.PASSES else self.begin_anew)()

    def step(self, angle_deg: float, speed_deg_s: float) -> None:
        """See sim.hand.Hand."""
        program, now_s = self._program, self._steps * STEP_S
        self._steps += 1
        self._angle = angle_deg
        program.step(angle_deg, speed_deg_s)
        self.target_deg = self._fault.hand(program.target_deg, angle_deg, now_s)
        self.held = program.held
        self.pedal = self._fault.pedal(program.pedal, now_s)

    def begin_anew(self) -> None:
        """Turn once round and mark neutral again."""
        self.tries += 1
        feel = self._feel
        turns = math.ceil((self._angle + 380.0 + self._table.below_deg - feel.neutral.centre_deg) / 360.0)
        balance = type(feel.neutral)(*(a + 360.0 * turns for a in _three(feel.neutral)))
        shifted = replace(feel, neutral=balance)
        self._fault.anew()
        self._program = ProgrammedHand(self._table, shifted, self._angle, self._draw)

    def turn_on(self, turns: float = 1.5) -> None:
        """Turn on evenly."""
        self.tries += 1
        self._program = _TurnOn(self._program.target_deg, 360.0 * turns)


def _three(balance: Any) -> tuple[float, float, float]:
    return balance.from_below_deg, balance.from_above_deg, balance.centre_deg


class _TurnOn:
    """Evenly on by so many degrees."""

    def __init__(self, start_deg: float, way_deg: float) -> None:
        self.target_deg, self.held, self.pedal, self.done = start_deg, True, False, False
        self._end, self._speed = start_deg + way_deg, 0.0

    def step(self, angle_deg: float, speed_deg_s: float) -> None:
        """See sim.hand.Hand."""
        del angle_deg, speed_deg_s
        if self.target_deg >= self._end:
            self.done = True
            return
        self._speed = min(self._speed + 0.3, 150.0)
        self.target_deg += self._speed * STEP_S


# --- the bench -----------------------------------------------------------------------------------------------------------


class _FaultyEncoder:
    def __init__(self, inner: Encoder, fault: Fault) -> None:
        self._inner, self._fault = inner, fault
        self.disc = inner.disc

    @property
    def count(self) -> int:
        return self._inner.count

    def run(self, track: Track) -> Crossings:
        return self._fault.crossings(self._inner.run(track), float(track.time_s[0]))


class _Faulty:
    """A World's parts led through a fault. First among the bases, before the world."""

    fault: Fault
    scenario: Scenario
    technician: Technician

    def _programmed_hand(self) -> Hand:
        feels: list[Feel] = []
        program = super()._programmed_hand()  # type: ignore[misc]
        feels.append(program._feel)
        draw = self._draws.stream("again")  # type: ignore[attr-defined]
        self.technician = Technician(program, self.scenario.hand, feels[0], self.fault, draw)
        return self.technician

    def _connect(self) -> None:
        super()._connect()  # type: ignore[misc]
        self._points: list[Any] = [(c, FaultyPoints(c, p, self.fault)) for c, p in self._points]

    def _apply_faults(self, now_s: float) -> None:
        super()._apply_faults(now_s)  # type: ignore[misc]
        self.fault.chunk(self, now_s)  # type: ignore[arg-type]


class FaultyWorld(_Faulty, World):
    """The simulated bench with a fault."""

    def __init__(self, scenario: Scenario, seed: int, fault: Fault) -> None:
        self.fault = fault
        super().__init__(scenario, seed)
        self._encoder: Any = _FaultyEncoder(self._encoder, fault)
        fault.prepare(self)


class FaultyPinWorld(_Faulty, PinWorld):
    """The same with the firmware as its board. Close it."""

    def __init__(self, scenario: Scenario, seed: int, fault: Fault) -> None:
        self.fault = fault
        super().__init__(built.in_simavr(), scenario, seed)
        self._encoder: Any = _FaultyEncoder(self._encoder, fault)
        fault.prepare(self)


# --- the host ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Seen:
    """What a user has been told by the time that the journal was so long."""

    length: int
    step: Step
    presses: int
    passes: tuple[tuple[int, ...], ...]
    notes: int


def seen(run: Run, length: int) -> Seen:
    passes = tuple(tuple(n) for n in run.lobe_counts().values())
    return Seen(length, run.step, run.presses_taken, passes, sum(n.times for n in run.notes))


class Told:
    """What the user of a run is told, and when in device time."""

    def __init__(self, run: Run) -> None:
        self.run = run
        self.told_by: list[Seen] = []
        #: Device time at which each code was first told.
        self.told: dict[str, float] = {}
        self.now_s = 0.0

    def look(self, length: int) -> None:
        """What the run tells now that it knows so many bytes of its journal."""
        run = self.run
        for note in run.notes:
            self.tell(note.code)
        if run.failure is not None:
            self.tell(run.failure.code)
        if run.stream.counts.bad_frames or run.stream.counts.losses:
            self.tell(LINE)
        now = seen(run, length)
        if not self.told_by or replace(now, length=0) != replace(self.told_by[-1], length=0):
            self.told_by.append(now)

    def tell(self, code: str) -> None:
        """This code is told now, if it was not before."""
        self.told.setdefault(code, self.now_s)

    def delay(self, code: str, since_s: float) -> tuple[float, str]:
        """Seconds from a device time to when a code was told, and by which clock."""
        return self.told[code] - since_s, "device"


class Host(Told):
    """Journal and run of one job in this process, and what the user was told when."""

    def __init__(self, path: Path, settings: dict[str, Any]) -> None:
        super().__init__(Run(read_header(settings, "faults")))
        self.path = path
        self.journal = JournalWriter(path, settings)

    def take(self, kind: Kind, data: bytes) -> None:
        """Into the journal, then to the run, then to the user."""
        self.journal.append(kind, data)
        self.run.feed(Record(kind, data, 0))
        self.look(self.path.stat().st_size)

    def fail(self, code: str, text: str) -> None:
        """The acquiring process, or the watch over it, gives up."""
        import json

        self.take(Kind.ENTRY, json.dumps({"kind": "error", "code": code, "text": text}).encode())


def conduct(world: Any, fault: Fault, host: Host) -> None:
    """Handshake, Start, and on until the run has finished or the technician gives up."""
    run = host.run
    sender = Sender()
    handshake = Handshake(sender)

    def send(data: bytes) -> None:
        host.take(Kind.TO_BOARD, data)
        world.receive(data)

    data = fault.line(world.boot(), 0.0)
    for _ in range(10):
        if data:
            host.take(Kind.FROM_BOARD, data)
            handshake.feed(data)
        if handshake.greeting is not None:
            break
        send(handshake.question())
        data = fault.line(world.advance(PIECE_S), 0.0)
    if handshake.greeting is None:
        failure = handshake.failure("the port", 2.0)
        host.fail(failure.code, failure.text)
        return
    session = handshake.greeting.session
    send(sender.start(session))
    heard = readable = 0.0
    tick = 0
    while not run.finished and host.now_s < LONGEST_S:
        if run.restart_wanted:
            run.restart_wanted = False
            session = session % 255 + 1
            send(sender.start(session))
        sent = world.advance(PIECE_S)
        host.now_s += PIECE_S
        data = fault.line(sent, host.now_s)
        if data:
            host.take(Kind.FROM_BOARD, data)
            heard = host.now_s
        if run.tick != tick:
            tick, readable = run.tick, host.now_s
        if host.now_s - heard >= SILENT_AFTER_S:
            host.fail("link-silent", "The board fell silent.")
        elif host.now_s - readable > UNREADABLE_AFTER_S and not run.finished:
            host.fail("link-unreadable", UNREADABLE)
        fault.reached(run.step, host.now_s)
        world.technician.heed(run)


# --- how it went ---------------------------------------------------------------------------------------------------------


def run_row(row: Row, seed: int, peer: str = "memory") -> Outcome:
    """One run of a row that is played in this process."""
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        return _run(row, seed, peer, Path(folder) / "run.capture")


def _run(row: Row, seed: int, peer: str, path: Path) -> Outcome:
    fault, scenario, settings = prepared(row, seed)
    world: Any = (FaultyWorld if peer == "memory" else FaultyPinWorld)(scenario, seed, fault)
    try:
        host = Host(path, settings)
        conduct(world, fault, host)
        host.journal.close()
    finally:
        if peer != "memory":
            world.close()
    return concluded(row, seed, path, host, world)


def prepared(row: Row, seed: int) -> tuple[Fault, Scenario, dict[str, Any]]:
    """The row's fault for a seed, the scenario to play, and the journal's header."""
    fault = row.make(random.Random(f"{row.name} {seed}"), seed)
    assert isinstance(fault, Fault)
    job = job_file.parse(getattr(fault, "job", JOB), "job")
    bench = bench_file.parse(getattr(fault, "bench", BENCH), "bench")
    settings = header(job, bench, PASSES, "2026-01-01T00:00:00+00:00", "test", Rehearsal("short-job", seed), False)
    return fault, fault.scenario(plain()), settings


def concluded(row: Row, seed: int, path: Path, host: Told, world: Any) -> Outcome:
    """How a job went whose journal is closed: its result against the truth, what was told when, and its replay."""
    run = host.run
    if not run.finished:
        # As the commands do when the user gives up.
        run.failure = Failure("incomplete-recording", "The recording breaks off before the measurement was complete.")
    result = document(run, "x")
    lost, again = _replayed(path, host.told_by)
    outcome = Outcome(
        row=row.name,
        seed=seed,
        valid=result.valid,
        exit_status=result.exit_status(),
        failure="" if run.failure is None else run.failure.code,
        notes=tuple(n.code for n in result.notes),
        struck_s=world.fault.struck_s,
        ended_s=host.now_s,
        acknowledged_lost=lost,
        replay_differs=again is None or document(again, "x").to_json() != result.to_json(),
    )
    for code in outcome.notes:
        # What is found only when all is evaluated.
        host.tell(code)
    outcome = _when_told(outcome, row, host, world.fault)
    return _judged(outcome, row, result, run, world) if result.valid else outcome


def _when_told(outcome: Outcome, row: Row, host: Told, fault: Fault) -> Outcome:
    struck = fault.struck_s
    if struck is None:
        return outcome
    times = [(at, code) for code, at in host.told.items() if code in row.told and at >= struck - PIECE_S]
    if not times:
        return outcome
    _, code = min(times)
    after, clock = host.delay(code, struck if fault.shows_s is None else fault.shows_s)
    return replace(outcome, told=True, told_after_s=max(after, 0.0), clock=clock)


def _replayed(path: Path, told_by: list[Seen]) -> tuple[int, Run | None]:
    """Things a user had been told that the journal, cut where it then ended, does not tell again; and the run at its end."""
    lost = 0
    waiting = list(told_by)
    try:
        with JournalReader(path) as reader:
            run = Run(read_header(reader.header(), str(path)))
            for record in reader.records():
                run.feed(record)
                end = record.offset + 9 + len(record.payload)
                while waiting and waiting[0].length <= end:
                    told = waiting.pop(0)
                    lost += replace(seen(run, 0), length=0) != replace(told, length=0)
    except BenchError:
        return len(told_by), None
    if not run.finished:
        run.failure = Failure("incomplete-recording", "The recording breaks off before the measurement was complete.")
    return lost + len(waiting), run


def _judged(outcome: Outcome, row: Row, result: ResultDocument, run: Run, world: Any) -> Outcome:
    """Compare every opening with the truth."""
    truth = world.truth()
    names = [b.name for b in world.scenario.breaker]
    other = dict(zip(names, reversed(names))) if row.swapped else {}
    true = {(other.get(o["breaker"], o["breaker"]), o["lobe"]): o["from_neutral_deg"] for o in truth["openings"]}
    assert run.procedure is not None
    sides: dict[int, list[float]] = {1: [], -1: []}
    for mark in run.procedure.presses:
        # A lost zero takes its presses along, so that all are of the present session and one scale of ticks.
        tick = mark.tick - run._ticks._offset
        near = [p for p in truth["presses"] if (p["tick"] - tick + _NEAR_TICKS) & 0xFFFF_FFFF <= 2 * _NEAR_TICKS]
        sides[mark.side] += [p["from_neutral_deg"] for p in near]
    beyond = wrong = openings = 0
    off = worst = 0.0
    (pressed,) = [e for e in result.neutrals[0].estimates if e.method == "presses"]
    for breaker in result.breakers:
        for o in breaker.openings:
            openings += 1
            u = o.from_neutral_expanded_uncertainty_deg
            assert o.from_neutral_deg is not None
            assert u is not None
            error = o.from_neutral_deg - true[breaker.name, o.lobe]
            beyond += abs(error) > u
            wrong += abs(error) > WRONG_TIMES_U * u + SLACK_DEG
            worst = max(worst, abs(error) / u)
            if all(sides.values()):
                middle = sum(sum(s) / len(s) for s in sides.values()) / 2
                assert pressed.offset_deg is not None
                off = max(off, abs(o.from_neutral_deg - pressed.offset_deg - true[breaker.name, o.lobe] + middle))
    told = bool((row.doubted | world.fault.doubted) & {*outcome.notes})
    return replace(
        outcome,
        openings=openings,
        beyond_u=beyond,
        wrong=0 if told else wrong,
        wrong_told=wrong if told else 0,
        doubted=told,
        off_marks_deg=off,
        worst_over_u=worst,
    )
