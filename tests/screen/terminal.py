"""A real terminal of 80 × 24, by tmux: one command in it, its keys and its screen."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from pathlib import Path

import pytest

if shutil.which("tmux") is None and not os.environ.get("CI"):
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

    def start_again(self, command: str) -> None:
        """Another command in the same terminal, whatever still runs there."""
        self._tmux("respawn-pane", "-k", command)
        self._tmux("clear-history")

    def keys(self, *keys: str) -> None:
        self._tmux("send-keys", *keys)

    def text(self) -> str:
        return self._tmux("capture-pane", "-p")

    def until(self, words: str, seconds: float = 90.0) -> str:
        """The screen once it shows `words`, line ends aside."""
        deadline = time.monotonic() + seconds
        text = ""
        while time.monotonic() < deadline:
            text = self.text()
            if words in " ".join(text.split()):
                return text
        raise AssertionError(f"{words!r} did not come; the screen shows:\n{text}")

    def command_pid(self) -> int:
        """The process of the command that runs in it, which a shell waits for."""
        shell = self._tmux("display-message", "-p", "#{pane_pid}").strip()
        return int(subprocess.run(["pgrep", "-P", shell], capture_output=True, text=True, check=True).stdout.split()[0])

    def close(self) -> None:
        subprocess.run(["tmux", "-S", self._socket, "kill-server"], capture_output=True, check=False)
