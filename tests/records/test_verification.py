"""Whatever is changed, removed, moved or cut off in a store or a journal is named; nothing else is."""

from __future__ import annotations

import os
import re
import sqlite3
import struct
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

import pytest

from bench.records import verification
from bench.records.chain import entry
from bench.records.content import encode
from bench.records.model import Head, StoreError
from bench.records.store import Store, open_store
from bench.records.verification import Verification, verify
from tests.records.support import AT, journal, record, stoppage, with_journal
from tests.records.tampering import flip, small_store, verified

SAMPLE = 300


def _open_triggers(store: Store) -> None:
    """As someone would who may do everything with the database."""
    for name, table in (
        ("record_entries_no_update", "record_entries"),
        ("record_entries_no_delete", "record_entries"),
        ("record_entries_in_order", "record_entries"),
        ("record_head_follows", "record_head"),
        ("record_head_no_delete", "record_head"),
    ):
        on = "" if "sqlite" in store.place else f" ON {table}"
        store.database.write(lambda connection, n=name, o=on: connection.run(f"DROP TRIGGER {n}{o}"))


def _tampered(store: Store, data_folder: Path, *statements: str) -> Verification:
    for number in (1, 2, 3, 4):
        store.add(with_journal(data_folder, number))
    _open_triggers(store)
    for statement in statements:
        store.database.write(lambda connection, s=statement: connection.run(s))
    return verify(store, data_folder)


@pytest.mark.parametrize(
    ("statement", "sequence", "words"),
    [
        ("UPDATE record_entries SET verdict = 'outside' WHERE sequence = 2", 2, "keys"),
        ("UPDATE record_entries SET made_at = '2020-01-01T00:00:00+00:00' WHERE sequence = 3", 3, "keys"),
        ("UPDATE record_entries SET serial_number = 'X' WHERE sequence = 1", 1, "keys"),
        ("UPDATE record_entries SET for_record = 0 WHERE sequence = 1", 1, "keys"),
        ("UPDATE record_entries SET journal_bytes = journal_bytes - 1 WHERE sequence = 4", 4, "keys"),
        ("UPDATE record_entries SET kind = 'closing' WHERE sequence = 4", 4, "keys"),
        ("UPDATE record_entries SET content_sha256 = hash WHERE sequence = 2", 2, "content"),
        ("UPDATE record_entries SET previous_hash = hash WHERE sequence = 2", 2, "follow"),
        ("DELETE FROM record_entries WHERE sequence = 1", 2, "Entry 1 is missing"),
        ("DELETE FROM record_entries WHERE sequence = 3", 4, "Entry 3 is missing"),
        ("DELETE FROM record_entries WHERE sequence = 4", None, "cut off"),
        ("DELETE FROM record_head", None, "head"),
        ("UPDATE record_head SET count = 3", None, "head"),
        ("UPDATE record_head SET hash = (SELECT hash FROM record_entries WHERE sequence = 3)", None, "head"),
    ],
)
def test_the_first_broken_link_is_named(
    store: Store, data_folder: Path, statement: str, sequence: int | None, words: str
) -> None:
    found = _tampered(store, data_folder, statement)
    assert (found.problems[0].sequence, found.whole) == (sequence, False)
    assert words in found.problems[0].text


def test_a_forged_entry_that_is_consistent_in_itself_is_named_by_its_neighbours(
    store: Store, data_folder: Path
) -> None:
    """Who rewrites one entry, hashes and all, breaks the link that the next one holds."""
    for number in (1, 2, 3):
        store.add(record(number))
    _open_triggers(store)
    found = store.entry_of(record(2).id)
    content = encode(record(2, operator="Someone else"))
    forged = entry(2, found.kind, found.entry_id, found.made_at, found.keys, "", content, found.previous_hash)
    change = "UPDATE record_entries SET content = ?, content_sha256 = ?, hash = ? WHERE sequence = 2"
    store.database.write(lambda connection: connection.run(change, content, forged.content_sha256, forged.hash))
    problem = verify(store, data_folder, journals=False).problems[0]
    assert (problem.sequence, "does not follow" in problem.text) == (3, True)


def test_a_changed_content_is_named(store: Store, data_folder: Path) -> None:
    literal = "X'7B7D'" if "sqlite" in store.place else r"'\x7b7d'::bytea"
    found = _tampered(store, data_folder, f"UPDATE record_entries SET content = {literal} WHERE sequence = 3")
    assert found.problems[0].sequence == 3
    assert "content was changed" in found.problems[0].text


def test_entries_that_changed_places_are_named(store: Store, data_folder: Path) -> None:
    found = _tampered(
        store,
        data_folder,
        "UPDATE record_entries SET sequence = 99 WHERE sequence = 2",
        "UPDATE record_entries SET sequence = 2 WHERE sequence = 3",
        "UPDATE record_entries SET sequence = 3 WHERE sequence = 99",
    )
    assert found.problems[0].sequence == 2


def test_triggers_that_are_gone_are_named(store: Store, data_folder: Path) -> None:
    found = _tampered(store, data_folder)
    assert [p.sequence for p in found.problems] == [None] * len(found.problems)
    assert any("record_entries_no_update" in p.text for p in found.problems)


def test_a_head_written_down_shows_a_cut_that_the_stores_own_head_hides(store: Store, data_folder: Path) -> None:
    for number in (1, 2, 3):
        store.add(record(number))
    written_down = store.head()
    assert verify(store, data_folder, journals=False, expected=written_down).whole
    store.add(record(4))
    assert verify(store, data_folder, journals=False, expected=written_down).whole
    cut = Head(written_down.count + 2, written_down.hash)
    assert "cut off" in verify(store, data_folder, journals=False, expected=cut).problems[0].text
    other = Head(2, written_down.hash)
    assert verify(store, data_folder, journals=False, expected=other).problems[0].sequence == 2


def _append(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"torn tail")


def _cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size - 1)


def _change(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[60] ^= 1
    path.write_bytes(data)


@pytest.mark.parametrize(
    ("damage", "words"),
    [(_change, "was changed"), (_cut, "cut off"), (Path.unlink, "missing"), (lambda p: p.write_bytes(b""), "cut off")],
)
def test_a_journal_that_is_not_what_it_was_is_named(
    store: Store, data_folder: Path, damage: Callable[[Path], None], words: str
) -> None:
    for number in (1, 2):
        store.add(with_journal(data_folder, number))
    damage(data_folder / "journals" / "run-2.capture")
    found = verify(store, data_folder)
    assert [(p.sequence, p.subject) for p in found.problems] == [(2, record(2).id)]
    assert words in found.problems[0].text


def test_a_journals_torn_tail_is_listed_by_offset_and_no_problem(store: Store, data_folder: Path) -> None:
    store.add(with_journal(data_folder, 1))
    path = data_folder / "journals" / "run-1.capture"
    size = path.stat().st_size
    _append(path)
    found = verify(store, data_folder)
    assert found.whole
    assert [(Path(r.file), r.begin, r.end) for r in found.outside] == [(path, size, size + 9)]


def test_a_stopped_jobs_journal_is_in_the_chain_too(store: Store, data_folder: Path) -> None:
    from bench.records.making import journal_link

    path = journal(data_folder)
    store.stop(stoppage(record(1).id, link=journal_link(path, data_folder)))
    assert verify(store, data_folder).journals == 1
    _change(path)
    assert not verify(store, data_folder).whole


def test_a_journal_on_another_computer_is_not_checked_and_said_so(store: Store, data_folder: Path) -> None:
    from dataclasses import replace

    given = with_journal(data_folder, 1)
    store.add(
        replace(given, journal=replace(given.journal, computer="another bench", place="journals/elsewhere.capture"))
    )
    found = verify(store, data_folder)
    assert found.whole
    assert (found.journals, len(found.unchecked)) == (0, 1)


def test_every_flip_of_a_journals_byte_is_named(tmp_path: Path) -> None:
    store = small_store(tmp_path)
    path = sorted((store.parent / "journals").iterdir())[0]
    size = path.stat().st_size
    found = flip(path, store, range(size))
    assert (found.named, found.outside, found.unseen) == (size, 0, [])


@pytest.mark.parametrize("mask", [0xFF, 0x01])
def test_every_flip_in_a_stores_file_is_named_or_lies_in_what_is_listed(tmp_path: Path, mask: int) -> None:
    """A sample; all bytes by `python -m tests.records.tampering`."""
    store = small_store(tmp_path)
    size = store.stat().st_size
    offsets = [*range(100), *range(100, size, size // SAMPLE)]
    found = flip(store, store, offsets, mask)
    assert found.unseen == []
    assert found.named > SAMPLE // 10
    assert found.named + found.outside == len(offsets)


@pytest.mark.parametrize("mask", [0x01, 0x02])
def test_every_flip_in_what_makes_the_tables_is_named_or_lies_in_what_is_listed(tmp_path: Path, mask: int) -> None:
    # The last fifth of the first page, which holds how the first table was made, its index, and a row's own bookkeeping.
    store = small_store(tmp_path)
    offsets = [*range(1340, 1380), *range(3300, 4096)]
    assert b"sqlite_autoindex" in store.read_bytes()[:4096]
    found = flip(store, store, offsets, mask)
    assert found.unseen == []
    assert found.named > 700


def _numbers(data: bytes, page: int = 4096) -> list[int]:
    """Where tables of SQLite's file format say which number a row has (leaves, type 13) or which lie beyond (branches, type 5)."""
    found: list[int] = []
    for start in range(page, len(data), page):
        if data[start] in (5, 13):
            (cells,) = struct.unpack_from(">H", data, start + 3)
            pointers = struct.unpack_from(f">{cells}H", data, start + (12 if data[start] == 5 else 8))
            # The number comes after a page's in a branch; in a leaf after the row's length, of one byte or two.
            for at in pointers:
                head = start + at
                found.append(head + (4 if data[start] == 5 else 2 if data[head] & 0x80 else 1))
    return found


@pytest.mark.parametrize("bit", range(8))
def test_where_a_row_has_an_empty_place_for_its_number_nothing_else_may_stand(tmp_path: Path, bit: int) -> None:
    # SQLite never looks there, since it keeps the number before the row (file format, 2.3): nothing but this listing can tell.
    store = small_store(tmp_path)
    data = store.read_bytes()
    # In a leaf the number is followed by the length of the row's head, then by its first column's type.
    places = [offset + 2 for offset in _numbers(data) if data[4096 * (offset // 4096)] == 13]
    assert len(places) == 7 + 1
    assert {data[place] for place in places} == {0}
    assert flip(store, store, places, 1 << bit).named == len(places)


@pytest.mark.parametrize("mask", [0xFF, 0x80, 0x40, 0x20, 0x10, 0x08, 0x04, 0x02, 0x01])
def test_entries_whose_numbers_were_changed_in_place_are_named_and_verifying_ends(tmp_path: Path, mask: int) -> None:
    # Out of order they can be met again and again by who looks for the next one.
    store = small_store(tmp_path)
    data = store.read_bytes()
    offsets = _numbers(data)
    # Seven entries, the head, and a branch over the pages that the entries lie on.
    assert {1, 2, 3, 4, 5, 6, 7} == {data[offset] for offset in offsets}
    assert len(offsets) > 7 + 1
    found = flip(store, store, offsets, mask)
    assert (found.named, found.outside, found.unseen) == (len(offsets), 0, [])


def _walked(store: Path, walk: Callable[[Store], Iterator[object]]) -> str:
    """How a walk through the store ends: in words, or with an error's."""
    try:
        with open_store(store, read_only=True) as opened:
            # Seven entries: whoever meets more, meets them again.
            return "again" if len(list(islice(walk(opened), 8))) > 7 else "whole"
    except StoreError as failure:
        return failure.text


def test_whatever_walks_through_a_store_whose_order_is_damaged_comes_to_an_end(tmp_path: Path) -> None:
    store = small_store(tmp_path)
    data = store.read_bytes()
    walks: tuple[Callable[[Store], Iterator[object]], ...] = (
        lambda opened: opened.pieces(10),
        lambda opened: opened.all(),
        verification.with_journal,
    )
    ends = []
    for walk in walks:
        for offset in _numbers(data):
            # A branch that sends a search for what comes next to what was there before.
            changed = bytearray(data)
            changed[offset] ^= 0xFF
            store.write_bytes(changed)
            ends.append(_walked(store, walk))
    assert "again" not in ends
    assert any("the store is damaged" in end for end in ends)


def test_the_bytes_of_the_contents_are_never_listed_as_outside(tmp_path: Path) -> None:
    store = small_store(tmp_path)
    data, outside = store.read_bytes(), verified(store).outside
    with open_store(store, read_only=True) as opened:
        contents = [bytes(row[16]) for rows in opened.pieces(100) for row in rows]
    assert max(map(len, contents)) > 2 * 4096
    whole = 0
    for piece in {content[at : at + 60] for content in contents for at in range(0, len(content) - 60, 60)}:
        # A page's end may go through it; and where a page was split, an old copy may be left in its free space.
        places = [m.start() for m in re.finditer(re.escape(piece), data)]
        whole += bool(places)
        assert not places or any(all(r.end <= begin or begin + 60 <= r.begin for r in outside) for begin in places)
    assert whole > 200
    assert all(a.end <= b.begin for a, b in zip(outside, outside[1:]))


def test_free_pages_are_listed(tmp_path: Path) -> None:
    """What is left in a page that SQLite has freed was never committed, or is no more."""
    store = small_store(tmp_path)
    raw = sqlite3.connect(store)
    raw.execute("CREATE TABLE other (x)")
    raw.execute("INSERT INTO other VALUES (zeroblob(20000))")
    raw.commit()
    raw.execute("DROP TABLE other")
    raw.commit()
    raw.close()
    found = verified(store)
    assert found.whole
    assert any(r.what == "free page" for r in found.outside)
    assert sum(r.end - r.begin for r in found.outside if r.what == "free page") >= 20_000


def test_a_file_that_is_no_store_is_said_to_be_none(tmp_path: Path) -> None:
    path = tmp_path / "x.sqlite"
    path.write_bytes(b"something else" * 1000)
    assert "cannot be" in verified(path).problems[0].text
    sqlite3.connect(tmp_path / "y.sqlite").execute("CREATE TABLE t (x)").connection.close()
    assert "no record store" in verified(tmp_path / "y.sqlite").problems[0].text


def test_an_amendment_changes_nothing_of_what_was_written_before(store: Store, data_folder: Path) -> None:
    store.add(record(1))
    before = next(store.pieces(10))
    store.amend(record(1).id, "B. Head", AT, "because", [("operator", "C. New")])
    assert next(store.pieces(10))[:1] == before
    assert verify(store, data_folder, journals=False).whole
