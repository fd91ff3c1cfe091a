"""How decoding and replay grow with encoder edges: the same job, seen by encoders of more and more counts a turn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bench.journal import Record
from firmware_protocol.framing import FrameReader
from tests.performance.figures import Figure, least_processor_s
from tests.performance.growth import Curve, Growth
from tests.support import scripted

SPEED_DEG_S = 240.0
TURNS = 8.0
#: At SPEED_DEG_S: 333 to 33,333 edges a second; at 2 bytes an edge a line of 500 kbaud is full at 25,000 (DESIGN.md).
COUNTS = (500, 1_000, 2_000, 5_000, 10_000, 20_000, 50_000)
TIMES = 3


def measure(counts: Sequence[int] = COUNTS, turns: float = TURNS) -> Growth:
    """One job of so many turns per encoder."""
    rates, decoding, replaying, sizes, per_edge = [], [], [], [], []
    for number in counts:
        script = replace(scripted.turning(turns, SPEED_DEG_S), counts_per_turn=number)
        device_s = script.path[-1][0]
        sent = scripted.play(script)
        records = scripted.records(script, scripted.wire(sent))
        data = b"".join(r.payload for r in records[2:])

        def replay(records: list[Record] = records) -> None:
            run = scripted.new_run(passes=1_000)
            for record in records:
                run.feed(record)
            assert run.failure is None, run.failure

        def decode(data: bytes = data) -> None:
            reader = FrameReader()
            for place in range(0, len(data), 4096):
                reader.feed(data[place : place + 4096])

        edges = sum(abs(a - b) for (_, a), (_, b) in zip(script.path[1:], script.path, strict=False)) / 360 * number
        rates.append(SPEED_DEG_S / 360 * number)
        decoding.append(least_processor_s(TIMES, decode) / device_s * 100)
        replaying.append(least_processor_s(TIMES, replay) / device_s * 100)
        per_edge.append(replaying[-1] / 100 * device_s / edges * 1e6)
        sizes.append(len(data) / device_s / 1000)
    top = Figure("replay at the most edges / device time", replaying[-1] / 100, "times", most=0.2)
    return Growth(
        "encoder edges a second while turning",
        "edge/s",
        tuple(rates),
        (
            Curve("decoding to messages", "% of device time", tuple(decoding), most_exponent=1.1),
            Curve("replay: decoding and the run", "% of device time", tuple(replaying), most_exponent=1.1),
            Curve("limit: as fast as it came", "% of device time", (100.0,) * len(rates), peer=True),
            Curve("replay for each edge", "µs", tuple(per_edge)),
            Curve("bytes from the board", "kB/s", tuple(sizes), most_exponent=1.1),
            Curve("limit: 500 kbaud", "kB/s", (50.0,) * len(rates), peer=True),
        ),
        note=f"neutral marked, then {turns:g} turns at {SPEED_DEG_S:g}°/s",
        figures=(top,),
    )
