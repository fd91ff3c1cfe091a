"""The hand's program, as it shows in what the simulated unit does."""

from __future__ import annotations

import numpy as np
import pytest

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
