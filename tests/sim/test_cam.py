"""Compensated cams: lobes in their order at their places, the neutrals that they meet, and followers lifted off them."""

from __future__ import annotations

import math
import tomllib
from typing import Any

import numpy as np
import pytest

from sim.cam import CompensatedCam, LiftablePoints, cams_of
from sim.contact import Cam, Points
from sim.figures import Draws
from sim.mover import Track
from sim.scenario import Scenario, ScenarioError, load
from sim.unit import Neutrals
from sim.world import World
from tests.sim.device import scenario

#: Neutrals of a four-pole magnet, each but the first off its place.
UNEVEN = (0.0, 90.2, 179.9, 270.1)
NINE = (0.0, 1.1, -0.7, 1.6, 0.4, -1.2, 0.9, -0.5, 0.2)
#: Radials of one and two rows with magnets of two, four and eight poles.
PAIRS = [(cylinders, poles) for cylinders in (5, 6, 7, 8, 9, 14, 18) for poles in (2, 4, 8)]


def even(poles: int) -> Neutrals:
    return Neutrals(tuple(k * 360.0 / poles for k in range(poles)))


def geared(cylinders: int, poles: int, first: int = 0, offsets: tuple[float, ...] | None = None) -> CompensatedCam:
    cut = offsets or tuple(0.1 * (k * k % cylinders) for k in range(cylinders))
    return CompensatedCam("main", 0, even(poles), tuple(10.0 + o for o in cut), 20.0, 0.0, 0.0, first)


def nine(first: int = 0) -> CompensatedCam:
    return CompensatedCam("main", 0, Neutrals(UNEVEN), tuple(11.0 + o for o in NINE), 35.0, 0.0, 0.0, first)


def compensated(unit: dict[str, Any] | None = None, **breaker: Any) -> dict[str, Any]:
    """Tables of a scenario with nine lobes and four poles."""
    points = {"name": "main", "opens_deg": 11.0, "offsets_deg": list(NINE), **breaker}
    return {"unit": {"cam": "compensated", "cylinders": 9, **(unit or {})}, "breaker": [points]}


# --- places --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    # Magnet turns per cam turn = cylinders / poles (FAA-H-8083-32, cam and magneto speeds; arithmetic).
    ("cylinders", "poles", "turns"),
    [(7, 8, 0.875), (9, 4, 2.25), (9, 8, 1.125), (14, 8, 1.75), (5, 2, 2.5), (18, 8, 2.25)],
)
def test_the_magnet_turns_cylinders_over_poles_times_while_the_cam_turns_once(
    cylinders: int, poles: int, turns: float
) -> None:
    cam = geared(cylinders, poles)
    assert cam.turn_deg == pytest.approx(360.0 * turns)
    # The same lobe, one turn of the cam later.
    assert cam.edge(2 * cylinders) - cam.edge(0) == pytest.approx(360.0 * turns)


@pytest.mark.parametrize(("cylinders", "poles"), PAIRS)
def test_each_lobe_opens_once_a_turn_of_the_cam_one_pole_spacing_and_its_offset_after_the_one_before(
    cylinders: int, poles: int
) -> None:
    cam = geared(cylinders, poles)
    offsets = [0.1 * (k * k % cylinders) for k in range(cylinders)]
    for k in range(3 * cylinders):
        step = offsets[(k + 1) % cylinders] - offsets[k % cylinders]
        assert cam.edge(2 * k + 2) - cam.edge(2 * k) == pytest.approx(360.0 / poles + step)
    assert len(cam.openings()) == cylinders


@pytest.mark.parametrize(
    # lcm(cylinders, poles) / poles turns of the magnet (arithmetic, worked by hand).
    ("cylinders", "poles", "turns"),
    [(9, 4, 9), (9, 8, 9), (7, 4, 7), (7, 8, 7), (14, 8, 7), (18, 8, 9), (6, 4, 3), (8, 4, 2), (5, 2, 5), (14, 2, 7)],
)
def test_lobe_and_neutral_pair_up_again_after_so_many_turns_and_no_sooner(
    cylinders: int, poles: int, turns: int
) -> None:
    cam = geared(cylinders, poles)
    met = [cylinders * turn % poles for turn in range(20 * poles)]
    first_again = next(turn for turn in range(1, 20 * poles) if met[turn] == met[0])
    assert first_again * cam.turn_deg == pytest.approx(360.0 * turns)
    found = cam.pairings(0)
    assert len(found) * cam.turn_deg == pytest.approx(360.0 * turns)
    assert [p.neutral for p in found] == met[: len(found)]
    assert len({p.neutral for p in found}) == len(found)


def test_a_lobe_opens_past_each_neutral_by_that_neutrals_own_error_less() -> None:
    # Lobe 3 of nine on four poles meets neutrals 3, 0 (12), 1 (21) and 2 (30).
    found = nine().pairings(3)
    assert [p.neutral for p in found] == [3, 0, 1, 2]
    assert [p.from_neutral_deg for p in found] == pytest.approx([12.6 - 0.1, 12.6, 12.6 - 0.2, 12.6 + 0.1])


@pytest.mark.parametrize("first", [0, -1, -2, -9])
def test_lobe_0_lies_near_the_neutral_that_it_was_set_to(first: int) -> None:
    cam = nine(first)
    assert cam.edge(2 * first) == pytest.approx(90.0 * first + 11.0)
    assert cam.edge(2 * first + 2) == pytest.approx(90.0 * (first + 1) + 11.0 + 1.1)


def test_the_first_opening_after_a_place_is_the_first_beyond_it() -> None:
    cam = nine()
    assert cam.first_after(10.9) == 0
    assert cam.first_after(11.1) == 1
    assert cam.first_after(-90.0 * 9 + 10.9) == -9
    for at in np.arange(-900.0, 900.0, 7.3):
        first = cam.first_after(float(at))
        assert cam.edge(2 * first - 2) <= at < cam.edge(2 * first)


def test_points_on_it_open_and_close_through_more_than_a_turn_of_the_cam() -> None:
    cam = nine(first=-2)
    table = scenario(**compensated(bounces=0.0)).breaker[0]
    points = Points(cam, table, -200.0, np.random.default_rng(1))
    time_s = np.arange(20_001) * 0.001
    angle = np.linspace(-200.0, 900.0, 20_001)
    track = Track(time_s, angle, np.full(20_001, 55.0), moved=True)
    found = [(float(np.interp(t.time_s, time_s, angle)), t.is_open) for t in points.run(track)]
    # Worked by hand from the offsets: lobe 0 at -180 + 11, then 90 on each, and lobe 0 again after nine.
    opened = [-180.0 + 90.0 * k + 11.0 + NINE[k % 9] for k in range(13)]
    assert [a for a, is_open in found if is_open] == pytest.approx(opened[:12], abs=1e-3)
    assert [a for a, is_open in found if not is_open] == pytest.approx([o - 35.0 for o in opened[1:]], abs=1e-3)


# --- drawn from a scenario -----------------------------------------------------------------------------------------------


def drawn(tables: dict[str, Any], seed: int = 1) -> tuple[list[Cam], Draws, Neutrals]:
    chosen, draws = scenario(**tables), Draws(seed)
    neutrals = even(chosen.unit.poles)
    return cams_of(chosen, neutrals, draws), draws, neutrals


def test_each_lobe_has_its_offset_and_a_machining_error_of_its_own() -> None:
    (cam,), draws, _ = drawn(compensated(lobe_error_deg={"uniform": [-0.3, 0.3]}))
    assert isinstance(cam, CompensatedCam)
    errors = [draws.resolved[f"breaker.main.lobe_error_deg.{k}"] for k in range(9)]
    assert len(set(errors)) == 9
    assert cam.opens_deg == pytest.approx([11.0 + o + e for o, e in zip(NINE, errors, strict=True)])


def test_an_offset_may_be_drawn() -> None:
    offsets: list[Any] = [{"uniform": [0.5, 1.5]}, *NINE[1:]]
    (cam,), draws, _ = drawn(compensated(offsets_deg=offsets, lobe_error_deg=0.0))
    assert 0.5 <= draws.resolved["breaker.main.offsets_deg.0"] <= 1.5
    assert cam.opens_deg[0] == pytest.approx(11.0 + draws.resolved["breaker.main.offsets_deg.0"])


def test_a_second_breaker_on_the_same_cam_has_the_same_lobes_so_much_later() -> None:
    tables = compensated()
    tables["breaker"].append({"name": "retard", "channel": 1, "opens_deg": 41.0, "same_cam_as": "main"})
    (main, retard), _, _ = drawn(tables)
    assert [b - a for a, b in zip(main.opens_deg, retard.opens_deg, strict=True)] == pytest.approx([30.0] * 9)
    tables["breaker"][1] = {"name": "retard", "channel": 1, "opens_deg": 41.0, "offsets_deg": list(NINE)}
    (main, retard), _, _ = drawn(tables)
    # On a cam of its own the lobes are cut anew.
    assert len({round(b - a, 9) for a, b in zip(main.opens_deg, retard.opens_deg, strict=True)}) == 9


def test_a_plain_cam_stays_what_it_was() -> None:
    (cam,), _, _ = drawn({})
    assert type(cam) is Cam
    assert len(cam.openings()) == 4


@pytest.mark.parametrize(("cylinders", "poles"), PAIRS)
def test_the_truth_names_every_lobe_from_the_no_1_mark(cylinders: int, poles: int) -> None:
    points = {
        "name": "main",
        "opens_deg": 11.0,
        "offsets_deg": [0.1 * k for k in range(cylinders)],
        "lobe_error_deg": 0.0,
        "dwell_deg": 20.0,
    }
    unit = {"poles": poles, "cam": "compensated", "cylinders": cylinders, "pole_spacing_error_deg": 0.0}
    world = World(scenario(unit=unit, breaker=[points], hand={"neutrals_on": 3}), 1)
    openings: Any = world.truth()["openings"]
    assert [o["lobe"] for o in openings] == list(range(cylinders))
    assert [o["from_neutral_deg"] for o in openings] == pytest.approx([11.0 + 0.1 * k for k in range(cylinders)])
    for lobe, opening in enumerate(openings):
        # Lobe 0 opens three neutrals before the one that is felt, which is neutral 0.
        met = {(lobe - 3 + cylinders * turn) % poles for turn in range(poles)}
        assert {m["neutral"] for m in opening["by_neutral"]} == met


def test_lobe_0_of_each_breaker_is_its_own_first_opening_after_the_mark() -> None:
    tables = compensated(lobe_error_deg=0.0, unit={"pole_spacing_error_deg": 0.0, "lobe_mark_deg": 12.0})
    # Its lobe No. 1 opens at -5°, before the mark at -1°: the next one is the first after it.
    tables["breaker"].append({"name": "early", "channel": 1, "opens_deg": -5.0, "same_cam_as": "main"})
    openings: Any = World(scenario(**tables), 1).truth()["openings"]
    early = [o["from_neutral_deg"] for o in openings if o["breaker"] == "early"]
    assert early == pytest.approx([-5.0 + o for o in NINE[1:] + NINE[:1]])


def test_the_truth_of_a_lobe_is_the_mean_over_the_neutrals_that_it_meets() -> None:
    openings: Any = World(load("compensated"), 1).truth()["openings"]
    for opening in openings:
        past = [m["from_neutral_deg"] for m in opening["by_neutral"]]
        assert len(past) == 4
        assert opening["from_neutral_deg"] == pytest.approx(sum(past) / 4)
        assert max(past) - min(past) > 0.02


# --- followers -----------------------------------------------------------------------------------------------------------


def standing(at_s: float) -> Track:
    return Track(np.array([at_s, at_s + 0.02]), np.zeros(2), np.zeros(2), moved=False)


def turning(begin_s: float, begin_deg: float, end_deg: float) -> Track:
    time_s = begin_s + np.arange(1001) * 0.001
    return Track(time_s, np.linspace(begin_deg, end_deg, 1001), np.full(1001, end_deg - begin_deg), moved=True)


def lifted(start_deg: float = 0.0) -> LiftablePoints:
    table = scenario(**compensated(bounces=0.0)).breaker[0]
    return LiftablePoints(Points(nine(), table, start_deg, np.random.default_rng(1)))


def test_lifted_followers_keep_the_points_open_whatever_the_cam_does() -> None:
    points = lifted()
    assert points.is_open
    assert points.run(turning(0.0, 0.0, 300.0)) == []
    assert points.is_open


def test_let_down_where_the_cam_lets_the_points_close_they_close_then() -> None:
    points = lifted()
    points.run(turning(0.0, 0.0, 360.0))
    points.let_down()
    # The next opening lies at 360 + 11 + 0.4, and the points are closed over the 35° before it.
    assert [(t.time_s, t.is_open) for t in points.run(standing(1.0))] == [(1.0, False)]
    opened = points.run(turning(1.02, 360.0, 380.0))
    assert [t.is_open for t in opened] == [True]


def test_let_down_on_a_lobe_nothing_changes_until_the_next_closing() -> None:
    points = lifted()
    points.run(turning(0.0, 0.0, 30.0))
    points.let_down()
    assert points.run(standing(1.0)) == []
    assert points.is_open
    (closed,) = points.run(turning(1.02, 30.0, 80.0))
    assert not closed.is_open
    # Lobe 1 opens at 90 + 11 + 1.1, the points close 35° before.
    assert 30.0 + 50.0 * (closed.time_s - 1.02) == pytest.approx(67.1, abs=1e-3)


# --- files ---------------------------------------------------------------------------------------------------------------


def changed(**tables: dict[str, Any]) -> Scenario:
    whole = compensated()
    for name, table in tables.items():
        if name == "breaker":
            whole["breaker"][0] |= table
        else:
            whole[name] = {**whole.get(name, {}), **table}
    return scenario(**whole)


@pytest.mark.parametrize(
    ("tables", "told"),
    [
        ({"unit": {"cylinders": None}}, "unit: cylinders"),
        ({"unit": {"cylinders": 2}}, "unit.cylinders"),
        ({"unit": {"cam": "plain"}}, "unit: cylinders"),
        ({"unit": {"cam": "plain", "cylinders": None}}, "breaker.0.offsets_deg"),
        ({"unit": {"cylinders": 7}}, "breaker.0.offsets_deg: 7 figures"),
        ({"unit": {"lobe_mark_deg": 2.0}}, "unit.lobe_mark_deg"),
        ({"unit": {"poles": 8, "lobe_mark_deg": 40.0}, "breaker": {"dwell_deg": 20.0}}, "unit.lobe_mark_deg"),
        ({"breaker": {"offsets_deg": None}}, "breaker.0.offsets_deg: either"),
        ({"breaker": {"same_cam_as": "main"}}, "breaker.0.offsets_deg: either"),
        ({"breaker": {"offsets_deg": None, "same_cam_as": "other"}}, "breaker.0.same_cam_as"),
        ({"breaker": {"offsets_deg": [*NINE[:8], "0.2"]}}, "breaker.0.offsets_deg.8"),
        ({"breaker": {"offsets_deg": [*NINE[:8], 21.0]}}, "breaker.0.offsets_deg.8"),
        ({"breaker": {"offsets_deg": [*NINE[:8], 20.0], "dwell_deg": 70.0}}, "70° of dwell"),
        ({"breaker": {"opens_deg": 89.0}}, "breaker.0.opens_deg: at most 90"),
        ({"hand": {"pace": "slow"}}, "hand.pace"),
        ({"hand": {"creep_share": 1.1}}, "hand.creep_share"),
        ({"hand": {"neutrals_on": -1}}, "hand.neutrals_on"),
    ],
)
def test_an_impossible_cam_is_refused_with_its_key(tables: dict[str, Any], told: str) -> None:
    with pytest.raises(ScenarioError) as found:
        changed(**tables)
    assert str(found.value).startswith("test: ")
    assert told in str(found.value)


def test_eight_poles_with_nine_lobes_are_possible() -> None:
    assert changed(unit={"poles": 8}, breaker={"dwell_deg": 20.0}).unit.cylinders == 9


def test_a_plain_cam_has_no_lobe_mark_to_count_neutrals_from() -> None:
    with pytest.raises(ScenarioError, match=r"hand\.neutrals_on"):
        scenario(hand={"neutrals_on": 1})
    with pytest.raises(ScenarioError, match=r"breaker\.0\.same_cam_as"):
        scenario(breaker=[{"name": "main", "opens_deg": 10.0, "same_cam_as": "main"}])


@pytest.mark.parametrize("name", ["compensated", "compensated-dual"])
def test_job_and_scenario_state_the_same_cam(name: str) -> None:
    chosen = load(name)
    assert chosen.job_path is not None
    job = tomllib.loads(chosen.job_path.read_text("utf-8"))
    assert (job["unit"]["cam"], job["unit"]["cylinders"]) == (chosen.unit.cam, chosen.unit.cylinders)
    tables = {b.name: b for b in chosen.breaker}
    for breaker, stated in zip(chosen.breaker, job["breaker"], strict=True):
        lobes = tables[breaker.same_cam_as or breaker.name]
        assert stated["offsets_deg"] == [o.values[0] for o in lobes.offsets_deg or ()]
        assert math.isclose(stated["opens_at_deg"], sum(breaker.opens_deg.values) / 2)
