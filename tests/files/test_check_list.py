"""The list of other checks: the user's own, or the one that comes along; and which of its lines keep a job from ending."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from bench import check_list
from bench.check_list import DEFAULT, DISTRIBUTOR, MARK_AT_CLOSING, CheckListError
from bench.records.model import Tool

OWN = """
[[check]]
name = "point clearance"
unit = "mm"
lower = 0.3
upper = 0.4
needs_tool = true
hint = "Widest opening."

[[tool]]
name = "feeler gauge"
serial_number = "F-1"
calibration_due = 2026-12-01
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "checks.toml"
    path.write_text(text, "utf-8")
    return path


def entry(name: str, verdict: str, **more: Any) -> dict[str, Any]:
    return {"kind": "check", "name": name, "verdict": verdict, **more}


def test_without_a_file_there_is_the_list_that_comes_along(tmp_path: Path) -> None:
    assert check_list.of_folder(tmp_path) is DEFAULT


def test_that_list_holds_words_only_and_no_figure() -> None:
    assert all(line.lower is None and line.upper is None for line in DEFAULT.check)
    assert not any(
        re.search(r"\d", f"{line.name}{line.hint}".replace("No. 1", "").replace("neutral 0", ""))
        for line in DEFAULT.check
    )
    assert DEFAULT.tool == ()


@pytest.mark.parametrize(
    "subject",
    # Step 7 of the job, and the two lines that stop it.
    [
        "coil resistance", "insulation", "capacitor", "spring tension", "torque", "end play and bearings", "felt lubricated",
        "brush and distributor", "lead routing", "distributor timing", "timing mark in window at closing",
    ],
)  # fmt: skip
def test_it_names_what_a_manual_commonly_asks_for(subject: str) -> None:
    assert any(subject in line.name for line in DEFAULT.check)


def test_only_distributor_timing_and_the_mark_at_closing_stop_the_job() -> None:
    assert [line.name for line in DEFAULT.check if line.stops_job] == [
        "distributor timing",
        "timing mark in window at closing",
    ]


def test_the_users_list_takes_its_place_with_tools_and_their_due_dates(tmp_path: Path) -> None:
    written(tmp_path, OWN)
    found = check_list.of_folder(tmp_path)
    (own, *added) = found.check
    assert (own.name, own.unit, own.lower, own.upper, own.needs_tool) == ("point clearance", "mm", 0.3, 0.4, True)
    assert found.tools == (Tool("feeler gauge", "F-1", "2026-12-01"),)
    assert added == [DISTRIBUTOR, MARK_AT_CLOSING]


def test_who_leaves_a_stop_line_out_keeps_it_and_who_decides_against_it_is_believed() -> None:
    tables = {"check": [{"name": "distributor timing", "stops_job": False}]}
    assert [(c.name, c.stops_job) for c in check_list.parse(tables, "f").check] == [
        ("distributor timing", False),
        ("timing mark in window at closing", True),
    ]


def test_a_list_of_tools_alone_keeps_the_checks_that_come_along() -> None:
    assert check_list.parse({"tool": [{"name": "ohmmeter"}]}, "f").check == DEFAULT.check


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('[[check]]\nname = "a"\nlowr = 3', "check[0].lowr: this key is not known"),
        ('[[checks]]\nname = "a"', "checks: this key is not known"),
        ("[[check]]\nunit = 'mm'", "check[0].name: missing, but needed"),
        ('[[check]]\nname = "a"\nlower = 3', "check[0]: unit: missing, but needed with a limit"),
        ('[[check]]\nname = "a"\nunit = "N"\nlower = 3\nupper = 2', "lower: 3 is above upper, 2"),
        ('[[check]]\nname = "a"\nunit = "N"\nlower = "3"', "check[0].lower: should be a valid number"),
        ('[[check]]\nname = "a"\nunit = "N"\nupper = nan', "check[0].upper: should be a finite number"),
        ('[[check]]\nname = "a"\nstops_job = 1', "check[0].stops_job: should be a valid boolean"),
        ('[[check]]\nname = "a\\u001b"', "check[0].name: a text without control characters"),
        ('[[check]]\nname = "a"\n[[check]]\nname = "a "', "check[1].name: 'a' is there twice"),
        ('[[tool]]\nname = "t"\ncalibration_due = "soon"', "tool[0].calibration_due: a day was expected"),
        ('[[tool]]\nname = "t"\ncalibration_due = 2026-03-01T10:00:00', "tool[0].calibration_due: a day was expected"),
        ('[[tool]]\nname = "t"\ncalibration_due = 20260301', "tool[0].calibration_due: a day was expected"),
        ("[[check]", "not valid TOML"),
    ],
)
def test_what_is_wrong_is_named_by_file_key_and_what_was_expected(tmp_path: Path, text: str, expected: str) -> None:
    path = written(tmp_path, text)
    with pytest.raises(CheckListError) as caught:
        check_list.of_folder(tmp_path)
    assert caught.value.text.startswith(str(path))
    assert expected in caught.value.text
    assert (caught.value.exit_status, caught.value.code) == (2, "check-list")


def test_a_job_cannot_end_while_a_line_that_stops_it_is_not_done() -> None:
    assert check_list.open_lines(DEFAULT, []) == (
        "distributor timing: not done yet, and the job cannot end without it.",
        "timing mark in window at closing: not done yet, and the job cannot end without it.",
    )


def test_nor_while_one_is_not_as_it_should_be() -> None:
    found = [entry("distributor timing", "outside"), entry("timing mark in window at closing", "done")]
    assert check_list.open_lines(DEFAULT, found) == (
        "distributor timing: not as it should be. Put it right, then enter it again.",
    )


def test_it_can_when_both_are_done_whatever_else_is_open() -> None:
    found = [entry("distributor timing", "outside"), entry("timing mark in window at closing", "done")]
    assert check_list.open_lines(DEFAULT, [*found, entry("distributor timing", "done")]) == ()


def test_a_line_added_by_hand_can_stop_the_job_too() -> None:
    done = [entry(line.name, "done") for line in check_list.STOP_LINES]
    assert check_list.open_lines(DEFAULT, [*done, entry("engine's own check", "not done", stops_job=True)]) == (
        "engine's own check: not done yet, and the job cannot end without it.",
    )


def test_lines_stand_in_the_lists_order_and_those_added_after_them() -> None:
    found = check_list.state(DEFAULT, [entry("my own", "done"), entry("capacitor", "done")])
    assert [c.name for c in found] == [*(line.name for line in DEFAULT.check), "my own"]
    assert [c.name for c in found if c.verdict == "done"] == ["capacitor", "my own"]


def test_the_first_entries_are_those_of_stop_lines_that_nobody_entered_yet() -> None:
    (only,) = check_list.first_entries(DEFAULT, [entry("distributor timing", "done")])
    assert (only["name"], only["verdict"], only["stops_job"]) == ("timing mark in window at closing", "not done", True)
    assert check_list.first_entries(DEFAULT, check_list.first_entries(DEFAULT, [])) == ()
