"""Exercises: what each fault does to the unit, where it is seen, what mending it changes, and what the debrief tells."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from firmware_protocol.messages import Contact, Index, Level, Trouble
from sim.exercises import BY_KEY, FAULTS, Exercise, exercise_of, papers
from sim.scenario import BUILT_IN_FOLDER, Scenario, ScenarioError, builtin_names, load, parse
from sim.world import World
from tests.sim.acted import Acted

KEYS = [fault.key for fault in FAULTS]
NINE = {
    "worn-points", "wrong-clearance", "coil-lead-on", "impulse-fitted", "reversed-sense", "slipping-coupling",
    "off-centre-encoder", "retard-reference", "wrong-tooth",
}  # fmt: skip
SURPRISE = "exercise-surprise"
FIFTY = range(1, 51)


def exercise(key: str) -> Scenario:
    return load(f"exercise-{key}")


def of(scenario: Scenario, seed: int = 3) -> Exercise:
    found = exercise_of(scenario, seed)
    assert found is not None
    return found


def without(scenario: Scenario) -> Scenario:
    """The same unit, nothing wrong with it."""
    return scenario.model_copy(update={"exercise": None})


# --- what is in the files ---------------------------------------------------------------------------------------------


def test_there_is_an_exercise_for_each_fault_and_one_with_any_of_them() -> None:
    assert set(KEYS) == NINE
    assert {n for n in builtin_names() if n.startswith("exercise-")} == {f"exercise-{k}" for k in NINE} | {SURPRISE}
    for key in NINE:
        assert [f.key for f in of(exercise(key)).faults] == [key]


def test_all_exercises_are_about_the_same_unit_and_tell_beforehand_nothing_but_their_title() -> None:
    units, shown = set(), set()
    for key in (*KEYS, "surprise"):
        scenario = exercise(key)
        units.add(without(scenario).model_copy(update={"name": "", "description": ""}))
        document = of(scenario).document()
        document.pop("title")
        shown.add(repr(document))
    assert len(units) == len(shown) == 1
    (document_text,) = shown
    assert len(BY_KEY) == len(KEYS) == len({f.place for f in FAULTS}) == 9
    assert all(fault.place in document_text for fault in FAULTS)


def test_the_faulty_papers_differ_from_the_right_ones_in_the_fault_alone() -> None:
    def differences(one: str, other: str) -> list[tuple[str, str]]:
        a, b = ((BUILT_IN_FOLDER / name).read_text("utf-8").splitlines() for name in (one, other))
        return [(x, y) for x, y in zip(a, b, strict=True) if x != y]

    assert differences("exercise-a.job.toml", "exercise-b.job.toml") == [('from = "main"', 'from = "neutral"')]
    assert differences("exercise-a.bench.toml", "exercise-b.bench.toml") == [
        ('encoder_sense = "clockwise"', 'encoder_sense = "counterclockwise"')
    ]


def test_the_manual_extract_agrees_with_the_right_job_file() -> None:
    job = tomllib.loads((BUILT_IN_FOLDER / "exercise-a.job.toml").read_text("utf-8"))
    sheet = " ".join(of(exercise("surprise")).sheet)
    main, retard = job["breaker"]
    assert f"Main breaker: opens {main['opens_at_deg']}° past neutral, {main['plus_deg']}° either way" in sheet
    assert f"Retard breaker: opens {retard['opens_at_deg']}° after the main breaker's measured opening" in sheet
    assert retard["from"] == "main"


@pytest.mark.parametrize("key", KEYS)
def test_the_papers_as_given_hold_the_fault_only_if_it_lies_on_paper(key: str) -> None:
    scenario = exercise(key)
    files = {name: path.name for name, path in papers(scenario, of(scenario)).items() if path is not None}
    assert files == {
        "job": f"exercise-{'b' if key == 'retard-reference' else 'a'}.job.toml",
        "bench": f"exercise-{'b' if key == 'reversed-sense' else 'a'}.bench.toml",
        "job_right": "exercise-a.job.toml",
        "bench_right": "exercise-a.bench.toml",
    }
    assert all((BUILT_IN_FOLDER / name).is_file() for name in files.values())


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ({}, "exercise: faults: either this or any_of"),
        ({"faults": ["wrong-tooth"], "any_of": ["wrong-tooth"]}, "exercise: faults: either this or any_of"),
        ({"faults": ["worn"]}, "exercise.faults.0"),
        ({"faults": ["wrong-tooth", "wrong-tooth"]}, "exercise: faults: each fault once"),
        ({"any_of": ["wrong-tooth"], "number": [1, 2]}, "exercise: number: two numbers up to 1"),
        ({"any_of": ["wrong-tooth"], "number": [0, 1]}, "exercise.number.0"),
        ({"faults": ["retard-reference"]}, "exercise: job_as_given"),
        ({"faults": ["reversed-sense"]}, "exercise: bench_as_given"),
        ({"faults": ["wrong-tooth"], "job_as_given": "../x.toml"}, "exercise.job_as_given"),
    ],
)
def test_an_impossible_exercise_is_refused_with_its_key(table: dict[str, Any], expected: str) -> None:
    whole: dict[str, object] = {
        "description": "d",
        "breaker": [{"name": "main", "opens_deg": 10}],
        "exercise": {"title": "t", **table},
    }
    with pytest.raises(ScenarioError, match=re.escape(expected)):
        parse(whole, "own.toml", "own")


# --- what the seed draws ----------------------------------------------------------------------------------------------


def test_over_fifty_seeds_the_surprise_draws_one_or_two_faults_and_every_fault_comes() -> None:
    drawn = [[f.key for f in of(load(SURPRISE), seed).faults] for seed in FIFTY]
    assert {len(d) for d in drawn} == {1, 2}
    assert {key for d in drawn for key in d} == NINE
    assert all(len(set(d)) == len(d) for d in drawn)


def test_the_seed_draws_each_fault_only_once() -> None:
    scenario = load(SURPRISE)
    assert scenario.exercise is not None
    all_of_them = scenario.exercise.model_copy(update={"number": (9, 9)})
    for seed in range(1, 6):
        found = of(scenario.model_copy(update={"exercise": all_of_them}), seed)
        assert {f.key for f in found.faults} == NINE


def test_over_fifty_seeds_the_truth_names_each_seeded_fault_and_none_other() -> None:
    for seed in FIFTY:
        person = Acted(load(SURPRISE), seed)
        seen = [f for f in FAULTS if person.do("look", at=f.place)["seen"]["text"] != untouched(f.place)]
        told = person.truth()["exercise"]
        assert [f["key"] for f in told["faults"]] == [f.key for f in seen]
        assert {f["mended"] for f in told["faults"]} == {False}
        assert [entry["at"] for entry in told["looked"]] == [f.place for f in FAULTS]


def untouched(place: str) -> str:
    """What is seen at a place of a unit without the fault that shows there."""
    other = next(f.key for f in FAULTS if f.place != place)
    text = of(exercise(other)).seen(place)
    assert text is not None
    return text


# --- looking, mending, debrief ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", KEYS)
def test_a_fault_shows_at_its_place_alone_until_it_is_mended(key: str) -> None:
    person = Acted(exercise(key))

    def odd() -> list[str]:
        return [f.place for f in FAULTS if person.do("look", at=f.place)["seen"]["text"] != untouched(f.place)]

    assert odd() == [BY_KEY[key].place]
    mended = person.do("mend", what=key)["mended"]
    assert mended["needed"]
    assert mended["voids"] == BY_KEY[key].voids
    assert mended["use"] == {"retard-reference": "job_right", "reversed-sense": "bench_right"}.get(key)
    assert odd() == []
    assert not person.do("mend", what=key)["mended"]["needed"]
    told = person.truth()["exercise"]
    assert [(f["key"], f["mended"]) for f in told["faults"]] == [(key, True)]
    assert told["faults"][0]["mended_at_s"] == pytest.approx(person.world.now_s, abs=0.02)
    assert told["needless"] == []


def test_what_was_mended_without_need_is_told_once_and_changes_nothing() -> None:
    person = Acted(exercise("wrong-tooth"))
    before = person.world.scenario
    for key in (*(k for k in KEYS if k != "wrong-tooth"), "coil-lead-on"):
        mended = person.do("mend", what=key)["mended"]
        assert (mended["needed"], mended["voids"], mended["use"]) == (False, "nothing", None)
    told = person.truth()["exercise"]
    assert sorted(told["needless"]) == sorted(NINE - {"wrong-tooth"})
    assert person.world.scenario == before


def test_no_text_holds_an_unfilled_place() -> None:
    for seed in (1, 2):
        for key in KEYS:
            found = of(exercise(key), seed)
            fault = BY_KEY[key]
            texts = [found.seen(fault.place), found.told(fault), found.mend(fault), found.seen(fault.place)]
            assert all(t and "{" not in t and t.endswith(".") for t in texts)


def test_an_unknown_place_or_fault_is_refused_with_the_choices() -> None:
    person = Acted(exercise("wrong-tooth"))
    assert "coil-lead" in person.refused("look", at="pocket")
    assert "wrong-tooth" in person.refused("mend", what="everything")


# --- what each fault does to the unit ---------------------------------------------------------------------------------


def worked(key: str, seed: int = 3) -> tuple[World, World, World]:
    """The unit with the fault, the same one mended, and the one that never had it."""
    faulty = Acted(exercise(key), seed)
    mended = Acted(exercise(key), seed)
    mended.do("mend", what=key)
    return faulty.world, mended.world, World(without(exercise(key)), seed)


def test_worn_points_scatter_and_close_badly_until_they_are_dressed() -> None:
    faulty, mended, sound = worked("worn-points")
    assert 0.15 <= faulty.cams[0].scatter_deg <= 0.25
    assert mended.cams[0] == sound.cams[0]
    assert sound.cams[0].scatter_deg < 0.05
    assert faulty.cams[1] == sound.cams[1]


def main_level_mv(person: Acted) -> float:
    """What the board tells of the closed main points' voltage, the mean over two turns."""
    begin = len(person.sent)
    person.do("keep_turning", speed_deg_s=150)
    person.wait(5.0)
    person.do("hold")
    levels = [m.message.millivolts[0] for m in person.frames() if isinstance(m.message, Level)]
    assert len(person.sent) > begin
    closed = [v for v in levels[-50:] if v < 1000]
    return sum(closed) / len(closed)


def test_the_film_on_worn_points_is_seen_in_the_level_until_it_is_cleaned_off() -> None:
    person = Acted(exercise("worn-points"))
    # 5 V over 1 kΩ: 5 mV for each ohm; the film wears from 40 Ω at least down to a fraction between closings.
    assert main_level_mv(person) > 30
    person.do("mend", what="worn-points")
    # 0.1 Ω; the converter's step is 5 mV.
    assert main_level_mv(person) < 3


def test_a_wide_clearance_opens_early_and_shortens_the_dwell_until_it_is_set() -> None:
    faulty, mended, sound = worked("wrong-clearance")
    early = [s - f for s, f in zip(sound.cams[0].opens_deg, faulty.cams[0].opens_deg, strict=True)]
    assert all(2.6 - 1e-9 <= e <= 3.4 + 1e-9 for e in early)
    # Open for so much longer at either end.
    assert sound.cams[0].dwell_deg - faulty.cams[0].dwell_deg == pytest.approx(2 * early[0])
    assert faulty.cams[0].edge(1) - sound.cams[0].edge(1) == pytest.approx(early[0])
    assert faulty.cams[1] == sound.cams[1]
    assert mended.cams == sound.cams


def test_points_that_were_moved_meanwhile_stay_moved_when_the_clearance_is_set() -> None:
    person = Acted(exercise("wrong-clearance"))
    sound = World(without(exercise("wrong-clearance")), 3)
    person.do("loosen", breaker="main")
    person.do("points", breaker="main", by_deg=3)
    person.do("mend", what="wrong-clearance")
    assert person.world.cams[0] == sound.cams[0].moved(3.0)


def opened(person: Acted, channel: int = 0) -> bool:
    """True if the probe reads open at any time during two turns."""
    person.do("keep_turning", speed_deg_s=150)
    found = False
    for _ in range(250):
        person.wait(0.02)
        found |= person.probe_is_open(channel)
    person.do("hold")
    return found


def test_no_probe_opens_with_the_coil_lead_on_and_all_do_once_it_is_off() -> None:
    person = Acted(exercise("coil-lead-on"))
    assert not opened(person, 0)
    assert not opened(person, 1)
    person.do("mend", what="coil-lead-on")
    assert opened(person, 0)
    assert opened(person, 1)


def test_open_points_read_open_as_soon_as_the_coil_lead_is_off() -> None:
    person = Acted(exercise("coil-lead-on"))
    neutral = person.world.neutrals.at(person.world.neutrals.nearest(person.angle_deg) + 1)
    person.do("turn", by_deg=neutral + 20 - person.angle_deg, speed_deg_s=60)
    assert not person.probe_is_open()
    person.do("mend", what="coil-lead-on")
    person.wait(0.1)
    assert person.probe_is_open()
    edges = [f.message for f in person.frames() if isinstance(f.message, Contact)]
    assert [e.opened for e in edges if e.channel == 0] == [1]


def test_the_magnet_snaps_with_the_impulse_coupling_and_no_more_once_it_is_off() -> None:
    person = Acted(exercise("impulse-fitted"))
    person.do("keep_turning", speed_deg_s=60)
    assert any(f["snapped"] for f in person.wait(14.0))
    # Stop while it is caught, then take it off: the magnet is not thrown.
    while person.wait(0.02) or person.world.rotor.speed_deg_s != 0.0:
        assert person.world.now_s < 60
    person.do("hold")
    before = person.angle_deg
    person.do("mend", what="impulse-fitted")
    assert not any(f["snapped"] for f in person.wait(1.0))
    assert person.angle_deg == pytest.approx(before, abs=1.0)
    person.do("keep_turning", speed_deg_s=60)
    assert not any(f["snapped"] for f in person.wait(14.0))


def counts_in_a_turn(person: Acted) -> float:
    """Counts that the board's count moves by for each turn of the magnet, over five turns."""
    angle, count = person.angle_deg, person.world.board.count
    person.do("turn", by_deg=1800, speed_deg_s=300)
    return (person.world.board.count - count) / ((person.angle_deg - angle) / 360.0)


def test_a_slipping_coupling_leaves_counts_behind_in_each_turn_and_the_index_with_them() -> None:
    person = Acted(exercise("slipping-coupling"))
    slip = person.world.scenario.encoder.slip_counts.values[0]
    assert 6 <= slip <= 12
    assert 10_000 - counts_in_a_turn(person) == pytest.approx(slip, abs=1.0)
    # The index sits on the same disc: it agrees with the count, and nothing is told of a loss.
    messages = [frame.message for frame in person.frames()]
    assert not [m for m in messages if isinstance(m, Trouble)]
    indexes = [m.count for m in messages if isinstance(m, Index)]
    assert set(np.diff(indexes).tolist()) == {10_000}
    person.do("mend", what="slipping-coupling")
    assert counts_in_a_turn(person) == pytest.approx(10_000, abs=1.0)


def test_coming_back_the_slipping_coupling_slips_back() -> None:
    person = Acted(exercise("slipping-coupling"))
    angle, count = person.angle_deg, person.world.board.count
    person.do("turn", by_deg=720, speed_deg_s=200)
    person.do("turn", by_deg=-720, speed_deg_s=200)
    moved = (person.angle_deg - angle) * 10_000 / 360
    assert person.world.board.count - count == pytest.approx(moved, abs=2)


def ripple_counts(person: Acted) -> float:
    """Half the range over a turn of what the count is off by."""
    start, count = person.angle_deg, person.world.board.count
    off = []
    person.do("keep_turning", speed_deg_s=60)
    while person.angle_deg < start + 400:
        person.wait(0.02)
        off.append(person.world.board.count - count - (person.angle_deg - start) * 10_000 / 360)
    person.do("hold")
    return (max(off) - min(off)) / 2


def test_an_off_centre_encoder_errs_once_a_turn_until_it_is_centred() -> None:
    person = Acted(exercise("off-centre-encoder"))
    off_mm = person.world.scenario.encoder.eccentricity_um.values[0] / 1000
    assert 0.25 <= off_mm <= 0.35
    # Off centre by e on a radius r: up to e/r radians either way (geometry); r = 20 mm.
    assert ripple_counts(person) == pytest.approx(off_mm / 20 / (2 * np.pi) * 10_000, abs=1.5)
    person.do("mend", what="off-centre-encoder")
    assert ripple_counts(person) == pytest.approx(0.020 / 20 / (2 * np.pi) * 10_000, abs=1.5)


@pytest.mark.parametrize("place_deg", [0, 90, 180, 270])
def test_a_centred_encoder_reads_on_from_where_it_was(place_deg: float) -> None:
    person = Acted(exercise("off-centre-encoder"))
    person.do("turn", by_deg=place_deg + 1, speed_deg_s=200)
    angle, before = person.angle_deg, person.world.board.count
    person.do("mend", what="off-centre-encoder")
    person.do("turn", by_deg=3, speed_deg_s=20)
    assert person.world.board.count - before == pytest.approx((person.angle_deg - angle) * 10_000 / 360, abs=2)
    # Nor do edges come all at once, which a board could not follow.
    person.wait(0.2)
    assert not [frame for frame in person.frames() if isinstance(frame.message, Trouble)]


@pytest.mark.parametrize("key", ["reversed-sense", "retard-reference", "wrong-tooth"])
def test_faults_that_no_probe_sees_leave_the_unit_s_physics_alone(key: str) -> None:
    faulty, mended, sound = worked(key)
    assert faulty.cams == mended.cams == sound.cams
    assert without(faulty.scenario) == without(mended.scenario) == sound.scenario


def test_faults_add_up_and_are_mended_one_by_one() -> None:
    scenario = exercise("surprise")
    assert scenario.exercise is not None
    table = scenario.exercise.model_copy(update={"faults": tuple(KEYS), "any_of": ()})
    person = Acted(scenario.model_copy(update={"exercise": table}))
    assert person.world.scenario.impulse is not None
    assert person.world.scenario.fault.coil_lead_on
    for done, key in enumerate(KEYS):
        assert [f["mended"] for f in person.truth()["exercise"]["faults"]].count(True) == done
        person.do("mend", what=key)
    assert person.world.cams == World(without(scenario), 3).cams
    assert without(person.world.scenario) == without(scenario)


def test_scenarios_md_names_every_fault_and_place() -> None:
    text = Path(BUILT_IN_FOLDER / "SCENARIOS.md").read_text("utf-8")
    assert all(f"| `{f.key}` |" in text and f"| `{f.place}` |" in text for f in FAULTS)
