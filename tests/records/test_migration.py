"""Stores of earlier versions are brought to this one, all or nothing; those of later ones are refused."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from bench.records import schema
from bench.records.model import StoreError
from bench.records.store import open_store
from bench.records.verification import verify
from tests.records import old_store
from tests.records.postgres import Server
from tests.records.support import record


@pytest.fixture(params=["sqlite", "postgresql"])
def old(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A store as version 1 made it: the stored file, or the same in a server."""
    if request.param == "sqlite":
        path = tmp_path / "old.sqlite"
        shutil.copyfile(old_store.FILE, path)
        return str(path)
    server: Server = request.getfixturevalue("postgres")
    setting = server.new_database()
    old_store.make(setting, 1)
    return setting


def test_an_old_store_is_migrated_and_keeps_every_entry(old: str, tmp_path: Path) -> None:
    with open_store(old) as store:
        assert [line.id for line in store.page()] == [record(n).id for n in range(old_store.RECORDS, 0, -1)]
        assert store.get(record(1).id).remarks == ("Seen by two",)
        assert store.get(record(2).id).record == record(2)
        assert [job.id for job in store.open_jobs()] == [record(9).id]
        assert store.database.read(store.database.version) == len(schema.SQLITE)
        assert store.add(record(10)).sequence == old_store.RECORDS + 3
        assert verify(store, tmp_path, journals=False).whole


def test_an_old_store_can_be_looked_at_without_being_changed(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    shutil.copyfile(old_store.FILE, path)
    path.chmod(0o400)
    with open_store(path, read_only=True) as store:
        assert store.get(record(3).id).record == record(3)
        assert verify(store, tmp_path, journals=False).whole
    assert path.read_bytes() == old_store.FILE.read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == ["old.sqlite"]


def test_a_migrated_store_has_the_tables_of_a_new_one(tmp_path: Path) -> None:
    shutil.copyfile(old_store.FILE, tmp_path / "old.sqlite")
    listing = "SELECT type, name, sql FROM sqlite_master ORDER BY name"
    found = []
    for name in ("old.sqlite", "new.sqlite"):
        with open_store(tmp_path / name) as store:
            found.append(store.database.read(lambda connection: connection.rows(listing)))
    assert found[0] == found[1]


def test_a_newer_store_is_refused_and_left_alone(setting: str) -> None:
    with open_store(setting) as store:
        store.add(record(1))
        newest = len(store.database.migrations)
        store.database.write(lambda connection: store.database.set_version(connection, newest + 1))
    with pytest.raises(StoreError, match="newer version"):
        open_store(setting)


def test_both_databases_have_as_many_migrations() -> None:
    assert len(schema.SQLITE) == len(schema.POSTGRES)


def test_another_programs_database_is_not_touched(tmp_path: Path) -> None:
    import sqlite3

    path = tmp_path / "other.sqlite"
    raw = sqlite3.connect(path)
    raw.execute("CREATE TABLE customers (name)")
    raw.commit()
    raw.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="no record store"):
        open_store(path)
    assert path.read_bytes() == before
