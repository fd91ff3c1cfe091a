"""A line at 1 Mbaud without a pause, read into a journal: `python -m tests.soak.full_line MINUTES` prints one JSON document at its end."""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
from pathlib import Path

from tests.performance import line, stream

BAUD = 1_000_000


def carry(minutes: float) -> dict[str, float]:
    """Bytes sent and missing, and the latencies of the first and the last quarter, milliseconds."""
    data = stream.wire(stream.busy(20.0))
    with tempfile.TemporaryDirectory() as name:
        carried = line.by_journal(Path(name), data, BAUD, minutes * 60)
    times = carried.latencies_s
    first, last = sorted(times[: len(times) // 4]), sorted(times[-(len(times) // 4) :])
    return {
        "sent": carried.sent_bytes,
        "missing": carried.sent_bytes - carried.kept_bytes,
        "share": carried.share * 100,
        "first_p50_ms": statistics.median(first) * 1000,
        "last_p50_ms": statistics.median(last) * 1000,
        "first_p99_ms": first[int(len(first) * 0.99)] * 1000,
        "last_p99_ms": last[int(len(last) * 0.99)] * 1000,
    }


if __name__ == "__main__":
    print(json.dumps(carry(float(sys.argv[1]))))
