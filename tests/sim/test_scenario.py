"""Scenario files: what is accepted, and what a user is told about what is not."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sim.figures import Draws, Figure, uniform
from sim.scenario import BUILT_IN_FOLDER, DEFAULT, Scenario, ScenarioError, builtin_names, load, read

ROOM = """description = "for a test"
[[breaker]]
name = "main"
opens_deg = 10
"""


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "own.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_the_default_comes_first_and_the_promised_ones_are_there() -> None:
    names = builtin_names()
    assert names[0] == DEFAULT == "plain-single"
    assert set(names) >= {
        "plain-single", "with-retard", "dual", "outside", "coil-lead-on", "impulse-fitted", "jerky-hand", "high-friction"
    }  # fmt: skip


@pytest.mark.parametrize("name", builtin_names())
def test_each_built_in_scenario_loads_with_its_job_and_bench(name: str) -> None:
    scenario = load(name)
    assert scenario.name == name
    assert scenario.description
    assert scenario.job_path is not None
    assert scenario.job_path.is_file()
    assert scenario.bench_path is not None
    assert scenario.bench_path.is_file()


@pytest.mark.parametrize("name", builtin_names())
def test_job_and_scenario_tell_of_the_same_unit(name: str) -> None:
    scenario = load(name)
    assert scenario.job_path is not None
    job = tomllib.loads(scenario.job_path.read_text("utf-8"))
    assert job["unit"]["rotation"] == scenario.unit.rotation
    assert job["unit"]["poles"] == scenario.unit.poles
    assert [(b["name"], b["channel"]) for b in job["breaker"]] == [(b.name, b.channel) for b in scenario.breaker]
    assert [b["capacitor_uf"] for b in job["breaker"]] == [b.capacitor_uf.values[0] for b in scenario.breaker]
    assert job["unit"]["part_number"].startswith("DEMO-")
    assert job["unit"]["serial_number"].startswith("SIM-")


@pytest.mark.parametrize("name", builtin_names())
def test_the_hand_feels_for_neutral_below_the_first_opening(name: str) -> None:
    scenario = load(name)
    first = min(min(b.opens_deg.values) + min(b.lobe_error_deg.values) for b in scenario.breaker)
    assert scenario.hand.overshoot_deg + 1.0 + scenario.hand.feel_sd_deg < first


def keys(model: Any) -> set[str]:
    return (
        set(type(model).model_fields) - {"name", "folder"}
        if isinstance(model, Scenario)
        else set(type(model).model_fields)
    )


def test_scenarios_md_names_every_key() -> None:
    text = (BUILT_IN_FOLDER / "SCENARIOS.md").read_text("utf-8")
    scenario = load()
    tables = [
        scenario,
        scenario.unit,
        scenario.breaker[0],
        scenario.probe,
        scenario.encoder,
        scenario.hand,
        scenario.board,
    ]
    tables += [scenario.fault, load("impulse-fitted").impulse, load("exercise-surprise").exercise]
    missing = sorted(key for table in tables for key in keys(table) if f"`{key}" not in text and f"[{key}]" not in text)
    assert missing == []


def test_a_file_is_loaded_by_its_path(tmp_path: Path) -> None:
    scenario = load(written(tmp_path, 'job = "own.job.toml"\n' + ROOM))
    assert scenario.name == "own"
    assert scenario.job_path == tmp_path / "own.job.toml"
    assert scenario.bench_path is None


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("", "description"),
        ('description = "d"', "breaker"),
        (ROOM + "[unit]\npoles = 3\n", "unit.poles"),
        (ROOM + "[unit]\npoles = true\n", "unit.poles"),
        (ROOM + '[unit]\nrotation = "left"\n', "unit.rotation"),
        (ROOM + "[unit]\npols = 4\n", "unit.pols: unknown key"),
        (ROOM + "[unit]\ncoulomb_nm = nan\n", "unit.coulomb_nm: a finite number"),
        (ROOM + "[unit]\ncoulomb_nm = inf\n", "unit.coulomb_nm: a finite number"),
        (ROOM + "[unit]\ncoulomb_nm = -1\n", "unit.coulomb_nm: 0 to 10"),
        (ROOM + '[unit]\ncoulomb_nm = "1"\n', "unit.coulomb_nm: a number,"),
        (ROOM + "[unit]\ncoulomb_nm = {uniform = [2, 1]}\n", "unit.coulomb_nm: uniform"),
        (ROOM + "[unit]\ncoulomb_nm = {uniform = [0, 99]}\n", "unit.coulomb_nm: 0 to 10"),
        (ROOM + "[unit]\ncoulomb_nm = {normal = [1, -1]}\n", "unit.coulomb_nm: normal"),
        (ROOM + "[unit]\ncoulomb_nm = {normal = [11, 1]}\n", "unit.coulomb_nm: normal"),
        (ROOM + "[unit]\ncoulomb_nm = {choice = []}\n", "unit.coulomb_nm: choice"),
        (ROOM + "[unit]\ncoulomb_nm = {even = [0, 1]}\n", "unit.coulomb_nm: a number,"),
        (ROOM + "[hand]\nspeeds_deg_s = [1, 20]\n", "speeds_deg_s"),
        (ROOM + "[hand]\njerkiness = 2\n", "hand.jerkiness"),
        (ROOM + "[board]\nchannels = 9\n", "board.channels"),
        (ROOM + '[fault]\nstuck_open = "other"\n', "fault.stuck_open: one of main"),
        (ROOM + "[fault]\nlost_counts = {at_s = 1, counts = 6}\n", "fault.lost_counts.counts"),
        (ROOM + '[[breaker]]\nname = "main"\nchannel = 1\nopens_deg = 1\n', "breaker.1.name"),
        (ROOM + '[[breaker]]\nname = "two"\nchannel = 0\nopens_deg = 1\n', "breaker.1.channel"),
        (ROOM + "dwell_deg = 89\n", "breaker.0.dwell_deg"),
        ('job = "../x.job.toml"\n' + ROOM, "job"),
        ('bench = "/etc/x"\n' + ROOM, "bench"),
        ('name = "x"\n' + ROOM, "name: unknown key"),
        (ROOM + "name = ", "not valid TOML"),
        ("a = " + "[" * 5000, "not valid TOML"),
        (ROOM + f"[unit]\ncoulomb_nm = {'9' * 400}\n", "unit.coulomb_nm"),
    ],
)
def test_a_bad_file_is_refused_with_file_and_key(tmp_path: Path, text: str, key: str) -> None:
    path = written(tmp_path, text)
    with pytest.raises(ScenarioError) as told:
        read(path)
    assert str(told.value).startswith(f"{path}: ")
    assert key in str(told.value)


@pytest.mark.parametrize("text", [bytes(range(256)), b"\xff\xfe", b"\0" * 100, b"x" * 1_000_001])
def test_binary_rubbish_is_refused(tmp_path: Path, text: bytes) -> None:
    path = written(tmp_path, text)
    with pytest.raises(ScenarioError, match=r"own\.toml"):
        read(path)


@pytest.mark.parametrize("name", ["no-such-scenario", "", "nul\0byte", "x" * 5000])
def test_a_name_that_is_neither_built_in_nor_a_file_is_refused_with_the_choices(name: str) -> None:
    with pytest.raises(ScenarioError, match="plain-single"):
        load(name)


def test_a_folder_is_no_scenario(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError):
        load(tmp_path)
    with pytest.raises(ScenarioError, match="cannot be read"):
        read(tmp_path)


# --- figures -------------------------------------------------------------------------------------------------------------


def test_a_figure_is_the_same_whatever_else_is_drawn() -> None:
    alone, after = Draws(5), Draws(5)
    after.take("unit.other", uniform(0, 1))
    assert alone.take("unit.this", uniform(0, 1)) == after.take("unit.this", uniform(0, 1))


def test_seeds_and_names_give_draws_of_their_own() -> None:
    values = {Draws(seed).take(name, uniform(0, 1)) for seed in range(20) for name in ("a", "b", "c")}
    assert len(values) == 60


def test_draws_follow_their_distributions() -> None:
    rng = np.random.default_rng(1)
    even = [Figure("uniform", (2.0, 4.0)).resolve(rng) for _ in range(4000)]
    bell = [Figure("normal", (3.0, 0.5), 0.0, 6.0).resolve(rng) for _ in range(4000)]
    chosen = [Figure("choice", (1.0, 5.0)).resolve(rng) for _ in range(4000)]
    # Four standard errors each.
    assert np.mean(even) == pytest.approx(3.0, abs=4 * (2 / np.sqrt(12)) / np.sqrt(4000))
    assert np.std(even) == pytest.approx(2 / np.sqrt(12), rel=0.05)
    assert np.mean(bell) == pytest.approx(3.0, abs=4 * 0.5 / np.sqrt(4000))
    assert np.std(bell) == pytest.approx(0.5, rel=0.05)
    assert np.mean([c == 1.0 for c in chosen]) == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(4000))


def test_a_normal_draw_stays_in_range() -> None:
    rng = np.random.default_rng(2)
    assert all(0.0 <= Figure("normal", (0.1, 1.0), 0.0, 1.0).resolve(rng) <= 1.0 for _ in range(500))
