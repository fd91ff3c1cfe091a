"""What is generated from the definitions is fresh, and what is stale is found."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import firmware_protocol
from firmware_protocol import generate
from firmware_protocol.codec import message_fields
from firmware_protocol.fields import Array, Octets, Scalar
from firmware_protocol.framing import MOST_CONTENT, MOST_WIRE, crc_start
from firmware_protocol.messages import MESSAGES
from firmware_protocol.schema import FINGERPRINT, WIRE_VERSION

PACKAGE = Path(firmware_protocol.__path__[0])
HEADER = PACKAGE / "board" / "breakerbench_protocol.h"


def _copy(folder: Path) -> Path:
    return Path(shutil.copytree(PACKAGE, folder / "firmware_protocol", ignore=shutil.ignore_patterns("__pycache__")))


def _generate(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "firmware_protocol.generate", *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=60, check=False)


def test_the_generated_files_are_fresh() -> None:
    assert generate.stale() == []


@pytest.mark.parametrize("name", ["PROTOCOL.md", "vectors.json", "board/breakerbench_protocol.h"])
def test_a_generated_file_that_was_touched_is_found_and_made_anew(tmp_path: Path, name: str) -> None:
    copy = _copy(tmp_path)
    assert _generate(tmp_path, "--check").returncode == 0
    whole = (copy / name).read_text("utf-8")
    (copy / name).write_text(whole.replace("1", "7", 1), "utf-8")
    check = _generate(tmp_path, "--check")
    assert check.returncode == 1
    assert [line.split(";")[0] for line in check.stderr.splitlines()] == [f"stale: firmware_protocol/{name}"]
    assert _generate(tmp_path).returncode == 0
    assert (copy / name).read_text("utf-8") == whole


def test_a_generated_file_that_is_missing_is_found(tmp_path: Path) -> None:
    (_copy(tmp_path) / "PROTOCOL.md").unlink()
    check = _generate(tmp_path, "--check")
    assert check.returncode == 1
    assert "PROTOCOL.md" in check.stderr


def test_every_section_that_the_protocol_page_points_to_exists_and_is_the_right_one() -> None:
    text = (PACKAGE / "PROTOCOL.md").read_text("utf-8")
    titles = dict(re.findall(r"^## (\d+)\. (.+)$", text, re.MULTILINE))
    assert list(titles) == [str(n) for n in range(1, len(titles) + 1)]
    assert set(re.findall(r"section (\d+)", text)) <= set(titles)
    (place,) = re.findall(r"canonical text in section (\d+)", text)
    assert titles[place] == "Canonical text"
    assert {titles[n] for n in re.findall(r"(?:session|sequence) \(section (\d+)\)", text)} == {"Session and sequence"}


# --- the C header -------------------------------------------------------------------------------------------------


def _upper(name: str) -> str:
    return re.sub(r"(?<=.)(?=[A-Z])", "_", name).upper()


def _c_checks() -> str:
    """A C file of static asserts with figures that do not come from the header."""
    lines = [
        "#include <stddef.h>",
        "#include <assert.h>",
        '#include "breakerbench_protocol.h"',
        f'static_assert(BB_WIRE_VERSION == {WIRE_VERSION}, "");',
        f'static_assert(BB_FINGERPRINT == {FINGERPRINT}ul, "");',
        f'static_assert(BB_CRC_START == {crc_start(FINGERPRINT)}, "");',
        'static_assert(BB_CRC_START_FROZEN == 65535, "");',
        f'static_assert(BB_MOST_CONTENT == {MOST_CONTENT} && BB_MOST_WIRE == {MOST_WIRE}, "");',
    ]
    for cls in MESSAGES:
        upper = _upper(cls.__name__)
        lines.append(f'static_assert(BB_TYPE_{upper} == {cls.TYPE}, "");')
        offset = 0
        for name, spec in message_fields(cls):
            if isinstance(spec, Array):
                lines.append(f'static_assert(BB_{upper}_MOST_{name.upper()} == {spec.most}, "");')
                continue
            size = spec.size if isinstance(spec, Octets) else spec.kind.size
            c_name = f"bb_{upper.lower()}_t"
            lines.append(f'static_assert(offsetof({c_name}, {name}) == {offset}, "");')
            lines.append(f'static_assert(sizeof((({c_name} *)0)->{name}) == {size}, "");')
            if isinstance(spec, Scalar):
                sign = "<" if spec.kind.low < 0 else ">"
                lines.append(f'static_assert((__typeof__((({c_name} *)0)->{name}))-1 {sign} 0, "");')
                for member in spec.names or ():
                    title = _upper(spec.names.__name__) if spec.names is not None else ""
                    lines.append(f'static_assert(BB_{title}_{member.name} == {member.value}, "");')
            offset += size
        if offset:
            lines.append(f'static_assert(sizeof(bb_{upper.lower()}_t) == {offset}, "");')
        lines.append(f'static_assert(BB_{upper}_FIXED_SIZE == {offset}, "");')
    return "\n".join([*lines, "int main(void) { return 0; }", ""])


def _compile(folder: Path, text: str) -> subprocess.CompletedProcess[str]:
    compiler = shutil.which("cc")
    if compiler is None:
        assert "CI" not in os.environ, "there is no C compiler, so the header goes unchecked"
        pytest.skip("no C compiler here")
    source = folder / "checks.c"
    source.write_text(text, "utf-8")
    command = [compiler, "-std=c11", "-Wall", "-Werror", "-I", str(HEADER.parent), "-fsyntax-only", str(source)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_the_c_header_compiles_and_its_sizes_and_constants_agree(tmp_path: Path) -> None:
    done = _compile(tmp_path, _c_checks())
    assert done.returncode == 0, done.stderr


def test_a_c_header_with_another_size_would_be_found(tmp_path: Path) -> None:
    wrong = _c_checks().replace("sizeof(bb_hello_t) == 42", "sizeof(bb_hello_t) == 43")
    done = _compile(tmp_path, wrong)
    assert done.returncode != 0
    assert "43" in done.stderr
