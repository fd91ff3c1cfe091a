"""What reading a full line into the journal costs, against `socat` copying the same bytes into a file: 1 Mbaud, 100 kB/s, over a pty.

Not the same work: the journal's process packs what it reads into records with a CRC-32, secures them on the disk twice a second, and
obeys its parent meanwhile. `socat` only copies. Both read as the bytes come, piece by piece of 5 ms.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.performance import line, stream
from tests.performance.figures import Figure

BAUD = 1_000_000
PART_S = 10.0
#: Each reader in turn, so that what else the machine does falls on both.
ROUNDS = 2
#: The kernel's buffer of a line holds so much at 1 Mbaud (DESIGN.md: 82 ms at 500 kbaud).
BUFFER_S = 0.041


def measure(part_s: float = PART_S, rounds: int = ROUNDS) -> Iterator[Figure]:
    """Figures of both readers on the same bytes."""
    if not Path("/proc/self/task").exists():
        yield Figure("journal's process, share of a core", None, "%", most=15, note="needs /proc and ptys")
        return
    data = stream.wire(stream.busy(2.0))
    program = shutil.which("socat")
    ours: list[line.Carried] = []
    theirs: list[line.Carried] = []
    with tempfile.TemporaryDirectory() as name:
        for number in range(rounds):
            folder = Path(name) / str(number)
            folder.mkdir()
            ours.append(line.by_journal(folder, data, BAUD, part_s))
            if program is not None:
                copy = folder / "copy.bin"
                command = [program, "-u", "PORT,rawer", f"CREATE:{copy}"]
                theirs.append(line.by_copy(command, copy, data, BAUD, part_s))
        bare = line.bare_s(data, BAUD, part_s, Path(name) / "bare.bin") / part_s
    share = sum(c.used_s for c in ours) / sum(c.lasted_s for c in ours)
    missing = sum(c.sent_bytes - c.kept_bytes for c in ours)
    rate = ours[0].sent_bytes / ours[0].lasted_s / 1000
    yield Figure("journal's process, share of a core", share * 100, "%", most=15, note=f"{rate:.0f} kB/s")
    yield Figure("bytes that the journal lacks", missing, "bytes", most=1, note=f"of {sum(c.sent_bytes for c in ours)}")
    latency = max(c.latency_s(0.99) for c in ours)
    yield Figure("bytes to journal, p99", latency * 1e3, "ms", note="as another process reads them there")
    yield Figure("the same over what the kernel's buffer holds", latency / BUFFER_S, "times", most=1)
    if theirs:
        peer = sum(c.used_s for c in theirs) / sum(c.lasted_s for c in theirs)
        yield Figure("socat, share of a core", peer * 100, "%")
        yield Figure("journal's process / socat", share / peer, "times", note="processor time for the same bytes")
    else:
        yield Figure("journal's process / socat", None, "times", note="socat is not installed")
    yield Figure(
        "journal's process / one read and one write a piece", share / bare, "times", note="the least, in Python"
    )
