"""The short run: every kept input, and so many seeded changes, against every reader of bytes. The long one is a command."""

from __future__ import annotations

import tracemalloc
from itertools import chain
from pathlib import Path
from random import Random

import pytest

from bench import journal
from bench.journal import MAGIC, JournalReader
from bench.stream import SessionStream
from firmware_protocol import framing
from firmware_protocol.framing import FrameReader
from tests.fuzz.target import CORPUS, SUFFIX, Broken, Target, committed, inputs
from tests.fuzz.targets import TARGETS
from tests.fuzz.totals import Totals

#: Changes per target; a whole run costs more than a frame.
CHANGES = {
    "stream": 800,
    "journal": 800,
    "replay": 50,
    "job": 600,
    "bench": 600,
    "checks": 600,
    "scenario": 350,
    "commands": 500,
}
MOST_KEPT_BYTES = 200_000


def _changed(target: Target, number: int, seed: int) -> None:
    """So many changes, each to an input or to one that was changed before; the first broken promise is raised with its bytes."""
    draw = Random(seed)
    known = inputs(target)
    for n in range(number):
        data = target.mutate(draw.choice(known), draw)[: target.longest]
        try:
            target.check(data)
        except Exception as error:
            raise Broken(f"{target.name}, change {n} of seed {seed}: {error!r}; the bytes: {data[:2_000]!r}") from error
        if n % 8 == 0:
            known.append(data)


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_and_kept_inputs_keep_every_promise(name: str) -> None:
    target = TARGETS[name]
    for kept, data in chain((("seed", data) for data in target.seeds()), committed(name)):
        try:
            target.check(data)
        except Exception as error:
            raise Broken(f"{name}, {kept}: {error!r}") from error


@pytest.mark.parametrize("name", TARGETS)
def test_seeded_changes_keep_every_promise(name: str) -> None:
    _changed(TARGETS[name], CHANGES[name], 1)


def test_a_frame_reader_that_does_not_check_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(framing, "crc_hqx", lambda _data, _start: 0)
    with pytest.raises(Broken, match="check is wrong"):
        _changed(TARGETS["stream"], CHANGES["stream"], 1)


def test_a_journal_reader_one_byte_off_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    read = JournalReader.records

    def shifted(self: JournalReader, most: int | None = None) -> object:
        return (journal.Record(r.kind, r.payload[:-1], r.offset) for r in read(self, most))

    monkeypatch.setattr(JournalReader, "records", shifted)
    with pytest.raises(Broken, match="not what stands in the file"):
        _changed(TARGETS["journal"], CHANGES["journal"], 1)


def test_a_stream_without_delimiter_takes_no_memory() -> None:
    reader, stream = FrameReader(), SessionStream()
    piece = b"\x55" * 65_536
    reader.feed(piece)
    tracemalloc.start()
    try:
        for _ in range(200):
            reader.feed(piece)
            list(stream.received(piece))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    # Two copies of a piece are on their way at most; 26 MB went through.
    assert peak < 4 * len(piece)


def test_a_length_that_is_a_lie_takes_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "lie.capture"
    path.write_bytes(MAGIC + journal.MOST_PAYLOAD.to_bytes(4, "little") + b"\1" + b"x" * 100)
    tracemalloc.start()
    try:
        with JournalReader(path) as reader:
            assert list(reader.records()) == []
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert reader.torn_at == len(MAGIC)
    # What the operating system's reading asks for is given back at once, but it is asked for.
    assert peak < 1.1 * journal.MOST_PAYLOAD


def test_what_is_kept_is_small_and_belongs_to_a_target() -> None:
    kept = [path for path in CORPUS.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in kept) <= MOST_KEPT_BYTES
    assert {path.suffix for path in kept} <= {SUFFIX}
    assert {path.parent.name for path in kept} <= set(TARGETS)


def test_totals_go_on_where_they_were_left(tmp_path: Path) -> None:
    state = tmp_path / "state.json"
    state.write_text('{"bytes": 600, "executions": 3}')
    for _ in range(2):
        totals = Totals.load(tmp_path)
        totals.of("job").add(state, 1.5)
        totals.save()
    table = Totals.load(tmp_path).table(["job"], 10_000)
    assert table.splitlines()[1].split() == ["job", "1,200", "12.0%", "6", "3", "0", "0", "0"]
