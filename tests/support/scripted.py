"""A board whose rotor follows a script exactly: wire bytes with known truth, to be damaged at will.

No physics, no noise: straight lines of angle over time. `sim` is the place for a unit that behaves; this is the place for
statements such as "a frame loss voids only its passes".
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

from bench import bench_file, job_file
from bench.journal import Kind, Record
from bench.run import Run
from bench.settings import header, read_header
from firmware_protocol.framing import Framer
from firmware_protocol.messages import (
    Capability,
    Contact,
    ContactFlag,
    DeviceMessage,
    Edges,
    Hello,
    Index,
    Position,
    Press,
    PressSource,
    Start,
)
from firmware_protocol.schema import FINGERPRINT

TICK_HZ = 2_000_000
#: A turn past the index, then neutral felt from both sides, two presses each (true neutral at 0°).
MARKING = (
    (0.0, -400.0),
    (0.5, -400.0),
    (1.5, -0.2),
    (2.1, -0.2),
    (2.6, 5.0),
    (3.1, 0.2),
    (3.7, 0.2),
    (4.2, -5.0),
    (4.7, -0.2),
    (5.3, -0.2),
    (5.8, 5.0),
    (6.3, 0.2),
    (6.9, 0.2),
)
MARKING_PRESSES = (1.8, 3.4, 5.0, 6.6)


@dataclass(frozen=True)
class Script:
    """What the rotor does, in degrees of the running direction over seconds, and what hangs on it."""

    path: tuple[tuple[float, float], ...]
    presses: tuple[float, ...] = MARKING_PRESSES
    #: Per channel: angles (start, end) within a turn of the cam over which the points are open.
    open_over: tuple[tuple[tuple[float, float], ...], ...] = (((10.0, 80.0), (190.0, 260.0)),)
    #: Rotor angle over which the cam turns once.
    cam_turn_deg: float = 360.0
    #: Until then the followers are off the cam, and the points stay open.
    lifted_until_s: float | None = None
    counts_per_turn: int = 2_000
    sense: int = 1
    tick0: int = 4_294_000_000
    boot_counter: int = 7
    #: (turn, degrees): in that turn the points open so much later, whatever the reason.
    wild: tuple[tuple[int, float], ...] = ()
    #: Each opening is seen so much later than it happens: a capacitor is charged first.
    opens_late_s: float = 0.0
    with_edges: bool = True
    with_index: bool = True


def turning(turns: float, speed_deg_s: float = 60.0, after: Sequence[tuple[float, float]] = MARKING) -> Script:
    """Neutral marked, then `turns` turns forward, then a second at rest."""
    seconds, degrees = after[-1]
    end = seconds + turns * 360 / speed_deg_s
    return Script((*after, (end, degrees + turns * 360), (end + 1.0, degrees + turns * 360)))


@dataclass(frozen=True)
class Sent:
    """One message at the moment it is handed to the line."""

    at_s: float
    message: DeviceMessage


@dataclass
class _Edge:
    at: float
    boundary: int
    step: int


@dataclass
class _Flip:
    at: float
    channel: int
    opened: bool
    edges_before: list[_Edge] = field(default_factory=list)


@cache
def play(script: Script) -> tuple[Sent, ...]:
    """Every message of the session, in the order of sending."""
    edges = _edges(script)
    times = [e.at for e in edges]
    start = _count_at(script, script.path[0][1])

    def tick(at: float) -> int:
        return (script.tick0 + round(at * TICK_HZ)) & 0xFFFF_FFFF

    def count(at: float) -> int:
        place = bisect_right(times, at)
        if place == 0:
            return start
        last = edges[place - 1]
        return last.boundary if last.step > 0 else last.boundary - 1

    flips = _flips(script)
    out: list[Sent] = []
    for flip in flips:
        place = bisect_right(times, flip.at)
        before = edges[max(0, place - 4) : place][::-1]
        after = [e for e in edges[place : place + 4] if e.at <= flip.at + 0.05]
        sent_at = after[3].at if len(after) == 4 else flip.at + 0.05
        out.append(
            Sent(
                sent_at,
                Contact(
                    tick(flip.at),
                    count(flip.at),
                    flip.channel,
                    int(flip.opened),
                    0 if after else ContactFlag.NO_NEXT_EDGE,
                    0,
                    0,
                    0,
                    tuple(round((flip.at - e.at) * TICK_HZ) for e in before),
                    tuple(e.step for e in before),
                    tuple(round((e.at - flip.at) * TICK_HZ) for e in after),
                    tuple(e.step for e in after),
                ),
            )
        )
    for at in script.presses:
        out.append(Sent(at, Press(tick(at), count(at), PressSource.PEDAL, 1, 0)))
        out.append(Sent(at + 0.2, Press(tick(at + 0.2), count(at + 0.2), PressSource.PEDAL, 0, 0)))
    if script.with_index:
        for e in edges:
            active = e.boundary if e.step > 0 else e.boundary - 1
            if active % script.counts_per_turn == 123:
                out.append(Sent(e.at, Index(tick(e.at), active, e.step)))
    if script.with_edges:
        out += _edges_messages(edges, start, tick)
    channels = len(script.open_over)
    latched = [[f.at for f in flips if f.channel == c] for c in range(channels)]
    for beat in range(math.ceil(script.path[-1][0] * 100) + 1):
        at = beat / 100
        numbers = tuple(bisect_right(latched[c], at) & 0xFFFF for c in range(channels))
        levels = 0
        for c in range(channels):
            first = script.lifted_until_s is not None or _is_open(script, c, _angle_at(script, 0.0))
            levels |= int(first ^ bool(numbers[c] & 1)) << c
        out.append(Sent(at + 1e-9, Position(tick(at), count(at), levels, 0, 0, numbers)))
    return tuple(sorted(out, key=lambda s: s.at_s))


def hello(script: Script) -> Hello:
    """The greeting of this board."""
    able = Capability.EDGES | Capability.PEDAL | Capability.INDEX
    return Hello(
        1,
        FINGERPRINT,
        b"scripted",
        script.boot_counter,
        1,
        TICK_HZ,
        script.counts_per_turn,
        100_000,
        len(script.open_over),
        0,
        able,
        1,
        0,
        1,
        0,
        0,
    )


def wire(sent: Iterable[Sent], session: int = 1) -> list[bytes]:
    """Each message as its frame, numbered from 0."""
    framer = Framer()
    return [framer.encode(s.message, session, n & 0xFFFF) for n, s in enumerate(sent)]


def records(script: Script, frames: Iterable[bytes], session: int = 1) -> list[Record]:
    """A journal's records: greeting, Start, and the frames in pieces of 100."""
    framer = Framer()
    found = [
        Record(Kind.FROM_BOARD, b"\0" + framer.encode(hello(script), 0, 0), 0),
        Record(Kind.TO_BOARD, framer.encode(Start(session, 100, 0, 1), 0, 1), 0),
    ]
    data = list(frames)
    found += [Record(Kind.FROM_BOARD, b"".join(data[i : i + 100]), 0) for i in range(0, len(data), 100)]
    return found


def job(poles: int = 2, breakers: int = 1, **changes: Any) -> dict[str, Any]:
    """A plain job with limits; `changes` go into the first breaker."""
    tables = [
        {
            "name": "main" if c == 0 else f"second{c}",
            "channel": c,
            "opens_at_deg": 10.0,
            "minus_deg": 2.0,
            "plus_deg": 2.0,
            "from": "neutral",
            "capacitor_uf": 0.0,
        }
        for c in range(breakers)
    ]
    tables[0] |= changes
    return {
        "unit": {
            "part_number": "DEMO",
            "serial_number": "SCRIPT-1",
            "rotation": "clockwise",
            "poles": poles,
            "impulse_coupling": "none",
        },
        "limits": {"reference": "Demonstration manual, invented", "revision": "A"},
        "breaker": tables,
    }


def new_run(
    tables: dict[str, Any] | None = None,
    bench: dict[str, Any] | None = None,
    passes: int = 5,
    followers_lifted: bool = False,
) -> Run:
    """A run by a job and a bench; by default the encoder counts up clockwise."""
    job_tables = job_file.parse(tables or job(), "job")
    bench_tables = bench_file.parse({"encoder_sense": "clockwise"} | (bench or {}), "bench")
    document = header(job_tables, bench_tables, passes, "2026-01-01T00:00:00+00:00", "test", None, followers_lifted)
    return Run(read_header(document, "test"))


def measure(
    script: Script,
    damage: Callable[[list[bytes]], list[bytes]] = lambda frames: frames,
    tables: dict[str, Any] | None = None,
    bench: dict[str, Any] | None = None,
    passes: int = 5,
    followers_lifted: bool = False,
) -> Run:
    """Play, damage, and run."""
    run = new_run(tables, bench, passes, followers_lifted)
    for record in records(script, damage(wire(play(script)))):
        run.feed(record)
    return run


def reversed_encoder(script: Script) -> Script:
    """The same motion seen by an encoder that counts the other way."""
    return replace(script, sense=-script.sense)


def _angle_at(script: Script, at: float) -> float:
    for (t0, a0), (t1, a1) in zip(script.path, script.path[1:], strict=False):
        if t0 <= at <= t1:
            return a0 + (a1 - a0) * (at - t0) / (t1 - t0)
    return script.path[-1][1]


def _count_at(script: Script, angle: float) -> int:
    # A little off a boundary, so that no rest lies exactly on one.
    return math.floor(script.sense * (angle + 0.01234) * script.counts_per_turn / 360)


def _edges(script: Script) -> list[_Edge]:
    per_deg = script.sense * script.counts_per_turn / 360
    found: list[_Edge] = []
    for (t0, a0), (t1, a1) in zip(script.path, script.path[1:], strict=False):
        x0, x1 = (a0 + 0.01234) * per_deg, (a1 + 0.01234) * per_deg
        if x1 == x0:
            continue
        step = 1 if x1 > x0 else -1
        low, high = min(x0, x1), max(x0, x1)
        boundaries = range(math.floor(low) + 1, math.floor(high) + 1)
        for b in boundaries if step > 0 else reversed(boundaries):
            found.append(_Edge(t0 + (t1 - t0) * (b - x0) / (x1 - x0), b, step))
    return found


def _is_open(script: Script, channel: int, angle: float) -> bool:
    return any(start <= angle % script.cam_turn_deg < end for start, end in script.open_over[channel])


def _flips(script: Script) -> list[_Flip]:
    found: list[_Flip] = []
    for channel, ranges in enumerate(script.open_over):
        for (t0, a0), (t1, a1) in zip(script.path, script.path[1:], strict=False):
            if a1 == a0:
                continue
            for start, end in ranges:
                for place, opens in ((start, a1 > a0), (end, a1 < a0)):
                    low, high = min(a0, a1), max(a0, a1)
                    turn = math.ceil((low - place) / script.cam_turn_deg)
                    while place + script.cam_turn_deg * turn < high:
                        off = sum(d for n, d in script.wild if n == turn and place == start)
                        if place + script.cam_turn_deg * turn > low:
                            at = t0 + (t1 - t0) * (place + off + script.cam_turn_deg * turn - a0) / (a1 - a0)
                            found.append(_Flip(at + script.opens_late_s * opens, channel, opens))
                        turn += 1
    found.sort(key=lambda f: f.at)
    return found if script.lifted_until_s is None else _let_down(script, script.lifted_until_s, found)


def _let_down(script: Script, at: float, flips: list[_Flip]) -> list[_Flip]:
    """Nothing flips while the followers are off; let down, the points close where the cam is not under them."""
    place = _angle_at(script, at)
    down = [_Flip(at, c, False) for c in range(len(script.open_over)) if not _is_open(script, c, place)]
    return down + [f for f in flips if f.at > at]


def _edges_messages(edges: list[_Edge], start: int, tick: Callable[[float], int]) -> list[Sent]:
    out: list[Sent] = []
    batch: list[_Edge] = []
    count = start

    def flush() -> None:
        nonlocal count
        reference = tick(batch[0].at)
        steps = []
        last = reference
        for e in batch:
            now = tick(e.at)
            steps.append(((now - last) & 0x7FFF) | (0x8000 if e.step < 0 else 0))
            last = now
        out.append(Sent(batch[-1].at + 1e-6, Edges(reference, count, 0, tuple(steps))))
        count += sum(e.step for e in batch)
        batch.clear()

    for e in edges:
        if batch and (e.at - batch[0].at > 0.015 or len(batch) == 112 or e.at - batch[-1].at > 0.016):
            flush()
        batch.append(e)
    if batch:
        flush()
    return out
