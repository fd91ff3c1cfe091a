"""Hostile job, bench, scenario and journal files: sizes, encodings, nesting, numbers, escape sequences, and what no file should be.

Each must be refused by an error of the project's own, in one printable line and exit status 2 (a scenario: by its own kind of error), or be
read; a journal may also end in a document that says why it has no result.
"""

from __future__ import annotations

import dataclasses
import json
import os
import random
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from bench import bench_file, job_file
from bench.errors import BenchError, InputError
from bench.journal import MAGIC, JournalReader, Kind, encode_record
from bench.replay import replay
from bench.result import document
from firmware_protocol.framing import Frame, FrameError, Framer, FrameReader
from sim import scenario as scenarios
from sim.scenario import ScenarioError
from tests.faults.journal_faults import whole
from tests.faults.row import Outcome, Row

#: Characters of one clear message, and what the file's own name takes.
MOST_SAID = 1500
#: What a key may be given instead of its figure or text.
VALUES = (
    "nan",
    "-inf",
    "1e400",
    "-1e308",
    "9" * 5000,
    "-1",
    "0",
    "true",
    '""',
    '"\\u001b[2J\\u001b]0;x\\u0007"',
    '"' + "x" * 70_000 + '"',
    '"\\u202e\\u0000"',
    "[]",
    "[[[[1]]]]",
    "{}",
    "{a.b.c.d = 1}",
    "1979-05-27T07:32:00Z",
    "0x7fffffffffffffffffffffff",
)


def hostile(good: bytes, draw: random.Random) -> Iterator[tuple[str, bytes]]:
    """Files by name; `good` is one that can be used."""
    text = good.decode("utf-8")
    yield "empty", b""
    yield "a zero byte", b"\0"
    yield "half a megabyte of zeros", b"\0" * 500_000
    yield "three megabytes", b"# x\n" * 750_000
    yield "one long line", b'a = "' + b"x" * 900_000 + b'"'
    yield "one long key", b"x" * 900_000 + b" = 1"
    yield "UTF-16", text.encode("utf-16")
    yield "UTF-32", text.encode("utf-32")
    yield "byte order mark", b"\xef\xbb\xbf" + good
    yield "Latin-1", text.encode("utf-8") + "# grün\n".encode("latin-1")
    yield "surrogates", good + b"# \xed\xa0\x80\n"
    yield "old line ends", text.replace("\n", "\r").encode()
    yield "control characters", good + b"# \x1b[31m\x07\n"
    yield "nested arrays", b"a = " + b"[" * 100_000
    yield "nested and closed", b"a = " + b"[" * 5_000 + b"]" * 5_000
    yield "nested tables", b"a = " + b"{b = " * 20_000
    yield "dotted keys", b".".join([b"a"] * 20_000) + b" = 1"
    yield "keys twice", good + good
    yield "many tables", b"".join(b'[[breaker]]\nname = "b%d"\n' % n for n in range(20_000))
    yield "random bytes", draw.randbytes(5_000)
    lines = text.splitlines()
    keyed = [n for n, line in enumerate(lines) if "=" in line and not line.startswith("#")]
    for value in VALUES:
        n = draw.choice(keyed)
        changed = [*lines]
        changed[n] = lines[n].partition("=")[0] + "= " + value
        yield f"{lines[n].partition('=')[0].strip()} = {value[:20]}", "\n".join(changed).encode()
    for _ in range(10):
        at, number = draw.randrange(len(good)), draw.randint(1, 8)
        yield "random change", good[:at] + draw.randbytes(number) + good[at + draw.randint(0, 8) :]


def _refused(name: str, load: Callable[[], object], error: type[Exception]) -> Iterator[str]:
    try:
        load()
    except error as refused:
        text = str(refused)
        if not text.isprintable():
            yield f"{name}: unprintable characters in {text[:80]!r}"
        if len(text) > MOST_SAID + len(name):
            yield f"{name}: a message of {len(text)} characters"
        if isinstance(refused, BenchError) and refused.exit_status != 2:
            yield f"{name}: exit status {refused.exit_status}"
    except Exception as other:
        yield f"{name}: {type(other).__name__}: {str(other)[:100]}"


def _of_files(good: bytes, load: Callable[[Path], object], error: type[Exception], seed: int) -> Iterator[str]:
    draw = random.Random(f"files {seed}")
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        path = Path(folder) / "hostile.toml"
        for name, data in hostile(good, draw):
            path.write_bytes(data)
            yield from _refused(name, lambda: load(path), error)
        loop = Path(folder) / "loop.toml"
        loop.symlink_to(loop)
        strange = [Path(folder), loop, Path(folder) / "none.toml", Path(folder) / ("n" * 5000), Path("/dev/zero")]
        strange.append(Path(folder) / "\x1b[2J.toml")
        for path in strange:
            if path.name != "zero" or os.name == "posix":
                yield from _refused(f"path {path}", lambda at=path: load(at), error)


def jobs(seed: int) -> Iterator[str]:
    """Job files: encodings, sizes, nesting, numbers."""
    good = (scenarios.BUILT_IN_FOLDER / "with-retard.job.toml").read_bytes()
    yield from _of_files(good, lambda p: job_file.to_job(job_file.load(p)), InputError, seed)


def benches(seed: int) -> Iterator[str]:
    """Bench files: encodings, sizes, nesting, numbers."""
    good = (scenarios.BUILT_IN_FOLDER / "sense-amplifier.bench.toml").read_bytes()

    def load(path: Path) -> object:
        # A bench file that is not there is none.
        return bench_file.load(path)

    yield from _of_files(good, load, InputError, seed)


def scenario_files(seed: int) -> Iterator[str]:
    """Scenario files: encodings, sizes, nesting, numbers."""
    good = (scenarios.BUILT_IN_FOLDER / "compensated-dual.toml").read_bytes()
    yield from _of_files(good, scenarios.load, ScenarioError, seed)


# --- journals ------------------------------------------------------------------------------------------------------------

JSON_VALUES: tuple[Any, ...] = (
    None,
    True,
    -1,
    0,
    10**400,
    1e308,
    -5e-324,
    "",
    "\x1b[2J",
    "x" * 50_000,
    [],
    {},
    [[[[[]]]]],
    {"a": {"b": {"c": 1}}},
    2**63,
)


def _places(tree: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield at
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield from _places(value, (*at, key))
    elif isinstance(tree, list):
        for n, value in enumerate(tree):
            yield from _places(value, (*at, n))


def _changed(tree: Any, at: tuple[Any, ...], value: Any) -> Any:
    if not at:
        return value
    copy = dict(tree) if isinstance(tree, dict) else list(tree)
    copy[at[0]] = _changed(tree[at[0]], at[1:], value)
    return copy


def headers(seed: int) -> Iterator[str]:
    """Journals whose header holds at some place what it never should; and entries of any shape."""
    data, _, places, _ = whole(seed % 3)
    draw = random.Random(f"headers {seed}")
    first = places[1][0]
    header = json.loads(data[len(MAGIC) + 5 : first - 4])
    # A few records are enough to see that the run begins.
    some = data[first : places[6][1]]
    paths = list(_places(header))
    raw = [
        b"[" * 50_000,
        b'{"a":' * 20_000,
        b"{}",
        b"null",
        b"\xff\xfe",
        b'{"job": NaN}',
        b'{"job": 1e999}',
        b"",
        b'{"' + b"x" * 9_000_000,
    ]
    cases = [(f"header {r[:12]!r}", encode_record(Kind.HEADER, r) + some) for r in raw]
    for _ in range(150):
        at, value = draw.choice(paths), draw.choice(JSON_VALUES)
        changed = json.dumps(_changed(header, at, value)).encode()
        cases.append((f"{'.'.join(map(str, at))} = {str(value)[:20]}", encode_record(Kind.HEADER, changed) + some))
    head = data[len(MAGIC) : first]
    for kind in (
        "error",
        "end",
        "step",
        "link",
        "check",
        "adjustment",
        "operator",
        "caution",
        "x",
        None,
        3,
        {"a": []},
        [1],
    ):
        for more in (
            {},
            {"code": 5, "text": None, "to": []},
            {"code": "\x1b[2J", "text": "\x1b[2J" * 10, "to": "x" * 9999},
        ):
            entry = json.dumps({"kind": kind, **more}).encode()
            cases.append((f"entry {kind} {str(more)[:30]}", head + some + encode_record(Kind.ENTRY, entry)))
    for raw_entry in (b"", b"[]", b"\xff", b"[" * 50_000, b"1" * 6000):
        cases.append((f"entry {raw_entry[:5]!r}", head + some + encode_record(Kind.ENTRY, raw_entry)))
    yield from _replays([(name, MAGIC + body) for name, body in cases])


def boards(seed: int) -> Iterator[str]:
    """Journals of a board that says what none may: whole frames with figures at the ends of their ranges, in any order."""
    data, _, places, _ = whole(seed % 3)
    draw = random.Random(f"boards {seed}")
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        path = Path(folder) / "whole.capture"
        path.write_bytes(data)
        with JournalReader(path) as reader:
            reader.header()
            records = list(reader.records())
    head = data[: places[1][0]]
    cases = []
    for n in range(12):
        framer, body, sequence = Framer(), [], 0
        share = draw.choice((0.002, 0.02, 0.3))
        reader_of = FrameReader()
        for record in records[: draw.randint(30, len(records))]:
            if record.kind is not Kind.FROM_BOARD:
                body.append(encode_record(record.kind, record.payload))
                continue
            out = []
            for item in reader_of.feed(record.payload):
                if not isinstance(item, Frame):
                    continue
                message = _wild(item.message, draw) if draw.random() < share else item.message
                sequence = item.sequence if not item.session else sequence
                try:
                    out.append(framer.encode(message, item.session, item.sequence))
                except (FrameError, ValueError, OverflowError):
                    out.append(item.wire + b"\0")
            body.append(encode_record(Kind.FROM_BOARD, b"".join(out)))
        cases.append((f"board {n}", head + b"".join(body)))
    yield from _replays(cases)


def _wild(message: Any, draw: random.Random) -> Any:
    """One field of a message at an end of some range."""
    field = draw.choice(dataclasses.fields(message))
    value = getattr(message, field.name)
    extremes = (0, 1, -1, 255, 65_535, 2**31 - 1, -(2**31), 2**32 - 1)
    if isinstance(value, int):
        return dataclasses.replace(message, **{field.name: draw.choice(extremes)})
    if isinstance(value, tuple) and value:
        place = draw.randrange(len(value))
        changed = [*value]
        changed[place] = draw.choice(extremes)
        return dataclasses.replace(message, **{field.name: draw.choice((tuple(changed), value[:place], (), value * 2))})
    return message


def _replays(cases: list[tuple[str, bytes]]) -> Iterator[str]:
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        path = Path(folder) / "hostile.capture"
        for name, data in cases:
            path.write_bytes(data)
            yield from _refused(name, lambda: _shown(path), BenchError)


def _shown(path: Path) -> None:
    """Replay and write the document; raises what a command would have to catch, ValueError for what it may not say."""
    result = document(replay(path).run, "x")
    text = result.to_json()
    json.loads(text, parse_constant=_refuse)
    if result.error is not None and not result.error.text.isprintable():
        raise ValueError(f"unprintable: {result.error.text[:60]!r}")
    for note in result.notes:
        if not note.text.isprintable():
            raise ValueError(f"unprintable: {note.text[:60]!r}")


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} in the document")


CHECKS = {
    "hostile job files": jobs,
    "hostile bench files": benches,
    "hostile scenario files": scenario_files,
    "hostile headers and entries in journals": headers,
    "hostile boards in journals": boards,
}
ROWS = tuple(
    Row(name, (check.__doc__ or "").split("\n")[0], lambda _d, _s: None, 1.0, most_runs=20, kind="files")
    for name, check in CHECKS.items()
)


def run(row: Row, seed: int) -> Outcome:
    """Some hundred files of one kind."""
    return Outcome(row.name, seed, valid=True, exit_status=0, struck_s=0.0, faults=tuple(CHECKS[row.name](seed)))
