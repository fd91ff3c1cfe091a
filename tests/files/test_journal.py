"""The journal keeps what it was given, reads back nothing else, and says when it cannot keep any more."""

from __future__ import annotations

import errno
import json
import os
import stat
import struct
import threading
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest_mock import MockerFixture

from bench.errors import CaptureError, JournalError
from bench.journal import MAGIC, JournalReader, JournalWriter, Kind, Record, encode_record

HEADER = {"format": "demo", "unit": "Zündmagnet", "passes": 5}
RECORDS = (
    (Kind.TO_BOARD, b"\x00who?\x00"),
    (Kind.FROM_BOARD, b"\x05here\x00"),
    (Kind.FROM_BOARD, b""),
    (Kind.ENTRY, b'{"kind": "end"}'),
    (Kind.FROM_BOARD, bytes(range(0, 256, 8))),
)


def _small(path: Path) -> bytes:
    """A small journal; its bytes."""
    writer = JournalWriter(path, HEADER)
    for kind, payload in RECORDS:
        writer.append(kind, payload)
    writer.close()
    return path.read_bytes()


def _records(path: Path) -> tuple[list[tuple[Kind, bytes]], int | None]:
    with JournalReader(path) as reader:
        reader.header()
        return [(record.kind, record.payload) for record in reader.records()], reader.torn_at


def _ends(whole: bytes) -> list[int]:
    """Offsets at which records end, read off the format that the module states."""
    at, ends = 11, [11]
    while at < len(whole):
        (length,) = struct.unpack_from("<I", whole, at)
        at += 4 + 1 + length + 4
        ends.append(at)
    return ends


# --- what goes in comes out -----------------------------------------------------------------------------------------


def test_a_journal_gives_back_its_header_and_records_in_order(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    whole = _small(path)
    with JournalReader(path) as reader:
        assert reader.header() == HEADER
        records = list(reader.records())
    assert [(record.kind, record.payload) for record in records] == list(RECORDS)
    assert [record.offset for record in records] == _ends(whole)[1:-1]
    assert _ends(whole)[-1] == len(whole)
    assert reader.torn_at is None


def test_the_file_is_laid_out_as_stated(tmp_path: Path) -> None:
    whole = _small(tmp_path / "a.capture")
    header = json.dumps(HEADER, ensure_ascii=False, sort_keys=True).encode("utf-8")
    expected = b"BBJOURNAL1\n"
    for kind, payload in ((0, header), *RECORDS):
        body = bytes((kind,)) + payload
        expected += struct.pack("<I", len(payload)) + body + struct.pack("<I", zlib.crc32(body))
    assert whole == expected


@given(st.lists(st.tuples(st.sampled_from([Kind.FROM_BOARD, Kind.TO_BOARD, Kind.ENTRY]), st.binary(max_size=80_000))))
@settings(max_examples=25)
def test_any_payloads_come_back(tmp_path_factory: pytest.TempPathFactory, records: list[tuple[Kind, bytes]]) -> None:
    path = tmp_path_factory.mktemp("journal") / "a.capture"
    writer = JournalWriter(path, {})
    for kind, payload in records:
        writer.append(kind, payload)
    writer.close()
    assert _records(path) == (records, None)


def test_entries_are_json_and_may_hold_any_text(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    writer = JournalWriter(path, HEADER)
    writer.entry({"kind": "note", "text": "5 µm\n\0"})
    writer.close()
    with JournalReader(path) as reader:
        reader.header()
        (record,) = reader.records()
    assert record.document() == {"kind": "note", "text": "5 µm\n\0"}


def test_two_threads_may_write_at_once(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    writer = JournalWriter(path, HEADER)

    def write(mark: int) -> None:
        for _ in range(300):
            writer.append(Kind.FROM_BOARD, bytes((mark,)) * 3000)
            writer.sync()

    threads = [threading.Thread(target=write, args=(mark,)) for mark in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    writer.close()
    records, torn_at = _records(path)
    assert torn_at is None
    assert sorted(payload for _, payload in records) == sorted(bytes((m,)) * 3000 for m in range(4) for _ in range(300))


def test_only_this_user_may_read_a_journal(tmp_path: Path) -> None:
    path = tmp_path / "folder" / "inner" / "a.capture"
    old = os.umask(0)
    try:
        _small(path)
    finally:
        os.umask(old)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_an_existing_file_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    path.write_bytes(b"evidence")
    with pytest.raises(JournalError, match="exists already"):
        JournalWriter(path, HEADER)
    assert path.read_bytes() == b"evidence"


def test_a_link_to_an_existing_file_is_not_followed(tmp_path: Path) -> None:
    target, link = tmp_path / "evidence", tmp_path / "a.capture"
    target.write_bytes(b"evidence")
    link.symlink_to(target)
    with pytest.raises(JournalError, match="exists already"):
        JournalWriter(link, HEADER)
    assert target.read_bytes() == b"evidence"


def test_a_place_where_no_file_can_be_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(JournalError, match="cannot be created"):
        JournalWriter(tmp_path / "file" / "a.capture", HEADER)


# --- a growing file -------------------------------------------------------------------------------------------------


def test_a_growing_journal_is_followed_record_by_record(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    writer = JournalWriter(path, HEADER)
    with JournalReader(path) as reader:
        assert reader.header() == HEADER
        assert list(reader.records()) == []
        for kind, payload in RECORDS:
            writer.append(kind, payload)
            assert [(r.kind, r.payload) for r in reader.records()] == [(kind, payload)]
            assert reader.torn_at is None
    writer.close()


def test_a_record_that_comes_in_pieces_is_read_once_it_is_whole(tmp_path: Path) -> None:
    whole = _small(tmp_path / "whole.capture")
    path = tmp_path / "a.capture"
    ends = _ends(whole)
    with path.open("wb", buffering=0) as file:
        file.write(whole[: ends[1]])
        with JournalReader(path) as reader:
            reader.header()
            got: list[Record] = []
            for at in range(ends[1], len(whole)):
                file.write(whole[at : at + 1])
                got += reader.records()
                done = [end for end in ends if end <= at + 1]
                assert len(got) == len(done) - 2
                assert reader.torn_at == (None if done[-1] == at + 1 else done[-1])
    assert [(r.kind, r.payload) for r in got] == list(RECORDS)


# --- torn and damaged files -----------------------------------------------------------------------------------------


def test_of_a_journal_torn_anywhere_all_whole_records_are_read_and_nothing_else(tmp_path: Path) -> None:
    whole = _small(tmp_path / "whole.capture")
    path = tmp_path / "torn.capture"
    ends = _ends(whole)
    for size in range(len(whole)):
        path.write_bytes(whole[:size])
        if size < ends[1]:
            with pytest.raises(CaptureError, match="header is not whole" if size >= len(MAGIC) else "not a capture"):
                _records(path)
            continue
        last = max(end for end in ends if end <= size)
        kept = ends.index(last) - 1
        assert _records(path) == (list(RECORDS[:kept]), None if last == size else last)


def test_of_a_journal_with_one_byte_changed_no_changed_record_is_read(tmp_path: Path) -> None:
    whole = _small(tmp_path / "whole.capture")
    path = tmp_path / "changed.capture"
    ends = _ends(whole)
    for place in range(len(whole)):
        for change in (0x01, 0x80, 0xFF):
            changed = bytearray(whole)
            changed[place] ^= change
            path.write_bytes(changed)
            if place < ends[1]:
                with pytest.raises(CaptureError):
                    _records(path)
                continue
            begun = max(end for end in ends if end <= place)
            kept = ends.index(begun) - 1
            assert _records(path) == (list(RECORDS[:kept]), begun)


def test_after_damage_a_reader_gives_nothing_more_even_if_the_file_grows(tmp_path: Path) -> None:
    whole = bytearray(_small(tmp_path / "whole.capture"))
    whole[_ends(bytes(whole))[2] + 6] ^= 1
    path = tmp_path / "a.capture"
    path.write_bytes(whole)
    with JournalReader(path) as reader:
        reader.header()
        assert len(list(reader.records())) == 1
        with path.open("ab") as file:
            file.write(encode_record(Kind.FROM_BOARD, b"more"))
        assert list(reader.records()) == []
        assert reader.damaged
        assert reader.torn_at == _ends(bytes(whole))[2]


def test_a_record_of_absurd_length_is_damage_and_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    whole = _small(path)
    path.write_bytes(whole + b"\xff\xff\xff\xff\x01")
    with JournalReader(path) as reader:
        reader.header()
        assert len(list(reader.records())) == len(RECORDS)
        assert reader.damaged
        assert reader.torn_at == len(whole)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"BBJOURNAL",
        b"BBJOURNAL2\n",
        MAGIC,
        MAGIC + encode_record(Kind.ENTRY, b"{}"),
        b'{"format": "x"}',
        bytes(40),
    ],
)
def test_what_is_no_journal_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.capture"
    path.write_bytes(content)
    with pytest.raises(CaptureError, match=r"a\.capture"):
        _records(path)


@pytest.mark.parametrize("payload", [b"", b"[]", b"{", b"\xff", b"1", b"[" * 100_000, b'{"a": ' + b"1" * 5000 + b"}"])
def test_a_header_that_is_no_json_object_is_refused(tmp_path: Path, payload: bytes) -> None:
    path = tmp_path / "a.capture"
    path.write_bytes(MAGIC + encode_record(Kind.HEADER, payload))
    with pytest.raises(CaptureError):
        _records(path)


def test_a_missing_capture_and_a_folder_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.capture"):
        with pytest.raises(CaptureError, match="cannot be read") as refusal:
            JournalReader(path)
        assert refusal.value.exit_status == 2


# --- an operating system that fails ---------------------------------------------------------------------------------

FAILURES = [(errno.ENOSPC, "No space left"), (errno.EIO, "Input/output error"), (errno.EDQUOT, "quota")]


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[JournalWriter]:
    made = JournalWriter(tmp_path / "a.capture", HEADER)
    made.append(*RECORDS[0])
    made.sync()
    yield made
    os.close(made._file)


@pytest.mark.parametrize(("number", "words"), FAILURES)
def test_a_write_that_fails_is_a_journal_error(
    writer: JournalWriter, mocker: MockerFixture, number: int, words: str
) -> None:
    mocker.patch("os.write", side_effect=OSError(number, os.strerror(number)))
    with pytest.raises(JournalError, match=f"(?i)cannot be written.*{words}"):
        writer.append(Kind.FROM_BOARD, b"lost")
    mocker.stopall()
    assert _records(writer.path) == ([RECORDS[0]], None)


def test_a_disk_that_fills_in_the_middle_of_a_record_costs_that_record_only(
    writer: JournalWriter, mocker: MockerFixture
) -> None:
    real = os.write
    left = 12

    def write(file: int, data: Any) -> int:
        nonlocal left
        if left == 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        done = real(file, bytes(data)[:left])
        left -= done
        return done

    size = writer.path.stat().st_size
    mocker.patch("os.write", side_effect=write)
    with pytest.raises(JournalError, match="No space left"):
        writer.append(Kind.FROM_BOARD, b"longer than what is left")
    mocker.stopall()
    assert _records(writer.path) == ([RECORDS[0]], size)
    # Room again: what came after half a record could not be read back, so nothing more is taken or called secure.
    with pytest.raises(JournalError):
        writer.append(Kind.FROM_BOARD, b"more")
    with pytest.raises(JournalError):
        writer.sync()
    assert writer.path.stat().st_size == size + 12


def test_a_write_that_takes_only_a_part_is_carried_on(writer: JournalWriter, mocker: MockerFixture) -> None:
    real = os.write
    mocker.patch("os.write", side_effect=lambda file, data: real(file, bytes(data)[:3]))
    writer.append(*RECORDS[1])
    mocker.stopall()
    assert _records(writer.path) == (list(RECORDS[:2]), None)


@pytest.mark.parametrize(("number", "words"), FAILURES)
def test_an_fsync_that_fails_is_a_journal_error_and_stays_one(
    writer: JournalWriter, mocker: MockerFixture, number: int, words: str
) -> None:
    writer.append(*RECORDS[1])
    mocker.patch("os.fsync", side_effect=OSError(number, os.strerror(number)))
    with pytest.raises(JournalError, match=f"(?i)cannot be secured.*{words}"):
        writer.sync()
    mocker.stopall()
    # The system reports a lost page once; the next fsync would say that all is well.
    with pytest.raises(JournalError, match="cannot be secured"):
        writer.sync()


def test_sync_asks_the_disk_only_when_there_is_something_new(writer: JournalWriter, mocker: MockerFixture) -> None:
    fsync = mocker.spy(os, "fsync")
    writer.sync()
    assert fsync.call_count == 0
    writer.append(*RECORDS[1])
    writer.sync()
    writer.sync()
    assert fsync.call_count == 1


@pytest.mark.parametrize("call", ["os.write", "os.fsync"])
def test_a_journal_that_cannot_be_begun_is_a_journal_error(tmp_path: Path, mocker: MockerFixture, call: str) -> None:
    mocker.patch(call, side_effect=OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))
    with pytest.raises(JournalError, match="No space left"):
        JournalWriter(tmp_path / "a.capture", HEADER)


def test_closing_syncs_what_was_written(writer: JournalWriter, mocker: MockerFixture) -> None:
    fsync = mocker.spy(os, "fsync")
    close = mocker.patch("os.close")
    writer.append(*RECORDS[1])
    writer.close()
    assert fsync.call_count == 1
    assert close.call_count == 1


def test_closing_waits_for_another_thread_that_secures_and_after_it_nothing_is_written(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    writer = JournalWriter(tmp_path / "a.capture", {})
    writer.append(Kind.FROM_BOARD, b"1")
    begun, go_on = threading.Event(), threading.Event()
    raised: list[object] = []
    mocker.patch.object(threading, "excepthook", lambda args: raised.append(args.exc_value))
    disk = os.fsync

    def slow(file: int) -> None:
        begun.set()
        assert go_on.wait(30)
        disk(file)

    mocker.patch("os.fsync", slow)
    securing = threading.Thread(target=writer.sync)
    securing.start()
    assert begun.wait(30)
    closing = threading.Thread(target=writer.close)
    closing.start()
    # The file is still the journal's own as long as it is being secured.
    closing.join(0.2)
    assert closing.is_alive()
    go_on.set()
    securing.join(30)
    closing.join(30)
    assert raised == []
    size = writer.path.stat().st_size
    with pytest.raises(JournalError, match="closed"):
        writer.append(Kind.FROM_BOARD, b"2")
    writer.sync()
    writer.close()
    assert writer.path.stat().st_size == size
