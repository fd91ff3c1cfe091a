"""Runs the netlists beside HARDWARE.md in ngspice, with any parameter replaced."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

CIRCUITS = Path(__file__).parents[2] / "firmware_protocol" / "drawings" / "circuits"
PARTS = "parts.inc"

_PARAMETER = re.compile(r"^\.param (\w+)=(\S+)$", re.MULTILINE)
_RESULT = re.compile(r"^(\w+) *= *(\S+)", re.MULTILINE)
_SUFFIXES = {"meg": 1e6, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12}


def value(text: str) -> float:
    """A figure as a netlist writes it, `0.35u` for instance, in the unit itself."""
    for suffix, factor in _SUFFIXES.items():
        if text.endswith(suffix):
            return float(text.removesuffix(suffix)) * factor
    return float(text)


def parameters(name: str = PARTS) -> dict[str, float]:
    """Every parameter that a file of the circuits sets, by name."""
    return {key: value(text) for key, text in _PARAMETER.findall((CIRCUITS / name).read_text("utf-8"))}


def require() -> None:
    """Skip where there is no ngspice; fail where tests must not skip."""
    if shutil.which("ngspice") is None:
        reason = "ngspice is not installed (Debian: apt-get install ngspice)"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)


def run(name: str, **replaced: float) -> dict[str, float]:
    """What the netlist `name` measures and prints, by name; `replaced` gives parameters other values.

    Raises ValueError for a parameter that the netlist does not set, and for a measurement that failed.
    """
    texts = {file: (CIRCUITS / file).read_text("utf-8") for file in (PARTS, name)}
    for key, figure in replaced.items():
        before = dict(texts)
        for file, text in texts.items():
            texts[file] = re.sub(rf"^\.param {key}=\S+$", f".param {key}={figure!r}", text, flags=re.MULTILINE)
        if texts == before and parameters().get(key, parameters(name).get(key)) != figure:
            raise ValueError(f"{name} sets no parameter {key}")
    with tempfile.TemporaryDirectory() as folder:
        for file, text in texts.items():
            (Path(folder) / file).write_text(text, "utf-8")
        done = subprocess.run(
            ["ngspice", "-b", name], cwd=folder, capture_output=True, text=True, timeout=60, check=False
        )
    found = {key: float(text) for key, text in _RESULT.findall(done.stdout)}
    # Its exit status says nothing: it is 1 where all was asked by a control section.
    if re.search("failed|error", done.stdout + done.stderr, re.IGNORECASE) or not found:
        raise ValueError(f"{name}: {done.stdout[-500:]}{done.stderr[-500:]}")
    return found
