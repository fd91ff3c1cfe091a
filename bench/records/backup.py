"""A consistent copy of a store and its journals, made while it is in use."""

from __future__ import annotations

import os
import shutil
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from bench.files import printable
from bench.records import points
from bench.records.database import Connection, Row
from bench.records.model import Head, StoreError
from bench.records.sqlite_database import SqliteDatabase
from bench.records.store import Store, open_store
from bench.records.verification import find_journal, with_journal

FILE = "records.sqlite"
JOURNALS = "journals"
_ROWS_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Backup:
    """What was copied. `missing`: journals that are not on this computer."""

    file: Path
    head: Head
    journals: int
    missing: tuple[str, ...]


def back_up(store: Store, base: Path, folder: Path) -> Backup:
    """Copy the store into `folder`/records.sqlite and its journals beside it; `folder` must be new or empty.

    From PostgreSQL too the copy is an SQLite file, with the same chain. A journal is stored under its hash. The file gets its name
    when it is whole and on the disk, so that a backup that was cut off is none. Raises StoreError.
    """
    target = folder / FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise StoreError(f"{printable(str(folder))} is not empty; name a new folder for the backup.")
        part = folder / f"{FILE}.part"
        points.reached("backup: begun")
        if isinstance(store.database, SqliteDatabase):
            store.database.copy_to(part)
        else:
            _copy_rows(store, part)
        points.reached("backup: store copied")
        _as_one_file(part)
        with open_store(part, read_only=True) as copied:
            journals, missing = _copy_journals(copied, base, folder)
            head = copied.head()
        points.reached("backup: journals copied")
        _secure(part)
        part.replace(target)
        points.reached("backup: named")
        _secure(folder)
    except OSError as failure:
        raise StoreError(
            f"The backup {printable(str(folder))} cannot be written ({failure.strerror or failure})."
        ) from None
    return Backup(target, head, journals, tuple(missing))


def _copy_rows(store: Store, part: Path) -> None:
    """All entries from another kind of database, as they are."""
    with open_store(part) as copy:
        for rows in store.pieces(_ROWS_AT_ONCE):

            def work(connection: Connection, piece: list[Row] = rows) -> None:
                copy.take_over(connection, piece)

            copy.database.write(work)
            points.reached("backup: piece copied")


def _as_one_file(part: Path) -> None:
    """No write-ahead log: the copy is one file, to be read from a medium that cannot be written."""
    try:
        raw = sqlite3.connect(part, isolation_level=None)
        try:
            raw.execute("PRAGMA journal_mode = DELETE").fetchall()
        finally:
            raw.close()
    except sqlite3.Error as failure:
        raise StoreError(f"The backup {printable(str(part))} cannot be written ({printable(str(failure))}).") from None


def _copy_journals(copied: Store, base: Path, folder: Path) -> tuple[int, list[str]]:
    count, missing = 0, []
    (folder / JOURNALS).mkdir()
    for entry in with_journal(copied):
        path = find_journal(entry.keys.journal_place, entry.journal_sha256, base)
        if path is None:
            missing.append(entry.keys.journal_place)
            continue
        target = folder / JOURNALS / f"{entry.journal_sha256}.capture"
        if target.exists():
            continue
        part = target.with_suffix(".part")
        shutil.copyfile(path, part)
        os.truncate(part, min(part.stat().st_size, entry.keys.journal_bytes))
        # A damaged journal is copied as it is, and said to be so by verify; the evidence is not for a backup to drop.
        _secure(part)
        part.replace(target)
        points.reached("backup: journal copied")
        count += 1
    return count, missing


def _secure(path: Path) -> None:
    if path.is_dir() and os.name != "posix":
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() or os.name == "posix" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
