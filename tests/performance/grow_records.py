"""How the record store grows with its records: adding one, a page of the list, a unit's history, verifying all; raw sqlite3 beside."""

from __future__ import annotations

import contextlib
import sqlite3
import tempfile
from collections.abc import Sequence
from pathlib import Path

from bench.records.model import Record
from bench.records.store import open_store
from bench.records.verification import verify
from tests.performance.figures import best_of, seconds
from tests.performance.growth import Curve, Growth
from tests.performance.measure_records import UNITS, fill, numbered, raw_copy, template_record

RECORDS = (10, 100, 1_000, 10_000)
ADDED = 20


def measure(records: Sequence[int] = RECORDS, template: Record | None = None) -> Growth:
    """One store of each size, full of `template`; by default a record with the result of a whole job."""
    template = template or template_record()
    rows = []
    with tempfile.TemporaryDirectory() as name:
        for number in records:
            folder = Path(name) / str(number)
            folder.mkdir()
            rows.append(_store(folder, template, number))
    add, page, history, whole, raw_page, raw_read, size = zip(*rows, strict=True)
    return Growth(
        "records in the store",
        "record",
        tuple(map(float, records)),
        (
            Curve("adding one more, on the disk", "ms", add, most_exponent=0.3),
            Curve("page of the list", "ms", page, most_exponent=0.3),
            Curve("history of one unit", "ms", history, most_exponent=0.3),
            Curve("verifying all", "ms", whole, most_exponent=1.1),
            Curve("peer: a page by raw sqlite3", "ms", raw_page, peer=True),
            Curve("peer: reading all by raw sqlite3", "ms", raw_read, peer=True),
            Curve("size of the store", "MB", size, most_exponent=1.1),
        ),
        note=f"records of whole jobs, of up to {UNITS} units; adding includes the disk's fsync",
    )


def _store(folder: Path, template: Record, number: int) -> tuple[float, ...]:
    """Adding, page, history, verifying, raw page, raw reading in milliseconds; size in MB."""
    path, copy = folder / "records.sqlite", folder / "raw.sqlite"
    with open_store(path) as store:
        fill(store, template, number)
    raw_copy(path, copy)
    with open_store(path) as store, contextlib.closing(sqlite3.connect(copy)) as raw:
        page = best_of(5, lambda: store.page())
        history = best_of(5, lambda: store.find("SIM-00001"))
        raw_page = best_of(5, lambda: raw.execute("SELECT id, serial FROM t ORDER BY id DESC LIMIT 50").fetchall())
        raw_read = best_of(3, lambda: sum(len(row[0]) for row in raw.execute("SELECT content FROM t")))
        found = []
        whole = min(seconds(lambda: found.append(verify(store, folder))) for _ in range(2))
        assert all((f.whole, f.records) == (True, number) for f in found)
        size = path.stat().st_size / 1e6
        added = [numbered(template, number + n) for n in range(ADDED)]
        add = seconds(lambda: [store.add(record) for record in added]) / ADDED
    times_ms = (1e3 * taken for taken in (add, page, history, whole, raw_page, raw_read))
    return (*times_ms, size)
