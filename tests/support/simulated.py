"""Whole jobs on the simulated unit in this process: bytes by a pipe in memory, no clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from bench import bench_file, job_file
from bench.journal import Kind, Record
from bench.link import Handshake, Sender
from bench.run import Run
from bench.settings import DEFAULT_PASSES, Rehearsal, header, read_header
from sim import scenario as scenarios
from sim.scenario import Scenario
from sim.world import World

#: Device time per read, and the longest job that is waited for.
PIECE_S = 0.25
LONGEST_S = 400.0


@dataclass(frozen=True)
class Job:
    """A job carried out: the run, the simulator's truth, and every record of the journal."""

    run: Run
    truth: dict[str, Any]
    records: tuple[Record, ...]
    document: dict[str, Any]


def carry_out(scenario: str | Scenario, seed: int, job_changes: dict[str, Any] | None = None) -> Job:
    """One job by the real handshake and the real run."""
    chosen = scenarios.load(scenario) if isinstance(scenario, str) else scenario
    assert chosen.job_path is not None
    assert chosen.bench_path is not None
    file = job_file.load(chosen.job_path)
    if job_changes:
        tables = file.model_dump(mode="json", by_alias=True)
        for key, value in job_changes.items():
            tables["breaker"][0][key] = value
        file = job_file.parse(tables, "changed job")
    document = header(
        file,
        bench_file.load(chosen.bench_path),
        DEFAULT_PASSES,
        "2026-01-01T00:00:00+00:00",
        "test",
        Rehearsal(str(scenario), seed),
        chosen.hand.followers_lifted,
    )
    run = Run(read_header(document, "test"))
    world = World(chosen, seed)
    records = conduct(world, run)
    return Job(run, world.truth(), tuple(records), document)


def conduct(world: World, run: Run) -> list[Record]:
    """The real handshake with the board of `world`, then time passes until `run` has finished; gives what went over the line."""
    records: list[Record] = []

    def take(kind: Kind, data: bytes) -> None:
        record = Record(kind, data, 0)
        records.append(record)
        run.feed(record)

    def send(data: bytes) -> None:
        take(Kind.TO_BOARD, data)
        world.receive(data)

    sender = Sender()
    handshake = Handshake(sender)
    data = world.boot()
    for _ in range(10):
        if data:
            take(Kind.FROM_BOARD, data)
            handshake.feed(data)
        if handshake.greeting is not None:
            break
        send(handshake.question())
        data = world.advance(0.1)
    assert handshake.greeting is not None
    session = handshake.greeting.session
    send(sender.start(session))
    elapsed = 0.0
    while not run.finished and elapsed < LONGEST_S:
        if run.restart_wanted:
            run.restart_wanted = False
            session = session % 255 + 1
            send(sender.start(session))
        take(Kind.FROM_BOARD, world.advance(PIECE_S))
        elapsed += PIECE_S
    return records
