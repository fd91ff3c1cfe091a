"""Whether a store and its journals are what they were: the chain recomputed from the first entry to the head.

What is changed, missing, out of order or cut off is a problem, and the first broken link is named first. What was never committed (a
torn tail, free pages) is no problem and can be listed by offset.
"""

from __future__ import annotations

import contextlib
import platform
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from bench.errors import CaptureError
from bench.files import printable
from bench.journal import JournalReader
from bench.records.chain import NOTHING, Entry, row_hash, sha256
from bench.records.content import decode
from bench.records.database import Connection
from bench.records.making import hash_of_start
from bench.records.model import Head, JournalLink, Record, Stoppage, StoreError
from bench.records.store import COLUMNS, Store, check_types, last_of, read_entry

#: After so many, more would not help anyone.
MOST_PROBLEMS = 100
_NAMES = {"record": "record", "amendment": "amendment of", "stoppage": "stoppage of", "closing": "closing of"}


@dataclass(frozen=True, slots=True)
class Problem:
    """A broken link: at which entry (None: the store as a whole), of which record or job, and what is wrong."""

    sequence: int | None
    subject: str | None
    text: str


@dataclass(frozen=True, slots=True)
class Region:
    """Bytes of a file that hold nothing committed: from `begin` to before `end`."""

    file: str
    begin: int
    end: int
    what: str


@dataclass(slots=True)
class Verification:
    """What was checked and found. `unchecked`: journals that are not on this computer. `outside` as in `Region`."""

    place: str
    entries: int = 0
    records: int = 0
    journals: int = 0
    head: Head = field(default_factory=lambda: Head(0, NOTHING))
    problems: list[Problem] = field(default_factory=list)
    unchecked: list[str] = field(default_factory=list)
    outside: list[Region] = field(default_factory=list)

    @property
    def whole(self) -> bool:
        """Nothing is broken."""
        return not self.problems

    def broken(self, text: str, of: Entry | None = None) -> None:
        """Note a problem."""
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(
                Problem(None, None, text) if of is None else Problem(of.sequence, of.keys.subject, text)
            )


def verify(
    store: Store,
    base: Path,
    journals: bool = True,
    expected: Head | None = None,
    bytes_of: Path | None = None,
) -> Verification:
    """Check the whole store. `base`: folder that a journal's place counts from. `expected`: a head written down earlier, which must be
    part of the chain. `bytes_of`: the store's file, to list what in it is outside the committed content.
    """
    found = Verification(store.place)
    try:
        store.database.read(lambda connection: _chain(connection, found, expected))
        if found.whole:
            store.database.read(lambda connection: found.problems.extend(_database(store, connection)))
    except StoreError as failure:
        found.broken(f"After entry {found.entries} the store cannot be read on: {failure.text}")
    if journals:
        # Beside a broken store the journals are checked all the same, as far as entries can be read.
        with contextlib.suppress(StoreError):
            for link_of in with_journal(store):
                _journal(link_of, base, found)
    if bytes_of is not None:
        from bench.records.sqlite_bytes import outside

        try:
            found.outside.extend(Region(str(bytes_of), r.begin, r.end, r.what) for r in outside(bytes_of))
        except StoreError as failure:
            found.broken(failure.text)
    return found


def unreadable(place: str, failure: StoreError) -> Verification:
    """The verification of a store that could not even be opened."""
    found = Verification(place)
    found.broken(failure.text)
    return found


def _chain(connection: Connection, found: Verification, expected: Head | None) -> None:
    previous = NOTHING
    met = expected is None or expected.count == 0
    for row in connection.each(f"SELECT {COLUMNS} FROM record_entries ORDER BY sequence"):
        check_types(row)
        content = sha256(row[16])
        hashed = row_hash(list(row[:4]), list(row[4:12]), content, row[12], row[14])
        if (row[0], row[14], content, hashed) != (found.entries + 1, previous, row[13], row[15]):
            _name_what_is_wrong(read_entry(row), content, hashed, previous, found)
        found.entries += 1
        found.records += row[1] == "record"
        previous = row[15]
        if expected is not None and row[0] == expected.count:
            met = True
            if previous != expected.hash:
                found.broken(f"Entry {row[0]} has not the hash that was written down for it.", read_entry(row))
    heads = connection.rows("SELECT count, hash, id FROM record_head ORDER BY id")
    if len(heads) != 1 or heads[0][2] != 1:
        found.broken("The head is missing or doubled.")
        return
    found.head = Head(*heads[0][:2])
    if found.head.count != found.entries:
        found.broken(
            f"The head tells of {found.head.count} entries, {found.entries} are there: entries were cut off or added."
        )
    elif found.head.hash != previous:
        found.broken("The head's hash is not that of the last entry.")
    if expected is not None and not met:
        found.broken(
            f"The head written down told of {expected.count} entries, {found.entries} are there: some were cut off."
        )


def _name_what_is_wrong(at: Entry, content: str, hashed: str, previous: str, found: Verification) -> None:
    """Note what is wrong with an entry whose content hashes to `content`, and all of it to `hashed`."""
    name = f"Entry {at.sequence} ({_NAMES.get(at.kind, 'entry')} {printable(at.keys.subject)})"
    number = found.entries + 1
    if at.sequence != number:
        found.broken(f"Entry {number} is missing; {name} comes in its place.", at)
    elif at.previous_hash != previous:
        found.broken(f"{name} does not follow the entry before it: one of them was changed, removed or moved.", at)
    if content != at.content_sha256:
        found.broken(f"{name}: its content was changed.", at)
    elif hashed != at.hash:
        found.broken(f"{name}: its number, keys or hashes were changed.", at)


def _database(store: Store, connection: Connection) -> list[Problem]:
    return [Problem(None, None, text) for text in store.database.defects(connection)]


def with_journal(store: Store) -> Iterator[Entry]:
    """Entries with a journal, in order; a few at a time, so that no picture of the data is held while journals are read.

    Raises StoreError where a damaged store gives them out of order.
    """
    after = 0
    while True:

        def work(connection: Connection, start: int = after) -> list[Entry]:
            rows = connection.rows(
                f"SELECT {COLUMNS} FROM record_entries WHERE journal_sha256 <> '' AND sequence > ? ORDER BY sequence LIMIT 100",
                start,
            )
            return [read_entry(row) for row in rows]

        entries = store.database.read(work)
        if not entries:
            return
        after = last_of((entry.sequence for entry in entries), after)
        yield from entries


def find_journal(place: str, sha256_of: str, base: Path) -> Path | None:
    """Where the journal is now: at its place, or in a backup, under its hash. None if nowhere."""
    for path in (base / place, base / "journals" / f"{sha256_of}.capture"):
        if path.is_file():
            return path
    return None


def journal_of(entry: Entry) -> JournalLink:
    """The journal that an entry commits to, in full. Raises StoreError."""
    if entry.kind == "record":
        return decode(Record, entry.content).journal
    return decode(Stoppage, entry.content).journal


def _journal(of: Entry, base: Path, found: Verification) -> None:
    name = printable(of.keys.journal_place)
    path = find_journal(of.keys.journal_place, of.journal_sha256, base)
    if path is None:
        try:
            computer = journal_of(of).computer
        except StoreError:
            computer = platform.node()
        if computer != platform.node():
            found.unchecked.append(f"{name} of {of.keys.subject} is on {printable(computer)}")
        else:
            found.broken(f"The journal {name} of {of.keys.subject} is missing.", of)
        return
    size = of.keys.journal_bytes
    found.journals += 1
    try:
        there = path.stat().st_size
        if there < size:
            found.broken(f"The journal {name} of {of.keys.subject} was cut off at byte {there} of {size}.", of)
        elif hash_of_start(path, size) != of.journal_sha256:
            where = _damage(path, size)
            found.broken(f"The journal {name} of {of.keys.subject} was changed{where}.", of)
        if there > size:
            found.outside.append(Region(str(path), size, there, "after what was committed"))
    except (OSError, CaptureError) as failure:
        found.broken(f"The journal {name} of {of.keys.subject} cannot be read ({printable(str(failure))}).", of)


def _damage(path: Path, size: int) -> str:
    """Where a journal's own check sums first fail, in words."""
    try:
        with JournalReader(path) as reader:
            for _ in reader.records():
                pass
            if reader.torn_at is not None and reader.torn_at < size:
                return f" in the piece that begins at byte {reader.torn_at}"
    except CaptureError:
        return " at its very beginning"
    return ", although its own check sums fit"
