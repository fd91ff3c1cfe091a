"""What the kernel says of processes: the processor time that they used and the memory that they hold."""

from __future__ import annotations

import os
from pathlib import Path

KEPT = Path("/proc")


def used_s(process: int) -> float:
    """Processor seconds of all threads of a process, without its children: to the nanosecond where the kernel keeps them so."""
    try:
        tasks = [t.joinpath("schedstat").read_text("ascii") for t in (KEPT / str(process) / "task").iterdir()]
        return sum(int(text.split()[0]) for text in tasks) / 1e9
    except FileNotFoundError:
        fields = (KEPT / str(process) / "stat").read_text("ascii").rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_kb(process: int, field: str = "VmRSS") -> int:
    """A field of the kernel's account of a process's memory: what is resident, or `VmHWM`, the most there ever was."""
    for line in (KEPT / str(process) / "status").read_text("ascii").splitlines():
        if line.startswith(f"{field}:"):
            return int(line.split()[1])
    raise LookupError(field)
