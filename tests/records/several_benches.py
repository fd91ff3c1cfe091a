"""Many processes that write records into one PostgreSQL: none lost, none doubled, the chain whole.

`python -m tests.records.several_benches [--records 10000] [--processes 8]`.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import tempfile
import time
from pathlib import Path

from bench.records.store import open_store
from bench.records.verification import verify
from tests.records.postgres import new_server
from tests.records.support import record

#: Ids of one process begin here; processes on two benches, by the serial numbers of their units.
APART = 1_000_000


def write(setting: str, process: int, count: int) -> None:
    """One process's share."""
    with open_store(setting) as store:
        for number in range(count):
            store.add(record(process * APART + number, serial_number=f"BENCH-{process % 2}"))


def run(setting: str, records: int, processes: int) -> float:
    """Write and check; gives the seconds that the writing took. Raises AssertionError."""
    context = multiprocessing.get_context("spawn")
    share = records // processes
    writers = [context.Process(target=write, args=(setting, number, share)) for number in range(1, processes + 1)]
    began = time.monotonic()
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    took = time.monotonic() - began
    assert [writer.exitcode for writer in writers] == [0] * processes
    wanted = sorted(record(p * APART + n).id for p in range(1, processes + 1) for n in range(share))
    with open_store(setting) as store:
        assert sorted(row[4] for rows in store.pieces(1000) for row in rows) == wanted
        found = verify(store, Path(tempfile.gettempdir()), journals=False)
        assert (found.whole, found.records) == (True, share * processes)
        assert len(store.find("BENCH-0")) + len(store.find("BENCH-1")) == share * processes
    return took


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.records.several_benches", description=__doc__)
    parser.add_argument("--records", type=int, default=10_000)
    parser.add_argument("--processes", type=int, default=8)
    options = parser.parse_args()
    server = new_server()
    try:
        took = run(server.new_database(), options.records, options.processes)
    finally:
        server.close()
    print(
        f"{options.records} records by {options.processes} processes in {took:.1f} s: all there once, the chain whole"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
