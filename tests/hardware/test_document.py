"""HARDWARE.md: what scripts make of it is fresh, what it tells to enter is accepted, and nothing that must be said is missing."""

from __future__ import annotations

import re
import tomllib
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path

import pytest

from bench import bench_file
from tests.hardware import document, misalignment, spice, tables, wiring
from tests.hardware import probe_circuit as circuit

TEXT = document.DOCUMENT.read_text("utf-8")
MADE = document.drawings()
_SVG = "{http://www.w3.org/2000/svg}"
_NUMBER = re.compile(r"[\d,]*\d(?:\.\d+)?")


def _numbers_off(old: str, new: str) -> list[str]:
    """Cells of two tables that differ by more than a hundredth in a number, or at all in a word."""
    off = []
    for one, other in zip(old.splitlines(), new.splitlines(), strict=True):
        for before, after in zip(one.split("|"), other.split("|"), strict=True):
            found, made = _NUMBER.findall(before), _NUMBER.findall(after)
            same_words = _NUMBER.sub("#", before) == _NUMBER.sub("#", after)
            if not same_words or any(
                float(a.replace(",", "")) != pytest.approx(float(b.replace(",", "")), rel=0.01)
                for a, b in zip(found, made, strict=True)
            ):
                off.append(f"{before.strip()} -> {after.strip()}")
    return off


@pytest.mark.parametrize("path", sorted(MADE), ids=lambda p: p.stem)
def test_a_drawing_is_what_the_script_makes(path: Path) -> None:
    assert path.read_text("utf-8") == MADE[path], "stale: run python -m tests.hardware"


def test_no_drawing_is_left_over_and_each_is_shown() -> None:
    assert {p.name for p in document.DRAWINGS.glob("*.svg")} == {p.name for p in MADE}
    shown = re.findall(r"!\[[^\]]+\]\(drawings/([\w-]+\.svg)\)", TEXT)
    assert sorted(shown) == sorted(p.name for p in MADE)


@pytest.mark.parametrize("name", ["misalignment", "wiring", "baud"])
def test_a_computed_table_is_fresh(name: str) -> None:
    # No simulated figure goes into these.
    made = {"misalignment": tables.misalignments, "wiring": wiring.table, "baud": tables.baud}[name]()
    assert document.between(TEXT, name) == made, "stale: run python -m tests.hardware"


def test_the_tables_with_simulated_figures_are_fresh() -> None:
    # To a hundredth: another version of the simulator may round otherwise.
    spice.require()
    made = tables.all_tables(tables.simulate())
    for name in ("ring", "circuit"):
        assert _numbers_off(document.between(TEXT, name), made[name]) == []


@pytest.mark.parametrize("change", [("27 mJ", "28 mJ"), ("wirewound", "film"), ("0.487", "0.5")])
def test_a_changed_figure_or_word_is_seen_as_stale(change: tuple[str, str]) -> None:
    table = document.between(TEXT, "circuit")
    assert change[0] in table
    assert _numbers_off(table.replace(*change), table)


# --- what the drawings look like ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted(MADE), ids=lambda p: p.stem)
def test_no_text_runs_off_its_sheet(path: Path) -> None:
    root = ET.fromstring(MADE[path])
    left, top, width, height = (float(v) for v in root.attrib["viewBox"].split())
    texts = list(root.iter(f"{_SVG}text"))
    assert texts
    for element in texts:
        size = float(element.attrib["font-size"])
        lines = ["".join(part.itertext()).strip() for part in element] or [(element.text or "").strip()]
        if "rotate(-90" in element.attrib.get("transform", ""):
            continue
        wide = max(_width(line, size, "font-weight" in element.attrib) for line in lines)
        x, y = float(element.attrib["x"]), float(element.attrib["y"])
        begin = {"start": x, "middle": x - wide / 2, "end": x - wide}[element.attrib["text-anchor"]]
        assert left - 0.5 <= begin, lines
        assert begin + wide <= left + width + 0.5, lines
        assert y <= top + height, lines


def _width(text: str, size: float, bold: bool) -> float:
    """Width of a line in the wide sans-serif font that the drawings ask for first."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
    return float(TextPath((0, 0), text, size=size, prop=font).get_extents().x1) if text else 0.0


@pytest.mark.parametrize("path", sorted(MADE), ids=lambda p: p.stem)
def test_a_drawing_loads_nothing_and_has_paper_under_it(path: Path) -> None:
    text = MADE[path]
    assert "href" not in text
    assert "@import" not in text
    assert re.search(r"(#fff|white)", text)


# --- what the text says ---------------------------------------------------------------------------------------------------


def test_every_bench_file_shown_is_accepted_by_the_host() -> None:
    blocks = document.toml_blocks()
    assert len(blocks) == 3
    for block in blocks:
        bench_file.parse(tomllib.loads(block), "HARDWARE.md")


def test_the_mounting_to_enter_is_what_the_formula_gives() -> None:
    mounting = document.bench_file("eccentricity_um").mounting
    one = misalignment.as_grating(0.020, 0.05, misalignment.GRATING, misalignment.ARM)
    assert mounting.eccentricity_um == pytest.approx(one * 1000, abs=0.05)
    assert mounting.grating_radius_mm == misalignment.GRATING


def test_the_figures_in_the_running_text_are_the_computed_ones() -> None:
    parts = circuit.parts()
    firm = circuit.Parts(
        parts.supply_v, 150.0, 680.0, parts.sense_ohm, parts.pin_ohm, parts.pin_f, 0.1, parts.points_f, parts.pulse_v
    )
    assert f"{circuit.clip_ampere(firm, False):.2f} A and {circuit.clip_joule(firm, False) * 1000:.0f} mJ" in TEXT
    (ohm,) = {b.probe.ohm for b in map(_parsed, document.toml_blocks())} - {parts.source_ohm}
    assert ohm == firm.source_ohm
    assert f"{circuit.wetting_a(firm) * 1000:.1f} mA" in TEXT
    # 400 V that stay: V²/R.
    assert parts.pulse_v**2 / parts.clip_ohm == pytest.approx(190, abs=6)
    # At 3.3 V with 120 Ω and 470 Ω.
    assert f"{3300 / (120 + 470):.1f} mA" in TEXT
    assert circuit.delay_s(parts.source_ohm, parts.points_f, 0.6) * tables.BRISK_DEG_PER_S < 0.02


def _parsed(block: str) -> bench_file.BenchFile:
    return bench_file.parse(tomllib.loads(block), "HARDWARE.md")


def test_the_parts_listed_are_those_computed_and_simulated() -> None:
    parts = circuit.parts()
    listed = TEXT[TEXT.index("Per probe channel:") :].split("\n\n")[0]
    for name, value in (("R1", f"{parts.supply_ohm:.0f} Ω"), ("R2", f"{parts.clip_ohm:.0f} Ω")):
        assert f"{name} {value}" in listed
    assert f"R3, R4 {parts.sense_ohm / 1000:.0f} kΩ" in listed
    assert f"R5 {parts.pin_ohm / 1000:.0f} kΩ" in listed
    assert f"C1 {parts.pin_f * 1e12:.0f} pF" in listed
    assert f"{spice.parameters()['c_board'] * 1e6:.0f} µF" in listed


def test_the_cost_shares_make_a_whole() -> None:
    shares = [int(n) for n in re.findall(r"\| (\d+) % \|$", TEXT, re.MULTILINE)]
    assert sum(shares) == 100


def test_every_link_leads_somewhere() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", TEXT):
        assert (document.FOLDER / target).exists(), target


@pytest.mark.parametrize(
    "caution",
    [
        "live whenever it turns and its primary is not grounded",
        "discharge the capacitor",
        "insulate its end",
        "Never on an installed unit",
        "impulse coupling",
        "rotor-locking tool",
        "never on the moving arm",
        "No battery and no insulation tester across the probe",
        "strain-relieved, clear of the cam",
        "licensed person",
        "out of the way of cam and gears",
        "high-tension terminals",
    ],
)
def test_the_cautions_are_shown(caution: str) -> None:
    assert caution in TEXT


def test_what_must_be_disconnected_comes_before_what_is_connected() -> None:
    order = [
        "Before anything is connected",
        "## 2. What to get",
        "## 3. Coupling",
        "## 4. The probe",
        "## 5. Wiring",
        "## 7. Flashing",
        "## 8. Checking",
    ]
    places = [TEXT.index(part) for part in order]
    assert all(a < b for a, b in pairwise(places))


def test_what_is_flashed_is_what_the_makefile_builds() -> None:
    makefile = (document.FOLDER / "board" / "Makefile").read_text("utf-8")
    assert "$(BUILD)/board.hex" in makefile
    assert "BUILD = build\n" in makefile
    for setting in re.findall(r"\b(BOARD_ID|COUNTS_PER_TURN)=", TEXT):
        assert re.search(rf"^{setting} = ", makefile, re.MULTILINE)
    assert TEXT.count("flash:w:build/board.hex:i") == 4


@pytest.mark.parametrize("system", ["Linux", "macOS", "Windows"])
def test_flashing_is_told_for_every_system(system: str) -> None:
    (row,) = re.findall(rf"^\| {system} \|.*$", TEXT, re.MULTILINE)
    assert "avrdude -p atmega328p" in row
    assert "flash:w:" in row


def test_the_default_baud_is_exact_and_the_usual_one_is_not() -> None:
    # 16 MHz AVR: 250 k, 500 k and 1 M exact, 115 200 off by 2.1 % (data sheet's table of baud rates).
    assert circuit.nearest_baud(500_000) == (500_000, 0)
    assert circuit.nearest_baud(115_200)[1] == pytest.approx(0.021, abs=5e-4)
    assert bench_file.BenchFile().link.baud == 500_000
