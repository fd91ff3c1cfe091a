"""The pictures in characters: everything stands where its angle says, in the running direction, at exactly the size asked for."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace

import pytest
from rich.cells import cell_len
from rich.text import Text

from tui.character_pictures.passes import LobePasses, PassSeries, angle_against_pass
from tui.character_pictures.ring import ring
from tui.character_pictures.scale import strip
from tui.character_pictures.state import RingState

# An invented unit: four poles, main to open 10° past neutral between 8° and 12°, a second set later.
STATE = RingState(
    angle_deg=None,
    counts_from="past neutral 0",
    span_deg=360.0,
    neutrals=(0.0, 90.0, 180.0, 270.0),
    target_deg=10.0,
    lower_deg=8.0,
    upper_deg=12.0,
    openings=(),
    breakers=("main", "second"),
    at_work="main",
)
FULL = replace(STATE, angle_deg=7.2, openings=(("main", 0, 9.9), ("main", 1, 12.1), ("second", 0, 38.0)))
SERIES = PassSeries("main", "past neutral", 10.0, 8.0, 12.0, (LobePasses(0, (9.9, 10.1)), LobePasses(1, (9.0, None))))
SIZES = [(40, 9), (60, 12), (80, 20), (120, 30), (36, 8), (35, 9), (40, 3), (40, 1), (10, 2), (3, 3), (1, 1), (0, 0)]


def lines(text: Text) -> list[str]:
    return text.plain.split("\n")


def only(shape: str, row: str) -> int:
    """The one column where `shape` stands in a row."""
    assert row.count(shape) == 1, row
    return row.index(shape)


def axis(picture: list[str]) -> str:
    """The row with the line that the scale is."""
    return next(row for row in picture if "▲" in row)


# --- the scale -------------------------------------------------------------------------------------------------------


# 15° to either side of the target over the columns 0 to width - 1: 1° is (width - 1) / 30 columns, worked out by hand.
@pytest.mark.parametrize(("width", "neutral", "lower", "target", "upper"), [(61, 10, 26, 30, 34), (91, 15, 39, 45, 51)])
def test_target_limits_and_neutral_stand_at_the_columns_of_their_angles(
    width: int, neutral: int, lower: int, target: int, upper: int
) -> None:
    row = axis(lines(ring(width, 20, STATE)))
    assert (only("N", row), only("├", row), only("▲", row), only("┤", row)) == (neutral, lower, target, upper)


@pytest.mark.parametrize(("angle_deg", "column"), [(-5.0, 0), (0.0, 10), (7.0, 24), (10.0, 30), (11.0, 32), (25.0, 60)])
def test_the_rotor_stands_at_its_angle(angle_deg: float, column: int) -> None:
    assert only("┃", lines(ring(61, 20, replace(STATE, angle_deg=angle_deg)))[0]) == column
    # Six cells of figures to either side of a strip's scale: a degree is 2 columns at 73.
    assert only("┃", lines(strip(73, replace(STATE, angle_deg=angle_deg)))[0]) == column + 6


@pytest.mark.parametrize(("angle_deg", "column"), [(-5.0, 0), (5.0, 20), (8.0, 26), (12.0, 34), (20.0, 50)])
def test_an_opening_stands_at_its_angle_for_either_set_of_points(angle_deg: float, column: int) -> None:
    for name, shape in (("main", "●"), ("second", "◆")):
        picture = lines(ring(61, 20, replace(STATE, openings=((name, 0, angle_deg),))))
        rows = [row for row in picture[:8] if shape in row]
        assert rows
        assert {only(shape, row) for row in rows} == {column}


def test_a_greater_angle_is_farther_right_and_farther_round_so_nothing_is_mirrored() -> None:
    columns = [only("┃", lines(strip(80, replace(STATE, angle_deg=a)))[0]) for a in (-4.0, 0.0, 6.0, 11.0, 24.0)]
    assert columns == sorted(columns)
    assert len(set(columns)) == 5
    # A quarter of a turn from the top is at the right: clockwise. Opening of lobe 1 at 0° past its own neutral.
    below = lines(ring(80, 20, replace(STATE, openings=(("main", 1, 0.0),))))[9:]
    assert only("●", "".join(row[:22].ljust(22) for row in below)) == 5 * 22 + 20


@pytest.mark.parametrize("width", [36, 40, 57, 80, 120])
@pytest.mark.parametrize("beyond_deg", [0.001, 0.05, 0.3, 3.0])
def test_an_opening_beyond_a_limit_is_outside_the_band_by_however_little(width: int, beyond_deg: float) -> None:
    for picture in (ring(width, 9, replace(STATE, openings=(("main", 0, 12.0 + beyond_deg),))),):
        row = next(row for row in lines(picture) if "●" in row)
        assert only("●", row) > only("┤", axis(lines(picture)))
    for picture in (
        strip(width, replace(STATE, openings=(("main", 0, 8.0 - beyond_deg),))),
        ring(width, 20, replace(STATE, openings=(("main", 0, 8.0 - beyond_deg),))),
    ):
        row = next(row for row in lines(picture) if "●" in row)
        assert only("●", row) < only("├", axis(lines(picture)))


@pytest.mark.parametrize("width", [36, 40, 57, 80, 120])
@pytest.mark.parametrize("angle_deg", [8.0, 8.01, 10.0, 11.99, 12.0])
def test_an_opening_within_the_limits_is_within_the_band(width: int, angle_deg: float) -> None:
    picture = lines(ring(width, 9, replace(STATE, openings=(("main", 0, angle_deg),))))
    row = next(row for row in picture if "●" in row)
    assert only("├", axis(picture)) <= only("●", row) <= only("┤", axis(picture))


def test_limits_are_not_laid_on_a_set_of_points_that_they_are_not_for() -> None:
    # 12.1° would be moved out of main's band by a column; the second set stands where its angle says.
    picture = lines(ring(61, 20, replace(STATE, openings=(("second", 0, 12.1),))))
    assert only("◆", next(row for row in picture if "◆" in row)) == 34
    assert "beyond" not in "\n".join(picture)
    moved = lines(ring(61, 20, replace(STATE, at_work="second", openings=(("second", 0, 12.1),))))
    assert only("◆", next(row for row in moved if "◆" in row)) == 35
    assert "second 12.1°, 1 beyond the limits" in "\n".join(moved)


def test_what_lies_beyond_the_scale_is_an_arrow_at_its_edge() -> None:
    past = lines(strip(80, replace(STATE, angle_deg=60.0, openings=(("main", 0, -40.0),))))
    assert past[0].rstrip().endswith("┃►")
    assert "60.0°, 50.0° past target" in past[0]
    assert past[2].lstrip().startswith("◄●")
    second = lines(ring(80, 20, replace(STATE, openings=(("second", 0, 38.0),))))
    assert any(row.endswith("second ◆►") for row in second)


def test_rotor_target_and_an_opening_at_the_same_place_are_all_seen() -> None:
    same = replace(STATE, angle_deg=10.0, openings=(("main", 0, 10.0), ("second", 0, 10.0)))
    for width, height in ((40, 9), (80, 20)):
        upper = "\n".join(lines(ring(width, height, same))[: height - 5])
        assert all(shape in upper for shape in "┃▲●◆")
    assert "main and second" in lines(strip(80, same))[2]
    assert "at target" in lines(strip(80, same))[0]


def test_the_last_opening_of_a_lobe_counts() -> None:
    text = ring(80, 20, replace(STATE, openings=(("main", 0, 5.0), ("main", 0, 9.5)))).plain
    assert "main 9.5°" in text
    assert "5.0" not in text


def test_a_shape_does_not_depend_on_which_set_opened_first() -> None:
    picture = ring(80, 20, replace(STATE, openings=(("second", 0, 12.0), ("main", 0, 10.0)))).plain
    assert "● main" in picture
    assert "◆ second" in picture


def test_words_say_what_each_shape_is_and_what_the_angle_counts_from() -> None:
    for width, height in ((40, 9), (80, 20)):
        text = ring(width, height, FULL).plain
        assert "▲ target 10°  ├─┤ 8 to 12°" in text
        assert "● main 9.9 to 12.1°, 1 beyond" in text
        assert "◆ second 38.0°" in text
        assert "┃ rotor now   N neutral" in text
        assert "degrees past neutral 0" in text
        assert "2.8° before" in text


# --- the ring --------------------------------------------------------------------------------------------------------


def ring_cell(state: RingState, shape: str) -> tuple[int, int]:
    """Column and row from the ring's top left corner, on a sheet of 80 × 20 whose ring has 11 rows."""
    rows = [row[:21] for row in lines(ring(80, 20, state))[9:]]
    found = [(row.index(shape), y) for y, row in enumerate(rows) if shape in row]
    assert len(found) == 1, rows
    return found[0]


# A ring of 11 rows and 21 columns: top, right, bottom and left.
@pytest.mark.parametrize(("lobe", "cell"), [(0, (10, 0)), (1, (20, 5)), (2, (10, 10)), (3, (0, 5))])
def test_each_lobe_lies_at_its_own_neutral_round_the_ring(lobe: int, cell: tuple[int, int]) -> None:
    assert ring_cell(replace(STATE, openings=(("main", lobe, 0.0),)), "●") == cell


def test_a_neutral_that_was_measured_off_its_place_is_shown_there() -> None:
    moved = replace(STATE, neutrals=(0.0, 135.0, 180.0, 270.0), openings=(("main", 1, 0.0),))
    # 135° clockwise from the top: right and below the middle by 1/√2 of ten columns and five rows.
    assert ring_cell(moved, "●") == (17, 9)


def test_lobe_0_lies_where_its_angle_says_when_angles_count_from_a_mark() -> None:
    # The mark is 12° past neutral 0, so the neutrals lie at -12°, 78°, ...; 90° past the mark is at the right.
    marked = replace(STATE, neutrals=(-12.0, 78.0, 168.0, 258.0), openings=(("main", 0, 90.0),))
    assert ring_cell(marked, "●") == (20, 5)
    assert ring_cell(replace(marked, openings=(("main", 1, 90.0),)), "●") == (10, 10)


def test_the_rotor_is_shown_at_the_neutral_that_it_is_past() -> None:
    right, left = (ring_cell(replace(STATE, angle_deg=0.0, place=place), "┃") for place in (1, 3))
    assert right[0] > 10 > left[0]
    assert right[1] == left[1] == 5


def test_a_cam_whose_turn_is_longer_fills_the_ring_once() -> None:
    # 9 cylinders, 4 poles: 9/4 turns of the magnet, 810°, and 9 neutrals (FAA-H-8083-32; arithmetic).
    state = replace(STATE, span_deg=810.0, neutrals=tuple(90.0 * n for n in range(9)), openings=(("main", 0, 202.5),))
    assert ring_cell(state, "●") == (20, 5)


# --- passes ----------------------------------------------------------------------------------------------------------


def height_of(shape: str, picture: list[str]) -> int:
    """The one row of the plot in which a shape stands right of the axis and left of the means."""
    rows = [y for y, row in enumerate(picture) if "│" in row and shape in row.split("│")[1][:-6]]
    assert len(rows) == 1, picture
    return rows[0]


def test_a_greater_angle_stands_higher_and_limits_and_target_at_theirs() -> None:
    series = replace(SERIES, lobes=tuple(LobePasses(n, (a,)) for n, a in enumerate((8.5, 9.5, 10.6, 11.5))))
    picture = lines(angle_against_pass(80, 20, series))
    low, second, third, high = (height_of(shape, picture) for shape in "●◆■▼")
    upper, target, lower = (
        next(y for y, r in enumerate(picture) if r.strip().startswith(w)) for w in ("12", "10", "8")
    )
    assert upper < high < third < target < second < low < lower


@pytest.mark.parametrize("height", [9, 12, 20, 40])
@pytest.mark.parametrize("beyond_deg", [0.001, 0.1, 1.0])
def test_a_pass_beyond_a_limit_is_beyond_its_line_by_however_little(height: int, beyond_deg: float) -> None:
    series = replace(SERIES, lobes=(LobePasses(0, (12.0 + beyond_deg,)), LobePasses(1, (8.0 - beyond_deg,))))
    picture = lines(angle_against_pass(80, height, series))
    limits = [y for y, row in enumerate(picture) if "┄┄┄" in row]
    assert len(limits) == 2
    assert height_of("●", picture) < limits[0] < limits[1] < height_of("◆", picture)


def test_passes_run_to_the_right_and_are_numbered_as_counted() -> None:
    picture = lines(angle_against_pass(40, 12, replace(SERIES, lobes=(LobePasses(0, (9.0, None, 9.0)),))))
    (row,) = (r for r in picture if r.split("│")[-1][:-6].count("●") == 2)
    numbers = next(r for r in picture if "pass" in r)
    assert [n for n, char in enumerate(row[:34]) if char == "●"] == [numbers.index("1"), numbers.index("3")]


def test_of_more_passes_than_columns_the_last_are_shown() -> None:
    picture = angle_against_pass(40, 9, replace(SERIES, lobes=(LobePasses(0, (*[10.0] * 300, 11.0)),))).plain
    assert "301" in next(row for row in picture.split("\n") if "pass" in row)


def test_the_mean_is_of_the_passes_that_count() -> None:
    text = angle_against_pass(80, 20, replace(SERIES, lobes=(LobePasses(2, (9.0, None, math.nan, 10.5)),))).plain
    assert "● 2: 9.75°" in text  # (9 + 10.5) / 2


def test_a_wild_pass_is_an_arrow_and_does_not_press_the_others_flat() -> None:
    picture = lines(angle_against_pass(80, 20, replace(SERIES, lobes=(LobePasses(0, (9.0, 11.0, 400.0, -400.0)),))))
    assert "↑" in picture[1]
    assert "↓" in "\n".join(picture[2:])
    shown = [y for y, row in enumerate(picture) if "│" in row and "●" in row.split("│")[1][:-6]]
    assert shown[-1] - shown[0] > 3


def test_axes_are_named() -> None:
    for size in ((40, 9), (80, 20)):
        text = angle_against_pass(*size, SERIES).plain
        assert text.startswith("main: degrees past neutral")
        assert "pass" in text
        assert "mean" in text


# --- any size, any state ---------------------------------------------------------------------------------------------

ANYTHING = [
    STATE,
    FULL,
    replace(STATE, neutrals=(), target_deg=None, lower_deg=None, upper_deg=None, breakers=(), at_work=""),
    replace(STATE, lower_deg=None),
    replace(STATE, upper_deg=None, target_deg=None),
    replace(FULL, target_deg=1e300, lower_deg=-1e300, upper_deg=1e300),
    replace(FULL, angle_deg=1e308, openings=(("main", 10**9, -1e308), ("second", -5, 1e12))),
    replace(
        FULL, angle_deg=math.nan, target_deg=math.inf, openings=(("main", 0, math.nan),), neutrals=(math.nan, 90.0)
    ),
    replace(FULL, lower_deg=10.0, upper_deg=10.0),
    replace(FULL, lower_deg=50.0, upper_deg=60.0),
    replace(STATE, breakers=tuple(f"a set with a long name 名\n{n}" for n in range(12)), counts_from="past ♥ " * 30),
]
ANY_SERIES = [
    SERIES,
    replace(SERIES, lobes=()),
    replace(SERIES, target_deg=None, lower_deg=None, upper_deg=None),
    replace(SERIES, target_deg=None, lower_deg=None, upper_deg=None, lobes=(LobePasses(0, ()),)),
    replace(SERIES, lobes=(LobePasses(0, (None, math.nan, math.inf, 1e308, -1e308)),)),
    replace(SERIES, lower_deg=-1e308, upper_deg=1e308),
    replace(SERIES, lower_deg=10.0, upper_deg=10.0),
    replace(SERIES, lobes=tuple(LobePasses(n, (10.0 + n,) * 40) for n in range(18))),
    replace(SERIES, breaker="名" * 50, counts_from="\t\n"),
]


def drawn(size: tuple[int, int], ascii_only: bool) -> list[tuple[Text, tuple[int, int]]]:
    width, height = size
    pictures = [(ring(width, height, state, ascii_only=ascii_only), size) for state in ANYTHING]
    pictures += [(angle_against_pass(width, height, series, ascii_only=ascii_only), size) for series in ANY_SERIES]
    for count in (1, 3):
        pictures += [(strip(width, s, lines=count, ascii_only=ascii_only), (width, count)) for s in ANYTHING]
    return pictures


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("ascii_only", [False, True])
def test_every_picture_has_exactly_its_size_whatever_it_shows(size: tuple[int, int], ascii_only: bool) -> None:
    for picture, (width, height) in drawn(size, ascii_only):
        rows = picture.plain.split("\n") if height else []
        assert len(rows) == height
        assert [cell_len(row) for row in rows] == [width] * height


@pytest.mark.parametrize("size", SIZES)
def test_without_utf_8_there_is_nothing_beyond_ascii(size: tuple[int, int]) -> None:
    for picture, _ in drawn(size, ascii_only=True):
        assert picture.plain.isascii()


def test_without_utf_8_everything_stands_at_the_same_place_in_shapes_of_its_own() -> None:
    plain, full = (lines(ring(80, 20, FULL, ascii_only=flag)) for flag in (True, False))
    row = next(row for row in plain if "^" in row)
    assert [only(shape, row) for shape in "[^]N"] == [only(shape, axis(full)) for shape in "├▲┤N"]
    assert len({only("|", plain[0]), only("┃", full[0])}) == 1
    assert "^ target 10 deg  [-] 8 to 12 deg" in "\n".join(plain)
    assert "o main" in "\n".join(plain)
    assert "x second" in "\n".join(plain)


def test_a_rotor_that_is_not_known_is_said_to_be_so() -> None:
    for picture in (ring(80, 20, STATE), ring(40, 9, STATE), strip(40, STATE)):
        assert "rotor: not known" in picture.plain


def test_no_round_of_nil_degrees() -> None:
    for span in (0.0, -360.0, math.nan):
        with pytest.raises(ValueError, match="once round"):
            replace(STATE, span_deg=span)


def test_the_drawing_library_is_loaded_only_for_a_ring() -> None:
    code = (
        "import sys, tui.character_pictures.ring as r, tui.character_pictures.passes\n"
        "before = 'plotille' in sys.modules\n"
        "r.ring(80, 20, r.RingState(1.0, '', 360.0, (), None, None, None, ()))\n"
        "print(before, 'plotille' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.split() == ["False", "True"]
