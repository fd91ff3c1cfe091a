"""A guided job that goes on for hours, in a process of its own: `python -m tests.performance.long_run SECONDS`.

The points are being set all the while and the rotor turns: neutral was marked, as found was measured, nothing else happens. What a board
would send in that time is made turn by turn from one turn's messages, and fed at once. Prints one JSON object.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from bench.encoder import edges_of
from bench.journal import Kind, Record
from bench.procedure import Step
from bench.run import Run
from bench.settings import header, read_header
from firmware_protocol.framing import Framer
from firmware_protocol.messages import Contact, DeviceMessage, Edges, Index, Position
from tests.performance.processor import memory_kb
from tests.support import scripted

SPEED_DEG_S = 60.0
TURN_S = 360.0 / SPEED_DEG_S
#: As found takes five passes of each opening and an index behind them.
BEFORE_TURNS = 8
#: Records of about so many frames.
PIECE = 100
#: At 333 edges a second as many as the board gathers in 15 ms.
EDGES_PER_FRAME = 5
#: An edge's step has fifteen bits for its ticks.
LONGEST_STEP = 0x7FFF


def messages(seconds: float) -> Iterator[DeviceMessage]:
    """Neutral and as found, then one turn over and over until so many seconds of device time are full."""
    script = scripted.turning(BEFORE_TURNS + 1, SPEED_DEG_S)
    begin = scripted.MARKING[-1][0] + BEFORE_TURNS * TURN_S
    sent = scripted.play(script)
    before, turn = _between(script, sent, 0.0, begin), _between(script, sent, begin, begin + TURN_S)
    flips = sum(isinstance(m, Contact) for m in turn)
    yield from before
    for number in range(max(0, round((seconds - begin) / TURN_S))):
        ticks, counts = number * round(TURN_S * scripted.TICK_HZ), number * script.counts_per_turn
        for message in turn:
            yield _later(message, ticks, counts, number * flips)


def _between(script: scripted.Script, sent: Sequence[scripted.Sent], begin: float, end: float) -> list[DeviceMessage]:
    """What is sent from `begin` to before `end`, the Edges packed anew, so that exactly that time's edges are in them."""
    kept: list[tuple[float, DeviceMessage]] = [
        (s.at_s, s.message) for s in sent if begin <= s.at_s < end and not isinstance(s.message, Edges)
    ]
    unpacked = [edges_of(m.tick, m.count, m.steps) for m in (s.message for s in sent) if isinstance(m, Edges)]
    ticks = np.concatenate([u[0] for u in unpacked])
    boundaries = np.concatenate([u[1] for u in unpacked])
    words = np.concatenate([m.steps for m in (s.message for s in sent) if isinstance(m, Edges)])
    since = (ticks - script.tick0) & 0xFFFF_FFFF
    at_s = since / scripted.TICK_HZ
    own = np.nonzero((begin <= at_s) & (at_s < end))[0]
    rests = np.nonzero(np.diff(since[own]) > LONGEST_STEP)[0] + 1
    for stretch in np.split(own, rests):
        for group in (stretch[n : n + EDGES_PER_FRAME] for n in range(0, len(stretch), EDGES_PER_FRAME)):
            down = words[group] & 0x8000
            steps = np.diff(since[group], prepend=since[group[0]]) | down
            count = boundaries[group[0]] - (0 if down[0] else 1)
            message = Edges(int(ticks[group[0]]) & 0xFFFF_FFFF, int(count), 0, tuple(steps.tolist()))
            kept.append((float(at_s[group[-1]]) + 1e-6, message))
    return [message for _, message in sorted(kept, key=lambda pair: pair[0])]


def _later(message: DeviceMessage, ticks: int, counts: int, flips: int) -> DeviceMessage:
    """The same so many turns on."""
    assert isinstance(message, Position | Contact | Edges | Index)
    tick, count = (message.tick + ticks) & 0xFFFF_FFFF, message.count + counts
    if isinstance(message, Position):
        edges = tuple((n + flips) & 0xFFFF for n in message.contact_edges)
        return replace(message, tick=tick, count=count, contact_edges=edges)
    return replace(message, tick=tick, count=count)


def _pieces(seconds: float) -> Iterator[Record]:
    framer, waiting = Framer(), []
    for number, message in enumerate(messages(seconds)):
        waiting.append(framer.encode(message, 1, number & 0xFFFF))
        if len(waiting) == PIECE:
            yield Record(Kind.FROM_BOARD, b"".join(waiting), 0)
            waiting.clear()
    yield Record(Kind.FROM_BOARD, b"".join(waiting), 0)


def carried(seconds: float) -> dict[str, Any]:
    """Processor seconds for feeding the run, what memory it took, and how far it came."""
    plain = scripted.new_run().settings
    document = header(plain.job_file, plain.bench, 5, plain.run_date, plain.software, None, guided=True)
    run = Run(read_header(document, "test"))
    for record in scripted.records(scripted.turning(1), [])[:2]:
        run.feed(record)
    pieces = _pieces(seconds)
    run.feed(next(pieces))
    before_kb, used, size = memory_kb(os.getpid()), 0.0, 0
    for piece in pieces:
        began = time.process_time()
        run.feed(piece)
        used += time.process_time() - began
        size += len(piece.payload)
    assert run.failure is None, run.failure
    assert run.step is Step.ADJUST or seconds < scripted.MARKING[-1][0] + BEFORE_TURNS * TURN_S, run.step
    device_s = run.tick / run.tick_hz
    return {
        "device_s": device_s,
        "used_s": used,
        "resident_kb": memory_kb(os.getpid()),
        "taken_kb": memory_kb(os.getpid()) - before_kb,
        "bytes": size,
        "losses": run.stream.counts.losses,
        "bad_frames": run.stream.counts.bad_frames,
    }


if __name__ == "__main__":
    print(json.dumps(carried(float(sys.argv[1]))))
