"""`breakerbench qualify encoder` as a user runs it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from bench import encoder_map
from tests.end_to_end.commands import BRISK_HAND, SCENARIOS, Outcome
from tests.end_to_end.commands import breakerbench as run_command
from tests.studies.commands import StudyBench

#: 20 µm on 20 mm (JOB.md).
WAVE_DEG = math.degrees(1e-3)
BOARD = "0123456789abcdef"
FOR_MAP = ("--encoder", "E-1", "--unseen", "0.002", "--unseen-source", "data sheet, invented")
FOR_CSV = ("--board-id", BOARD, "--counts-per-turn", "10000")


class Bench(StudyBench):
    """A folder with a file of readings, and the command."""

    def __init__(self, folder: Path, captured: pytest.CaptureFixture[str]) -> None:
        super().__init__(folder, captured)
        self.readings = self.file("readings.csv", re_clamped())
        self.reference = self.file("reference.csv", referred())

    def qualify(self, *arguments: str | Path) -> Outcome:
        return super().qualify("encoder", *arguments)


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BREAKERBENCH_HOME", str(tmp_path / "home"))
    return Bench(tmp_path, capsys)


def _error(at_deg: float) -> float:
    return WAVE_DEG * math.cos(math.radians(at_deg - 200.0))


def re_clamped(positions: int = 4, trials: int = 3) -> str:
    """Four lobes in some clampings, with a scatter of 0.005°."""
    rng = np.random.default_rng(7)
    rows = ["position,feature,trial,angle_deg"]
    for position in range(positions):
        for lobe, at in enumerate((10.1, 99.9, 190.2, 280.0)):
            true = (at + 12 + 360 / positions * position) % 360
            rows += [
                f"{position},lobe {lobe},{t},{true + _error(true) + rng.normal(0, 0.005):.4f}"
                for t in range(1, trials + 1)
            ]
    return "\n".join(rows) + "\n"


def referred() -> str:
    """A reference at every 30°, read by an encoder whose index lies 50° on."""
    rng = np.random.default_rng(8)
    rows = ["reference_deg,angle_deg"]
    for at in range(0, 360, 30):
        rows.append(f"{at},{(at + 50 + _error(at + 50) + rng.normal(0, 0.001)) % 360:.4f}")
    return "\n".join(rows) + "\n"


# --- re-clampings ----------------------------------------------------------------------------------------------------


def test_re_clampings_as_a_document(bench: Bench) -> None:
    outcome = bench.qualify("--readings", bench.readings, "--json")
    assert (outcome.status, outcome.err) == (0, "")
    document = outcome.document
    assert (document["format"], document["study"], document["valid"]) == ("breakerbench-study", "encoder", True)
    assert document["source"]["name"] == "readings.csv"
    table = document["encoder"]
    assert (table["kind"], table["readings"], table["places"]) == ("characterization", 48, 16)
    # Four clampings, four lobes: what repeats every 90° belongs to either.
    assert {4, 8} <= set(table["not_seen"])
    assert 1 not in table["not_seen"]
    first = table["harmonics"][0]
    assert first["order"] == 1
    assert first["amplitude_deg"] == pytest.approx(WAVE_DEG, abs=3 * first["standard_uncertainty_deg"])
    assert first["phase_deg"] == pytest.approx(200.0, abs=6)
    assert sum(i["angle_deg"] for i in table["intervals"]) == pytest.approx(360.0, abs=1e-5)
    assert len(table["closures"]) == 4
    for closure in table["closures"]:
        u = closure["sector_standard_uncertainty_deg"]
        assert closure["sector_error_deg"] == pytest.approx(closure["sector_error_by_map_deg"], abs=4 * u)
        # Estler: an interval has √(n - 1) times what the sector has, here √3.
        assert closure["interval_standard_uncertainty_deg"] == pytest.approx(u * math.sqrt(3), rel=1e-3)
    assert document["map"] is None
    assert not (bench.folder / "home").exists()


def test_re_clampings_in_words(bench: Bench) -> None:
    out = bench.qualify("--readings", bench.readings).out
    for part in (
        "4 clampings, 4 features, 48 readings; a characterization",
        "not seen, of those looked at: ",
        "closure: sum",
        "360.0000°",
        "its error",
        "degrees of freedom)",
        "no reference stands behind it, only the circle's closure",
        "stays in the features' angles",
        "No map was written",
        "SHA-256",
    ):
        assert part in out


def test_a_map_is_written_that_takes_the_error_away(bench: Bench) -> None:
    path = bench.folder / "e1.json"
    outcome = bench.qualify("--readings", bench.readings, "--months", "12", *FOR_MAP, *FOR_CSV, "--out", path)
    assert outcome.status == 0
    for part in ("[mounting] encoder_map", "torque arm", "The program cannot see that"):
        assert part in outcome.out
    found = encoder_map.load(path)
    assert (found.kind, found.encoder, found.board_id, found.positions, found.features) == (
        "characterization",
        "E-1",
        BOARD,
        4,
        4,
    )
    assert (found.unseen_deg, found.unseen_source) == (0.002, "data sheet, invented")
    assert (found.due_on - found.made_on).days in (365, 366)
    for one, two in ((0.0, 40.0), (200.0, 290.0)):
        a, b = one / 360 * 10_000, two / 360 * 10_000
        left = _error(two) - _error(one) + found.correction_deg(b) - found.correction_deg(a)
        assert abs(left) < 3 * found.u_between_deg(a, [b])


def test_the_map_lies_in_the_data_folder_and_is_never_overwritten(bench: Bench) -> None:
    wanted = ("--readings", bench.readings, "--due", "2999-01-31", *FOR_MAP, *FOR_CSV)
    document = bench.qualify(*wanted, "--json").document
    path = bench.folder / "home" / "encoder_map.json"
    assert document["map"]["file"] == str(path)
    assert document["map"]["document"] == json.loads(path.read_text("utf-8"))
    # What is printed of a harmonic's amplitude and what the map holds are one: u along the phase.
    first = document["encoder"]["harmonics"][0]
    along = np.array([first["cos_deg"], first["sin_deg"]]) / first["amplitude_deg"]
    block = np.array(document["map"]["document"]["covariance_deg2"])[:2, :2]
    assert first["standard_uncertainty_deg"] == pytest.approx(math.sqrt(along @ block @ along), rel=1e-3)
    before = path.read_bytes()
    again = bench.qualify(*wanted)
    assert (again.status, again.out) == (2, "")
    assert "never overwritten" in again.err
    assert path.read_bytes() == before


def test_a_picture_of_the_map(bench: Bench) -> None:
    picture = bench.folder / "map.svg"
    assert bench.qualify("--readings", bench.readings, "--plot", picture).status == 0
    svg = picture.read_text("utf-8")
    for part in ("clamping 0", "clamping 3", "place on the disc, from the index (degrees)", "one standard uncertainty"):
        assert part in svg
    bench.qualify("--readings", bench.readings, "--plot", bench.folder / "again.svg")
    assert (bench.folder / "again.svg").read_text("utf-8") == svg


def test_without_repeats_that_is_told(bench: Bench) -> None:
    document = bench.qualify("--readings", bench.file("once.csv", re_clamped(6, 1)), "--json").document
    assert "no-repeats" in [note["code"] for note in document["notes"]]
    assert document["encoder"]["repeat_standard_deviation_deg"] is None
    assert document["encoder"]["closures"] == []


# --- against a reference ---------------------------------------------------------------------------------------------


def test_against_a_reference_it_is_a_calibration(bench: Bench) -> None:
    reference = ("--certificate", "polygon No. 1, invented", "--reference-uncertainty", "0.0003")
    path = bench.folder / "e1.json"
    wanted = ("--reference-readings", bench.reference, *reference, "--months", "6", *FOR_MAP, *FOR_CSV, "--out", path)
    document = bench.qualify(*wanted, "--json").document
    assert document["encoder"]["kind"] == "calibration"
    assert document["encoder"]["harmonics"][0]["amplitude_deg"] == pytest.approx(WAVE_DEG, abs=0.002)
    # Twelve angles tell orders below six.
    assert document["encoder"]["not_seen"] == [6]
    found = encoder_map.load(path)
    assert found.kind == "calibration"
    assert found.certificate == encoder_map.Certificate("polygon No. 1, invented", 0.0003)
    assert (
        "a calibration against the reference" in bench.qualify("--reference-readings", bench.reference, *reference).out
    )


# --- captures --------------------------------------------------------------------------------------------------------


def _measured(bench: Bench, name: str, encoder: str, seed: str = "5", hand: str = "") -> Path:
    for file in ("plain-single.job.toml", "rehearsal.bench.toml"):
        bench.file(file, (SCENARIOS / file).read_text("utf-8"))
    text = (SCENARIOS / "plain-single.toml").read_text("utf-8")
    scenario = bench.file("clamped.toml", f"{text}\n[encoder]\n{encoder}\n{hand}")
    capture = bench.folder / f"{name}.capture"
    done = run_command("rehearse", "--headless", "--scenario", scenario, "--seed", seed, "--capture", capture)
    assert done.status == 0
    return capture


def test_captures_of_three_clampings_give_the_simulated_encoders_error(bench: Bench) -> None:
    captures = [
        _measured(bench, str(at), f"clamped_deg = {at}\nstart_deg = 10\neccentricity_at_deg = 77")
        for at in (0, 120, 240)
    ]
    outcome = bench.qualify(*captures, "--harmonics", "1", "--months", "1", *FOR_MAP, "--json")
    assert outcome.status == 0
    document = outcome.document
    table = document["encoder"]
    assert [p["angle_deg"] for p in table["positions"]] == pytest.approx([0.0, 120.0, 240.0], abs=0.05)
    assert [c["name"] for c in document["captures"]] == ["0.capture", "120.capture", "240.capture"]
    first = table["harmonics"][0]
    assert first["amplitude_deg"] == pytest.approx(WAVE_DEG, abs=4 * first["standard_uncertainty_deg"])
    # The error is a sine of the disc's place less 10° + 77°, so its crest lies a quarter further on.
    assert first["phase_deg"] == pytest.approx(177.0, abs=15)
    assert "simulated" in [note["code"] for note in document["notes"]]
    assert document["map"]["document"]["counts_per_turn"] == 10_000


def test_captures_that_do_not_belong_together_are_refused(bench: Bench) -> None:
    capture = _measured(bench, "first", "clamped_deg = 0", hand=BRISK_HAND)
    other = _measured(bench, "other", "clamped_deg = 240", "6", BRISK_HAND)
    without = _measured(bench, "without", "index = false", hand=BRISK_HAND)
    torn = bench.folder / "torn.capture"
    torn.write_bytes(capture.read_bytes()[:150_000])
    for names, text in (
        ((capture, other), "by the same encoder and board in all clampings"),
        ((without, capture), "without.capture: no index signal was seen"),
        ((torn, capture), "torn.capture: the capture breaks off"),
        ((torn, other, torn), "torn.capture: the same capture was given before"),
        ((bench.folder / "none.capture", capture), "cannot be read"),
        ((bench.readings, capture), "not a capture"),
    ):
        refused = bench.qualify(*names)
        assert (refused.status, refused.out) == (2, "")
        assert text in refused.err


# --- errors ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ((), "one of the three"),
        (("--readings", "a.csv", "b.capture"), "one of the three"),
        (("one.capture",), "one for each clamping"),
        (("--reference-readings", "a.csv"), "belong together"),
        (("--readings", "a.csv", "--certificate", "x"), "belong together"),
        (("a.capture", "b.capture", "--board-id", BOARD), "known from the captures"),
        (("--readings", "a.csv", "--due", "2999-01-01", "--months", "3"), "not both"),
        (("--readings", "a.csv", "--out", "x.json"), "without --due or --months"),
        (("--readings", "a.csv", "--months", "3"), "needs --encoder"),
        (("--readings", "a.csv", "--months", "3", "--encoder", "E"), "needs --unseen"),
        (("--readings", "a.csv", "--months", "3", *FOR_MAP), "needs --board-id"),
        (("--readings", "a.csv", "--due", "1999-01-01", *FOR_MAP, *FOR_CSV), "is past"),
        (("--readings", "a.csv", "--due", "soon", *FOR_MAP, *FOR_CSV), "YYYY-MM-DD"),
        (
            ("--readings", "a.csv", "--months", "3", *FOR_MAP, "--board-id", "12", "--counts-per-turn", "400"),
            "16 digits",
        ),
        (("--readings", "a.csv", "--months", "3", "--encoder", "", *FOR_MAP[2:], *FOR_CSV), "1 to 200 characters"),
        (("--readings", "a.csv", "--harmonics", "0"), "from 1 to 60"),
        (("--readings", "a.csv"), "cannot be read"),
    ],
)
def test_options_that_do_not_go_together_are_told_before_any_work(
    bench: Bench, arguments: tuple[str, ...], text: str
) -> None:
    outcome = bench.qualify(*arguments)
    assert (outcome.status, outcome.out) == (2, "")
    assert text in outcome.err


@pytest.mark.parametrize(
    ("content", "text"),
    [
        ("position,feature,angle_deg\n0,a,1\n0,a,2\n", 'line 3: column feature: position 0, feature a stands in the file twice; repeated'),
        ("position,feature,trial,angle_deg\n0,a,1,1\n0,a,1,2\n", "stands in the file twice."),
        ("position,angle_deg\n0,1\n", "column feature is missing"),
        ("position,feature,angle_deg\n0,a,x\n", "line 2: column angle_deg"),
        ("position,feature,angle_deg\n", "no readings"),
        ("position,feature,angle_deg\n0,a,1\n1,a,2\n", "at least 3"),
    ],
)  # fmt: skip
def test_a_bad_file_is_told_with_what_was_expected(bench: Bench, content: str, text: str) -> None:
    outcome = bench.qualify("--readings", bench.file("bad.csv", content), "--json")
    assert outcome.status == 2
    assert outcome.document["valid"] is False
    assert text in outcome.document["error"]["text"]


def test_a_reference_angle_that_stands_twice_is_told(bench: Bench) -> None:
    bad = bench.file("bad.csv", "reference_deg,angle_deg\n0,1\n0,2\n")
    outcome = bench.qualify("--reference-readings", bad, "--certificate", "x", "--reference-uncertainty", "0.001")
    assert outcome.status == 2
    assert "line 3: column reference_deg: 0° stands in the file twice" in outcome.err
