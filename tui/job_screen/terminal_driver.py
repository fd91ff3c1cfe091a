"""The screen's driver on a terminal, which may be closed from one moment to the next."""

from __future__ import annotations

import contextlib
from typing import IO, Any

from textual.drivers.linux_driver import LinuxDriver


class TerminalDriver(LinuxDriver):
    """Goes on drawing where nobody sees it any more: the framework's own would wait for ever for what no terminal takes."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._file: IO[str] = _Forgiving(self._file)  # type: ignore[assignment]


class _Forgiving:
    """A file for text; what can no longer be written is dropped."""

    def __init__(self, file: IO[str]) -> None:
        self._into = file

    def write(self, text: str) -> int:
        """See typing.IO."""
        with contextlib.suppress(OSError):
            self._into.write(text)
        return len(text)

    def flush(self) -> None:
        """See typing.IO."""
        with contextlib.suppress(OSError):
            self._into.flush()

    def fileno(self) -> int:
        """See typing.IO."""
        return self._into.fileno()
