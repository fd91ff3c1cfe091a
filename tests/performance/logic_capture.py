"""One simulated motion of a rotor, seen twice: as the bytes that a board sends of it, and as a logic analyser's capture of both lines.

The capture is decoded by `sigrok-cli` with libsigrokdecode's decoder of rotary encoders, "graycode".
"""

from __future__ import annotations

import re
import resource
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bench.encoder import edges_of
from bench.ticks import TickUnwrapper
from firmware_protocol.framing import Frame, FrameReader
from firmware_protocol.messages import Edges
from tests.science.families_encoder import Disc, Encoder, EncoderEdges
from tests.science.families_messages import TICK_HZ, Board
from tests.science.families_motion import Path as Motion
from tests.science.families_points import PinEdges

COUNTS_PER_TURN = 10_000
SAMPLE_HZ = 1_000_000
#: Long enough at the end that the last state is sampled.
_AFTER_S = 0.002
#: Lines A and B (bits 0 and 1) over count modulo 4: Gray code, A first when the count goes up.
_STATES = np.array([0b00, 0b01, 0b11, 0b10], dtype=np.uint8)
_TOLD = re.compile(rb"(\d+)-(\d+) graycode-1: (-?\d+)")
#: libsigrokdecode 0.5.3 under Python 3.11 stops so in its clean-up, with all output written.
_STOPS_IN_CLEAN_UP = b"bool_dealloc"


@dataclass(frozen=True)
class Seen:
    """One motion: the board's bytes, the two lines' samples, and the truth."""

    wire: bytes
    samples: NDArray[np.uint8]
    edges: EncoderEdges
    first_count: int


def seen(turns: float, speed_deg_s: float = 200.0) -> Seen:
    """Forward by `turns`, at rest, back by half of it, at rest, and on by as much, jerkily."""
    rng = np.random.default_rng(5)
    motion = Motion(0.0)
    motion.hold(5)
    motion.turn(turns * 360.0, (speed_deg_s, 0.5 * speed_deg_s), 0.3, rng)
    motion.hold(10)
    motion.move(motion.at_deg - turns * 180.0, speed_deg_s)
    motion.hold(10)
    motion.turn(turns * 180.0, (speed_deg_s,), 0.8, rng)
    motion.hold(5)
    track = motion.track()
    disc = Disc(COUNTS_PER_TURN, 1, 123.4, 0.05, 40.0, (0.0, 0.05, -0.04, 0.06), 0.3)
    encoder = Encoder(disc, track)
    edges = encoder.edges(np.ones(len(track.time_s) - 1, dtype=bool))
    still = PinEdges(np.zeros(0), (), False)
    board = Board(encoder, track, [still], 4_294_000_000, 0.0)
    records = board.records([], 0, float(track.time_s[-1]) + 1.0)
    wire = b"".join(r.payload for r in records[2:])
    first = int(encoder.counts[0])
    return Seen(wire, capture(edges.time_s, first + np.concatenate(([0], np.cumsum(edges.step)))), edges, first)


def capture(times_s: NDArray[np.float64], counts: NDArray[np.int64]) -> NDArray[np.uint8]:
    """Samples of both lines at SAMPLE_HZ, one byte each; `counts` has one more than `times_s`: the count before the first edge."""
    at = np.round(times_s * SAMPLE_HZ).astype(np.int64)
    ends = np.concatenate((at, [round((float(times_s[-1]) + _AFTER_S) * SAMPLE_HZ)]))
    found: NDArray[np.uint8] = np.repeat(_STATES[counts % 4], np.diff(ends, prepend=0))
    return found


@dataclass(frozen=True)
class Counted:
    """Count after each edge, relative to the first state, and when, in ticks or samples; and the processor seconds that it took."""

    counts: NDArray[np.int64]
    at: NDArray[np.int64]
    used_s: float = 0.0


def by_us(wire: bytes, chunk: int = 4096) -> Counted:
    """The board's bytes, as read from a port, to the count and tick of every encoder edge."""
    reader, unwrapper = FrameReader(), TickUnwrapper()
    ticks: list[NDArray[np.int64]] = []
    counts: list[NDArray[np.int64]] = []
    first: int | None = None
    for place in range(0, len(wire), chunk):
        for frame in reader.feed(wire[place : place + chunk]):
            if isinstance(frame, Frame) and isinstance(message := frame.message, Edges):
                tick = unwrapper.unwrap(message.tick)
                at, boundaries, _ = edges_of(tick, message.count, message.steps)
                first = message.count if first is None else first
                up = np.array(message.steps) & 0x8000 == 0
                ticks.append(at)
                counts.append(np.where(up, boundaries, boundaries - 1) - first)
    return Counted(np.concatenate(counts), np.concatenate(ticks))


def sigrok() -> str | None:
    """The program, if it is installed."""
    return shutil.which("sigrok-cli")


def by_sigrok(program: str, file: Path, with_times: bool = True) -> Counted:
    """A capture in `file` decoded: counts after each edge but the last, which that decoder does not tell before the next, and samples.

    Raises AssertionError if the program fails in another way than in its clean-up.
    """
    options = f":samplerate={SAMPLE_HZ}" if with_times else ""
    command = [program, "-I", f"binary:numchannels=2{options}", "-i", str(file)]
    command += ["-P", "graycode:d0=0:d1=1:avg_period=0", "-A", "graycode=count", "--protocol-decoder-samplenum"]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, capture_output=True, timeout=300, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode == 0 or _STOPS_IN_CLEAN_UP in done.stderr, done.stderr.decode("utf-8", "replace")
    told = np.array([m.groups() for m in _TOLD.finditer(done.stdout)], dtype=np.int64).reshape(-1, 3)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    # The first is the state before any edge; each lasts from its own edge to the next.
    return Counted(told[1:, 2], told[1:, 0], used)


def ticks_per_sample() -> float:
    """The board's clock over the analyser's."""
    return TICK_HZ / SAMPLE_HZ
