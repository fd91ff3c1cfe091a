"""SQLite: one file, WAL, synchronous FULL."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar
from urllib.parse import quote

from bench.files import printable
from bench.records import schema
from bench.records.database import Connection, Database, Row
from bench.records.model import StoreError

#: "BBrs": marks the file as a record store.
APPLICATION_ID = 0x42427273
#: Others may be writing; each holds the file for milliseconds.
BUSY_S = 30.0
BUSY_AGAIN_S = 0.01
_Given = TypeVar("_Given")


class _SqliteConnection(Connection):
    def __init__(self, raw: sqlite3.Connection) -> None:
        self.raw = raw

    def rows(self, statement: str, *values: object) -> list[Row]:
        return self.raw.execute(statement, values).fetchall()

    def each(self, statement: str, *values: object) -> Iterator[Row]:
        yield from self.raw.execute(statement, values)

    def run(self, statement: str, *values: object) -> None:
        self.raw.execute(statement, values)


class SqliteDatabase(Database):
    """A store in the file `path`. `read_only`: nothing is written, not even beside it. Raises StoreError."""

    migrations = schema.SQLITE

    def __init__(self, path: Path, read_only: bool = False) -> None:
        self.path = path
        self.place = printable(str(path))
        with self._told("opened"):
            if read_only:
                self._raw = self._open_to_read()
            else:
                path.parent.mkdir(parents=True, exist_ok=True)
                self._raw = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
                self._raw.execute("PRAGMA synchronous = FULL")
        self._connection = _SqliteConnection(self._raw)
        try:
            with self._told("opened"):
                self._prepare_in_turn(read_only)
        except StoreError:
            self._raw.close()
            raise

    def _open_to_read(self) -> sqlite3.Connection:
        if not self.path.is_file():
            raise StoreError(f"There is no store {self.place}.")
        name = "file:" + quote(str(self.path.resolve()))
        waiting = self.path.with_name(self.path.name + "-wal").exists()
        # A file in WAL mode needs files beside it even to be read; on a medium that is read-only nobody can be writing it.
        raw = sqlite3.connect(name + "?mode=ro", uri=True, timeout=BUSY_S, isolation_level=None)
        try:
            raw.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.OperationalError:
            raw.close()
            if waiting:
                raise
            raw = sqlite3.connect(name + "?mode=ro&immutable=1", uri=True, isolation_level=None)
        return raw

    def _prepare_in_turn(self, read_only: bool) -> None:
        """Where several make the store at the same moment, SQLite does not always wait by itself: changing into WAL mode it may not."""
        deadline = time.monotonic() + BUSY_S
        while True:
            try:
                self._prepare(read_only)
                return
            except sqlite3.OperationalError as failure:
                # The low byte is the error, the rest says in what it came.
                if failure.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > deadline:
                    raise
                time.sleep(BUSY_AGAIN_S)

    def _prepare(self, read_only: bool) -> None:
        # In this order: another process may be making the store, and pages and mark come with one commit.
        (pages,) = self._raw.execute("PRAGMA page_count").fetchone()
        (found,) = self._raw.execute("PRAGMA application_id").fetchone()
        if found != APPLICATION_ID and (found != 0 or pages > 1 or read_only):
            raise StoreError(f"{self.place} is a database, but no record store of breakerbench.")
        if read_only:
            return
        (mode,) = self._raw.execute("PRAGMA journal_mode").fetchone()
        if mode != "wal":
            (mode,) = self._raw.execute("PRAGMA journal_mode = WAL").fetchone()
        if mode != "wal":
            raise StoreError(f"The store {self.place} cannot be put into WAL mode; a local disk was expected.")

    def write(self, work: Callable[[Connection], _Given]) -> _Given:
        with self._told("written"):
            self._raw.execute("BEGIN IMMEDIATE")
            try:
                given = work(self._connection)
                self._raw.execute("COMMIT")
            except BaseException:
                # After a full disk SQLite may have rolled back by itself.
                with contextlib.suppress(sqlite3.Error):
                    self._raw.execute("ROLLBACK")
                raise
            return given

    def read(self, work: Callable[[Connection], _Given]) -> _Given:
        with self._told("read"):
            self._raw.execute("BEGIN")
            try:
                return work(self._connection)
            finally:
                with contextlib.suppress(sqlite3.Error):
                    self._raw.execute("ROLLBACK")

    def copy_to(self, path: Path) -> None:
        """A consistent copy into a new file, while others read and write. Raises StoreError."""
        with self._told("copied"), contextlib.closing(sqlite3.connect(path)) as copy:
            self._raw.backup(copy)

    def version(self, connection: Connection) -> int:
        ((version,),) = connection.rows("PRAGMA user_version")
        return int(version)

    def set_version(self, connection: Connection, version: int) -> None:
        connection.run(f"PRAGMA user_version = {int(version)}")
        connection.run(f"PRAGMA application_id = {APPLICATION_ID}")

    def defects(self, connection: Connection) -> list[str]:
        version = self.version(connection)
        if not 1 <= version <= len(self.migrations):
            return [f"The store's version was changed to {version}."]
        with contextlib.closing(sqlite3.connect(":memory:")) as fresh:
            for statement in (s for migration in self.migrations[:version] for s in migration):
                fresh.execute(statement)
            # Root pages differ with the order of growth, but a trigger has none; all else, the order too, is as it was made.
            listing = "SELECT type, name, tbl_name, sql, rootpage > 0, rowid FROM sqlite_master"
            made, found = fresh.execute(listing).fetchall(), connection.rows(listing)
        wrong = sorted({str(row[1]) for row in set(made) ^ set(found)})
        defects = [f"{printable(name)} is not as this program makes it." for name in wrong]
        (encoding,) = connection.rows("PRAGMA encoding")[0]
        if encoding != "UTF-8":
            defects.append("The file's text encoding was changed.")
        connection.run("PRAGMA cell_size_check = ON")
        checked = connection.rows("PRAGMA integrity_check")
        defects += [f"SQLite finds: {printable(str(row[0]))}." for row in checked if row[0] != "ok"]
        return defects

    def close(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            self._raw.close()

    @contextlib.contextmanager
    def _told(self, done: str) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, UnicodeError) as failure:
            raise StoreError(f"The store {self.place} cannot be {done} ({printable(str(failure))}).") from None
        except OSError as failure:
            raise StoreError(f"The store {self.place} cannot be {done} ({failure.strerror or failure}).") from None
