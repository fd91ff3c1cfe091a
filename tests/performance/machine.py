"""On what a figure was taken: enough to judge it by, nothing that tells whose machine it was."""

from __future__ import annotations

import os
import platform
from importlib.metadata import version
from pathlib import Path

LIBRARIES = ("numpy", "pydantic", "pyserial", "textual")


def facts() -> dict[str, str]:
    """Processor, cores, memory, system, Python and the libraries that matter; no name, no path."""
    return {
        "processor": _processor(),
        "cores": str(os.cpu_count()),
        "memory": _memory(),
        "system": f"{platform.system()} {'.'.join(platform.release().split('.')[:2])}, {platform.machine()}",
        "Python": f"{platform.python_implementation()} {platform.python_version()}",
        "libraries": ", ".join(f"{name} {version(name)}" for name in LIBRARIES),
    }


def load() -> float | None:
    """The load average over a minute; None where the system keeps none."""
    try:
        return os.getloadavg()[0]
    except (AttributeError, OSError):
        return None


def niceness() -> int:
    """By how much this process stands back behind others; 0 where the system knows no such thing."""
    return os.nice(0) if hasattr(os, "nice") else 0


def _processor() -> str:
    try:
        for line in Path("/proc/cpuinfo").read_text("utf-8", "replace").splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return platform.processor() or "unknown"


def _memory() -> str:
    try:
        return f"{os.sysconf('SC_PAGE_SIZE') * os.sysconf('SC_PHYS_PAGES') / 2**30:.1f} GiB"
    except (AttributeError, ValueError, OSError):
        return "unknown"
