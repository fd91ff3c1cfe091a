"""PostgreSQL: one server for several benches."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import urlsplit

from bench.files import printable
from bench.records import schema
from bench.records.database import Connection, Database, Row
from bench.records.model import StoreError

if TYPE_CHECKING:
    import psycopg

#: A server that restarts is waited for so long.
PATIENCE_S = 20.0
CONNECT_WITHIN_S = 5
#: Number of the advisory lock under which tables are made.
_MIGRATING = 0x42427273
_ROWS_AT_ONCE = 2_000
_Given = TypeVar("_Given")


class _PostgresConnection(Connection):
    def __init__(self, raw: psycopg.Connection[Row]) -> None:
        self.raw = raw

    @staticmethod
    def _sql(statement: str) -> bytes:
        # As bytes: the driver takes texts only where it can see that they are constants, as all of these are.
        return statement.replace("?", "%s").encode("ascii")

    def rows(self, statement: str, *values: object) -> list[Row]:
        return self.raw.execute(self._sql(statement), values).fetchall()

    def each(self, statement: str, *values: object) -> Iterator[Row]:
        with self.raw.cursor(name="breakerbench", binary=True) as cursor:
            cursor.itersize = _ROWS_AT_ONCE
            yield from cursor.execute(self._sql(statement), values)

    def run(self, statement: str, *values: object) -> None:
        # Without values, `%` in a statement stands for itself.
        if values:
            self.raw.execute(self._sql(statement), values)
        else:
            self.raw.execute(statement.encode("ascii"))


class PostgresDatabase(Database):
    """A store at the address `url`. Raises StoreError."""

    migrations = schema.POSTGRES
    for_update = " FOR UPDATE"

    def __init__(self, url: str, patience_s: float = PATIENCE_S) -> None:
        self._url = url
        self._patience_s = patience_s
        self.place = _without_password(url)
        try:
            import psycopg
        except ImportError:
            raise StoreError(
                "PostgreSQL needs the extra: pip install 'breakerbench[postgres]'. Or take database out of the bench file."
            ) from None
        self._psycopg = psycopg
        self._raw: psycopg.Connection[Row] | None = None
        with self._told("reached"):
            self._connect()

    def _connect(self) -> psycopg.Connection[Row]:
        if self._raw is None or self._raw.closed:
            self._raw = self._psycopg.connect(
                self._url, autocommit=True, connect_timeout=CONNECT_WITHIN_S, application_name="breakerbench"
            )
            # Whatever the server's default: what is told as kept is on the disk.
            self._raw.execute("SET synchronous_commit = on")
        return self._raw

    def write(self, work: Callable[[Connection], _Given]) -> _Given:
        deadline = time.monotonic() + self._patience_s
        while True:
            try:
                raw = self._connect()
                with raw.transaction():
                    return work(_PostgresConnection(raw))
            except self._psycopg.OperationalError as failure:
                if not self._lost() or time.monotonic() > deadline:
                    raise StoreError(self._text("written", failure)) from None
                # There is nothing to wait on: a server that starts does not announce itself.
                time.sleep(0.1)
            except self._psycopg.Error as failure:
                raise StoreError(self._text("written", failure)) from None

    def read(self, work: Callable[[Connection], _Given]) -> _Given:
        with self._told("read"):
            raw = self._connect()
            with raw.transaction():
                raw.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
                return work(_PostgresConnection(raw))

    def version(self, connection: Connection) -> int:
        # By the catalogue's rows: a lookup by name may still be answered from before this process waited for another's migration.
        there = "SELECT 1 FROM pg_tables WHERE tablename = 'record_store_version' AND schemaname = ANY (current_schemas(false))"
        if not connection.rows(there):
            return 0
        ((version,),) = connection.rows("SELECT version FROM record_store_version")
        return int(version)

    def set_version(self, connection: Connection, version: int) -> None:
        if version == 1:
            connection.run("CREATE TABLE record_store_version (version INTEGER NOT NULL)")
            connection.run("INSERT INTO record_store_version VALUES (0)")
        connection.run("UPDATE record_store_version SET version = ?", version)

    def _migrate(self, connection: Connection) -> None:
        connection.rows("SELECT pg_advisory_xact_lock(?)", _MIGRATING)
        super()._migrate(connection)

    def defects(self, connection: Connection) -> list[str]:
        made = {
            (words[2], words[words.index("ON") + 1])
            for statement in (s for migration in self.migrations for s in migration)
            if (words := statement.split())[1] == "TRIGGER"
        }
        rows = connection.rows(
            "SELECT t.tgname, c.relname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid WHERE NOT t.tgisinternal "
            "AND t.tgenabled = 'O' AND c.oid IN (to_regclass('record_entries'), to_regclass('record_head'))"
        )
        return [f"The trigger {name} of {table} is missing or off." for name, table in sorted(made - set(rows))]

    def close(self) -> None:
        if self._raw is not None:
            with contextlib.suppress(self._psycopg.Error):
                self._raw.close()

    def _lost(self) -> bool:
        return self._raw is None or self._raw.closed or self._raw.broken

    def _text(self, done: str, failure: Exception) -> str:
        first = str(failure).strip().split("\n")[0] or type(failure).__name__
        return f"The store {self.place} cannot be {done} ({printable(first)})."

    @contextlib.contextmanager
    def _told(self, done: str) -> Iterator[None]:
        try:
            yield
        except self._psycopg.Error as failure:
            raise StoreError(self._text(done, failure)) from None


def _without_password(url: str) -> str:
    try:
        parts: Any = urlsplit(url)
        port = f":{parts.port}" if parts.port else ""
        user = f"{parts.username}@" if parts.username else ""
        return printable(f"postgresql://{user}{parts.hostname or ''}{port}{parts.path}")
    except ValueError:
        return "postgresql://…"
