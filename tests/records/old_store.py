"""Stores as earlier versions made them. `python -m tests.records.old_store` wrote data/store-1.sqlite, once."""

from __future__ import annotations

from pathlib import Path

from bench.records.postgres_database import PostgresDatabase
from bench.records.sqlite_database import SqliteDatabase
from bench.records.store import Store, is_address
from tests.records.support import AT, record, stoppage

FILE = Path(__file__).with_name("data") / "store-1.sqlite"
RECORDS = 5


def make(setting: str, version: int) -> None:
    """A store with the tables of `version` and a few entries."""
    database = PostgresDatabase(setting) if is_address(setting) else SqliteDatabase(Path(setting))
    database.migrations = database.migrations[:version]
    with Store(database) as store:
        for number in range(1, RECORDS + 1):
            store.add(record(number))
        store.amend(record(1).id, "B. Head", AT, "misread", [("remark", "Seen by two")])
        store.stop(stoppage(record(9).id))


if __name__ == "__main__":
    make(str(FILE), 1)
