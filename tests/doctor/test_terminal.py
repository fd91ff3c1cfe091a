"""The doctor guides in a real terminal: tmux, the command, a board on a pseudo-terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.end_to_end.commands import simulator
from tests.screen.terminal import Terminal


@pytest.fixture
def terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Terminal]:
    monkeypatch.setenv("BREAKERBENCH_HOME", str(tmp_path / "home"))
    found = Terminal(tmp_path)
    yield found
    found.close()


def test_enter_skips_a_step_and_what_was_skipped_is_not_tried(terminal: Terminal) -> None:
    with simulator(rate="1") as port:
        terminal.start(f"{sys.executable} -m tui.command_line doctor --port {port}; echo status $?; cat")
        for step in (3, 4, 5, 6, 7):
            terminal.until(f"Step {step} of 7")
            assert "Enter: skip this step" in terminal.until("left.")
            terminal.keys("Enter")
        after = terminal.until("status ")
        assert "status 3" in after
        assert "not everything was tried" in after
        assert "Traceback" not in after
