"""HARDWARE.md and its drawings: what scripts make of them, and what the document tells to enter."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from bench.bench_file import BenchFile, parse
from tests.hardware import adapters, mechanical, schematics, wiring

FOLDER = Path(__file__).parents[2] / "firmware_protocol"
DOCUMENT = FOLDER / "HARDWARE.md"
DRAWINGS = FOLDER / "drawings"


def drawings() -> dict[Path, str]:
    """Every drawing: file and SVG text."""
    sheets = {
        "arrangement": mechanical.arrangement,
        "torque-arm": mechanical.torque_arm,
        "friction-clamp": mechanical.friction_clamp,
        "flange-fixture": mechanical.flange_fixture,
        "adapter-keyed-taper": adapters.keyed_taper,
        "adapter-splined": adapters.splined,
        "adapter-straight": adapters.straight,
        "wiring": wiring.drawing,
    }
    made = {DRAWINGS / f"{name}.svg": make().text() for name, make in sheets.items()}
    made[DRAWINGS / "probe-circuit.svg"] = schematics.probe()
    made[DRAWINGS / "sense-amplifier.svg"] = schematics.amplifier()
    return made


def between(text: str, name: str) -> str:
    """What stands between a marker's two ends. Raises ValueError if the marker is not there once."""
    found = re.findall(rf"<!-- begin {name} -->\n(.*?)<!-- end {name} -->", text, re.DOTALL)
    if len(found) != 1:
        raise ValueError(f"{DOCUMENT.name} has the marker {name} {len(found)} times")
    return str(found[0]).strip("\n")


def filled(text: str, made: dict[str, str]) -> str:
    """The document with its tables put in anew."""
    for name, table in made.items():
        old = between(text, name)
        text = text.replace(
            f"<!-- begin {name} -->\n{old}\n<!-- end" if old else f"<!-- begin {name} -->\n<!-- end",
            f"<!-- begin {name} -->\n{table}\n<!-- end",
        )
    return text


def toml_blocks() -> list[str]:
    """The bench files, or parts of them, that the document tells to enter."""
    return re.findall(r"```toml\n(.*?)```", DOCUMENT.read_text("utf-8"), re.DOTALL)


def bench_file(key: str) -> BenchFile:
    """The one of them that has `key`, as the host reads it. Raises ValueError if there is none, or more than one."""
    found = [block for block in toml_blocks() if re.search(rf"^{key} =", block, re.MULTILINE)]
    if len(found) != 1:
        raise ValueError(f"{len(found)} blocks have {key}")
    return parse(tomllib.loads(found[0]), DOCUMENT.name)
