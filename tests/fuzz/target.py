"""What a target of the fuzzer is, and how one says that a promise was broken."""

from __future__ import annotations

import tempfile
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random

from bench.errors import BenchError

CORPUS = Path(__file__).parent / "corpus"
#: Git and the tests of the house take files of this suffix for bytes.
SUFFIX = ".capture"
#: Characters of one clear message, besides the file's own name.
MOST_SAID = 1500


class Broken(AssertionError):
    """Bytes were found for which a promise does not hold."""


@dataclass(frozen=True)
class Target:
    """A reader of bytes. `check` raises Broken, or whatever else escapes; `mutate` keeps most of the inner form of what it changes."""

    name: str
    what: str
    check: Callable[[bytes], None]
    mutate: Callable[[bytes, Random], bytes]
    seeds: Callable[[], Sequence[bytes]]
    longest: int
    #: Share of the long run's changes that keep the form; the rest are the fuzzing library's own.
    keeping_form: float


def hold(truth: bool, promise: str) -> None:
    """Raise Broken if a promise does not hold."""
    if not truth:
        raise Broken(promise)


def committed(name: str) -> list[tuple[str, bytes]]:
    """Name and bytes of every input that the repository keeps for a target."""
    return [(path.stem, path.read_bytes()) for path in sorted((CORPUS / name).glob("*" + SUFFIX))]


def inputs(target: Target) -> list[bytes]:
    """All that fuzzing a target begins with: made seeds and kept inputs."""
    return [*target.seeds(), *(data for _, data in committed(target.name))]


def cuts(data: bytes) -> list[bytes]:
    """`data` in pieces: single bytes and longer ones, always the same for the same bytes."""
    draw = Random(zlib.crc32(data))
    pieces, at = [], 0
    while at < len(data):
        step = draw.choice((1, 1, 2, 7, 50, 300))
        pieces.append(data[at : at + step])
        at += step
    return pieces


@cache
def folder() -> Path:
    """A folder for this process's files."""
    made = tempfile.TemporaryDirectory(prefix="fuzz-")
    _folders.append(made)
    return Path(made.name)


_folders: list[tempfile.TemporaryDirectory[str]] = []


def file(name: str, data: bytes) -> Path:
    """A file with these bytes, always the same one for a name."""
    path = folder() / name
    path.write_bytes(data)
    return path


def clear(error: Exception) -> None:
    """Raise Broken if an error is no single printable message of bearable length."""
    text = error.text if isinstance(error, BenchError) else str(error)
    hold(bool(text), "an error without a word")
    hold(text.isprintable(), f"unprintable characters in {text[:80]!r}")
    hold(len(text) <= MOST_SAID, f"a message of {len(text)} characters")
