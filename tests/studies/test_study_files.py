"""Every mistake in a file of readings is named with line, column and what was expected, and none is let through."""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pytest_mock import MockerFixture

from bench.study_files import StudyFileError, load_agreement, load_gauge
from tests.studies import tables

HEAD = "operator,unit,trial,angle_deg\n"
ROWS = "A,1,1,10.1\nA,1,2,10.2\nA,2,1,11.1\nA,2,2,11.0\nB,1,1,10.3\nB,1,2,10.2\nB,2,1,11.3\nB,2,2,11.2\n"
GAUGE = HEAD + ROWS
PAIRS = "unit,hand_deg,tool_deg\nx,10,10.1\ny,11,11.2\nz,12.5,12.4\n"
REPEATED = "unit,trial,hand_deg,tool_deg\nx,1,10,10.1\nx,2,10.1,10.2\ny,1,11,11.2\nz,1,12.5,12.4\n"

Load = Callable[[Path], Any]


def _write(folder: Path, content: str | bytes) -> Path:
    path = folder / "readings.csv"
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path


def _refusal(folder: Path, content: str | bytes, load: Load = load_gauge) -> str:
    path = _write(folder, content)
    with pytest.raises(StudyFileError) as refusal:
        load(path)
    text = refusal.value.text
    assert text.startswith(f"{path}: ")
    assert text.isprintable()
    assert refusal.value.exit_status == 2
    return text.removeprefix(f"{path}: ")


# --- what is right is taken as written -------------------------------------------------------------------------------


def test_the_manuals_table_is_read_into_operators_units_trials(tmp_path: Path) -> None:
    readings, source = load_gauge(_write(tmp_path, tables.gauge_csv()))
    expected = tables.gauge_readings()
    assert readings.operators == expected.operators
    assert readings.units == expected.units
    assert np.array_equal(readings.angle_deg, expected.angle_deg)
    assert source.name == "readings.csv"
    assert source.sha256 == hashlib.sha256(tables.gauge_csv().encode()).hexdigest()


def test_order_of_columns_and_rows_does_not_matter_but_that_of_first_appearance(tmp_path: Path) -> None:
    rows = [row.split(",") for row in ROWS.split()]
    text = "angle_deg,trial,unit,operator\n" + "".join(",".join(reversed(row)) + "\n" for row in reversed(rows))
    readings, _ = load_gauge(_write(tmp_path, text))
    straight, _ = load_gauge(_write(tmp_path, GAUGE))
    assert readings.operators == ("B", "A")
    assert readings.units == ("2", "1")
    # Trials stand by number.
    assert np.array_equal(readings.angle_deg, straight.angle_deg[::-1, ::-1])


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff" + GAUGE,
        GAUGE.replace("\n", "\r\n"),
        GAUGE.replace(",", " , "),
        GAUGE.replace("A", '"A"'),
        GAUGE + "\n,,,\n\n",
        GAUGE.rstrip("\n"),
        GAUGE.replace("10.1\n", "+1.01e1\n"),
        GAUGE.replace(",1,10.", ",01,10."),
    ],
    ids=["byte order mark", "CRLF", "blanks", "quotes", "empty rows", "no last line end", "exponent", "leading zero"],
)
def test_what_spreadsheets_write_is_read(tmp_path: Path, text: str) -> None:
    readings, _ = load_gauge(_write(tmp_path, text))
    assert readings.operators == ("A", "B")
    assert readings.angle_deg.shape == (2, 2, 2)
    assert readings.angle_deg[0, 0, 0] == 10.1


def test_trials_stand_by_number_whatever_order_they_are_written_in(tmp_path: Path) -> None:
    rows = ROWS.split()
    swapped = HEAD + "\n".join(row for pair in zip(rows[1::2], rows[::2]) for row in pair)
    readings, _ = load_gauge(_write(tmp_path, swapped))
    straight, _ = load_gauge(_write(tmp_path, GAUGE))
    assert np.array_equal(readings.angle_deg, straight.angle_deg)


def test_pairs_are_read(tmp_path: Path) -> None:
    readings, _ = load_agreement(_write(tmp_path, PAIRS))
    assert readings.units == ("x", "y", "z")
    assert readings.hand_deg.tolist() == [10, 11, 12.5]
    assert readings.tool_deg.tolist() == [10.1, 11.2, 12.4]


def test_repeated_pairs_need_not_be_equally_many(tmp_path: Path) -> None:
    readings, _ = load_agreement(_write(tmp_path, REPEATED))
    assert readings.units == ("x", "x", "y", "z")


# --- what is wrong is named ------------------------------------------------------------------------------------------


def _changed(old: str, new: str, text: str = GAUGE) -> str:
    assert text.count(old) >= 1
    return text.replace(old, new, 1)


#: Content, where (line and column as the message begins), what it says.
WRONG_GAUGE = {
    "nothing": ("", "line 1: ", "header operator,unit,trial,angle_deg was expected"),
    "an empty first line": ("\n" + GAUGE, "line 1: ", "the line is empty"),
    "no header": (ROWS, 'line 1: column "A"', "not known"),
    "an unknown column": (_changed("operator,", "name,operator,"), 'line 1: column "name"', "not known"),
    "a header in capitals": (_changed("unit", "Unit"), 'line 1: column "Unit"', "not known"),
    "a column twice": (_changed("unit,", "unit,unit,"), "line 1: column unit", "twice"),
    "a column missing": (_changed(",trial", ""), "line 1: column trial", "missing"),
    "semicolons": (GAUGE.replace(",", ";"), "line 1: ", "commas between the columns"),
    "tabs": (GAUGE.replace(",", "\t"), "line 1: ", "commas between the columns"),
    "a field too few": (_changed("A,1,2,10.2", "A,1,10.2"), "line 3: ", "4 columns"),
    "a field too many": (_changed("A,1,2,10.2", "A,1,2,10.2,"), "line 3: ", "not 5"),
    "a decimal comma": (_changed("10.2", '"10,2"'), "line 3: column angle_deg", "decimal point"),
    "no number": (_changed("10.2", "ten"), "line 3: column angle_deg", '"ten"'),
    "an empty number": (_changed("10.2", ""), "line 3: column angle_deg", "an empty field"),
    "not a number": (_changed("10.2", "nan"), "line 3: column angle_deg", '"nan"'),
    "an endless number": (_changed("10.2", "inf"), "line 3: column angle_deg", '"inf"'),
    "an overflowing number": (_changed("10.2", "1e999"), "line 3: column angle_deg", "-3600 to 3600"),
    "more than ten turns": (_changed("10.2", "3600.1"), "line 3: column angle_deg", "-3600 to 3600"),
    "a number with underlines": (_changed("10.2", "1_0.2"), "line 3: column angle_deg", "number of degrees"),
    "figures of another script": (_changed("10.2", "١٠"), "line 3: column angle_deg", "number of degrees"),
    "a sign of degrees": (_changed("10.2", "10.2°"), "line 3: column angle_deg", "number of degrees"),
    "an endless row of digits": (_changed("10.2", "1" * 5000), "line 3: column angle_deg", "3600"),
    "no operator": (_changed("A,1,2", ",1,2"), "line 3: column operator", "1 to 40 characters"),
    "a long name": (_changed("A,1,2", "A" * 41 + ",1,2"), "line 3: column operator", "1 to 40 characters"),
    "a line break in a name": (_changed("A,1,2", '"A\nB",1,2'), "line 3: column operator", "line breaks"),
    "a zero byte in a name": (_changed("A,1,2", "A\0,1,2"), "line 3: column operator", "control characters"),
    "a name that steers the terminal": (_changed("A,1,2", "A\x1b[2J,1,2"), "line 3: column operator", "control characters"),
    "a name that turns the writing round": (_changed("A,1,2", "A\u202eB,1,2"), "line 3: column operator", "control characters"),
    "a trial that is no number": (_changed("A,1,2", "A,1,b"), "line 3: column trial", "whole number"),
    "half a trial": (_changed("A,1,2", "A,1,2.5"), "line 3: column trial", "whole number"),
    "trial 0": (_changed("A,1,2", "A,1,0"), "line 3: column trial", "from 1"),
    "trial 1001": (_changed("A,1,2", "A,1,1001"), "line 3: column trial", "to 1000"),
    "a trial of 5000 digits": (_changed("A,1,2", "A,1," + "1" * 5000), "line 3: column trial", "whole number"),
    "a reading twice": (_changed("A,1,2", "A,1,1"), "line 3: column trial", "twice"),
    "a reading missing": (_changed("B,1,2,10.2\n", ""), "column trial", "operator B, unit 1, trial 2 is missing"),
    "one operator": (HEAD + ROWS[: ROWS.index("B")], "column operator", "at least 2"),
    "one unit": (HEAD + "A,1,1,1\nA,1,2,1\nB,1,1,1\nB,1,2,1\n", "column unit", "at least 2"),
    "one trial": (HEAD + "A,1,1,1\nA,2,1,1\nB,1,1,1\nB,2,1,1\n", "column trial", "at least 2"),
    "only a header": (HEAD, "column operator", "not 0"),
    "an open quote": (GAUGE + '"C,1,1,1\n', "line 10: ", "not valid CSV"),
    "a quote amid a field": (_changed("10.2", '"10".2'), "line 3: ", "not valid CSV"),
    "an endless field": (_changed("10.2", "1" * 200_000), "line 3: ", "not valid CSV"),
}  # fmt: skip

WRONG_AGREEMENT = {
    "no tool": (_changed(",tool_deg", "", PAIRS), "line 1: column tool_deg", "unit,hand_deg,tool_deg[,trial]"),
    "a unit twice without trials": (_changed("y,", "x,", PAIRS), "line 3: column unit", 'column "trial"'),
    "a trial twice": (_changed("x,2", "x,1", REPEATED), "line 3: column trial", "twice"),
    "two units": (_changed("z,12.5,12.4\n", "", PAIRS), "column unit", "at least 3"),
    "no number": (_changed("11.2", "-", PAIRS), "line 3: column tool_deg", '"-"'),
    "an empty number": (_changed("y,11,", "y,,", PAIRS), "line 3: column hand_deg", "empty field"),
    "an empty trial": (_changed("x,2", "x,", REPEATED), "line 3: column trial", "empty field"),
    "an empty unit": (_changed("y,", " ,", PAIRS), "line 3: column unit", "empty field"),
}


@pytest.mark.parametrize("what", WRONG_GAUGE)
def test_a_mistake_in_a_gauge_study_is_named(tmp_path: Path, what: str) -> None:
    content, where, expected = WRONG_GAUGE[what]
    text = _refusal(tmp_path, content)
    assert text.startswith(where)
    assert expected in text
    assert len(text) < 250


@pytest.mark.parametrize("what", WRONG_AGREEMENT)
def test_a_mistake_in_an_agreement_study_is_named(tmp_path: Path, what: str) -> None:
    content, where, expected = WRONG_AGREEMENT[what]
    text = _refusal(tmp_path, content, load_agreement)
    assert text.startswith(where)
    assert expected in text


def test_lines_are_counted_as_an_editor_does_after_a_name_over_two_lines(tmp_path: Path) -> None:
    text = HEAD + '\n"A\n",1,1,1\nA,1,2,x\n'
    # The name's line break is at its end, and so is only a blank.
    assert _refusal(tmp_path, text).startswith("line 5: column angle_deg")


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (GAUGE.encode() + b"\xff\xfe", "line 10: not text in UTF-8"),
        (GAUGE.encode("utf-16"), "line 1: not text in UTF-8"),
        (b"\x89PNG\r\n", "line 1: not text in UTF-8"),
        (b"#" * 1_000_001, "more than 1000000 bytes"),
    ],
    ids=["a wrong byte", "UTF-16", "a picture", "too much"],
)
def test_a_file_that_cannot_be_a_table_is_refused(tmp_path: Path, content: bytes, expected: str) -> None:
    assert expected in _refusal(tmp_path, content)


def test_a_missing_file_and_a_folder_are_named(tmp_path: Path) -> None:
    with pytest.raises(StudyFileError, match="No such file"):
        load_gauge(tmp_path / "none.csv")
    with pytest.raises(StudyFileError, match="directory"):
        load_agreement(tmp_path)


def test_a_file_that_may_not_be_read_is_named(tmp_path: Path, mocker: MockerFixture) -> None:
    path = _write(tmp_path, GAUGE)
    # An operating system that refuses; to the superuser a real one refuses nothing.
    mocker.patch("pathlib.Path.open", side_effect=PermissionError(errno.EACCES, "Permission denied"))
    with pytest.raises(StudyFileError, match="denied"):
        load_gauge(path)


def test_nothing_in_a_files_name_can_steer_the_terminal(tmp_path: Path) -> None:
    path = tmp_path / "a\x1b[2Jb.csv"
    with pytest.raises(StudyFileError) as refusal:
        load_gauge(path)
    assert refusal.value.text.isprintable()
    path.write_text(GAUGE, "utf-8")
    assert load_gauge(path)[1].name.isprintable()


# --- whatever it holds, readings or StudyFileError -------------------------------------------------------------------

FIELDS = st.sampled_from(["A", "B", "1", "2", "10.1", "-3", "", " ", '"', "1e5", "nan", "\n", "\0", ",", "x,1,1,1\n"])


def _figures(path: Path, load: Load) -> NDArray[np.float64] | StudyFileError:
    try:
        readings, _ = load(path)
    except StudyFileError as error:
        return error
    found = readings.angle_deg if load is load_gauge else readings.tool_deg
    assert isinstance(found, np.ndarray)
    return found


@given(st.binary(max_size=200) | st.lists(FIELDS, max_size=40).map(lambda f: ",".join(f).encode()))
@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_give_readings_or_a_study_file_error(tmp_path: Path, content: bytes) -> None:
    whole: list[tuple[str, Load]] = [("", load_gauge), (HEAD, load_gauge), (GAUGE, load_gauge), (PAIRS, load_agreement)]
    for head, load in whole:
        found = _figures(_write(tmp_path, head.encode() + content), load)
        assert found.text.isprintable() if isinstance(found, StudyFileError) else np.isfinite(found).all()
