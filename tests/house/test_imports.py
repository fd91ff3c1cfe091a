"""Imports go along the arrows of the design and no other way; the instrument works without a screen."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROOMS = ("firmware_protocol", "bench", "sim", "tui")

#: What a room must not import. firmware_protocol <- bench <- tui, firmware_protocol <- sim <- tui.
FORBIDDEN = {
    "firmware_protocol": {"bench", "sim", "tui", "tests"},
    "bench": {"sim", "tui", "tests", "textual"},
    "sim": {"bench", "tui", "tests", "textual"},
    "tui": {"tests"},
}
#: The only packages outside the standard library that firmware_protocol may need.
PROTOCOL_NEEDS = {"cobs"}


def imported(source: str, package: str) -> set[str]:
    """Top-level names of all modules that a file in `package` imports, wherever in the file."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(package if node.level else (node.module or "").split(".")[0])
        elif isinstance(node, ast.Call) and ast.unparse(node.func).split(".")[-1] in ("import_module", "__import__"):
            first = node.args[0] if node.args else None
            found.add(str(first.value).split(".")[0] if isinstance(first, ast.Constant) else "something unknown")
    return found


def _files(room: str) -> list[Path]:
    return sorted((ROOT / room).rglob("*.py"))


def _broken_arrows() -> Iterator[str]:
    for room in ROOMS:
        for path in _files(room):
            for name in sorted(imported(path.read_text("utf-8"), room) & (FORBIDDEN[room] | {"something unknown"})):
                yield f"{path.relative_to(ROOT)} imports {name}"


def test_no_room_imports_against_the_arrows() -> None:
    assert list(_broken_arrows()) == []


@pytest.mark.parametrize("room", ["firmware_protocol", "bench", "tui"])
def test_every_room_has_files_to_look_at(room: str) -> None:
    # So that the test above is known to look at something.
    assert len(_files(room)) > 3


@pytest.mark.parametrize(
    "source",
    [
        "import sim",
        "import os, sim.unit",
        "from sim import unit",
        "from sim.unit import Unit as U",
        "def f():\n    import sim.unit as s",
        "import importlib\nimportlib.import_module('sim.unit')",
        "__import__('sim')",
    ],
)
def test_an_import_is_found_however_it_is_written(source: str) -> None:
    assert "sim" in imported(source, "bench")


def test_the_protocol_needs_nothing_but_the_standard_library_and_cobs() -> None:
    needed = set().union(
        *(imported(path.read_text("utf-8"), "firmware_protocol") for path in _files("firmware_protocol"))
    )
    assert needed - set(sys.stdlib_module_names) - {"firmware_protocol"} == PROTOCOL_NEEDS


# --- what is loaded by what, in a fresh interpreter -----------------------------------------------------------------


def _loaded_by(modules: list[str]) -> set[str]:
    imports = "\n".join(f"import {module}" for module in modules)
    command = [sys.executable, "-c", f"{imports}\nimport sys\nprint(*sorted(sys.modules), sep='\\n')"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=True)
    return {name.split(".")[0] for name in done.stdout.split()}


def _modules(room: str) -> list[str]:
    return [".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__") for path in _files(room)]


def test_the_whole_instrument_loads_without_screen_and_simulator() -> None:
    loaded = _loaded_by(_modules("bench"))
    assert {"bench", "pydantic", "numpy"} <= loaded
    assert loaded & {"textual", "rich", "sim", "tui", "tests"} == set()


def test_the_simulator_loads_without_instrument_and_screen() -> None:
    modules = _modules("sim")
    if not modules:
        pytest.fail("there is no simulator")
    assert _loaded_by(modules) & {"textual", "rich", "bench", "tui", "tests"} == set()


def test_the_acquiring_process_loads_nothing_large() -> None:
    loaded = _loaded_by(["bench.acquisition"])
    assert {"serial", "firmware_protocol"} <= loaded
    assert loaded & {"numpy", "pydantic", "pydantic_core", "textual", "tomllib", "asyncio", "platformdirs"} == set()


def test_the_commands_help_loads_nothing_large() -> None:
    loaded = _loaded_by(["tui.command_line"])
    assert loaded & {"numpy", "pydantic", "textual", "serial", "sim", "platformdirs"} == set()
