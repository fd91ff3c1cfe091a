"""`breakerbench qualify` as a user runs it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.studies import tables
from tests.studies.commands import StudyBench


class Bench(StudyBench):
    """A folder with both studies' files, and the command."""

    def __init__(self, folder: Path, captured: pytest.CaptureFixture[str]) -> None:
        super().__init__(folder, captured)
        self.gauge = self.file("gauge.csv", tables.gauge_csv())
        self.agreement = self.file("agreement.csv", tables.peak_flow_csv())


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Bench:
    return Bench(tmp_path, capsys)


# --- gauge -----------------------------------------------------------------------------------------------------------


def test_a_gauge_study_as_a_document(bench: Bench) -> None:
    outcome = bench.qualify("gauge", bench.gauge, "--tolerance", "8", "--json")
    assert (outcome.status, outcome.err) == (0, "")
    document = outcome.document
    assert (document["format"], document["version"], document["study"]) == ("breakerbench-study", 1, "gauge")
    assert document["valid"] is True
    assert document["source"]["name"] == "gauge.csv"
    gauge = document["gauge"]
    assert (gauge["operators"], len(gauge["units"]), gauge["trials"]) == (["A", "B", "C"], 10, 3)
    # AIAG MSA manual's worked example, as in test_gauge_study.
    by_range = gauge["average_range"]["components"]
    assert by_range["gauge"]["standard_deviation_deg"] == pytest.approx(0.30577, abs=5e-6)
    assert by_range["whole_distinct_categories"] == 5
    variance = gauge["analysis_of_variance"]
    assert variance["interaction_pooled"] is True
    assert variance["components"]["interaction"] is None
    assert variance["components"]["gauge"]["standard_deviation_deg"] == pytest.approx(0.30237, abs=5e-6)
    assert variance["components"]["gauge"]["percent_of_tolerance"] == pytest.approx(600 * 0.30237 / 8, abs=1e-3)
    assert variance["components"]["distinct_categories"] == pytest.approx(4.86, abs=5e-3)
    assert [row["source"] for row in variance["rows"]][2] == "operators × units"
    assert "agreement" not in document
    assert "error" not in document


def test_a_gauge_study_in_words(bench: Bench) -> None:
    outcome = bench.qualify("gauge", bench.gauge, "--tolerance", "8")
    assert outcome.status == 0
    for part in (
        "3 operators, 10 units, 3 trials, 90 readings",
        "pooled with the repeats",
        "0.3024°",
        "0.3058°",
        "distinct categories (ndc): 5 (unrounded 5.09)",
        # 1.96 √2 × .19993 and × .30237.
        "within 0.55° of each other in 19 of 20 cases",
        "within 0.84°",
        "averages differ by more than chance",
        "23 % of the tolerance of 8°",
        "Operator B, unit 4: readings 1.02° apart",
        "no verdict of a tool's fitness; the shop decides",
    ):
        assert part in outcome.out


def test_without_a_tolerance_nothing_is_said_of_one(bench: Bench) -> None:
    assert "No tolerance was given" in bench.qualify("gauge", bench.gauge).out
    document = bench.qualify("gauge", bench.gauge, "--json").document
    assert document["gauge"]["tolerance_deg"] is None
    assert document["gauge"]["average_range"]["components"]["gauge"]["percent_of_tolerance"] is None


def test_a_kept_interaction_is_told(bench: Bench) -> None:
    rows = [f"{o},{u},{t},{10 + u + (o == 'B') * (u % 2) + 0.01 * t}" for o in "AB" for u in range(8) for t in (1, 2)]
    path = bench.file("kept.csv", "operator,unit,trial,angle_deg\n" + "\n".join(rows))
    outcome = bench.qualify("gauge", path)
    assert "units kept)" in outcome.out
    assert "of it operator × unit" in outcome.out
    assert "on some units more than on others" in outcome.out
    assert (
        bench.qualify("gauge", path, "--json").document["gauge"]["analysis_of_variance"]["interaction_pooled"] is False
    )


def test_a_small_and_a_large_study_are_told_what_they_lack(bench: Bench) -> None:
    for units, code in ((4, "few-ranges"), (11, "no-average-range")):
        rows = [f"{o},{u},{t},{u + 0.1 * t * (o == 'A')}" for o in "AB" for u in range(units) for t in (1, 2)]
        path = bench.file("study.csv", "operator,unit,trial,angle_deg\n" + "\n".join(rows))
        document = bench.qualify("gauge", path, "--json").document
        assert [note["code"] for note in document["notes"]] == [code]
        assert (document["gauge"]["average_range"] is None) == (units == 11)


def test_readings_that_never_scatter_are_reported_without_a_figure_that_is_none(bench: Bench) -> None:
    rows = [f"{o},{u},{t},10.1" for o in "AB" for u in range(4) for t in (1, 2)]
    path = bench.file("same.csv", "operator,unit,trial,angle_deg\n" + "\n".join(rows))
    assert "did not scatter" in bench.qualify("gauge", path).out
    variance = bench.qualify("gauge", path, "--json").document["gauge"]["analysis_of_variance"]
    assert variance["components"]["distinct_categories"] is None
    assert variance["components"]["gauge"]["percent_of_total"] is None
    assert variance["rows"][0]["f"] is None


# --- agreement -------------------------------------------------------------------------------------------------------


def test_an_agreement_study_as_a_document(bench: Bench) -> None:
    outcome = bench.qualify("agreement", bench.agreement, "--json", "--error-ratio", "2.5")
    assert (outcome.status, outcome.err) == (0, "")
    document = outcome.document
    assert (document["format"], document["version"], document["study"]) == ("breakerbench-study", 1, "agreement")
    agreement = document["agreement"]
    # Bland & Altman, Lancet 1986, as in test_agreement_study.
    assert agreement["bias"]["value_deg"] == pytest.approx(-2.1176, abs=5e-5)
    assert agreement["standard_deviation_deg"] == pytest.approx(38.7651, abs=5e-5)
    assert agreement["upper_limit_of_agreement"]["value_deg"] == pytest.approx(73.862, abs=5e-4)
    assert (agreement["units"], agreement["pairs"], agreement["difference"]) == (17, 17, "tool minus hand")
    assert (agreement["error_ratio"], agreement["error_ratio_source"]) == (2.5, "given")
    assert agreement["repeats"] is None
    assert 0.05 < agreement["trend"]["p"] < 1
    assert "gauge" not in document


def test_an_agreement_study_in_words(bench: Bench) -> None:
    outcome = bench.qualify("agreement", bench.agreement)
    assert outcome.status == 0
    for part in (
        "17 units, 17 pairs",
        "-2.1176°",
        "38.7651°",
        "the tool reads 2.12° less than the hand method",
        "between -22.05° and +17.81°",
        "zero is within that",
        "between -78.10° and +73.86°",
        "No change of the difference with the angle is shown",
        "errors as equally large",
        "no verdict of a tool's fitness; the shop decides",
    ):
        assert part in outcome.out


def test_a_bias_and_a_trend_are_told(bench: Bench) -> None:
    rows = [f"{n},{10 + n},{10.5 + 1.1 * n + 0.01 * (n % 3)}" for n in range(12)]
    out = bench.qualify("agreement", bench.file("trend.csv", "unit,hand_deg,tool_deg\n" + "\n".join(rows))).out
    assert "more than chance: the two methods differ on average" in out
    assert "The difference changes with the angle" in out


def test_repeats_are_told(bench: Bench) -> None:
    rows = [
        f"{n},{t},{10 + n + 0.1 * (t + n) % 0.3:.3f},{10 + n + 0.5 * (n % 2) + 0.01 * t:.3f}"
        for n in range(9)
        for t in (1, 2, 3)
    ]
    path = bench.file("repeats.csv", "unit,trial,hand_deg,tool_deg\n" + "\n".join(rows))
    out = bench.qualify("agreement", path).out
    assert "9 units, 27 pairs" in out
    assert "18 degrees of freedom" in out
    assert "repeated readings)" in out
    assert "Some units differ more than others" in out
    repeats = bench.qualify("agreement", path, "--json").document["agreement"]["repeats"]
    # Trials 1, 2, 3 lie 0.01 apart by the tool.
    assert repeats["tool_deg"] == pytest.approx(0.01, abs=1e-9)
    assert repeats["degrees_of_freedom"] == 18


def test_units_of_one_angle_are_told_to_allow_no_line(bench: Bench) -> None:
    path = bench.file("flat.csv", "unit,hand_deg,tool_deg\n1,10,10.1\n2,10,10.2\n3,10,10.15\n")
    document = bench.qualify("agreement", path, "--json").document
    assert document["agreement"]["line"] is None
    assert "no-spread" in [note["code"] for note in document["notes"]]


# --- pictures, errors, the command line ------------------------------------------------------------------------------


@pytest.mark.parametrize(("study", "word"), [("gauge", b"operator C"), ("agreement", b"upper limit of agreement")])
def test_a_picture_is_drawn_beside_the_figures(bench: Bench, study: str, word: bytes) -> None:
    picture = bench.folder / "picture.svg"
    outcome = bench.qualify(study, getattr(bench, study), "--plot", picture, "--json")
    assert outcome.status == 0
    assert outcome.document["valid"] is True
    assert word in picture.read_bytes()


def test_a_picture_never_overwrites_the_readings(bench: Bench) -> None:
    before = bench.gauge.read_bytes()
    outcome = bench.qualify("gauge", bench.gauge, "--plot", bench.gauge)
    assert outcome.status == 2
    assert "ends in .svg" in outcome.err
    assert bench.gauge.read_bytes() == before


def test_a_picture_that_cannot_be_written_is_named(bench: Bench) -> None:
    outcome = bench.qualify("gauge", bench.gauge, "--plot", bench.folder / "none" / "picture.svg")
    assert (outcome.status, outcome.out) == (2, "")
    assert "picture.svg: the picture cannot be written (No such file" in outcome.err


def test_a_bad_file_is_told_with_line_and_column(bench: Bench) -> None:
    bad = bench.file("bad.csv", tables.gauge_csv().replace("-.56", "-,56", 1))
    outcome = bench.qualify("gauge", bad)
    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err.startswith(f"breakerbench: {bad}: line 3: ")
    assert outcome.err.count("\n") == 1


def test_a_bad_file_is_told_in_the_document_too(bench: Bench) -> None:
    outcome = bench.qualify("agreement", bench.gauge, "--json")
    assert outcome.status == 2
    document = outcome.document
    assert (document["format"], document["study"], document["valid"]) == ("breakerbench-study", "agreement", False)
    assert document["error"]["code"] == "study-file"
    assert 'column "operator"' in document["error"]["text"]
    assert document["error"]["text"] in outcome.err


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["gauge"],
        ["nothing"],
        ["gauge", "x.csv", "--tolerance", "0"],
        ["gauge", "x.csv", "--tolerance", "-1"],
        ["gauge", "x.csv", "--tolerance", "nan"],
        ["gauge", "x.csv", "--tolerance", "wide"],
        ["agreement", "x.csv", "--error-ratio", "inf"],
        ["agreement", "x.csv", "--tolerance", "1"],
    ],
)
def test_a_wrong_command_line_is_a_usage_error(bench: Bench, arguments: list[str]) -> None:
    outcome = bench.qualify(*arguments)
    assert outcome.status == 2
    assert outcome.out == ""
    assert outcome.err.startswith("breakerbench: ")
    assert outcome.err.endswith("--help.\n")


def test_nothing_large_is_loaded_before_a_picture_is_asked_for(bench: Bench) -> None:
    program = (
        "import sys; from tui.command_line import main; status = main(sys.argv[1:]);"
        "print(status, *sorted({name.split('.')[0] for name in sys.modules}), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, "qualify", "gauge", str(bench.gauge)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        check=True,
    )
    status, *loaded = done.stderr.split()
    assert status == "0"
    assert "numpy" in loaded
    assert set(loaded) & {"matplotlib", "textual", "scipy", "sim", "serial"} <= {"serial"}
