"""Which bytes of a store's file hold nothing committed: free pages, free space within pages, counters of SQLite's header.

Reads SQLite's file format (https://www.sqlite.org/fileformat2.html, fixed for ever) without SQLite: every b-tree from its root,
cell by cell; what no cell, pointer or page header covers is outside.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from bench.files import printable
from bench.records.model import StoreError

_MAGIC = b"SQLite format 3\0"
_INTERIOR_INDEX, _INTERIOR_TABLE, _LEAF_INDEX, _LEAF_TABLE = 2, 5, 10, 13
#: What stands in a row for a column that is empty.
_NOTHING = 0
#: Fields of the file's header that SQLite keeps for itself: they say nothing of the content, and it does not check them.
_COUNTERS = (
    (18, 20, "file header: format versions"),
    (24, 28, "file header: change counter"),
    (36, 40, "file header: number of free pages"),
    (40, 44, "file header: schema cookie"),
    (44, 48, "file header: schema format"),
    (48, 52, "file header: suggested cache size"),
    (56, 60, "file header: text encoding"),
    (64, 68, "file header: vacuum mode"),
    (72, 92, "file header: bytes in reserve"),
    (92, 100, "file header: version counters"),
)


@dataclass(frozen=True, slots=True)
class Span:
    """Bytes from `begin` to before `end`, and what they are."""

    begin: int
    end: int
    what: str


def outside(path: Path) -> list[Span]:
    """Spans of a store's file that hold nothing committed, in order. Raises StoreError if it cannot be told.

    The file must hold all there is: nothing may still wait in a write-ahead log beside it.
    """
    log = path.with_name(path.name + "-wal")
    try:
        if log.exists() and log.stat().st_size:
            raise StoreError(
                f"{printable(str(path))} is in use, so its bytes cannot be listed. Close the other programs, or take a backup."
            )
        data = path.read_bytes()
    except OSError as failure:
        raise StoreError(f"{printable(str(path))} cannot be read ({failure.strerror or failure}).") from None
    try:
        return _File(data).outside()
    except (struct.error, IndexError, ValueError, RecursionError):
        raise StoreError(f"{printable(str(path))} is damaged, so its bytes cannot be listed.") from None


class _File:
    def __init__(self, data: bytes) -> None:
        if data[:16] != _MAGIC:
            raise ValueError
        self._data = data
        (size,) = struct.unpack_from(">H", data, 16)
        self._page_size = 65_536 if size == 1 else size
        self._usable = self._page_size - data[20]
        self._count = len(data) // self._page_size
        self._used: list[tuple[int, int]] = [(0, 100)]
        self._seen: set[int] = set()

    def outside(self) -> list[Span]:
        schema = list(self._tree(1, schema=True))
        for root in schema:
            for _ in self._tree(root):
                pass
        free_pages = set(range(1, self._count + 1)) - self._seen
        spans = [Span(*c) for c in _COUNTERS]
        at = 0
        for begin, end in [*sorted(self._used), (len(self._data), len(self._data))]:
            if begin > at:
                page = at // self._page_size + 1
                what = "free page" if page in free_pages else "free space within a page"
                spans.append(Span(at, begin, what))
            at = max(at, end)
        return sorted(spans, key=lambda s: s.begin)

    def _tree(self, number: int, schema: bool = False) -> Iterator[int]:
        """Mark a b-tree's bytes as used; gives the root pages that its rows name, if it is the schema."""
        if number in self._seen or not 1 <= number <= self._count:
            raise ValueError
        self._seen.add(number)
        start = (number - 1) * self._page_size
        head = start + (100 if number == 1 else 0)
        kind = self._data[head]
        (cells,) = struct.unpack_from(">H", self._data, head + 3)
        interior = kind in (_INTERIOR_INDEX, _INTERIOR_TABLE)
        if not interior and kind not in (_LEAF_INDEX, _LEAF_TABLE):
            raise ValueError
        pointers = head + (12 if interior else 8)
        self._used.append((head, pointers + 2 * cells))
        for place in range(cells):
            (offset,) = struct.unpack_from(">H", self._data, pointers + 2 * place)
            payload = self._cell(kind, start + offset)
            if interior:
                (child,) = struct.unpack_from(">I", self._data, start + offset)
                yield from self._tree(child, schema)
            if kind == _LEAF_TABLE and schema:
                if (root := _root_page(payload)) is not None:
                    yield root
            elif kind == _LEAF_TABLE and payload[1] != _NOTHING:
                # Every table of a store begins with its row's number, which SQLite keeps beside the row and reads nowhere else.
                raise ValueError
        if interior:
            (child,) = struct.unpack_from(">I", self._data, head + 8)
            yield from self._tree(child, schema)

    def _cell(self, kind: int, at: int) -> bytes:
        """Mark a cell and its overflow pages; gives what of its payload lies on its own page."""
        begin = at
        if kind in (_INTERIOR_INDEX, _INTERIOR_TABLE):
            at += 4
        if kind == _INTERIOR_TABLE:
            _, at = self._varint(at)
            self._used.append((begin, at))
            return b""
        size, at = self._varint(at)
        if kind == _LEAF_TABLE:
            _, at = self._varint(at)
        most = self._usable - 35 if kind == _LEAF_TABLE else (self._usable - 12) * 64 // 255 - 23
        local = size
        if size > most:
            least = (self._usable - 12) * 32 // 255 - 23
            local = least + (size - least) % (self._usable - 4)
            local = local if local <= most else least
            (page,) = struct.unpack_from(">I", self._data, at + local)
            self._overflow(page, size - local)
            self._used.append((begin, at + local + 4))
        else:
            # A cell takes four bytes at least.
            self._used.append((begin, max(at + local, begin + 4)))
        return self._data[at : at + local]

    def _overflow(self, page: int, left: int) -> None:
        while left > 0:
            if page in self._seen or not 1 <= page <= self._count:
                raise ValueError
            self._seen.add(page)
            start = (page - 1) * self._page_size
            here = min(left, self._usable - 4)
            self._used.append((start, start + 4 + here))
            left -= here
            (page,) = struct.unpack_from(">I", self._data, start)

    def _varint(self, at: int) -> tuple[int, int]:
        value = 0
        for place in range(9):
            byte = self._data[at + place]
            if place == 8:
                return value << 8 | byte, at + 9
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value, at + place + 1
        raise ValueError


def _root_page(payload: bytes) -> int | None:
    """Fourth column of a row of the schema (type, name, table, root page, text); None if it has none."""
    size = payload[0]
    types = payload[1:size]
    if size > 0x7F or len(types) < 5:
        return None
    kinds: list[int] = []
    at = 0
    while at < len(types) and len(kinds) < 4:
        value = 0
        while True:
            byte = types[at]
            at += 1
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                break
        kinds.append(value)
    if len(kinds) < 4 or not 1 <= kinds[3] <= 4 or any(k < 13 or k % 2 == 0 for k in kinds[:3]):
        return None
    begin = size + sum((k - 13) // 2 for k in kinds[:3])
    found = int.from_bytes(payload[begin : begin + kinds[3]], "big")
    return found or None
