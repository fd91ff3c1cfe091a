"""The hand's program, as it shows in what the simulated unit does."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest

from firmware_protocol.framing import Frame
from firmware_protocol.messages import Contact, Edges, Index, Position, Press
from sim.world import World
from tests.sim.device import frames, job, of, scenario, whole_job


def test_it_presses_in_turn_from_both_sides_within_its_feel() -> None:
    world, found = job("plain-single")
    truth = world.truth()
    presses = truth["presses"]
    assert isinstance(presses, list)
    assert [p["side"] for p in presses] == [1, -1] * 4
    below = [p["from_neutral_deg"] for p in presses if p["side"] > 0]
    above = [p["from_neutral_deg"] for p in presses if p["side"] < 0]
    # Where the pull vanishes, to four standard deviations of its feel.
    assert np.mean(below) == pytest.approx(world.rotor.balance(0, 1), abs=4 * 0.15 / 2)
    assert np.mean(above) == pytest.approx(world.rotor.balance(0, -1), abs=4 * 0.15 / 2)
    down = [p for p in of(Press, found) if p.down]
    assert [p.tick for p in down] == [p["tick"] for p in presses]


def test_each_press_tells_its_side_by_the_last_2_degrees() -> None:
    _, found = job("plain-single")
    path = [(p.tick, p.count) for p in of(Position, found)]
    sides = []
    for press in of(Press, found):
        if press.down:
            back = next(c for t, c in reversed(path) if t < press.tick and abs(c - press.count) >= 2.0 * 10_000 / 360)
            sides.append(1 if press.count > back else -1)
    assert sides == [1, -1] * 4


def test_it_turns_15_degrees_and_more_one_way_before_the_first_press() -> None:
    _, found = job("plain-single")
    first = of(Press, found)[0]
    counts = [p.count for p in of(Position, found) if p.tick < first.tick]
    turned = (np.array(counts) - counts[0]) * 0.036
    assert turned.max() > 25.0
    assert turned.min() > -1.0


def test_it_lets_go_from_both_sides_and_the_magnet_rests_within_the_friction_band() -> None:
    world, _ = job("plain-single")
    rests = world.truth()["rests"]
    assert isinstance(rests, list)
    assert [r["side"] for r in rests] == [-1, 1, -1, 1]
    for rest in rests:
        assert world.rotor.balance(0, 1) - 0.01 <= rest["from_neutral_deg"] <= world.rotor.balance(0, -1) + 0.01


@pytest.mark.parametrize("name", ["plain-single", "dual", "jerky-hand"])
def test_each_opening_is_passed_six_times_after_the_presses(name: str) -> None:
    world, found = job(name)
    last_press = of(Press, found)[-1].tick
    travel = [p.count for p in of(Position, found) if (p.tick - last_press) & 0xFFFFFFFF < 2**31]
    assert abs(travel[-1] - travel[0]) * 0.036 >= 6 * 360.0
    opened = {c.channel for c in of(Contact, found) if c.opened}
    assert opened == {b.channel for b in world.scenario.breaker}


def test_no_opening_is_met_while_it_feels_for_neutral() -> None:
    _, found = job("plain-single")
    presses = [p.tick for p in of(Press, found)]
    assert not [c for c in of(Contact, found) if presses[0] < c.tick < presses[-1]]


def test_speeds_stay_in_the_scenarios_range_and_differ() -> None:
    _, found = job("plain-single")
    begin = of(Press, found)[-1].tick
    path = np.array([(p.tick, p.count) for p in of(Position, found) if p.tick > begin], dtype=float)
    speed = np.abs(np.diff(path[:, 1])) * 0.036 / (np.diff(path[:, 0]) / 2e6)
    moving = speed[speed > 20]
    assert moving.max() <= 150 * 1.2 + 20
    assert np.percentile(moving, 90) > 1.4 * np.percentile(moving, 10)


def test_a_jerky_hand_backs_up_in_the_passes_and_a_calm_one_does_not() -> None:
    def backed_up(name: str) -> int:
        _, found = job(name)
        third = [place for place, frame in enumerate(found) if isinstance(frame.message, Index)][2]
        return sum(1 for e in of(Edges, found[third:]) for s in e.steps if s & 0x8000)

    assert backed_up("plain-single") < 5
    assert backed_up("jerky-hand") > 100


def test_the_wrong_way_is_turned_first_if_so_told() -> None:
    found = frames(whole_job(World(scenario(hand={"wrong_way": True, "turns": 0.1}), 1)))
    counts = [p.count for p in of(Position, found)]
    beyond = next(c - counts[0] for c in counts if abs(c - counts[0]) * 0.036 > 15.0)
    assert beyond < 0


def test_the_angle_mark_is_pressed_before_neutral() -> None:
    world = World(scenario(hand={"mark_deg": 200.0, "turns": 0.1}), 3)
    found = frames(whole_job(world))
    presses = [p for p in of(Press, found) if p.down]
    assert len(presses) == 9
    # 200° is 160° before neutral 0, in the running direction.
    apart = (presses[1].count - presses[0].count) * 0.036
    assert apart == pytest.approx(160.0, abs=1.0)
    assert world.truth()["mark_deg"] == 200.0
    start = of(Position, found)[0].count
    assert (presses[0].count - start) * 0.036 > 15.0


# --- compensated cams ----------------------------------------------------------------------------------------------------

POINTS = {"lobe_error_deg": 0.0, "scatter_deg": 0.0, "bounces": 0.0, "capacitor_uf": 0.0, "backlash_deg": 0.0}
DISC = {"eccentricity_um": 0.0, "phase_error_deg": 0.0, "hysteresis_counts": 0.0}
SEVEN = [0.0, 0.8, -0.6, 1.4, 0.3, -1.1, 0.5]


@cache
def seven(neutrals_on: int = 2, mark_deg: float | None = None, turns: float = 1.4) -> tuple[World, list[Frame]]:
    """Seven lobes and four poles without any error, carried out."""
    hand: dict[str, Any] = {
        "neutrals_on": neutrals_on,
        "lobe_mark_sd_deg": 0.0,
        "feel_sd_deg": 0.0,
        "releases_per_side": 0,
        "turns": turns,
    }
    world = World(
        scenario(
            unit={"cam": "compensated", "cylinders": 7, "pole_spacing_error_deg": 0.0, "cam_torque_fraction": 0.0},
            breaker=[{"name": "main", "opens_deg": 11.0, "offsets_deg": SEVEN, **POINTS}],
            encoder=DISC,
            hand=hand if mark_deg is None else {**hand, "mark_deg": mark_deg},
        ),
        1,
    )
    return world, frames(whole_job(world))


def opened_past_neutral(found: list[Frame], presses: int) -> list[float]:
    """Openings after the last press, crossed running forward, as degrees past the felt neutral; `presses` marks come first."""
    down = [p for p in of(Press, found) if p.down]
    # Neutral lies halfway between what is felt from the two sides.
    felt = [p.count for p in down[presses:]]
    neutral = (np.mean(felt[::2]) + np.mean(felt[1::2])) / 2
    return [
        (c.count + 0.5 - neutral) * 0.036
        for c in of(Contact, found)
        if c.opened and c.tick > down[-1].tick and c.before_steps[:1] == (1,)
    ]


def test_the_no_1_mark_is_pressed_first_and_its_lobe_opens_next() -> None:
    world, found = seven()
    first, *others = [p for p in of(Press, found) if p.down]
    assert len(others) == 8
    opened = next(c for c in of(Contact, found) if c.opened and c.tick > first.tick)
    # The mark lines up 12° before lobe No. 1 opens; the hand gives by the pull of the magnet, 0.25 N·m on 40 N·m a radian.
    assert (opened.count - first.count) * 0.036 == pytest.approx(12.0, abs=0.036 + np.degrees(0.26 / 40))
    # Neutral is felt two poles on from the one that lobe No. 1 opened past.
    assert (others[0].count - first.count) * 0.036 == pytest.approx(2 * 90.0 + 1.0, abs=0.8)
    start = of(Position, found)[0].count
    assert (first.count - start) * 0.036 > 360.0
    assert world.truth()["presses"][0]["side"] == 1  # type: ignore[index]


@pytest.mark.parametrize("neutrals_on", [0, 2, 5])
def test_the_lobes_pass_in_their_order_whatever_neutral_is_felt(neutrals_on: int) -> None:
    _, found = seven(neutrals_on)
    past = opened_past_neutral(found, 1)
    assert len(past) >= 9
    # The first opening after the felt neutral belongs to the lobe so many on from No. 1; 7 lobes, 90° each, worked by hand.
    expected = [90.0 * k + 11.0 + SEVEN[(k + neutrals_on) % 7] for k in range(len(past))]
    assert past == pytest.approx(expected, abs=0.05)


def test_it_turns_the_cam_round_six_times() -> None:
    _, found = seven(turns=6.2)
    # Six turns of a cam of seven lobes on four poles are 10.5 of the magnet.
    assert len(opened_past_neutral(found, 1)) >= 6 * 7
    last_press = of(Press, found)[-1].tick
    travel = [p.count for p in of(Position, found) if p.tick > last_press]
    assert 10.5 < (travel[-1] - travel[0]) / 10_000 < 11.5


@pytest.mark.parametrize("mark_deg", [30.0, 200.0, 350.0])
def test_the_lobe_mark_comes_before_the_angle_mark_and_the_count_goes_on(mark_deg: float) -> None:
    _, found = seven(1, mark_deg)
    lobe_mark, angle_mark, *neutral = [p for p in of(Press, found) if p.down]
    assert angle_mark.count > lobe_mark.count
    assert len(neutral) == 8
    # Past neutral, but a whole number of turns back; the first press comes from below.
    before = (neutral[0].count - angle_mark.count) * 0.036
    assert before % 360.0 == pytest.approx(360.0 - mark_deg, abs=1.0)
    # From the lobe mark, 1° before a neutral, whole turns of the cam (630°) and one pole to neutral.
    apart = (neutral[0].count - lobe_mark.count) * 0.036
    assert (apart - 90.0) % 630.0 == pytest.approx(1.0, abs=0.8)


def test_the_hand_meets_the_cam_at_any_lobe_and_turns_a_whole_turn_first() -> None:
    world, _ = seven()
    starts = [World(world.scenario, seed).rotor.angle_deg for seed in range(1, 40)]
    # The mark lies 1° before the neutral that is two before the felt one; the magnet begins at a neutral, a turn and more before.
    whole_turns_first = [round((-181.0 - start) / 90.0, 1) for start in starts]
    assert min(whole_turns_first) == pytest.approx(5.0, abs=0.2)
    assert max(whole_turns_first) == pytest.approx(5.0 + 6.0, abs=0.2)
    # Any of seven lobes: one of them missing in 39 has a chance of 7·(6/7)^39 = 1.7 %, and the seeds are fixed.
    assert len({round(w) for w in whole_turns_first}) == 7


def test_the_no_1_mark_has_a_scatter_of_its_own() -> None:
    def off(seed: int) -> float:
        tables: dict[str, Any] = {
            "unit": {"cam": "compensated", "cylinders": 7, "poles": 4},
            "breaker": [{"name": "main", "opens_deg": 11.0, "offsets_deg": SEVEN, "lobe_error_deg": 0.0}],
            "hand": {
                "turns_first": 0,
                "lobe_mark_sd_deg": 1.0,
                "presses_per_side": 0,
                "releases_per_side": 0,
                "turns": 0.0,
            },
        }
        world = World(scenario(**tables), seed)
        whole_job(world)
        presses: Any = world.truth()["presses"]
        return float(presses[0]["from_neutral_deg"])

    places = [off(seed) for seed in range(12)]
    # 11° less 12°; a mean of 12 and a standard deviation of 11 degrees of freedom, to four of their own.
    assert np.mean(places) == pytest.approx(-1.0, abs=4 * 1.0 / np.sqrt(12) + 0.1)
    assert np.std(places, ddof=1) == pytest.approx(1.0, abs=4 * 1.0 / np.sqrt(2 * 11))
    assert np.std(places, ddof=1) > 0.3


# --- followers lifted, creeping, pace ------------------------------------------------------------------------------------


@cache
def lifted(**hand: Any) -> tuple[World, list[Frame]]:
    table = {"followers_lifted": True, "turns": 1.2, **hand}
    world = World(scenario(unit={"cam_torque_fraction": 0.05, "coulomb_nm": 0.003}, hand=table), 2)
    return world, frames(whole_job(world))


def test_neutral_is_felt_with_the_followers_lifted_and_then_on_the_cam_as_often() -> None:
    world, _ = lifted()
    presses: Any = world.truth()["presses"]
    assert [p["followers_lifted"] for p in presses] == [True] * 8 + [False] * 8
    assert [p["side"] for p in presses] == [1, -1] * 8
    middle = [np.mean([p["from_neutral_deg"] for p in presses if p["followers_lifted"] is up]) for up in (True, False)]
    # A cam torque of 5 % pulls a four-pole magnet by asin(0.05)/4; presses scatter by 0.15°, eight on each side of the difference.
    pull = np.degrees(np.arcsin(0.05)) / 4
    assert world.truth()["cam_pull_deg"] == pytest.approx(pull, abs=1e-3)
    assert middle[0] == pytest.approx(0.0, abs=4 * 0.15 / np.sqrt(8))
    assert middle[1] - middle[0] == pytest.approx(pull, abs=4 * 0.15 / 2)


def test_a_magnet_let_go_with_the_followers_lifted_rests_about_true_neutral() -> None:
    world, _ = lifted()
    rests: Any = world.truth()["rests"]
    assert len(rests) == 8
    # Friction holds it within ±Tc/(p·T0), and 10 % more for the side that rubs more.
    held = 1.1 * np.degrees(0.003 / (4 * 0.25))
    pull = np.degrees(np.arcsin(0.05)) / 4
    assert all(abs(r["from_neutral_deg"]) <= held + 0.01 for r in rests[:4])
    assert all(abs(r["from_neutral_deg"] - pull) <= held + 0.01 for r in rests[4:])
    assert pull > 2 * held


def test_all_points_stay_open_until_the_followers_are_let_down() -> None:
    world, found = lifted()
    presses: Any = world.truth()["presses"]
    first = of(Contact, found)[0]
    assert not first.opened
    assert presses[7]["tick"] < first.tick < presses[8]["tick"]
    assert {p.levels & 1 for p in of(Position, found) if p.tick < first.tick} == {1}
    assert len([c for c in of(Contact, found) if c.opened and c.tick > presses[15]["tick"]]) >= 4


def test_without_lifting_the_balance_is_the_pulled_one_from_the_start() -> None:
    world, _ = job("plain-single")
    presses: Any = world.truth()["presses"]
    assert not any(p["followers_lifted"] for p in presses)
    fraction = world.truth()["draws"]["unit.cam_torque_fraction"]  # type: ignore[index]
    assert world.truth()["cam_pull_deg"] == pytest.approx(np.degrees(np.arcsin(fraction)) / 4, abs=1e-3)


def crossing_speed(contact: Contact) -> float:
    """Degrees a second between the edges around, 0 if there is none within the board's 50 ms."""
    if not contact.before_ages or not contact.after_delays:
        return 0.0
    return 0.036 * 2e6 / (contact.before_ages[0] + contact.after_delays[0])


@pytest.mark.parametrize(("share", "least", "most"), [(0.0, 0, 0), (0.5, 5, 19), (1.0, 22, 25)])
def test_so_many_openings_are_crossed_by_creeping(share: float, least: int, most: int) -> None:
    quiet = {**POINTS, "name": "main", "opens_deg": 10.0}
    world = World(scenario(breaker=[quiet], hand={"creep_share": share, "releases_per_side": 0}), 4)
    found = frames(whole_job(world))
    last_press = [p for p in of(Press, found) if p.down][-1].tick
    openings = [c for c in of(Contact, found) if c.opened and c.tick > last_press]
    # 6.2 turns of four lobes.
    assert len(openings) in (24, 25)
    crept = [c for c in openings if crossing_speed(c) < 2.0]
    assert least <= len(crept) <= most
    assert all(crossing_speed(c) > 20.0 for c in openings if c not in crept)
    path = np.array([(p.tick, p.count) for p in of(Position, found)], dtype=float)
    for contact in crept:
        # Held for a while at less than 0.1° before: two counts at most lie between.
        before = path[(path[:, 0] < contact.tick) & (path[:, 0] > contact.tick - 2e6)]
        held = max(np.sum(before[:, 1] == c) for c in set(before[:, 1]) if 0 <= contact.count - c <= 3)
        assert held >= 30


def test_a_hand_may_turn_slowly_and_briskly_cam_turn_by_cam_turn() -> None:
    unit = {"cam": "compensated", "cylinders": 7}
    points = {**POINTS, "name": "main", "opens_deg": 11.0, "offsets_deg": SEVEN}
    hand = {"pace": "cam-turns", "speeds_deg_s": [30.0, 170.0], "releases_per_side": 0}
    world = World(scenario(unit=unit, breaker=[points], hand=hand), 3)
    found = frames(whole_job(world))
    last_press = [p for p in of(Press, found) if p.down][-1].tick
    speeds = [crossing_speed(c) for c in of(Contact, found) if c.opened and c.tick > last_press]
    turns = [np.median(speeds[7 * k : 7 * k + 7]) for k in range(6)]
    # Below and above the middle of the range in turn, give or take the 20 % of wandering.
    brisk = [v > 100.0 for v in turns]
    assert brisk in ([True, False] * 3, [False, True] * 3)
