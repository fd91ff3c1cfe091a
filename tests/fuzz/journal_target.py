"""The journal as a file, and the whole run fed from one."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

from bench import bench_file, job_file
from bench.errors import BenchError
from bench.journal import MAGIC, JournalReader, Kind, Record, encode_record
from bench.replay import replay
from bench.result import ResultDocument, document
from bench.run import Failure, Run
from bench.settings import header, read_header
from bench.snapshot import snapshot
from firmware_protocol.framing import Framer
from firmware_protocol.messages import Position, Start, Trouble, TroubleCode
from tests.fuzz.mutations import Frames, Journals, split_records
from tests.fuzz.stream_target import pool
from tests.fuzz.target import Target, clear, cuts, file, hold
from tests.support import scripted

_NAME = "fuzz.capture"
#: Turned so fast that a whole job is a few thousand bytes.
_SPEED_DEG_S = 200.0
_COUNTS_PER_TURN = 400
_PASSES = 2
#: Every so many records a screen looks.
_LOOK_EVERY = 4


# --- the file -------------------------------------------------------------------------------------------------------------


def check_file(data: bytes) -> None:
    """What is read is what stands in the file, up to where it is torn; a growing file gives the same."""
    path = file(_NAME, data)
    try:
        with JournalReader(path) as reader:
            records, torn_at = list(reader.records()), reader.torn_at
    except BenchError as error:
        clear(error)
        hold(not data.startswith(MAGIC), "a journal's beginning was refused")
        return
    read = MAGIC + b"".join(encode_record(r.kind, r.payload) for r in records)
    hold(data.startswith(read), "a record is not what stands in the file")
    hold(torn_at == (None if len(read) == len(data) else len(read)), f"torn at {torn_at}, not {len(read)}")
    at = len(MAGIC)
    for record in records:
        hold(record.offset == at, f"a record at {at} said to be at {record.offset}")
        at += 9 + len(record.payload)
    hold(_growing(data) == records, "a journal read while it grows gives other records")


def _growing(data: bytes) -> list[Record]:
    path = file("growing.capture", MAGIC)
    found: list[Record] = []
    with JournalReader(path) as reader, path.open("ab", buffering=0) as end:
        for piece in cuts(data[len(MAGIC) :])[:200]:
            end.write(piece)
            found += reader.records()
        end.write(data[end.tell() :])
        found += reader.records()
    return found


# --- the run --------------------------------------------------------------------------------------------------------------


def check_replay(data: bytes) -> None:
    """A clear error, or a document; the same again, in other pieces, and with a screen looking on."""
    path = file(_NAME, data)
    try:
        first = document(replay(path).run, "x")
    except BenchError as error:
        clear(error)
        again = _refusal(path)
        hold(again == error.text, f"refused by {error.text!r}, then by {again!r}")
        return
    text = first.to_json()
    _sensible(first, text)
    hold(document(replay(path).run, "x").to_json() == text, "the same journal twice gives two documents")
    hold(_in_other_pieces(path) == text, "in other pieces, with a screen looking on, the document is another one")


def _refusal(path: Path) -> str:
    try:
        replay(path)
    except BenchError as error:
        return error.text
    return ""


def _sensible(found: ResultDocument, text: str) -> None:
    json.loads(text, parse_constant=_refuse)
    text.encode("utf-8")
    hold(found.exit_status() in ((0, 1, 3) if found.valid else (4, 5)), f"exit status {found.exit_status()}")
    hold(found.valid == (found.error is None), "valid with an error, or neither")
    hold(found.valid or not found.breakers, "angles without a valid result")
    told = [note.text for note in found.notes] + ([] if found.error is None else [found.error.text])
    for line in told:
        hold(line.isprintable(), f"unprintable characters in {line[:80]!r}")
    for breaker in found.breakers:
        for opening in breaker.openings:
            hold(opening.angle_deg is None or opening.expanded_uncertainty_deg is not None, "an angle of unknown worth")


def _refuse(constant: str) -> None:
    hold(False, f"{constant} in the document")


def _in_other_pieces(path: Path) -> str:
    """As `replay`, but neighbouring bytes of one direction run together and are cut anew."""
    with JournalReader(path) as reader:
        run = Run(read_header(reader.header(), str(path)))
        for n, record in enumerate(_cut_anew(list(reader.records()))):
            run.feed(record)
            if n % _LOOK_EVERY == 0:
                snapshot(run)
            if run.finished:
                break
    if not run.finished:
        run.failure = Failure("incomplete-recording", "The recording breaks off before the measurement was complete.")
    snapshot(run)
    return document(run, "x").to_json()


def _cut_anew(records: list[Record]) -> Iterator[Record]:
    for record in records:
        if record.kind is Kind.FROM_BOARD and record.payload:
            at = len(record.payload) // 3
            for piece in (record.payload[:at], record.payload[at:]):
                yield Record(record.kind, piece, record.offset)
        else:
            yield record


# --- seeds ----------------------------------------------------------------------------------------------------------------


def _heading(job: dict[str, Any], guided: bool = False, **bench: Any) -> bytes:
    tables = {"encoder_sense": "clockwise", "counts_per_turn": _COUNTS_PER_TURN} | bench
    made = header(
        job_file.parse(job, "job"),
        bench_file.parse(tables, "bench"),
        _PASSES,
        "2026-01-01T00:00:00+00:00",
        "test",
        None,
        guided=guided,
    )
    return MAGIC + encode_record(Kind.HEADER, json.dumps(made, sort_keys=True).encode("utf-8"))


def _journal(script: scripted.Script, head: bytes, per_record: int = 60) -> bytes:
    framer = Framer()
    sent = [s for s in scripted.play(script) if not isinstance(s.message, Position) or round(s.at_s * 100) % 2 == 0]
    frames = scripted.wire(sent)
    parts = [
        (Kind.FROM_BOARD, b"boot\r\n\0" + framer.encode(scripted.hello(script), 0, 0)),
        (Kind.TO_BOARD, framer.encode(Start(1, 50, 0, 1), 0, 1)),
        *((Kind.FROM_BOARD, b"".join(frames[i : i + per_record])) for i in range(0, len(frames), per_record)),
        (Kind.ENTRY, b'{"kind": "end"}'),
    ]
    return head + b"".join(encode_record(kind, payload) for kind, payload in parts)


@cache
def _script(turns: float, edges: bool, breakers: int = 1) -> scripted.Script:
    found = scripted.turning(turns, _SPEED_DEG_S)
    over = ((10.0, 80.0), (190.0, 260.0)), ((11.0, 80.0), (191.0, 260.0))
    # Neutral is marked at once: without the turn before, which only serves the index.
    begin, presses = scripted.MARKING[2][0], scripted.MARKING_PRESSES
    path = tuple((t - begin, deg) for t, deg in scripted.MARKING[2:])
    end_s, end_deg = path[-1]
    long = turns * 360
    return scripted.Script(
        (*path, (end_s + long / _SPEED_DEG_S, end_deg + long), (end_s + long / _SPEED_DEG_S + 0.3, end_deg + long)),
        tuple(p - begin for p in presses),
        over[:breakers],
        counts_per_turn=_COUNTS_PER_TURN,
        boot_counter=found.boot_counter,
        with_edges=edges,
    )


def _dual_job() -> dict[str, Any]:
    job = scripted.job(breakers=2)
    job["difference"] = [{"between": ["main", "second1"], "deg": 1.0, "minus_deg": 2.0, "plus_deg": 2.0}]
    return job


@cache
def replay_seeds() -> list[bytes]:
    """Whole jobs of a few thousand bytes: plain, with encoder edges, two breakers, without limits, guided, with losses."""
    plain, dual = _script(3.6, False), _script(3.6, False, 2)
    unlimited = {**scripted.job()}
    del unlimited["limits"]
    unlimited["breaker"] = [{"name": "main", "channel": 0}]
    led = [{"kind": "step", "to": to} for to in ("neutral", "adjust", "checks", "done")]
    entries = [
        {"kind": "check", "check": {"name": "capacitor", "value": 0.3, "unit": "µF"}},
        {"kind": "caution", "text": "seen"},
        {"kind": "link", "state": "lost", "code": "link-lost", "text": "The port went away."},
        {"kind": "error", "code": "link-silent", "text": "The board stopped sending."},
        *led,
    ]
    said = b"".join(encode_record(Kind.ENTRY, json.dumps(e).encode("utf-8")) for e in entries)
    whole = _journal(plain, _heading(scripted.job()))
    troubled = Framer().encode(Trouble(5, TroubleCode.INDEX_OFF, 255, 3, 0), 1, 700)
    return [
        whole,
        _journal(_script(2.6, True), _heading(scripted.job())),
        _journal(dual, _heading(_dual_job())),
        _journal(plain, _heading(unlimited, encoder_sense="unknown", index=False)),
        _journal(_script(6.5, False), _heading(scripted.job(), guided=True)),
        whole[: len(whole) // 2] + whole[len(whole) // 2 + 700 :],
        _heading(scripted.job(), guided=True) + said,
        whole + encode_record(Kind.FROM_BOARD, troubled),
        *_odd(),
    ]


def _odd() -> Iterator[bytes]:
    """Journals of a few records that no bench would write."""
    framer, head = Framer(), _heading(scripted.job())
    greeting = encode_record(Kind.FROM_BOARD, b"\0" + framer.encode(scripted.hello(_script(3.6, False)), 0, 0))
    begin = encode_record(Kind.TO_BOARD, framer.encode(Start(1, 50, 0, 1), 0, 1))
    report = Position(1, 0, 0, 0, 0, ())
    said = encode_record(Kind.FROM_BOARD, framer.encode(report, 1, 0))
    yield head + begin + said
    yield head + greeting + begin + said
    yield head + greeting + said + begin + begin + said
    yield _heading(_dual_job()) + greeting + begin + said
    for entry in (b"[]", b"7", b"null", b"\xff", b"{}", b'{"kind": "error", "code": "\\u001b", "text": "\\u001b[2J"}'):
        yield head + encode_record(Kind.ENTRY, entry)
    for key, value in (("passes", True), ("passes", 10**9), ("run_date", None), ("encoder_map", {}), ("rehearsal", 3)):
        made = json.loads(split_records(head)[0][1])
        made[key] = value
        yield MAGIC + encode_record(Kind.HEADER, json.dumps(made).encode("utf-8")) + greeting + begin + said


def file_seeds() -> list[bytes]:
    """Journals of a few records, whole, torn and with other kinds."""
    head = _heading(scripted.job())
    few = b"".join(encode_record(kind, b"\0\1\2" * n) for n, kind in enumerate(Kind))
    long = encode_record(Kind.FROM_BOARD, bytes(range(256)) * 20)
    return [b"", MAGIC, head, head + few, (head + few)[:-3], MAGIC + few, head + long + few, MAGIC + b"\xff" * 20]


_ENTRIES = tuple(
    json.dumps(entry).encode("utf-8")
    for entry in (
        {"kind": "end"},
        {"kind": "step", "to": "adjust"},
        {"kind": "step", "to": "neutral"},
        {"kind": "link", "state": "lost", "text": "gone"},
        {"kind": "check", "check": {}},
        {"kind": "error", "code": 3, "text": None},
        {"kind": "adjustment", "breaker": "main"},
    )
)
_MUTATE = Journals(Frames(pool()), _ENTRIES)


def _mutate(data: bytes, draw: Random) -> bytes:
    return _MUTATE(data, draw)


FILE = Target("journal", "the journal's records, whole, torn and growing", check_file, _mutate, file_seeds, 12_000, 0.6)
REPLAY = Target(
    "replay", "a whole run fed from a journal, twice and in pieces", check_replay, _mutate, replay_seeds, 60_000, 0.95
)
