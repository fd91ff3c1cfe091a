"""The hash chain: each entry's hash covers its content, its keys, its journal's hash and the hash of the entry before it.

All hashes are SHA-256, written in hexadecimal. A content is hashed as it is stored, byte for byte. The keys (columns that lists and
searches use) have a hash of their own, so that the chain of a whole store can be shown to a third party with the contents of a
few records only. `bundle/verify.py` does the same sums with nothing from this package.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import astuple, dataclass

CHAIN = "breakerbench-chain-1"
#: What stands in place of a hash before the first entry.
NOTHING = "0" * 64


@dataclass(frozen=True, slots=True)
class Keys:
    """Columns for lists, searches and for finding a journal, all of them also told by the content.

    `refers_to` is the record that a recheck follows; of the journal, `journal_bytes` were committed.
    """

    subject: str
    serial_number: str = ""
    part_number: str = ""
    verdict: str = ""
    for_record: int = 0
    refers_to: str = ""
    journal_place: str = ""
    journal_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of the chain. `content` is JSON in UTF-8; `journal_sha256` is empty where there is no journal."""

    sequence: int
    kind: str
    entry_id: str
    made_at: str
    keys: Keys
    journal_sha256: str
    content: bytes
    content_sha256: str
    previous_hash: str
    hash: str


def sha256(data: bytes) -> str:
    """SHA-256, hexadecimal."""
    return hashlib.sha256(data).hexdigest()


#: Made once: `json.dumps` would make one for each entry.
_AS_JSON = json.JSONEncoder(separators=(",", ":")).encode


def _joined(parts: list[str | int]) -> bytes:
    # A JSON array in ASCII: no two lists of parts give the same bytes.
    return _AS_JSON(parts).encode("ascii")


def keys_sha256(keys: Keys) -> str:
    """Hash of the keys."""
    return sha256(_joined(list(astuple(keys))))


def row_hash(
    start: list[str | int], keys: list[str | int], content_sha256: str, journal_sha256: str, previous: str
) -> str:
    """The hash of an entry straight from columns: `start` is number, kind, id and time, `keys` in the order of `Keys`.

    The same as `header_hash` of `header`, for whoever checks a hundred thousand.
    """
    return sha256(_joined([CHAIN, *start, sha256(_joined(keys)), content_sha256, journal_sha256, previous]))


def header(
    sequence: int,
    kind: str,
    entry_id: str,
    made_at: str,
    keys: Keys,
    journal_sha256: str,
    content_sha256: str,
    previous_hash: str,
) -> list[str | int]:
    """What an entry's hash is taken of, as a JSON array."""
    return [
        CHAIN,
        sequence,
        kind,
        entry_id,
        made_at,
        keys_sha256(keys),
        content_sha256,
        journal_sha256,
        previous_hash,
    ]


def header_hash(parts: list[str | int]) -> str:
    """Hash of `header`."""
    return sha256(_joined(parts))


def entry(
    sequence: int,
    kind: str,
    entry_id: str,
    made_at: str,
    keys: Keys,
    journal_sha256: str,
    content: bytes,
    previous_hash: str,
) -> Entry:
    """A new entry that follows the one with `previous_hash`."""
    content_sha256 = sha256(content)
    parts = header(sequence, kind, entry_id, made_at, keys, journal_sha256, content_sha256, previous_hash)
    return Entry(
        sequence,
        kind,
        entry_id,
        made_at,
        keys,
        journal_sha256,
        content,
        content_sha256,
        previous_hash,
        header_hash(parts),
    )
