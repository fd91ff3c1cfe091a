"""What a report in HTML carries inside: its result, the record it shows and the compressed journal; written and read back.

Each is one block, base64 in a script tag of a type that no browser runs. The whole file has a hash of its own in its head, taken with
64 zeros in the hash's place.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import re
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

from bench.errors import CaptureError
from bench.files import printable
from bench.records.chain import Entry, Keys

#: What every report begins with, and no journal does.
BEGIN = b"<!DOCTYPE html>\n<!-- breakerbench report 1 -->\n"
MEDIA_TYPE = "application/x-breakerbench"
NO_HASH = "0" * 64
MOST_FILE_BYTES = 400_000_000
#: A block that grows to more is none of ours.
MOST_BLOCK_BYTES = 1_000_000_000
_LINE = 120
_NAMES = ("result", "record", "journal")
_BLOCK = re.compile(
    rb'<script type="' + MEDIA_TYPE.encode() + rb'" id="breakerbench-([a-z]+)">\n([A-Za-z0-9+/=\n]*)</script>'
)
_HASH = re.compile(rb'<meta name="breakerbench-sha256" content="([0-9a-f]{64})">')


@dataclass(frozen=True, slots=True)
class Block:
    """One block, ready for the page: its name, and its bytes compressed and in base64, in lines."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Embedded:
    """What was read from a report: the result document's JSON, the record's entry, the journal's bytes. None: not inside.

    `whole`: the file's own hash is right.
    """

    result: bytes
    entry: Entry | None
    journal: bytes | None
    whole: bool


def block(name: str, data: bytes) -> Block:
    """`data` as a block; the same data gives the same text."""
    coded = base64.b64encode(zlib.compress(data, 9)).decode("ascii")
    lines = [coded[at : at + _LINE] for at in range(0, len(coded), _LINE)]
    return Block(name, "\n".join(lines))


def entry_block(entry: Entry) -> Block:
    """A record's entry in the store's chain as a block."""
    fields = {**asdict(entry), "content": entry.content.decode("utf-8")}
    return block("record", json.dumps(fields, ensure_ascii=False, sort_keys=True).encode("utf-8"))


def sealed(page: bytes) -> bytes:
    """A page that has `NO_HASH` in its head, with the file's hash in its place."""
    digest = hashlib.sha256(page).hexdigest()
    return page.replace(f'content="{NO_HASH}"'.encode(), f'content="{digest}"'.encode(), 1)


def is_report(path: Path) -> bool:
    """Whether the file begins as a report does; false as well if it cannot be read."""
    try:
        # A pipe without a writer would be waited for.
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return file.read(len(BEGIN)) == BEGIN
    except OSError:
        return False


def read(path: Path) -> Embedded:
    """What the report at `path` carries. Raises CaptureError when it cannot be read, is no report, or a block is not whole."""
    shown = printable(str(path))
    try:
        with path.open("rb") as file:
            page = file.read(MOST_FILE_BYTES + 1)
    except OSError as failure:
        raise CaptureError(f"{shown}: report cannot be read ({failure.strerror or failure}).") from None
    if not page.startswith(BEGIN) or len(page) > MOST_FILE_BYTES:
        raise CaptureError(f"{shown}: not a report in HTML written by breakerbench.")
    found: dict[str, bytes] = {}
    for match in _BLOCK.finditer(page):
        name = match[1].decode("ascii")
        if name in found or name not in _NAMES:
            raise CaptureError(f"{shown}: the report carries its {name} more than once, or what no report carries.")
        found[name] = _unpacked(match[2], shown, name)
    if "result" not in found:
        raise CaptureError(f"{shown}: the report's result is not inside, or not whole. Use the journal itself.")
    hashes = _HASH.findall(page)
    whole = len(hashes) == 1 and hashlib.sha256(page.replace(hashes[0], NO_HASH.encode(), 1)).hexdigest() == hashes[
        0
    ].decode("ascii")
    entry = None if "record" not in found else _entry(found["record"], shown)
    return Embedded(found["result"], entry, found.get("journal"), whole)


@contextmanager
def capture(path: Path) -> Iterator[Path]:
    """A path of the journal to read: `path` itself, or, if it is a report, that of the journal it carries, while the context lasts.

    Raises CaptureError when the report carries none.
    """
    if not is_report(path):
        yield path
        return
    journal = read(path).journal
    if journal is None:
        raise CaptureError(f"{printable(str(path))}: this report carries no journal. Use the journal itself.")
    with tempfile.TemporaryDirectory(prefix="breakerbench-") as folder:
        # Under the report's own name, which is what a message about it should tell.
        inside = Path(folder) / (path.name + " (its journal)")
        inside.write_bytes(journal)
        yield inside


def _unpacked(coded: bytes, shown: str, name: str) -> bytes:
    try:
        packed = base64.b64decode(coded.replace(b"\n", b""), validate=True)
        unpacking = zlib.decompressobj()
        data = unpacking.decompress(packed, MOST_BLOCK_BYTES)
        if not unpacking.eof or unpacking.unused_data:
            raise ValueError
    except (binascii.Error, zlib.error, ValueError):
        raise CaptureError(
            f"{shown}: the {name} that the report carries is not whole. Use the journal itself."
        ) from None
    return data


def _entry(data: bytes, shown: str) -> Entry:
    try:
        fields = json.loads(data)
        keys = Keys(**fields.pop("keys"))
        return Entry(**{**fields, "keys": keys, "content": fields["content"].encode("utf-8")})
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise CaptureError(
            f"{shown}: the record that the report carries is not whole. Look it up in the store."
        ) from None
