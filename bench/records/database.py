"""What the store needs of a database: a transaction that writes alone, and one that reads a still picture."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

from bench.records import points
from bench.records.model import StoreError

Row = tuple[Any, ...]
_Given = TypeVar("_Given")


class Connection(ABC):
    """A connection within a transaction. Statements are written with `?` for values."""

    @abstractmethod
    def rows(self, statement: str, *values: object) -> list[Row]:
        """Run a statement; gives its rows."""

    @abstractmethod
    def each(self, statement: str, *values: object) -> Iterator[Row]:
        """Run a statement; gives its rows one after another, without holding them all."""

    @abstractmethod
    def run(self, statement: str, *values: object) -> None:
        """Run a statement that gives no rows."""


class Database(ABC):
    """One database that holds a store."""

    #: For messages: a path, or a PostgreSQL address without its password.
    place: str
    #: What a SELECT needs at its end so that other writers wait for this transaction.
    for_update = ""
    migrations: Sequence[Sequence[str]]

    @abstractmethod
    def write(self, work: Callable[[Connection], _Given]) -> _Given:
        """Run `work` in a transaction that no other writer shares, and commit.

        When this returns, the changes are on the disk. `work` may be run again if the server was lost in between, so it must
        notice what it has already done. Raises StoreError.
        """

    @abstractmethod
    def read(self, work: Callable[[Connection], _Given]) -> _Given:
        """Run `work` on one still picture of the data. Raises StoreError."""

    @abstractmethod
    def version(self, connection: Connection) -> int:
        """How many migrations the store has had; 0 if it is new."""

    @abstractmethod
    def set_version(self, connection: Connection, version: int) -> None:
        """Note how many migrations it has had."""

    @abstractmethod
    def defects(self, connection: Connection) -> list[str]:
        """What is wrong with the database itself: tables or triggers other than made, pages that do not fit. In words."""

    @abstractmethod
    def close(self) -> None:
        """Let go of it."""

    def migrate(self) -> None:
        """Bring the tables to this version's, all or nothing. Raises StoreError if they are of a newer one."""
        newest = len(self.migrations)
        at = self.read(self.version)
        if at < newest:
            self.write(self._migrate)
            points.reached("migration: committed")
        elif at > newest:
            raise StoreError(
                f"The store {self.place} was made by a newer version (tables {at}, this one knows {newest}). Use that version."
            )

    def _migrate(self, connection: Connection) -> None:
        # Another process may have done it while this one waited.
        for number in range(self.version(connection), len(self.migrations)):
            points.reached("migration: begun")
            for statement in self.migrations[number]:
                connection.run(statement)
                points.reached("migration: statement run")
            self.set_version(connection, number + 1)
            points.reached("migration: version set")
