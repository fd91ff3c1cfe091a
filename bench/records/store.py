"""The record store: `open_store` gives one, in SQLite or PostgreSQL; what it does is the same in both.

Everything is an entry in one hash chain, and is only ever added. Adding is idempotent: an entry that is added again under the same
id, because nobody heard that it was kept, is kept once.
"""

from __future__ import annotations

import math
import secrets
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import astuple
from pathlib import Path

from bench.errors import UsageError
from bench.files import printable
from bench.records import points
from bench.records.chain import NOTHING, Entry, Keys, entry
from bench.records.content import decode, encode
from bench.records.database import Connection, Database, Row
from bench.records.model import (
    AMENDABLE,
    Amendment,
    Closing,
    Head,
    OpenJob,
    Record,
    RecordNotFound,
    Stoppage,
    Stored,
    StoreError,
    Summary,
)

#: Without letters and digits that look alike on paper.
_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_MOST_TEXT = 2_000
PAGE = 50

COLUMNS = (
    "sequence, kind, entry_id, made_at, subject, serial_number, part_number, verdict, for_record, refers_to, journal_place, "
    "journal_bytes, journal_sha256, content_sha256, previous_hash, hash, content"
)
_TYPES = (int, *[str] * 7, int, str, str, int, *[str] * 4)
_VALUES = ", ".join("?" * len(COLUMNS.split(",")))
_SUMMARY = (
    "SELECT e.subject, e.sequence, e.made_at, e.serial_number, e.part_number, e.verdict, e.for_record, "
    "(SELECT count(*) FROM record_entries a WHERE a.subject = e.subject AND a.kind = 'amendment') FROM record_entries e "
)


def new_id(at: str) -> str:
    """An id that no other bench gives: the day of `at` (ISO 8601), and forty random bits."""
    drawn = "".join(secrets.choice(_ALPHABET) for _ in range(8))
    return f"{at[:10].replace('-', '')}-{drawn}"


def check_types(row: Row) -> None:
    """Raises StoreError if a column of `COLUMNS` holds another type than was written."""
    if tuple(map(type, row[:16])) != _TYPES or not isinstance(row[16], (bytes, memoryview)):
        raise StoreError(f"Entry {printable(str(row[0]))} holds what was never written there.")


def read_entry(row: Row) -> Entry:
    """A row of `COLUMNS` as an entry. Raises StoreError if a column holds another type than was written."""
    check_types(row)
    return Entry(row[0], row[1], row[2], row[3], Keys(*row[4:12]), row[12], bytes(row[16]), row[13], row[14], row[15])


def last_of(numbers: Iterable[int], after: int) -> int:
    """The last of entries' numbers, which must rise from `after` on. Raises StoreError where a damaged store gives them otherwise: who
    goes on from the last would meet the same entries for ever.
    """
    for number in numbers:
        if number <= after:
            raise StoreError(f"Entry {number} comes after entry {after}: the store is damaged.")
        after = number
    return after


def open_store(setting: str | Path, read_only: bool = False) -> Store:
    """The store at a file's path (SQLite) or an address `postgresql://…`; made or migrated if need be.

    `read_only`: only looked at; it must exist. Raises StoreError.
    """
    if is_address(setting):
        from bench.records.postgres_database import PostgresDatabase

        return Store(PostgresDatabase(str(setting)))
    from bench.records.sqlite_database import SqliteDatabase

    return Store(SqliteDatabase(Path(setting), read_only), read_only)


def is_address(setting: str | Path) -> bool:
    """Whether `setting` is PostgreSQL's address rather than a file's path."""
    return isinstance(setting, str) and setting.startswith(("postgresql://", "postgres://"))


class Store:
    """A record store. Every method raises StoreError when the database fails; nothing half done is ever seen.

    Not for several threads at once. Use as a context, or call `close`.
    """

    def __init__(self, database: Database, read_only: bool = False) -> None:
        self.database = database
        try:
            if not read_only:
                database.migrate()
            elif database.read(database.version) not in range(1, len(database.migrations) + 1):
                raise StoreError(f"{database.place} is no record store that this version can read.")
        except StoreError:
            database.close()
            raise

    @property
    def place(self) -> str:
        """For messages: the file, or the address without its password."""
        return self.database.place

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self.database.close()

    # Adding

    def add(self, record: Record) -> Stored:
        """Keep a record; when this returns it is on the disk. A record of the same id and content is kept once.

        Raises RecordNotFound if `recheck_of` names none, StoreError if the id is taken by another.
        """
        keys = Keys(
            record.id,
            record.serial_number,
            record.part_number,
            record.verdict,
            int(not record.not_for_record),
            record.recheck_of or "",
            record.journal.place,
            record.journal.size_bytes,
        )

        def check(connection: Connection) -> None:
            if record.recheck_of is not None:
                _record_entry(connection, record.recheck_of)

        added = self._append("record", record.id, record.made_at, keys, record.journal.sha256, encode(record), check)
        return Stored(record, added.sequence, added.hash)

    def amend(self, record_id: str, by: str, at: str, why: str, changes: Sequence[tuple[str, str]]) -> Amendment:
        """Add a statement to a record (`record_id` whole or its unique beginning). `changes` as in `Amendment`.

        Raises RecordNotFound; UsageError for a field that cannot be amended or an empty or impossible text.
        """
        for what, text in (("by", by), ("why", why), *changes):
            _check_text(what, text)
        if not changes:
            raise UsageError(
                "An amendment says what is to be read instead: FIELD=TEXT, or remark=TEXT to add a remark."
            )
        for field, text in changes:
            _check_change(field, text)
        target = self.entry_of(record_id)
        amendment = Amendment(new_id(at), target.keys.subject, target.hash, by, at, why, tuple(changes))
        latest = dict(changes)
        keys = Keys(target.keys.subject, latest.get("serial_number", ""), latest.get("part_number", ""))
        self._append("amendment", amendment.id, at, keys, "", encode(amendment))
        return amendment

    def stop(self, stoppage: Stoppage) -> None:
        """Keep that a measurement ended without a valid result; its job is open from now on."""
        unit = stoppage.result.get("unit") or stoppage.job.get("unit") or {}
        serial, part = str(unit.get("serial_number", "")), str(unit.get("part_number", ""))
        journal = stoppage.journal
        keys = Keys(stoppage.job_id, serial, part, journal_place=journal.place, journal_bytes=journal.size_bytes)
        self._append("stoppage", stoppage.id, stoppage.at, keys, journal.sha256, encode(stoppage))

    def close_job(self, job_id: str, by: str, at: str, why: str) -> Closing:
        """Give up a job, so that it is open no more. Raises UsageError if a record of that id exists, or a text is empty."""
        for what, text in (("by", by), ("why", why)):
            _check_text(what, text)
        closing = Closing(new_id(at), job_id, by, at, why)

        def check(connection: Connection) -> None:
            if connection.rows(
                "SELECT 1 FROM record_entries WHERE subject = ? AND kind IN ('record', 'closing')", job_id
            ):
                raise UsageError(f"{printable(job_id)} is no open job: it was recorded or closed. See records show.")

        self._append("closing", closing.id, at, Keys(job_id), "", encode(closing), check)
        return closing

    def _append(
        self,
        kind: str,
        entry_id: str,
        made_at: str,
        keys: Keys,
        journal_sha256: str,
        content: bytes,
        check: Callable[[Connection], None] | None = None,
    ) -> Entry:
        def work(connection: Connection) -> Entry:
            points.reached(f"{kind}: transaction begun")
            # The head's row is what writers queue for, so that each sees the one before.
            lock = "SELECT count, hash FROM record_head WHERE id = 1" + self.database.for_update
            head = connection.rows(lock)
            there = connection.rows(f"SELECT {COLUMNS} FROM record_entries WHERE entry_id = ?", entry_id)
            if there:
                found = read_entry(there[0])
                if (found.kind, found.content) != (kind, content):
                    raise StoreError(f"The id {printable(entry_id)} is taken by another entry of {self.place}.")
                return found
            if check is not None:
                check(connection)
            if len(head) != 1:
                raise StoreError(f"The store {self.place} has lost its head. Run breakerbench records verify.")
            count, last = head[0]
            new = entry(count + 1, kind, entry_id, made_at, keys, journal_sha256, content, last)
            connection.run(
                f"INSERT INTO record_entries ({COLUMNS}) VALUES ({_VALUES})",
                *(new.sequence, kind, entry_id, made_at, *astuple(keys)),
                *(journal_sha256, new.content_sha256, last, new.hash, content),
            )
            points.reached(f"{kind}: entry inserted")
            connection.run("UPDATE record_head SET count = ?, hash = ? WHERE id = 1", new.sequence, new.hash)
            points.reached(f"{kind}: head set")
            return new

        added = self.database.write(work)
        points.reached(f"{kind}: committed")
        return added

    def take_over(self, connection: Connection, rows: Sequence[Row]) -> None:
        """Add rows of `COLUMNS` from another store as they are, in order; for a copy."""
        for row in rows:
            connection.run(f"INSERT INTO record_entries ({COLUMNS}) VALUES ({_VALUES})", *row)
            connection.run("UPDATE record_head SET count = ?, hash = ? WHERE id = 1", row[0], row[15])

    # Reading

    def pieces(self, size: int) -> Iterator[list[Row]]:
        """All rows of `COLUMNS` in order, `size` at a time."""
        after = 0
        while True:

            def work(connection: Connection, start: int = after) -> list[Row]:
                return connection.rows(
                    f"SELECT {COLUMNS} FROM record_entries WHERE sequence > ? ORDER BY sequence LIMIT ?", start, size
                )

            rows = self.database.read(work)
            if not rows:
                return
            after = last_of((row[0] for row in rows), after)
            yield rows

    def head(self) -> Head:
        """Number of entries and the last one's hash."""

        def work(connection: Connection) -> Head:
            rows = connection.rows("SELECT count, hash FROM record_head WHERE id = 1")
            return Head(int(rows[0][0]), rows[0][1]) if rows else Head(0, NOTHING)

        return self.database.read(work)

    def entry_of(self, record_id: str) -> Entry:
        """A record's own entry; `record_id` whole or its unique beginning. Raises RecordNotFound."""
        return self.database.read(lambda connection: _record_entry(connection, record_id))

    def get(self, record_id: str) -> Stored:
        """A record with its story; `record_id` whole or its unique beginning. Raises RecordNotFound."""
        return self.database.read(lambda connection: _stored(connection, _record_entry(connection, record_id)))

    def find(self, serial_number: str) -> tuple[Stored, ...]:
        """All records of a unit by its serial number as last amended, in the order in which they were made."""

        def work(connection: Connection) -> tuple[Stored, ...]:
            # One go for the entries of all its records: a unit with many has a history too.
            rows = connection.rows(
                f"SELECT {COLUMNS} FROM record_entries WHERE subject IN "
                "(SELECT subject FROM record_entries WHERE serial_number = ?) ORDER BY sequence",
                serial_number,
            )
            found = _all_stored(connection, [read_entry(row) for row in rows])
            return tuple(s for s in found if s.serial_number == serial_number)

        return self.database.read(work)

    def page(
        self, before: int | None = None, limit: int = PAGE, serial_number: str | None = None
    ) -> tuple[Summary, ...]:
        """Records, latest first, at most `limit`; `before` is the `sequence` of the last one of the page before."""
        where = "WHERE e.kind = 'record' "
        values: list[object] = []
        if before is not None:
            where += "AND e.sequence < ? "
            values.append(before)
        if serial_number is not None:
            where += "AND e.subject IN (SELECT subject FROM record_entries WHERE serial_number = ?) "
            values.append(serial_number)

        def work(connection: Connection) -> tuple[Summary, ...]:
            rows = connection.rows(_SUMMARY + where + "ORDER BY e.sequence DESC LIMIT ?", *values, limit)
            return tuple(Summary(r[0], r[1], r[2], r[3], r[4], r[5], bool(r[6]), r[7]) for r in rows)

        return self.database.read(work)

    def all(self) -> Iterator[Stored]:
        """Every record with its story, in order, a page at a time."""
        after = 0
        while True:

            def work(connection: Connection, start: int = after) -> list[Stored]:
                rows = connection.rows(
                    f"SELECT {COLUMNS} FROM record_entries WHERE kind = 'record' AND sequence > ? ORDER BY sequence LIMIT ?",
                    start,
                    PAGE,
                )
                return [_stored(connection, read_entry(row)) for row in rows]

            found = self.database.read(work)
            if not found:
                return
            after = last_of((stored.sequence for stored in found), after)
            yield from found

    def of_journal(self, sha256: str) -> str | None:
        """Id of the record whose journal has this hash, if there is one."""

        def work(connection: Connection) -> str | None:
            rows = connection.rows(
                "SELECT subject FROM record_entries WHERE journal_sha256 = ? AND journal_sha256 <> '' AND kind = 'record'",
                sha256,
            )
            return rows[0][0] if rows else None

        return self.database.read(work)

    def open_jobs(self) -> tuple[OpenJob, ...]:
        """Jobs that were stopped and neither recorded since nor closed, latest first."""

        def work(connection: Connection) -> tuple[OpenJob, ...]:
            rows = connection.rows(
                f"SELECT {COLUMNS} FROM record_entries e WHERE kind = 'stoppage' AND NOT EXISTS (SELECT 1 FROM record_entries d "
                "WHERE d.subject = e.subject AND d.kind IN ('record', 'closing')) ORDER BY sequence DESC"
            )
            found: dict[str, OpenJob] = {}
            for row in rows:
                stopped = decode(Stoppage, read_entry(row).content)
                job = OpenJob(
                    *(stopped.job_id, row[5], stopped.at, stopped.code, stopped.text, stopped.journal.place, True)
                )
                found.setdefault(stopped.job_id, job)
            return tuple(found.values())

        return self.database.read(work)

    def stoppages(self, job_id: str) -> tuple[Stoppage, ...]:
        """Every stop of one job, in order; empty if there is none."""

        def work(connection: Connection) -> tuple[Stoppage, ...]:
            rows = connection.rows(
                f"SELECT {COLUMNS} FROM record_entries WHERE subject = ? AND kind = 'stoppage' ORDER BY sequence",
                job_id,
            )
            return tuple(decode(Stoppage, read_entry(row).content) for row in rows)

        return self.database.read(work)

    def done_with(self, job_id: str) -> str | None:
        """ "record" or "closing" if a job is open no more, else None."""

        def work(connection: Connection) -> str | None:
            rows = connection.rows(
                "SELECT kind FROM record_entries WHERE subject = ? AND kind IN ('record', 'closing')", job_id
            )
            return rows[0][0] if rows else None

        return self.database.read(work)


def _record_entry(connection: Connection, name: str) -> Entry:
    name = name.strip().upper()
    if not name or len(name) > 40 or not name.isprintable():
        raise RecordNotFound("A record's id, or its beginning, was expected. List them: breakerbench records list.")
    rows = connection.rows(
        f"SELECT {COLUMNS} FROM record_entries WHERE subject >= ? AND subject < ? AND kind = 'record' LIMIT 2",
        name,
        name + "~",
    )
    exact = [row for row in rows if row[4] == name]
    if len(exact or rows) == 1:
        return read_entry((exact or rows)[0])
    if not rows:
        raise RecordNotFound(f"There is no record {name}. List them: breakerbench records list.")
    raise RecordNotFound(
        f"Several records begin with {name}, {rows[0][4]} and {rows[1][4]} among them. Write more of it."
    )


def _stored(connection: Connection, of: Entry) -> Stored:
    rows = connection.rows(f"SELECT {COLUMNS} FROM record_entries WHERE subject = ? ORDER BY sequence", of.keys.subject)
    return _all_stored(connection, [read_entry(row) for row in rows])[0]


def _all_stored(connection: Connection, entries: Sequence[Entry]) -> list[Stored]:
    """Records among `entries`, each with those of its amendments."""
    amendments: dict[str, list[Amendment]] = {}
    for one in entries:
        if one.kind == "amendment":
            amendments.setdefault(one.keys.subject, []).append(decode(Amendment, one.content))
    found = []
    for one in entries:
        if one.kind != "record":
            continue
        rechecks = connection.rows(
            "SELECT subject FROM record_entries WHERE refers_to = ? AND refers_to <> '' ORDER BY sequence",
            one.keys.subject,
        )
        found.append(
            Stored(
                decode(Record, one.content),
                one.sequence,
                one.hash,
                tuple(amendments.get(one.keys.subject, [])),
                tuple(row[0] for row in rechecks),
            )
        )
    return found


def _check_text(what: str, text: str) -> None:
    if not text.strip() or len(text) > _MOST_TEXT or printable(text) != text:
        raise UsageError(f"{what}: a text of 1 to {_MOST_TEXT} characters without control characters was expected.")


def _check_change(field: str, text: str) -> None:
    if field not in AMENDABLE:
        raise UsageError(
            f"{printable(field)} cannot be amended; {', '.join(AMENDABLE)} can. A measured figure is never amended: measure again."
        )
    if field == "service_hours":
        try:
            hours = float(text)
        except ValueError:
            hours = math.nan
        if not 0 <= hours < 1e6:
            raise UsageError(f"service_hours: hours from 0 were expected, not {text!r}.")
