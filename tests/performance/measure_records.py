"""The record store with 100,000 records: history of a unit, a page of the list, verifying, size; raw sqlite3 beside it."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import astuple, replace
from pathlib import Path

from bench.records.chain import Keys, entry
from bench.records.content import encode
from bench.records.database import Connection
from bench.records.model import Record
from bench.records.store import Store, open_store
from bench.records.verification import Verification, verify
from tests.performance.figures import Figure, best_of, seconds
from tests.records.support import record
from tests.support.simulated import carry_out

RECORDS = 100_000
UNITS = 5_000
#: One by one with their fsyncs, for the time of adding.
ADDED = 50
FAST_S = 0.1
LEAST_PER_S = 20_000


def template_record() -> Record:
    """A record with the result of a whole job, budgets and all."""
    from bench.result import document

    result = json.loads(document(carry_out("plain-single", 1).run, None).to_json())
    return replace(record(0), result=result)


def numbered(template: Record, number: int) -> Record:
    unit = {**template.result["unit"], "serial_number": f"SIM-{number % UNITS:05d}"}
    return replace(template, id=f"20260301-{number:08d}", result={**template.result, "unit": unit})


def fill(store: Store, template: Record, records: int = RECORDS) -> None:
    """Up to so many records in few transactions: a hundred thousand fsyncs would be the disk's figure. Through the store's own triggers."""
    head = store.head()
    place, previous = head.count, head.hash
    # Written out a hundred thousand times from one pattern: making contents is not what is measured.
    unit = {**template.result["unit"], "serial_number": "THE-SERIAL"}
    pattern = encode(replace(template, id="THE-ID", result={**template.result, "unit": unit}))
    for first in range(place, records, 2_000):
        rows: list[tuple[object, ...]] = []
        for number in range(first, min(first + 2_000, records)):
            record_id, serial = f"20260301-{number:08d}", f"SIM-{number % UNITS:05d}"
            content = pattern.replace(b"THE-ID", record_id.encode()).replace(b"THE-SERIAL", serial.encode())
            keys = Keys(record_id, serial, template.part_number, template.verdict, 1)
            place += 1
            e = entry(place, "record", record_id, template.made_at, keys, "", content, previous)
            previous = e.hash
            hashes = ("", e.content_sha256, e.previous_hash, e.hash)
            rows.append((place, e.kind, record_id, e.made_at, *astuple(keys), *hashes, content))

        def work(connection: Connection, piece: list[tuple[object, ...]] = rows) -> None:
            store.take_over(connection, piece)

        store.database.write(work)


def raw_copy(store: Path, copy: Path) -> None:
    """The same contents in a plain table with one index, by sqlite3 alone."""
    with contextlib.closing(sqlite3.connect(copy)) as raw:
        raw.execute("ATTACH ? AS store", (str(store),))
        raw.execute("CREATE TABLE t (id INTEGER PRIMARY KEY, serial TEXT, content BLOB)")
        raw.execute("INSERT INTO t SELECT sequence, serial_number, content FROM store.record_entries")
        raw.execute("CREATE INDEX i ON t (serial)")
        raw.commit()


def measure() -> Iterator[Figure]:
    """Figures of the whole store."""
    template = template_record()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path, copy = folder / "records.sqlite", folder / "raw.sqlite"
        with open_store(path) as store:
            each = seconds(lambda: [store.add(numbered(template, n)) for n in range(ADDED)]) / ADDED
            fill(store, template)
        raw_copy(path, copy)
        with open_store(path) as store, contextlib.closing(sqlite3.connect(copy)) as raw:
            yield from _figures(store, raw, folder)
        content = len(encode(numbered(template, 1)))
        size, plain = path.stat().st_size, copy.stat().st_size
        yield Figure("adding one record, on the disk", each * 1e3, "ms", note="the disk's fsync for the most part")
        yield Figure("size per record", size / RECORDS, "byte", note=f"its content alone {content} bytes")
        yield Figure("size, over raw sqlite3", size / plain, "times")


def _figures(store: Store, raw: sqlite3.Connection, folder: Path) -> Iterator[Figure]:
    history = best_of(5, lambda: store.find("SIM-00042"))
    page = best_of(5, lambda: store.page())
    deep = best_of(5, lambda: store.page(before=RECORDS // 2))
    raw_history = best_of(5, lambda: raw.execute("SELECT content FROM t WHERE serial = 'SIM-00042'").fetchall())
    raw_page = best_of(5, lambda: raw.execute("SELECT id, serial FROM t ORDER BY id DESC LIMIT 50").fetchall())
    found: list[Verification] = []
    whole = seconds(lambda: found.append(verify(store, folder)))
    raw_read = best_of(1, lambda: sum(len(row[0]) for row in raw.execute("SELECT content FROM t")))
    assert (found[0].whole, found[0].records) == (True, RECORDS)
    yield Figure(f"history of a unit with {RECORDS // UNITS} records", history, "s", most=FAST_S)
    yield Figure("the same rows by raw sqlite3, nothing decoded", raw_history, "s")
    yield Figure("page of the list, latest", page, "s", most=FAST_S)
    yield Figure("page of the list, in the middle", deep, "s", most=FAST_S)
    yield Figure("a page by raw sqlite3", raw_page, "s")
    yield Figure(
        "verify", RECORDS / whole, "records/s", least=LEAST_PER_S, note="SQLite's own integrity check included"
    )
    yield Figure("reading all contents by raw sqlite3", RECORDS / raw_read, "records/s")
