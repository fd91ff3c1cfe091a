"""The repository's top level holds what the design names, and no file tells where it was made."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

#: DESIGN: README.md, DEVELOPERS.md, pyproject.toml, LICENSE, the five folders, dot-files. Nothing else.
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE"}
FOLDERS = {"firmware_protocol", "bench", "sim", "tui", "tests"}

#: Home and system folders of some machine: they mean nothing on any other.
MACHINE_PATHS = re.compile(r"(?<![\w.~*-])/(?:work|root|tmp|home|Users|var/folders)/|[A-Za-z]:\\Users\\")
BINARY = {".sqlite", ".png", ".svg", ".pdf", ".capture", ".gz", ".ico"}


def _files() -> list[Path]:
    """Every file that belongs to the repository, or would with the next commit."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    try:
        listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=True).stdout
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git working copy")
    return sorted(path for name in listed.split("\0") if name and (path := ROOT / name).is_file())


def _machine_paths(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if MACHINE_PATHS.search(line)]


def test_the_top_level_holds_what_the_design_names_and_nothing_else() -> None:
    there = {path.relative_to(ROOT).parts[0] for path in _files()}
    assert {name for name in there if not name.startswith(".")} - TOP_LEVEL - FOLDERS == set()


def test_what_the_design_names_is_there() -> None:
    there = {path.relative_to(ROOT).parts[0] for path in _files()}
    assert (TOP_LEVEL | FOLDERS) - there == set()


def test_no_file_holds_a_path_of_the_machine_it_was_made_on() -> None:
    found = {
        str(path.relative_to(ROOT)): lines
        for path in _files()
        if path != Path(__file__) and path.suffix not in BINARY and (lines := _machine_paths(path.read_text("utf-8")))
    }
    assert found == {}


@pytest.mark.parametrize("text", ["open('/tmp/x')", "cd /work/main", "/root/.cache", "C:\\Users\\me", "/home/me/x"])
def test_a_machines_path_is_recognised(text: str) -> None:
    assert _machine_paths(f"first line\n{text}\nlast line") == [text]


@pytest.mark.parametrize(
    "text", ["framework/x", "tests/tmp/x", "https://example.org/home/", "/dev/ttyUSB0", "tmp_path"]
)
def test_other_paths_are_left_alone(text: str) -> None:
    assert _machine_paths(text) == []


def test_no_file_is_indented_with_tabs_or_ends_without_a_line_end() -> None:
    found = []
    for path in _files():
        if path.suffix in {".py", ".md", ".toml", ".json", ".tcss", ".c", ".h"}:
            text = path.read_text("utf-8")
            if "\t" in text or "\r" in text or (text and not text.endswith("\n")):
                found.append(str(path.relative_to(ROOT)))
    assert found == []
