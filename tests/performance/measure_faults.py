"""How soon after a fault `measure --headless` has told it and ended: from the event to the end of the program."""

from __future__ import annotations

import os
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from bench.journal import JournalReader, Kind
from tests.end_to_end.commands import JOB, simulator, with_fault
from tests.performance.figures import Figure
from tests.performance.programs import breakerbench

MOST_S = 2.0
#: Faults in the middle of a session: the event is the last byte that came from the board.
IN_SESSION = {
    "board falls silent": "silent_at_s = 12.0",
    "port goes away": "close_at_s = 12.0",
}
#: Faults from the start: the event is the start of the program.
FROM_START = {
    "port speaks other bytes": "rubbish = true",
    "board with other firmware": "other_fingerprint = true",
}


def measure() -> Iterator[Figure]:
    """Figures of each fault."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["BREAKERBENCH_HOME"] = str(folder)
        yield _figure("no such port", *_run("/dev/no-such-port", folder / "none.capture", in_session=False))
        for text, fault in FROM_START.items():
            with simulator(with_fault(folder, fault), rate="1") as port:
                yield _figure(text, *_run(port, folder / f"{fault[:5]}.capture", in_session=False))
        for text, fault in IN_SESSION.items():
            with simulator(with_fault(folder, fault)) as port:
                yield _figure(text, *_run(port, folder / f"{fault[:5]}.capture", in_session=True))


def _figure(name: str, seconds: float, status: int) -> Figure:
    return Figure(f"{name}: told and ended", seconds, "s", most=MOST_S, note=f"exit status {status}")


def _run(port: str, capture: Path, in_session: bool) -> tuple[float, int]:
    """Seconds from the event to the end, and the exit status."""
    event = time.monotonic()
    command = [*breakerbench(), "measure", str(JOB), "--port", port, "--headless", "--json", "--capture", str(capture)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    reader: JournalReader | None = None
    while process.poll() is None:
        if reader is None and capture.exists() and capture.stat().st_size > 2_000:
            reader = JournalReader(capture)
            reader.header()
        if reader is not None and in_session and [r for r in reader.records() if r.kind is Kind.FROM_BOARD]:
            event = time.monotonic()
        if reader is None or in_session:
            # The waiting is for the program's end; a busy loop would take the time that is measured from it.
            time.sleep(0.005)
        else:
            process.wait()
    ended = time.monotonic()
    if reader is not None:
        reader.close()
    return ended - event, process.returncode
