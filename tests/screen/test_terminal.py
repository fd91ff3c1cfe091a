"""The real screen in a real terminal: tmux, the command, a board on a pseudo-terminal."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.end_to_end.commands import JOB, simulator

tmux = shutil.which("tmux")
if tmux is None and not os.environ.get("CI"):
    pytest.skip("tmux is not installed", allow_module_level=True)


class Terminal:
    """A terminal of 80 × 24 in which one command runs."""

    def __init__(self, folder: Path) -> None:
        self._socket = str(folder / "tmux")

    def _tmux(self, *arguments: str) -> str:
        done = subprocess.run(
            ["tmux", "-S", self._socket, *arguments], capture_output=True, text=True, encoding="utf-8", check=True
        )
        return done.stdout

    def start(self, command: str) -> None:
        self._tmux("-u", "new-session", "-d", "-x", "80", "-y", "24", command)

    def keys(self, *keys: str) -> None:
        self._tmux("send-keys", *keys)

    def text(self) -> str:
        return self._tmux("capture-pane", "-p")

    def until(self, words: str, seconds: float = 60.0) -> str:
        deadline = time.monotonic() + seconds
        text = ""
        while time.monotonic() < deadline:
            text = self.text()
            if words in text:
                return text
        raise AssertionError(f"{words!r} did not come; the screen shows:\n{text}")

    def close(self) -> None:
        subprocess.run(["tmux", "-S", self._socket, "kill-server"], capture_output=True, check=False)


@pytest.fixture
def terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Terminal]:
    monkeypatch.setenv("BREAKERBENCH_HOME", str(tmp_path / "home"))
    found = Terminal(tmp_path)
    yield found
    found.close()


def test_a_whole_job_on_screen(terminal: Terminal, tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    with simulator(rate="6") as port:
        terminal.start(
            f"{sys.executable} -m tui.command_line measure {JOB} --port {port} --capture {capture}; echo status $?; cat"
        )
        terminal.until("[ neutral ]")
        assert "past neutral" in terminal.until("[ passes ]")
        terminal.until("[ result ]")
        assert "✓ INSIDE" in terminal.until("INSIDE")
        terminal.keys("q")
        after = terminal.until("status 0")
        assert "INSIDE the limits" in after
        assert "Traceback" not in after


def test_the_space_bar_is_a_press_and_q_leaves_with_everything_kept(terminal: Terminal, tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    with simulator(rate="1") as port:
        terminal.start(
            f"{sys.executable} -m tui.command_line measure {JOB} --port {port} --capture {capture}; echo status $?; cat"
        )
        terminal.until("[ neutral ]")
        terminal.keys("Space")
        terminal.until("neutral pressed: 1 coming up")
        terminal.keys("q")
        after = terminal.until("status 130")
        assert "What was read so far is kept" in " ".join(after.split())
    replayed = subprocess.run(
        [sys.executable, "-m", "tui.command_line", "replay", str(capture)], capture_output=True, check=False
    )
    assert replayed.returncode == 130
