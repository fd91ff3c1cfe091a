"""The project's programs as commands, in the environment that runs the measurement."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path


def breakerbench() -> list[str]:
    """The installed command, or the module where it is not installed."""
    beside = Path(sys.executable).with_name("breakerbench")
    installed = str(beside) if beside.exists() else shutil.which("breakerbench")
    return [installed] if installed else [sys.executable, "-m", "tui.command_line"]
