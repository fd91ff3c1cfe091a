"""The pictures are well-formed, say in words what they show, and hold every reading."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest

from bench import agreement_study, gauge_study, plots
from bench.errors import UsageError
from bench.gauge_study import GaugeReadings, GaugeStudy
from tests.studies import tables

SVG = "{http://www.w3.org/2000/svg}"


def _words(picture: bytes) -> list[str]:
    return ["".join(node.itertext()).strip() for node in ElementTree.fromstring(picture).iter(f"{SVG}text")]


def _marks(picture: bytes) -> int:
    """Marks in the axes; ticks lie outside and are not cut off there."""
    groups = [group for group in ElementTree.fromstring(picture).iter(f"{SVG}g") if "clip-path" in group.attrib]
    return sum(1 for group in groups for _ in group.iter(f"{SVG}use"))


def _shapes(picture: bytes) -> set[str]:
    """Outlines of all marks drawn, as paths, whatever their colour."""
    root = ElementTree.fromstring(picture)
    return {path.get("d", "") for defs in root.iter(f"{SVG}defs") for path in defs.iter(f"{SVG}path")}


def _study(operators: tuple[str, ...], units: tuple[str, ...]) -> GaugeStudy:
    draw = np.random.default_rng(1)
    return gauge_study.evaluate(GaugeReadings(operators, units, draw.normal(10, 1, (len(operators), len(units), 2))))


def test_the_gauge_picture_names_operators_and_units() -> None:
    words = _words(plots.gauge_svg(gauge_study.evaluate(tables.gauge_readings())))
    assert {"operator A", "operator B", "operator C", "unit", "angle (degrees)", *map(str, range(1, 11))} <= set(words)


def test_every_reading_and_every_mean_is_drawn_in_both_halves() -> None:
    # 3 operators × 10 units × (3 readings + 1 mean).
    assert _marks(plots.gauge_svg(gauge_study.evaluate(tables.gauge_readings()))) == 2 * 3 * 10 * (3 + 1)


def test_every_pair_is_drawn() -> None:
    assert _marks(plots.agreement_svg(agreement_study.evaluate(tables.peak_flow()))) == 17


def test_operators_are_told_apart_by_shape_and_dash_not_colour_alone() -> None:
    two, three = (plots.gauge_svg(_study(tuple("ABC"[:n]), ("1", "2"))) for n in (2, 3))
    assert len(_shapes(three)) > len(_shapes(two))
    assert two.count(b"stroke-dasharray") > 0
    assert three.count(b"stroke-dasharray") > two.count(b"stroke-dasharray")


@pytest.mark.parametrize("name", ["$x$", "\\frac", "_under", "<b>&amp;", "'\"", "漢字", "%s{0}", "]]>"])
def test_any_name_is_drawn_as_it_is(name: str) -> None:
    picture = plots.gauge_svg(_study((name, "other"), (f"{name}1", "2")))
    assert {f"operator {name}", f"{name}1"} <= set(_words(picture))


def test_the_agreement_picture_tells_bias_and_limits_in_words() -> None:
    study = agreement_study.evaluate(tables.peak_flow())
    picture = plots.agreement_svg(study)
    words = " ".join(_words(picture))
    for part in (
        "mean difference",
        "-2.118°",
        "upper limit of agreement",
        "+73.862°",
        "lower limit of agreement",
        "-78.097°",
    ):
        assert part in words
    # Limits are dashed, the mean difference is not.
    assert picture.count(b"stroke-dasharray") >= 2


def test_the_same_study_gives_the_same_bytes() -> None:
    study = gauge_study.evaluate(tables.gauge_readings())
    assert plots.gauge_svg(study) == plots.gauge_svg(study)


def test_a_picture_says_nothing_of_when_and_where_it_was_drawn() -> None:
    picture = plots.agreement_svg(agreement_study.evaluate(tables.peak_flow())).decode()
    assert "<dc:date>" not in picture
    assert str(Path.home()) not in picture


@pytest.mark.parametrize(("operators", "units"), [(21, 2), (2, 101)])
def test_more_than_a_page_can_show_is_refused(operators: int, units: int) -> None:
    study = _study(tuple(f"o{n}" for n in range(operators)), tuple(f"u{n}" for n in range(units)))
    with pytest.raises(UsageError, match="at most 20 operators and 100 units"):
        plots.gauge_svg(study)


def test_as_much_as_a_page_can_show_is_drawn() -> None:
    # Warnings are errors: the drawing library would complain of axes without room.
    operators = tuple(f"{n:02}" + "x" * 38 for n in range(20))
    assert _marks(
        plots.gauge_svg(_study(operators, tuple(f"{n:03}" + "y" * 37 for n in range(100))))
    ) == 2 * 20 * 100 * (2 + 1)
