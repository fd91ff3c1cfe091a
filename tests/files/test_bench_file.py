"""bench.toml: defaults where nothing is said, and every mistake named."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench import bench_file
from bench.bench_file import BenchFile
from bench.errors import BenchFileError


def _write(folder: Path, content: str | bytes) -> Path:
    path = folder / "bench.toml"
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path


def test_an_empty_bench_file_gives_the_defaults(tmp_path: Path) -> None:
    assert bench_file.load(_write(tmp_path, "")) == BenchFile()


def test_a_whole_bench_file_is_taken_as_written(tmp_path: Path) -> None:
    text = """
    counts_per_turn = 10000
    encoder_sense = "counterclockwise"
    index = false
    [probe]
    ohm = 470
    threshold = [0.4, 0.5]
    unstated_capacitor_uf = 0.25
    supply_mv = 5000
    current_ma = 4.9
    sense_gain = 100
    sense_error = 0.01
    sense_offset_mv = 0.02
    sense_full_scale_mv = 4096
    sense_bits = 12
    lead_ohm = [0.1, 0.3]
    four_wire = true
    [mounting]
    eccentricity_um = 5
    grating_radius_mm = 12.5
    hysteresis_counts = 0
    [priors]
    cam_torque_fraction = 0.02
    pole_spacing_deg = 0.5
    friction_asymmetry = 0.2
    mark_setting_deg = 0.1
    [criteria]
    settled_ms = 3
    settled_deg = 0.3
    [decision]
    rule = "simple"
    confidence = 0.99
    [link]
    port = "socket://localhost:5000"
    baud = 1000000
    hello_deadline_s = 3
    """
    bench = bench_file.load(_write(tmp_path, text))
    document = bench.model_dump()
    assert document == {
        "counts_per_turn": 10_000,
        "encoder_sense": "counterclockwise",
        "index": False,
        "probe": {
            "ohm": 470.0,
            "threshold": (0.4, 0.5),
            "unstated_capacitor_uf": 0.25,
            "supply_mv": 5000.0,
            "current_ma": 4.9,
            "sense_gain": 100.0,
            "sense_error": 0.01,
            "sense_offset_mv": 0.02,
            "sense_full_scale_mv": 4096.0,
            "sense_bits": 12,
            "lead_ohm": (0.1, 0.3),
            "four_wire": True,
        },
        "mounting": {"eccentricity_um": 5.0, "grating_radius_mm": 12.5, "hysteresis_counts": 0.0, "encoder_map": None},
        "priors": {
            "cam_torque_fraction": 0.02,
            "pole_spacing_deg": 0.5,
            "friction_asymmetry": 0.2,
            "unseen_bounce_fraction": 0.25,
            "mark_setting_deg": 0.1,
        },
        "criteria": {"settled_ms": 3.0, "settled_deg": 0.3},
        "decision": {"rule": "simple", "confidence": 0.99, "risk": 0.025},
        "link": {"port": "socket://localhost:5000", "baud": 1_000_000, "hello_deadline_s": 3.0},
    }
    assert bench_file.parse(bench.model_dump(mode="json"), "header") == bench


WRONG = {
    "an unknown key": ("cuonts = 1", "cuonts", "not known"),
    "an unknown key in a table": ("[probe]\nohms = 1", "probe.ohms", "not known"),
    "no counts": ("counts_per_turn = 0", "counts_per_turn", "greater than or equal to 4"),
    "half a count": ("counts_per_turn = 10.5", "counts_per_turn", "valid integer"),
    "an unknown sense": ('encoder_sense = "left"', "encoder_sense", "'clockwise', 'counterclockwise' or 'unknown'"),
    "an index that is neither": ("index = 1", "index", "valid boolean"),
    "no resistance": ("[probe]\nohm = 0", "probe.ohm", "greater than 0"),
    "a resistance that is no number": ("[probe]\nohm = nan", "probe.ohm", "finite number"),
    "a resistance as a text": ('[probe]\nohm = "470"', "probe.ohm", "valid number"),
    "thresholds the wrong way round": ("[probe]\nthreshold = [0.6, 0.3]", "probe", "lower figure comes first"),
    "a threshold of the whole supply": ("[probe]\nthreshold = [0.5, 1.0]", "probe.threshold[1]", "less than 1"),
    "one threshold": ("[probe]\nthreshold = [0.5]", "probe.threshold[1]", "missing"),
    "a negative eccentricity": ("[mounting]\neccentricity_um = -1", "mounting.eccentricity_um", "or equal to 0"),
    "no radius": ("[mounting]\ngrating_radius_mm = 0", "mounting.grating_radius_mm", "greater than 0"),
    "an endless prior": ("[priors]\npole_spacing_deg = inf", "priors.pole_spacing_deg", "finite number"),
    "no settling": ("[criteria]\nsettled_ms = 0", "criteria.settled_ms", "greater than 0"),
    "an unknown rule": ('[decision]\nrule = "kind"', "decision.rule", "'guarded', 'risk' or 'simple'"),
    "certainty": ("[decision]\nconfidence = 1.0", "decision.confidence", "less than or equal to 0.9999"),
    "confidence in percent": ("[decision]\nconfidence = 95", "decision.confidence", "less than or equal to 0.9999"),
    "an empty port": ('[link]\nport = ""', "link.port", "at least 1 character"),
    "a baud rate that no line has": ("[link]\nbaud = 300", "link.baud", "greater than or equal to 1200"),
    "no patience": ("[link]\nhello_deadline_s = 0", "link.hello_deadline_s", "greater than or equal to 0.2"),
}


@pytest.mark.parametrize("what", WRONG)
def test_a_mistake_is_named_with_its_key_and_what_was_expected(tmp_path: Path, what: str) -> None:
    content, key, expected = WRONG[what]
    path = _write(tmp_path, content)
    with pytest.raises(BenchFileError) as refusal:
        bench_file.load(path)
    text = refusal.value.text
    assert text.startswith(f"{path}: {key}: ")
    assert expected in text
    assert text.isprintable()
    assert refusal.value.exit_status == 2


@pytest.mark.parametrize("content", [b"\xff", b"[", b"x=" + b"[" * 50_000, b"#" * 1_000_001, b"x = " + b"1" * 5000])
def test_a_file_that_cannot_be_a_bench_file_is_refused(tmp_path: Path, content: bytes) -> None:
    with pytest.raises(BenchFileError, match=r"bench file|not valid TOML"):
        bench_file.load(_write(tmp_path, content))


def test_a_folder_or_nothing_is_no_bench_file(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.toml"):
        with pytest.raises(BenchFileError, match="bench file cannot be read"):
            bench_file.load(path)


TABLES = st.sampled_from(list(BenchFile.model_fields)) | st.text(max_size=4)
PARTS = (bench_file.Probe, bench_file.Mounting, bench_file.Criteria, bench_file.Decision, bench_file.Link)
KEYS = st.sampled_from([name for part in PARTS for name in part.model_fields])
LEAVES = st.integers() | st.floats() | st.booleans() | st.text(max_size=5) | st.lists(st.floats(), max_size=3)


def _bench_or_refusal(tables: object) -> BenchFile | str:
    try:
        return bench_file.parse(tables, "bench.toml")
    except BenchFileError as error:
        return error.text


@given(st.dictionaries(TABLES, LEAVES | st.dictionaries(KEYS, LEAVES, max_size=4), max_size=5))
@settings(max_examples=150)
def test_any_tables_give_a_bench_or_a_bench_file_error(tables: dict[str, object]) -> None:
    bench = _bench_or_refusal(tables)
    if isinstance(bench, str):
        assert bench.isprintable()
    else:
        assert bench_file.parse(bench.model_dump(mode="json"), "again") == bench
