"""Processes and servers killed in the middle: what was acknowledged is there, and nothing is half there."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Iterator
from multiprocessing.queues import Queue
from multiprocessing.synchronize import Barrier
from pathlib import Path

import pytest

from bench.records.store import open_store
from bench.records.verification import verify
from tests.records import crash
from tests.records.postgres import Server, new_server
from tests.records.support import record

#: One round of all crash points; 500 kills by `python -m tests.records.crash`.
SHARE = len(crash.cases(postgresql=False))
#: Longest that a writer may take to its next record.
WITHIN_S = 60.0


@pytest.fixture
def own_server() -> Iterator[Server]:
    server = new_server()
    yield server
    server.close()


def test_killed_at_every_crash_point_nothing_acknowledged_is_lost_in_sqlite(tmp_path: Path) -> None:
    counted = crash.run(SHARE, tmp_path, lambda: str(tmp_path / "records.sqlite"))
    assert len(counted) >= 25
    assert sum(counted.values()) == SHARE


def test_killed_at_every_crash_point_nothing_acknowledged_is_lost_in_postgresql(
    tmp_path: Path, postgres: Server
) -> None:
    assert sum(crash.run(SHARE, tmp_path, postgres.new_database).values()) == SHARE


def _write(setting: str, process: int, count: int, acknowledged: Queue[str], opened: Barrier) -> None:
    with open_store(setting) as store:
        opened.wait(WITHIN_S)
        for number in range(count):
            store.add(record(process * 1000 + number))
            acknowledged.put(record(process * 1000 + number).id)


def test_a_postgresql_server_that_is_killed_and_started_anew_mid_write_loses_and_doubles_nothing(
    tmp_path: Path, own_server: Server
) -> None:
    setting = own_server.new_database()
    open_store(setting).close()
    context = multiprocessing.get_context("spawn")
    acknowledged: Queue[str] = context.Queue()
    opened = context.Barrier(2)
    count = 60
    writers = [context.Process(target=_write, args=(setting, number, count, acknowledged, opened)) for number in (1, 2)]
    for writer in writers:
        writer.start()
    heard: list[str] = []
    killed_at = {20, 55, 90}
    while len(heard) < 2 * count:
        heard.append(acknowledged.get(timeout=WITHIN_S))
        if len(heard) in killed_at:
            own_server.kill()
            own_server.start()
    for writer in writers:
        writer.join(WITHIN_S)
    assert [writer.exitcode for writer in writers] == [0, 0]
    with open_store(setting) as store:
        assert sorted(stored.record.id for stored in store.all()) == sorted(heard)
        assert store.head().count == 2 * count
        assert verify(store, tmp_path, journals=False).whole


def test_the_crash_test_itself_sees_a_lost_record(tmp_path: Path) -> None:
    """Told of a record that was never added, it must fail."""
    folder = tmp_path / "x"
    folder.mkdir()
    bench = crash.Bench(folder, str(folder / "records.sqlite"), lambda: "")
    with open_store(bench.setting) as store:
        store.add(record(1))
    bench.acknowledged.add(f"record {record(77).id}")
    case = crash.Case("stoppage", "stoppage: committed", 1)
    with pytest.raises(AssertionError, match="00000077"):
        crash.kill_once(bench, case, folder / "log", crash.random.Random(1))


def test_two_threads_of_one_program_have_a_store_each(setting: str) -> None:
    def write(first: int) -> None:
        with open_store(setting) as store:
            for number in range(first, first + 10):
                store.add(record(number))

    open_store(setting).close()
    threads = [threading.Thread(target=write, args=(first,)) for first in (0, 100)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with open_store(setting) as store:
        assert store.head().count == 20
