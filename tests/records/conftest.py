"""Stores in both databases, and a data folder for every test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.records.store import Store, open_store
from tests.records.postgres import Server, new_server


@pytest.fixture(autouse=True)
def data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BREAKERBENCH_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("BREAKERBENCH_PORT", raising=False)
    monkeypatch.delenv("BREAKERBENCH_DATABASE", raising=False)
    return tmp_path / "home"


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    server = new_server()
    yield server
    server.close()


@pytest.fixture(params=["sqlite", "postgresql"])
def setting(request: pytest.FixtureRequest, data_folder: Path) -> str:
    """Where a new store is to be, in each database in turn."""
    if request.param == "sqlite":
        return str(data_folder / "records.sqlite")
    return request.getfixturevalue("postgres").new_database()


@pytest.fixture
def store(setting: str) -> Iterator[Store]:
    """A new store, in each database in turn."""
    with open_store(setting) as opened:
        yield opened
