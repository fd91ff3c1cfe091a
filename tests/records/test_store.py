"""What a record store does, the same in SQLite and in PostgreSQL."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from bench.errors import UsageError
from bench.records import points
from bench.records.chain import NOTHING
from bench.records.model import Finding, Head, RecordNotFound, StoreError
from bench.records.store import Store, open_store
from bench.records.verification import verify
from tests.records import several_benches
from tests.records.support import AT, record, stoppage


def test_a_record_comes_back_as_it_was_added(store: Store) -> None:
    given = record(
        1, service_hours=812.5, not_for_record=("A step was skipped: mark.",), findings=(Finding("Felt dry"),)
    )
    added = store.add(given)
    found = store.get(given.id)
    assert (found.record, found.hash, found.sequence) == (given, added.hash, 1)


def test_a_new_store_is_empty_and_whole(store: Store, data_folder: Path) -> None:
    assert store.head() == Head(0, NOTHING)
    assert store.page() == ()
    assert verify(store, data_folder).whole


def test_a_record_added_again_is_kept_once(store: Store) -> None:
    """Whoever did not hear that it was kept says it again."""
    first = store.add(record(1))
    again = store.add(record(1))
    assert (again.sequence, again.hash) == (first.sequence, first.hash)
    assert store.head().count == 1


def test_another_record_under_a_taken_id_is_refused(store: Store) -> None:
    store.add(record(1))
    with pytest.raises(StoreError, match="taken"):
        store.add(record(1, operator="Someone else"))
    assert store.get(record(1).id).record.operator == "A. Learner"


def test_a_record_is_found_by_the_beginning_of_its_id_if_that_is_enough(store: Store) -> None:
    for number in (11, 12, 25):
        store.add(record(number))
    assert store.get("20260301-0000002").record == record(25)
    with pytest.raises(RecordNotFound, match="Several"):
        store.get("20260301-0000001")
    with pytest.raises(RecordNotFound, match="no record"):
        store.get("20270101")


@pytest.mark.parametrize("name", ["", "%", "_", "20260301-00000011' OR '1'='1", "\x00", "x" * 1000])
def test_an_impossible_id_finds_nothing(store: Store, name: str) -> None:
    store.add(record(11))
    with pytest.raises(RecordNotFound):
        store.get(name)


def test_an_amendment_is_told_beside_the_record_and_leaves_it_as_it_was(store: Store) -> None:
    stored = store.add(record(1))
    store.amend(
        record(1).id, "B. Head", AT, "misread the plate", [("serial_number", "SIM-0002"), ("finding", "Worn felt")]
    )
    store.amend(record(1).id, "B. Head", AT, "asked again", [("service_hours", "1200"), ("remark", "Seen by two")])
    found = store.get(record(1).id)
    assert found.record == record(1)
    assert found.hash == stored.hash
    assert (found.serial_number, found.service_hours, found.remarks) == ("SIM-0002", 1200.0, ("Seen by two",))
    assert [f.text for f in found.findings] == ["Worn felt"]
    assert [(a.by, a.why, a.amends_hash) for a in found.amendments] == [
        ("B. Head", "misread the plate", stored.hash),
        ("B. Head", "asked again", stored.hash),
    ]


def test_a_unit_is_found_by_its_serial_number_as_last_amended(store: Store) -> None:
    store.add(record(1))
    store.add(record(2, serial_number="SIM-0009"))
    store.add(record(3))
    store.amend(record(3).id, "B. Head", AT, "misread", [("serial_number", "SIM-0009")])
    assert [s.record.id for s in store.find("SIM-0001")] == [record(1).id]
    assert [s.record.id for s in store.find("SIM-0009")] == [record(2).id, record(3).id]
    assert store.find("SIM-0") == ()


@pytest.mark.parametrize(
    ("field", "text"),
    [("angle_deg", "10"), ("verdict", "inside"), ("service_hours", "-1"), ("service_hours", "nan"), ("operator", " ")],
)
def test_what_was_measured_is_never_amended_and_nonsense_is_refused(store: Store, field: str, text: str) -> None:
    store.add(record(1))
    with pytest.raises(UsageError):
        store.amend(record(1).id, "B. Head", AT, "because", [(field, text)])
    assert store.head().count == 1


@pytest.mark.parametrize(("by", "why"), [("", "because"), ("B. Head", ""), ("B. Head", "a\nb"), ("\x1b[2J", "because")])
def test_an_amendment_needs_a_name_and_a_reason(store: Store, by: str, why: str) -> None:
    store.add(record(1))
    with pytest.raises(UsageError):
        store.amend(record(1).id, by, AT, why, [("remark", "x")])


def test_a_recheck_is_linked_with_its_first_verify(store: Store) -> None:
    store.add(record(1))
    store.add(record(2, recheck_of=record(1).id))
    assert store.get(record(1).id).rechecks == (record(2).id,)
    with pytest.raises(RecordNotFound):
        store.add(record(3, recheck_of=record(99).id))
    assert store.head().count == 2


def test_pages_go_from_the_latest_to_the_first(store: Store) -> None:
    for number in range(1, 8):
        store.add(record(number, verdict="outside" if number == 3 else "inside"))
    store.amend(record(6).id, "B. Head", AT, "because", [("remark", "x")])
    pages, before = [], None
    while page := store.page(before, 3):
        pages.append([int(line.id[-1]) for line in page])
        before = page[-1].sequence
    assert pages == [[7, 6, 5], [4, 3, 2], [1]]
    assert [(line.verdict, line.amended, line.for_record) for line in store.page(limit=5)[1::3]] == [
        ("inside", 1, True),
        ("outside", 0, True),
    ]


def test_a_stopped_job_is_open_until_it_has_its_record_or_is_closed(store: Store) -> None:
    for job in (1, 2, 3):
        store.stop(stoppage(record(job).id))
    store.stop(stoppage(record(3).id, number=2))
    assert [job.id for job in store.open_jobs()] == [record(3).id, record(2).id, record(1).id]
    store.add(record(1))
    store.close_job(record(2).id, "B. Head", AT, "unit was fetched")
    assert [job.id for job in store.open_jobs()] == [record(3).id]
    assert len(store.stoppages(record(3).id)) == 2
    with pytest.raises(UsageError, match="no open job"):
        store.close_job(record(1).id, "B. Head", AT, "twice")


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE record_entries SET verdict = 'inside'",
        "UPDATE record_entries SET content = content",
        "DELETE FROM record_entries",
        "UPDATE record_head SET count = 0",
        "UPDATE record_head SET count = 2",
        "DELETE FROM record_head",
        "INSERT INTO record_head VALUES (2, 0, '')",
    ],
)
def test_the_database_itself_refuses_to_change_what_is_written(store: Store, data_folder: Path, statement: str) -> None:
    store.add(record(1))
    with pytest.raises(StoreError):
        store.database.write(lambda connection: connection.run(statement))
    assert store.get(record(1).id).record == record(1)
    assert verify(store, data_folder).whole


def test_an_entry_that_does_not_follow_the_last_one_is_refused(store: Store) -> None:
    store.add(record(1))
    (row,) = next(store.pieces(1))
    with pytest.raises(StoreError):
        store.database.write(lambda connection: store.take_over(connection, [(3, row[1], "other", *row[3:])]))
    assert store.head().count == 1


@pytest.mark.parametrize("point", ["record: transaction begun", "record: entry inserted", "record: head set"])
def test_what_fails_half_way_leaves_nothing(
    store: Store, data_folder: Path, monkeypatch: pytest.MonkeyPatch, point: str
) -> None:
    store.add(record(1))

    def break_off(reached: str) -> None:
        if reached == point:
            raise UsageError("half way")

    monkeypatch.setattr(points, "observer", break_off)
    with pytest.raises(UsageError):
        store.add(record(2))
    monkeypatch.setattr(points, "observer", None)
    assert [line.id for line in store.page()] == [record(1).id]
    assert verify(store, data_folder, journals=False).whole
    assert store.add(record(2)).sequence == 2


def test_texts_of_every_script_come_back(store: Store) -> None:
    given = record(1, operator="Łucja Öz – 試験 🛠", serial_number="№ 7/ß")
    store.add(given)
    assert store.get(given.id).record == given
    assert [s.record.id for s in store.find("№ 7/ß")] == [given.id]


def test_a_store_is_found_again_when_it_is_opened_anew(setting: str) -> None:
    with open_store(setting) as first:
        head = first.add(record(1)).hash
    with open_store(setting) as second:
        assert second.head() == Head(1, head)
        assert second.add(record(2)).sequence == 2


def test_an_old_records_result_is_read_with_unknown_keys_as_null(store: Store) -> None:
    store.add(replace(record(1), result={**record(1).result, "a_later_key": 1}))
    document = store.get(record(1).id).record.document
    assert document.breakers[0].openings[0].angle_deg == 10.25
    assert document.breakers[0].openings[0].dwell_deg is None
    assert document.breakers[0].openings[0].budget == ()


def test_a_result_that_is_none_is_told(store: Store) -> None:
    store.add(replace(record(1), result={"valid": "perhaps"}))
    with pytest.raises(StoreError, match="cannot be read"):
        _ = store.get(record(1).id).record.document


def test_many_that_make_the_same_store_at_the_same_moment_all_find_it(tmp_path: Path) -> None:
    together = 8
    for round_ in range(60):
        begin = threading.Barrier(together)

        def make(place: str, begin: threading.Barrier = begin) -> int:
            begin.wait(10)
            with open_store(place) as store:
                return store.head().count

        with ThreadPoolExecutor(together) as pool:
            found = pool.map(make, [str(tmp_path / f"{round_}.sqlite")] * together)
            assert list(found) == [0] * together


def test_records_of_several_processes_are_all_there_once_in_one_whole_chain(setting: str) -> None:
    """All of them also make the store at the same moment. Ten thousand by `python -m tests.records.several_benches`."""
    several_benches.run(setting, records=200, processes=4)
