"""Builds the firmware, the simulator around it, and its core for this computer; once for the sources as they are."""

from __future__ import annotations

import functools
import hashlib
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
BOARD = ROOT / "firmware_protocol" / "board"
HARNESS = HERE / "harness"
CORE_FILES = ("board", "boot_counter", "clock", "contacts", "crc", "edges", "events", "frames", "receiver", "reports")
CORE_SOURCES = [BOARD / f"{name}.c" for name in (*CORE_FILES, "settings", "troubles")]
SANITIZERS = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all")
WARNINGS = ("-std=gnu11", "-g", "-Wall", "-Wextra", "-Werror")


class NotBuilt(Exception):
    """A tool is missing or a build failed; says which."""


def _folder() -> Path:
    """A folder of its own for every state of the sources."""
    digest = hashlib.sha256()
    for folder in (BOARD, HARNESS, HERE / "host"):
        for path in sorted(folder.iterdir()):
            if path.is_file():
                digest.update(path.name.encode() + b"\0" + path.read_bytes())
    folder = Path(tempfile.gettempdir()) / f"breakerbench-firmware-{os.getuid()}-{digest.hexdigest()[:16]}"
    folder.mkdir(mode=0o700, exist_ok=True)
    if folder.stat().st_uid != os.getuid():
        raise NotBuilt(f"{folder} belongs to someone else")
    return folder


def _make(command: list[str], tool: str, what: str) -> None:
    if shutil.which(tool) is None:
        raise NotBuilt(f"{what} needs {tool}")
    done = subprocess.run(command, capture_output=True, text=True, timeout=110, check=False)
    if done.returncode != 0:
        raise NotBuilt(f"{what} does not build:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")


def _compiled(name: str, arguments: list[str]) -> Path:
    target = _folder() / name
    if not target.exists():
        # Others may build the same at the same time: each its own file, then one of them in place.
        with tempfile.TemporaryDirectory(dir=target.parent) as scratch:
            made = Path(scratch) / name
            _make(["gcc", *WARNINGS, *arguments, "-o", str(made)], "gcc", name)
            made.replace(target)
    return target


@functools.cache
def firmware() -> Path:
    """Folder of the built firmware: board.elf, board.hex, objects. Raises NotBuilt."""
    target = _folder() / "avr"
    if not (target / "board.hex").exists():
        with tempfile.TemporaryDirectory(dir=target.parent) as scratch:
            made = Path(scratch) / "avr"
            if shutil.which("avr-gcc") is None:
                raise NotBuilt("the firmware needs avr-gcc")
            _make(["make", "-s", "-C", str(BOARD), f"BUILD={made}", str(made / "board.hex")], "make", "the firmware")
            if not target.exists():
                made.rename(target)
    return target


@functools.cache
def in_simavr() -> tuple[str, ...]:
    """Command that runs the firmware in simavr. Raises NotBuilt."""
    if not Path("/usr/include/simavr/sim_avr.h").exists():
        raise NotBuilt("the simulator needs the headers of simavr")
    libraries = ["-I/usr/include/simavr", "-lsimavr", "-lelf"]
    run_board = _compiled("run_board", ["-O2", str(HARNESS / "run_board.c"), *libraries])
    return str(run_board), str(firmware() / "board.elf")


@functools.cache
def core() -> tuple[str, ...]:
    """Command that runs the core on this computer, address and undefined-behaviour sanitizers on. Raises NotBuilt."""
    sources = [str(HERE / "host" / "core_board.c"), *map(str, CORE_SOURCES)]
    return (str(_compiled("core_board", ["-O1", *SANITIZERS, f"-I{BOARD}", f"-I{HARNESS}", *sources])),)


def or_skip(command: str) -> tuple[str, ...]:
    """`in_simavr` or `core` by name; without the tools the test is skipped, but in CI it fails."""
    try:
        return {"in_simavr": in_simavr, "core": core}[command]()
    except NotBuilt as error:
        if os.environ.get("CI"):
            raise
        # Not needed by those who only want the figures.
        import pytest

        pytest.skip(str(error))
