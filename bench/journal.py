"""The journal: every byte to and from the board, and every entry, before anything looks at them.

A file of records, each `length u32, kind u8, payload, CRC-32 of kind and payload`, little-endian, after eleven
bytes of magic. The first record is the header (JSON): all that the result depends on besides the bytes. Only ever
appended to. A torn tail (power cut, full disk) costs what was not yet synced, never what was.
"""

from __future__ import annotations

import contextlib
import json
import os
import struct
import threading
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from types import TracebackType
from typing import Any

from bench.errors import CaptureError, JournalError

MAGIC = b"BBJOURNAL1\n"
MOST_PAYLOAD = 16_000_000
_HEAD = struct.Struct("<IB")
_CRC = struct.Struct("<I")
#: Windows knows no O_CLOEXEC, and would without O_BINARY change line ends.
_NEW_FILE = (
    os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
)


class Kind(IntEnum):
    """What a record holds."""

    HEADER = 0
    FROM_BOARD = 1
    TO_BOARD = 2
    ENTRY = 3


@dataclass(frozen=True, slots=True)
class Record:
    """One whole record: its kind, its payload, and where it begins in the file."""

    kind: Kind
    payload: bytes
    offset: int

    def document(self) -> dict[str, Any]:
        """The payload of a header or entry. Raises CaptureError if it is no JSON object."""
        try:
            document = json.loads(self.payload)
        except (ValueError, RecursionError):
            document = None
        if not isinstance(document, dict):
            raise CaptureError(f"the record at byte {self.offset} holds no JSON object; this is no whole journal.")
        return document


def encode_record(kind: Kind, payload: bytes) -> bytes:
    """A record as it stands in the file."""
    body = bytes((kind,)) + payload
    return struct.pack("<I", len(payload)) + body + _CRC.pack(zlib.crc32(body))


class JournalWriter:
    """Appends to a new journal. Every failure of the file system becomes JournalError.

    `append` hands the record to the operating system; `sync` returns when everything appended so far is on the disk.
    Both may be called from different threads.
    """

    def __init__(self, path: Path, header: dict[str, Any]) -> None:
        self.path = path
        self._synced = 0
        self._written = 0
        self._failure: str | None = None
        self._torn: str | None = None
        self._closed = False
        self._writing = threading.Lock()
        self._securing = threading.Lock()
        payload = json.dumps(header, ensure_ascii=False, allow_nan=False, sort_keys=True).encode("utf-8")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as failure:
            raise JournalError(f"The folder {path.parent} cannot be created ({failure.strerror or failure}).") from None
        try:
            self._file = os.open(path, _NEW_FILE, 0o600)
        except FileExistsError:
            raise JournalError(
                f"{path} exists already, and a journal is never overwritten; name another file."
            ) from None
        except OSError as failure:
            raise JournalError(f"The journal {path} cannot be created ({failure.strerror or failure}).") from None
        self._write(MAGIC + encode_record(Kind.HEADER, payload))
        self.sync()
        self._sync_folder()

    def append(self, kind: Kind, payload: bytes) -> None:
        """One record more. Raises JournalError when it cannot be written whole."""
        self._write(encode_record(kind, payload))

    def entry(self, document: dict[str, Any]) -> None:
        """An entry more: something that was decided or noticed outside the board's bytes."""
        self.append(Kind.ENTRY, json.dumps(document, ensure_ascii=False, allow_nan=False).encode("utf-8"))

    def sync(self) -> None:
        """Return when everything appended so far is on the disk. Raises JournalError."""
        with self._securing:
            if not self._closed:
                self._secure()

    def _secure(self) -> None:
        # Once a write or fsync has failed, a later fsync may say "done" about data that is gone.
        if self._failure is not None:
            raise JournalError(self._failure)
        upto = self._written
        if upto == self._synced:
            return
        try:
            os.fsync(self._file)
        except OSError as failure:
            self._failure = f"The journal {self.path} cannot be secured on the disk ({failure.strerror or failure})."
            raise JournalError(self._failure) from None
        # A file without a name is gone as soon as it is closed.
        if os.name == "posix" and os.fstat(self._file).st_nlink == 0:
            self._failure = f"The journal {self.path} was removed while it was written, so that nothing is kept."
            raise JournalError(self._failure)
        self._synced = upto

    def close(self) -> None:
        """Sync and close; another thread that syncs is waited for. Raises JournalError."""
        with self._securing:
            if self._closed:
                return
            try:
                self._secure()
            finally:
                with self._writing:
                    # From here on the file's number may be another file's.
                    self._closed = True
                    os.close(self._file)

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        with self._writing:
            if self._closed:
                raise JournalError(f"The journal {self.path} is closed.")
            if self._torn is not None:
                # What came after half a record could not be read back.
                raise JournalError(self._torn)
            try:
                while view:
                    view = view[os.write(self._file, view) :]
            except OSError as failure:
                self._torn = f"The journal {self.path} cannot be written ({failure.strerror or failure})."
                self._failure = self._torn
                raise JournalError(self._torn) from None
            self._written += len(data)

    def _sync_folder(self) -> None:
        if os.name != "posix":
            return
        with contextlib.suppress(OSError):
            folder = os.open(self.path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)


class JournalReader:
    """Reads a journal from the start; may be asked again while the journal grows.

    Raises CaptureError when the file is missing or is no journal. `torn_at` is the offset of a tail that is not a whole
    record (None if there is none), as far as read; what follows it is never returned.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            if path.exists() and not path.is_file() and not path.is_dir():
                # A pipe without a writer would be waited for.
                raise CaptureError(f"{_shown(path)}: not a capture; a regular file was expected.")
            self._file = path.open("rb")
            magic = self._file.read(len(MAGIC))
        except OSError as failure:
            raise CaptureError(f"{_shown(path)}: capture cannot be read ({failure.strerror or failure}).") from None
        if magic != MAGIC:
            self._file.close()
            raise CaptureError(f"{_shown(path)}: not a capture; a journal written by breakerbench was expected.")
        self._at = len(MAGIC)
        self._buffer = b""
        self.torn_at: int | None = None
        self.damaged = False

    def __enter__(self) -> JournalReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def header(self) -> dict[str, Any]:
        """The header; to be called once, first. Raises CaptureError if it is not whole."""
        for record in self.records(most=1):
            if record.kind is Kind.HEADER:
                return record.document()
        raise CaptureError(f"{_shown(self.path)}: the capture's header is not whole, so nothing can be told from it.")

    def records(self, most: int | None = None) -> Iterator[Record]:
        """Whole records not yet returned, in order, up to the present end of the file (or `most` of them)."""
        given = 0
        while most is None or given < most:
            record = self._next()
            if record is None:
                return
            given += 1
            yield record

    def _next(self) -> Record | None:
        if self.damaged or not self._have(_HEAD.size):
            self._note_tail()
            return None
        length, kind = _HEAD.unpack_from(self._buffer)
        whole = _HEAD.size + length + _CRC.size
        if length > MOST_PAYLOAD or kind not in Kind.__members__.values():
            self._stop_at_damage()
            return None
        if not self._have(whole):
            self._note_tail()
            return None
        body = self._buffer[4 : _HEAD.size + length]
        (crc,) = _CRC.unpack_from(self._buffer, whole - _CRC.size)
        if crc != zlib.crc32(body):
            self._stop_at_damage()
            return None
        record = Record(Kind(kind), body[1:], self._at)
        self._buffer = self._buffer[whole:]
        self._at += whole
        self.torn_at = None
        return record

    def _have(self, size: int) -> bool:
        while len(self._buffer) < size:
            more = self._file.read(max(65_536, size - len(self._buffer)))
            if not more:
                return False
            self._buffer += more
        return True

    def _note_tail(self) -> None:
        self.torn_at = self._at if self._buffer else None

    def _stop_at_damage(self) -> None:
        self.damaged = True
        self.torn_at = self._at


def _shown(path: Path) -> str:
    """The file's name as a message tells it."""
    # Only where something is wrong: the process that reads the port must not load what this brings along.
    from bench.files import printable

    return printable(str(path))
