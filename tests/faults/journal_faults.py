"""Faults of the journal as a file: torn at every byte, a byte changed, a piece gone from its middle, something put behind its end.

Of a torn journal everything up to the tear must be told again: what a user had been told by then, and nothing else.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

from bench import bench_file, job_file
from bench.errors import BenchError
from bench.journal import MAGIC, JournalReader, Record
from bench.replay import replay
from bench.result import document
from bench.settings import Rehearsal, header
from tests.faults.fault import Fault
from tests.faults.row import Outcome, Row
from tests.faults.short_job import BENCH, JOB, PASSES, FaultyWorld, Host, Seen, conduct, plain, seen

#: Bytes of a record besides its payload: length, kind, CRC.
AROUND = 9


@cache
def whole(seed: int) -> tuple[bytes, tuple[Seen, ...], tuple[tuple[int, int], ...], str]:
    """A short job's journal; what the user was told when; begin and end of each record; the result."""
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        path = Path(folder) / "run.capture"
        fault = Fault(random.Random(seed))
        host = Host(path, _header(seed))
        conduct(FaultyWorld(plain(), seed, fault), fault, host)
        host.journal.close()
        data = path.read_bytes()
        places = []
        with JournalReader(path) as reader:
            places.append((len(MAGIC), len(MAGIC)))
            reader.header()
            for record in reader.records():
                places.append((record.offset, record.offset + AROUND + len(record.payload)))
        return data, tuple(host.told_by), tuple(places), document(host.run, "x").to_json()


def _header(seed: int) -> dict[str, Any]:
    job, bench = job_file.parse(JOB, "job"), bench_file.parse(BENCH, "bench")
    return header(job, bench, PASSES, "2026-01-01T00:00:00+00:00", "test", Rehearsal("short-job", seed), False)


def records_of(path: Path) -> tuple[list[Record], int | None]:
    """The records that can be read, without the header, and where the tail is torn."""
    with JournalReader(path) as reader:
        reader.header()
        return list(reader.records()), reader.torn_at


def torn(seed: int) -> Iterator[str]:
    """Cut at each byte of the last 800 and of the header, and at 600 between. Gives what is wrong."""
    data, told, places, result = whole(seed)
    draw = random.Random(f"torn {seed}")
    first = places[1][0]
    offsets = {*range(min(first + 60, len(data))), *range(len(data) - 800, len(data) + 1)}
    offsets |= {draw.randrange(len(data)) for _ in range(600)}
    # A file in memory would not go through the reader's own reading.
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        path = Path(folder) / "torn.capture"
        for offset in sorted(offsets, reverse=True):
            _cut(path, data, offset)
            whole_records = [end for begin, end in places[1:] if end <= offset]
            try:
                found, torn_at = records_of(path)
            except BenchError:
                if offset >= first:
                    yield f"cut at {offset}: refused, although its header is whole"
                continue
            if offset < first:
                yield f"cut at {offset}: read without a whole header"
            if len(found) != len(whole_records):
                yield f"cut at {offset}: {len(found)} records read, {len(whole_records)} are whole"
            end = whole_records[-1] if whole_records else first
            if torn_at != (None if offset == end else end):
                yield f"cut at {offset}: torn at {torn_at} was told, not {end}"
        for offset in [len(data), *(draw.randrange(first, len(data)) for _ in range(4))]:
            _cut(path, data, offset)
            run = replay(path).run
            by_then = [s for s in told if s.length <= offset]
            end = max([e for _, e in places[1:] if e <= offset], default=first)
            if by_then and offset < told[-1].length:
                # Nothing of what was told since the last whole record; all that was told before.
                state = seen(run, 0)
                if (state.presses, state.passes) != (by_then[-1].presses, by_then[-1].passes) and end == by_then[
                    -1
                ].length:
                    yield f"cut at {offset}: told {state}, the user had been told {by_then[-1]}"
            again = document(run, "x")
            if again.valid and again.to_json() != result:
                yield f"cut at {offset}: valid, and other than the whole one"
            if not again.valid and again.exit_status() != 4:
                yield f"cut at {offset}: exit status {again.exit_status()}"


def _cut(path: Path, data: bytes, offset: int) -> None:
    path.write_bytes(data[:offset])


def changed(seed: int) -> Iterator[str]:
    """One byte changed, a piece gone, something behind the end: what is before is read, and no result is another one."""
    data, _, places, result = whole(seed)
    draw = random.Random(f"changed {seed}")
    first = places[1][0]
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        path = Path(folder) / "changed.capture"
        for n in range(200):
            at = draw.randrange(len(data))
            kind = n % 3
            other = bytearray(data)
            if kind == 0:
                other[at] ^= 1 << draw.randrange(8)
            elif kind == 1:
                del other[at : at + draw.randint(1, 300)]
            else:
                other[at:at] = draw.randbytes(draw.randint(1, 300))
            path.write_bytes(other)
            try:
                found, torn_at = records_of(path)
            except BenchError:
                if at >= first:
                    yield f"change at {at}: refused, although its header is whole"
                continue
            before = sum(end <= at for _, end in places[1:])
            if at >= first and len(found) < before:
                yield f"change at {at}: {len(found)} records read, {before} before it are whole"
            # CRC-32 lets one changed record in four thousand million pass.
            if at < len(data) and len(found) > before and torn_at is not None and torn_at < at:
                yield f"change at {at}: something else was read"
        path.write_bytes(data + draw.randbytes(500))
        if document(replay(path).run, "x").to_json() != result:
            yield "something behind the end changes the result"


def _outcome(name: str, check: Callable[[int], Iterator[str]], seed: int) -> Outcome:
    faults = tuple(check(seed))
    return Outcome(name, seed, valid=True, exit_status=0, struck_s=0.0, faults=faults)


CHECKS = {"journal torn at every byte": torn, "journal changed, cut, added to": changed}
ROWS = tuple(
    Row(name, (check.__doc__ or "").split(":")[0], lambda _d, _s: None, 1.0, most_runs=20, kind="journal")
    for name, check in CHECKS.items()
)


def run(row: Row, seed: int) -> Outcome:
    """One journal, in all its ways of being damaged."""
    return _outcome(row.name, CHECKS[row.name], seed)
