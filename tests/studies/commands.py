"""`breakerbench qualify` in this process, in a folder of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.end_to_end.commands import Outcome
from tui import command_line


class StudyBench:
    """A folder for a study's files, and the command."""

    def __init__(self, folder: Path, captured: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self._captured = captured

    def file(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text, "utf-8")
        return path

    def qualify(self, *arguments: str | Path) -> Outcome:
        status = command_line.main(["qualify", *map(str, arguments)])
        out, err = self._captured.readouterr()
        assert "Traceback" not in err
        assert "Unexpected" not in err
        return Outcome(status, out, err)
