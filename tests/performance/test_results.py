"""Statements about RESULTS.md: all that was measured is in it, one section can be taken anew alone, and no machine is given away."""

from __future__ import annotations

import json
import re
import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.performance import machine
from tests.performance.__main__ import keep, main, names
from tests.performance.figures import Figure
from tests.performance.growth import Curve, Growth
from tests.performance.page import page
from tests.performance.results import Results, take


def figures(value: float = 3.0) -> Iterator[Figure]:
    yield Figure("ours / theirs", value, "times", most=5, note="a | b")
    yield Figure("not taken", None, "ms", note="its program is not installed")


def growth(exponent: float = 1.0) -> Growth:
    x = (1.0, 10.0, 100.0)
    curve = Curve("work", "s", tuple(a**exponent for a in x), most_exponent=1.1)
    return Growth("things", "thing", x, (curve, Curve("limit", "s", x, peer=True)), note="invented")


def kept(folder: Path) -> Results:
    results = Results(folder)
    results.put(take("startup", figures))
    results.put(take("grow_baud", growth))
    return results


def test_the_page_has_each_figure_with_its_goal_and_each_growth_with_its_exponent(tmp_path: Path) -> None:
    text = kept(tmp_path).page.read_text("utf-8")
    assert "| ours / theirs | 3 | times | < 5 | yes | a \\| b |" in text
    assert "| not taken | — | ms |  |  | its program is not installed |" in text
    assert "| things | work | 1.00 | grows linearly |" in text
    assert "| 100 | 100 | 100 |" in text
    assert "2 of 2 goals are met." in text
    assert "niceness" not in page([replace(s, niceness=0) for s in kept(tmp_path).sections.values()])
    assert "at niceness 10" in page([replace(s, niceness=10) for s in kept(tmp_path).sections.values()])
    assert re.search(r"Taken 20\d\d-\d\d-\d\d \d\d:\d\d UTC in \d+ s; load average", text)


def test_every_row_of_a_table_has_as_many_cells_as_its_head(tmp_path: Path) -> None:
    for table in re.findall(r"(?:^\|.*\n)+", kept(tmp_path).page.read_text("utf-8"), re.MULTILINE):
        assert len({len(re.findall(r"(?<!\\)\|", row)) for row in table.splitlines()}) == 1, table


def test_a_missed_goal_stands_at_the_top(tmp_path: Path) -> None:
    results = kept(tmp_path)
    results.put(take("startup", lambda: figures(6.0)))
    text = results.page.read_text("utf-8")
    assert "1 of 2 goals are met. Missed:" in text
    assert "- startup: ours / theirs: 6 times, goal < 5" in text.split("## Figures")[0]


def test_one_section_taken_anew_leaves_the_others_as_they_were(tmp_path: Path) -> None:
    before = kept(tmp_path).sections
    results = Results(tmp_path)
    assert results.sections == before
    results.put(take("startup", lambda: figures(4.0)))
    after = Results(tmp_path).sections
    assert after["grow_baud"] == before["grow_baud"]
    assert after["startup"].figures[0].value == 4.0


def test_two_runs_at_once_do_not_undo_each_others_sections(tmp_path: Path) -> None:
    one, other = Results(tmp_path), Results(tmp_path)
    one.put(take("startup", figures))
    other.put(take("grow_baud", growth))
    one.put(take("startup", lambda: figures(4.0)))
    assert set(Results(tmp_path).sections) == {"startup", "grow_baud"}


def test_figures_and_pictures_lie_beside_the_page_and_are_what_it_links_to(tmp_path: Path) -> None:
    text = kept(tmp_path).page.read_text("utf-8")
    links = re.findall(r"\]\((results/[^)]+)\)", text)
    assert set(links) == {"results/figures.json", "results/grow_baud.svg"}
    assert all((tmp_path / link).is_file() for link in links)
    json.loads((tmp_path / "results/figures.json").read_text("utf-8"))


def test_sections_of_two_machines_name_theirs(tmp_path: Path) -> None:
    one, other = kept(tmp_path).sections.values()
    text = page([one, replace(other, machine={**other.machine, "processor": "another"})])
    assert "## Machines" in text
    assert "on machine 1 in" in text
    assert "on machine 2 in" in text


def test_a_measurement_that_fails_is_told_and_changes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = kept(tmp_path).page.read_text("utf-8")
    assert not keep(["grow_of_nothing_at_all"], Results(tmp_path))
    assert "could not be taken" in capsys.readouterr().out
    assert Results(tmp_path).page.read_text("utf-8") == before


def test_the_machine_is_described_without_its_name_and_paths() -> None:
    facts = json.dumps(machine.facts())
    assert {"processor", "cores", "Python"} <= machine.facts().keys()
    assert socket.gethostname() not in re.findall(r"[\w.-]+", facts)
    assert "/" not in facts.replace("GNU/Linux", "")


def test_every_measurement_can_be_named_and_nothing_else(capsys: pytest.CaptureFixture[str]) -> None:
    assert {"angle", "quadrature", "acquisition", "grow_baud", "grow_hours"} <= set(names())
    with pytest.raises(SystemExit) as ended:
        main(["--results", "no_such_measurement"])
    assert ended.value.code == 2
    assert "no_such_measurement" in capsys.readouterr().err


def test_what_is_kept_in_the_project_can_be_read_and_its_page_is_made_of_it() -> None:
    results = Results()
    assert results.sections.keys() <= set(names())
    if results.sections:
        assert results.page.read_text("utf-8") == page(list(results.sections.values()))
