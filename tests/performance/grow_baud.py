"""How reading and decoding a full line grow with its baud rate: shares of a core, and how late bytes are in the journal."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

from firmware_protocol.framing import FrameReader
from firmware_protocol.messages import Contact
from tests.performance import line, stream
from tests.performance.figures import least_processor_s
from tests.performance.growth import Curve, Growth

BAUDS = (115_200, 250_000, 500_000, 1_000_000)
PART_S = 8.0
GOES = 5


def measure(bauds: Sequence[int] = BAUDS, part_s: float = PART_S) -> Growth:
    """The line full at each rate."""
    messages = stream.busy(2.0)
    data = stream.wire(messages)
    contact = next(m for m in messages if isinstance(m, Contact))
    frame = len(stream.wire([contact])) * line.BITS_PER_BYTE
    reading, decoding, middle, late = [], [], [], []
    with tempfile.TemporaryDirectory() as name:
        for baud in bauds:
            carried = line.by_journal(Path(name), data, baud, part_s)
            assert carried.kept_bytes == carried.sent_bytes
            reading.append(carried.share * 100)
            decoding.append(_decoding_s(data, carried.sent_bytes) / part_s * 100)
            middle.append(carried.latency_s(0.5) * 1e3)
            late.append(carried.latency_s(0.99) * 1e3)
    return Growth(
        "baud rate, the line full",
        "baud",
        tuple(map(float, bauds)),
        (
            Curve("reading into the journal", "% of a core", tuple(reading), most_exponent=1.1),
            Curve("decoding to messages", "% of a core", tuple(decoding), most_exponent=1.1),
            Curve("bytes to journal, p50", "ms", tuple(middle), most_exponent=0.5),
            Curve("bytes to journal, p99", "ms", tuple(late)),
            Curve("limit: one Contact on the line", "ms", tuple(frame / b * 1e3 for b in bauds), peer=True),
        ),
        note=f"pieces of {line.PIECE_S * 1e3:g} ms, {part_s:g} s at each rate; latency from the pty to another process that looks "
        f"every {line.LOOK_S * 1e3:g} ms",
    )


def _decoding_s(data: bytes, size: int) -> float:
    """Processor seconds for so many bytes."""
    whole = (data * (size // len(data) + 1))[:size]

    def once() -> None:
        reader = FrameReader()
        for place in range(0, size, 500):
            reader.feed(whole[place : place + 500])

    return least_processor_s(GOES, once)
