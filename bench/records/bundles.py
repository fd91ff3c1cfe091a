"""A verification bundle: what a third party needs to check records with nothing but Python's standard library."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Collection
from contextlib import ExitStack
from importlib.resources import files
from pathlib import Path

from bench.files import printable
from bench.records.chain import NOTHING, Entry, header
from bench.records.model import Head, StoreError
from bench.records.store import Store, read_entry
from bench.records.verification import find_journal

FORMAT = "breakerbench-bundle"
VERSION = 1
_ROWS_AT_ONCE = 200
_INSTRUCTIONS = ("README.txt", "verify.py")


class _Folder:
    """Files in a new folder."""

    def __init__(self, path: Path) -> None:
        path.mkdir(parents=True, exist_ok=True)
        if any(path.iterdir()):
            raise StoreError(f"{printable(str(path))} is not empty; name a new folder for the bundle.")
        self._path = path

    def write(self, name: str, data: bytes) -> None:
        """One file."""
        target = self._path / name
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(data)


class _Zip:
    """Files in a new zip file."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self._archive = archive

    def write(self, name: str, data: bytes) -> None:
        """One file."""
        self._archive.writestr(name, data, zipfile.ZIP_DEFLATED)


def write_bundle(store: Store, base: Path, target: Path, subjects: Collection[str] | None = None) -> Head:
    """Write a bundle into a new folder, or a new file that ends in .zip; gives the head that it ends at.

    `subjects`: ids of the records whose contents and journals go in (None: all); the others are there by their hashes.
    `base`: folder that a journal's place counts from. Raises StoreError.
    """
    try:
        with ExitStack() as stack:
            if target.suffix.lower() == ".zip":
                target.parent.mkdir(parents=True, exist_ok=True)
                archive = stack.enter_context(zipfile.ZipFile(stack.enter_context(target.open("xb")), "w"))
                return _write(store, base, _Zip(archive), subjects)
            return _write(store, base, _Folder(target), subjects)
    except FileExistsError:
        raise StoreError(f"{printable(str(target))} exists already; name a new file for the bundle.") from None
    except OSError as failure:
        raise StoreError(
            f"The bundle {printable(str(target))} cannot be written ({failure.strerror or failure})."
        ) from None


def chain_line(entry: Entry) -> bytes:
    """An entry's line in the bundle's chain: what its hash is taken of, and the hash."""
    parts = header(
        entry.sequence,
        entry.kind,
        entry.entry_id,
        entry.made_at,
        entry.keys,
        entry.journal_sha256,
        entry.content_sha256,
        entry.previous_hash,
    )
    return json.dumps([parts, entry.hash], separators=(",", ":")).encode("ascii") + b"\n"


def _write(store: Store, base: Path, into: _Folder | _Zip, subjects: Collection[str] | None) -> Head:
    for name in _INSTRUCTIONS:
        into.write(name, (files("bench.records") / "bundle" / name).read_bytes())
    lines, contents, absent, copied = [], [], [], set()
    head = Head(0, NOTHING)
    for rows in store.pieces(_ROWS_AT_ONCE):
        for entry in map(read_entry, rows):
            lines.append(chain_line(entry))
            head = Head(entry.sequence, entry.hash)
            if subjects is not None and entry.keys.subject not in subjects:
                continue
            contents.append(entry.sequence)
            into.write(f"contents/{entry.sequence}.json", entry.content)
            if entry.journal_sha256 and entry.journal_sha256 not in copied:
                path = find_journal(entry.keys.journal_place, entry.journal_sha256, base)
                if path is None:
                    absent.append(entry.journal_sha256)
                    continue
                copied.add(entry.journal_sha256)
                into.write(f"journals/{entry.journal_sha256}.capture", path.read_bytes()[: entry.keys.journal_bytes])
    into.write("chain.jsonl", b"".join(lines))
    told = {
        "format": FORMAT,
        "version": VERSION,
        "count": head.count,
        "hash": head.hash,
        "contents": contents,
        "journals_absent": sorted(set(absent)),
    }
    into.write("head.json", json.dumps(told, indent=1).encode("ascii") + b"\n")
    return head
