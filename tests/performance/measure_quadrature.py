"""How fast encoder edges become counts, against `sigrok-cli`'s decoder of rotary encoders on a capture of the same motion.

Not the same work. Our board watches the two lines and tells what it saw in packed bytes; what runs here is the host's part: frames,
CRCs, and the count and time of every edge. `sigrok-cli` does the board's part too: it looks for edges in samples of the lines, here
at 1 MHz. It knows no index, no probes, no checksum, and reads a file that is whole. Both must give the same counts.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.performance import logic_capture
from tests.performance.figures import Figure
from tests.performance.logic_capture import SAMPLE_HZ, Counted, Seen

TURNS = 6.0
TIMES = 3


def measure(turns: float = TURNS, times: int = TIMES) -> Iterator[Figure]:
    """Figures of both on one motion."""
    seen = logic_capture.seen(turns)
    edges = len(seen.edges.step)
    ours = logic_capture.by_us(seen.wire)
    truth = np.cumsum(seen.edges.step)
    yield Figure("our counts that differ from the motion's", differing(ours.counts, truth), "edges", most=1)
    our_s = min(_used_s(seen.wire) for _ in range(times)) / edges
    size = f"{edges} edges; {len(seen.wire) / edges:.2f} bytes an edge from the board"
    yield Figure("ours, bytes to count and time of each edge", our_s * 1e6, "µs/edge", note=size)
    program = logic_capture.sigrok()
    if program is None:
        yield Figure("sigrok-cli / ours", None, "times as long", note="sigrok-cli is not installed")
        return
    with tempfile.TemporaryDirectory() as name:
        yield from _beside(program, Path(name), seen, ours, our_s, times)


def _beside(program: str, folder: Path, seen: Seen, ours: Counted, our_s: float, times: int) -> Iterator[Figure]:
    file, few = folder / "whole.bin", folder / "few.bin"
    file.write_bytes(seen.samples.tobytes())
    few.write_bytes(seen.samples[:1000].tobytes())
    edges = len(seen.edges.step)
    theirs = logic_capture.by_sigrok(program, file)
    # The decoder tells a count when the next one comes, so that the last one is not told.
    yield Figure(
        "counts that differ between sigrok-cli and ours",
        differing(theirs.counts, ours.counts[:-1]),
        "edges",
        most=1,
        note=f"{len(theirs.counts)} compared",
    )
    yield Figure("largest difference in time between them", _apart_s(ours, theirs) * 1e6, "µs", most=2)
    start_s = min(logic_capture.by_sigrok(program, few).used_s for _ in range(times))
    with_times = min([theirs.used_s, *(logic_capture.by_sigrok(program, file).used_s for _ in range(times - 1))])
    alone = min(logic_capture.by_sigrok(program, file, with_times=False).used_s for _ in range(times))
    size = f"{len(seen.samples) / edges:.0f} samples an edge at {SAMPLE_HZ / 1e6:g} MHz; less {start_s * 1e3:.0f} ms of start-up"
    for what, used in (("count and time", with_times), ("count alone", alone)):
        per_edge = (used - start_s) / edges
        yield Figure(f"sigrok-cli, samples to {what} of each edge", per_edge * 1e6, "µs/edge", note=size)
        yield Figure(f"sigrok-cli's {what} / ours", per_edge / our_s, "times as long")
    yield from _illegal(program, folder)


def _illegal(program: str, folder: Path) -> Iterator[Figure]:
    """Both lines change at once, once: an edge was missed."""
    counts = np.array([0, 1, 2, 4, 5, 6, 7], dtype=np.int64)
    file = folder / "illegal.bin"
    file.write_bytes(logic_capture.capture(np.linspace(1e-3, 6e-3, len(counts) - 1), counts).tobytes())
    found = logic_capture.by_sigrok(program, file)
    # The last count told is the one before the last.
    off = abs(int(found.counts[-1]) - int(counts[-2]))
    told = "sigrok-cli goes on, off by so much from there; our board tells ILLEGAL_TRANSITION, and the zero is void"
    yield Figure("counts lost by one illegal transition", off, "counts", note=told)


def differing(some: object, others: object) -> int:
    """Places at which two sequences differ; what one has more counts."""
    a, b = np.asarray(some), np.asarray(others)
    common = min(len(a), len(b))
    return int(np.count_nonzero(a[:common] != b[:common])) + abs(len(a) - len(b))


def _apart_s(ours: Counted, theirs: Counted) -> float:
    """Board's ticks and samples have their own zeros: the difference of the differences from the first edge."""
    n = min(len(ours.at), len(theirs.at))
    ours_s = (ours.at[:n] - ours.at[0]) / (logic_capture.ticks_per_sample() * SAMPLE_HZ)
    theirs_s = (theirs.at[:n] - theirs.at[0]) / SAMPLE_HZ
    return float(np.abs(ours_s - theirs_s).max())


def _used_s(wire: bytes) -> float:
    began = time.process_time()
    logic_capture.by_us(wire)
    return time.process_time() - began
