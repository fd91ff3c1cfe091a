"""Every byte of a small store and of a journal flipped in turn: what is committed must be named, what is not must be listed.

`python -m tests.records.tampering [--every N] [--mask BITS]` takes every byte (or each N-th): a few minutes for each choice of bits.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from bench.records.backup import FILE, back_up
from bench.records.model import StoreError
from bench.records.store import open_store
from bench.records.verification import Region, Verification, unreadable, verify
from tests.records.support import AT, record, stoppage, with_journal


@dataclass
class Flips:
    """What flipping bytes of one file led to: named, listed as outside, or neither (by offset)."""

    named: int = 0
    outside: int = 0
    unseen: list[int] = field(default_factory=list)


def small_store(folder: Path) -> Path:
    """A store of a few entries of every kind with its journals, as a backup: one file, closed."""
    with open_store(folder / "live" / "records.sqlite") as store:
        for number in (1, 2, 3):
            store.add(with_journal(folder / "live", number))
        # One that does not fit on a page: its rest lies on pages of its own.
        store.add(with_journal(folder / "live", 4, skipped_steps=tuple(f"step {n}" for n in range(900))))
        store.amend(record(1).id, "B. Head", AT, "because", [("remark", "Seen by two")])
        store.stop(stoppage(record(9).id))
        store.close_job(record(9).id, "B. Head", AT, "given up")
        return back_up(store, folder / "live", folder / "copy").file


def verified(file: Path) -> Verification:
    """The verification as the command makes it, with the bytes that are outside."""
    try:
        with open_store(file, read_only=True) as store:
            return verify(store, file.parent, bytes_of=file)
    except StoreError as failure:
        return unreadable(str(file), failure)


def flip(path: Path, store: Path, offsets: Iterable[int], mask: int = 0xFF) -> Flips:
    """Flip the bits of `mask` in one byte after another in `path`, and verify `store` each time."""
    outside = [r for r in verified(store).outside if Path(r.file) == path]
    found = Flips()
    with path.open("r+b") as file:
        for offset in offsets:
            file.seek(offset)
            (was,) = file.read(1)
            _put(file.fileno(), offset, was ^ mask)
            after = verified(store)
            _put(file.fileno(), offset, was)
            if not after.whole:
                found.named += 1
            elif _covered(offset, outside) and _covered(offset, after.outside):
                found.outside += 1
            else:
                found.unseen.append(offset)
    return found


def _put(handle: int, offset: int, value: int) -> None:
    os.pwrite(handle, bytes([value]), offset)


def _covered(offset: int, regions: Iterable[Region]) -> bool:
    return any(region.begin <= offset < region.end for region in regions)


def main() -> int:
    """Command line; exit status 1 if a flip was neither named nor listed."""
    parser = argparse.ArgumentParser(prog="python -m tests.records.tampering", description=__doc__)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--mask", type=int, default=0xFF, help="which bits (default: %(default)s)")
    options = parser.parse_args()
    unseen = 0
    with tempfile.TemporaryDirectory() as name:
        store = small_store(Path(name))
        journal = sorted((store.parent / "journals").iterdir())[0]
        with journal.open("ab") as file:
            file.write(b"torn")
        for path in (journal, store):
            size = path.stat().st_size
            found = flip(path, store, range(0, size, options.every), options.mask)
            kind = FILE if path == store else "journal"
            print(
                f"{kind}: {size} bytes; {found.named} flips named, {found.outside} in what is listed as outside, unseen {found.unseen}"
            )
            unseen += len(found.unseen)
    return 1 if unseen else 0


if __name__ == "__main__":
    sys.exit(main())
