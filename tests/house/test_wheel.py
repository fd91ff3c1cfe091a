"""The built wheel holds the four packages with their data, and no tests."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROOMS = ("firmware_protocol", "bench", "sim", "tui")
LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.pyc")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Names of all files in the wheel, built from a copy so that nothing is left in the working copy."""
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    source.mkdir()
    for name in (*ROOMS, "tests"):
        shutil.copytree(ROOT / name, source / name, ignore=LEFT_OUT)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        if (ROOT / name).exists():
            shutil.copy(ROOT / name, source / name)
    # The build backend itself, in this environment: needs setuptools, and nothing from the network.
    build = "from setuptools import build_meta; import sys; build_meta.build_wheel(sys.argv[1])"
    command = [sys.executable, "-W", "ignore", "-c", build, str(folder)]
    done = subprocess.run(command, cwd=source, capture_output=True, text=True, timeout=100, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    (built,) = folder.glob("*.whl")
    with zipfile.ZipFile(built) as archive:
        return set(archive.namelist())


def _in_tree(pattern: str) -> set[str]:
    return {str(path.relative_to(ROOT).as_posix()) for path in ROOT.glob(pattern)}


def test_the_wheel_holds_the_four_packages_and_nothing_beside_them(wheel: set[str]) -> None:
    tops = {name.split("/")[0] for name in wheel}
    assert {top for top in tops if not top.endswith(".dist-info")} == set(ROOMS)


@pytest.mark.parametrize("room", ROOMS)
def test_every_module_is_shipped(wheel: set[str], room: str) -> None:
    modules = _in_tree(f"{room}/**/*.py")
    assert f"{room}/__init__.py" in modules
    assert modules - wheel == set()


@pytest.mark.parametrize(
    "pattern", ["firmware_protocol/PROTOCOL.md", "firmware_protocol/vectors.json", "firmware_protocol/board/*.h"]
)
def test_the_protocols_data_is_shipped(wheel: set[str], pattern: str) -> None:
    files = _in_tree(pattern)
    assert files
    assert files - wheel == set()


def test_the_scenarios_are_shipped(wheel: set[str]) -> None:
    files = _in_tree("sim/scenarios/*.toml")
    assert files
    assert files - wheel == set()


def test_the_screens_style_is_shipped(wheel: set[str]) -> None:
    assert _in_tree("tui/**/*.tcss") - wheel == set()


def test_the_command_is_installed_with_the_wheel(wheel: set[str]) -> None:
    assert any(name.endswith(".dist-info/entry_points.txt") for name in wheel)
    assert any(name.split("/")[-1] == "LICENSE" for name in wheel)
