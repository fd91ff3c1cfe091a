"""A hand that a person leads: each command, what it makes the magnet, the points and the board do, and what is felt."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from firmware_protocol.messages import Contact, Hello, Press, ResetCause
from sim.acting import ActingHand
from sim.hand import STEP_S
from sim.rehearsal import MOST_MOVED_DEG
from sim.scenario import load
from tests.sim.acted import Acted
from tests.sim.device import frames, of, scenario

#: The magnet lags behind the hand by at most peak pull over grip: 0.25 N·m / 40 N·m per radian.
LAG_DEG = math.degrees(0.25 / 40) + 0.1


def acted(**tables: object) -> Acted:
    return Acted(scenario(**tables))


# --- the hand ---------------------------------------------------------------------------------------------------------


def test_it_holds_still_until_told_otherwise() -> None:
    person = acted()
    before = person.angle_deg
    person.wait(2.0)
    assert person.angle_deg == pytest.approx(before, abs=LAG_DEG)


def test_turns_add_up_from_the_present_goal() -> None:
    person = acted()
    before = person.angle_deg
    person.answer("turn", by_deg=20, speed_deg_s=40)
    person.wait(0.1)
    person.answer("turn", by_deg=-5, speed_deg_s=40)
    person.until_still()
    assert person.angle_deg == pytest.approx(before + 15, abs=LAG_DEG)


@pytest.mark.parametrize("speed", [0.5, 5.0, 60.0, 360.0])
def test_a_turn_goes_at_its_speed_and_does_not_overshoot(speed: float) -> None:
    person = acted()
    goal = person.world.hand.target_deg + 0.4 * speed
    highest = -math.inf
    person.answer("turn", by_deg=0.4 * speed, speed_deg_s=speed)
    begin = person.world.now_s
    while person.wait(0.02) == [] or person.felt[-1]["busy"]:
        highest = max(highest, person.world.hand.target_deg)
    # 0.4 s at the whole speed, and the speeding up and slowing down.
    assert 0.4 < person.world.now_s - begin < 0.9
    assert highest <= goal + 1e-6
    assert person.world.hand.target_deg == pytest.approx(goal)


@pytest.mark.parametrize("speed", [2.0, 60.0, 360.0])
def test_a_turn_speeds_up_and_slows_down_smoothly(speed: float) -> None:
    hand = ActingHand(0.0, np.random.default_rng(1))
    hand.turn(0.5 * speed, speed)
    places = [hand.target_deg]
    while hand.busy:
        hand.step(0.0, 0.0)
        places.append(hand.target_deg)
    # From nothing to the whole speed in no less than half of 0.12 s, or by 40°/s² where that is more.
    most = 2.0 * max(speed / 0.12, 40.0)
    assert np.abs(np.diff(places, 2)).max() / STEP_S**2 < most


def test_long_turning_goes_on_at_about_its_speed_unevenly() -> None:
    person = acted()
    person.do("keep_turning", speed_deg_s=100)
    person.wait(1.0)
    before = person.angle_deg
    speeds = [f["speed_deg_s"] for f in person.wait(10.0)]
    assert person.angle_deg - before == pytest.approx(1000, rel=0.1)
    assert max(speeds) > 1.05 * 100
    assert min(speeds) < 0.95 * 100
    assert person.felt[-1]["busy"]


def test_a_turn_ends_long_turning_and_counts_from_where_the_hand_stops() -> None:
    person = acted()
    person.do("keep_turning", speed_deg_s=-50)
    person.wait(1.0)
    before = person.angle_deg
    person.do("turn", by_deg=10, speed_deg_s=20)
    assert before < person.angle_deg < before + 10
    still = person.angle_deg
    person.wait(1.0)
    assert person.angle_deg == pytest.approx(still, abs=LAG_DEG)


def test_hold_stops_within_a_few_degrees_without_turning_back() -> None:
    person = acted()
    person.do("keep_turning", speed_deg_s=100)
    person.wait(1.0)
    before = person.angle_deg
    person.do("hold")
    assert before < person.angle_deg < before + 10
    assert person.felt[-1]["speed_deg_s"] == pytest.approx(0.0, abs=1.0)


def test_let_go_the_magnet_swings_to_rest_at_neutral_and_is_taken_hold_of_there() -> None:
    person = acted()
    person.do("turn", by_deg=5, speed_deg_s=20)
    away = person.world.neutrals.folded(person.angle_deg)
    person.do("release")
    felt = person.wait(3.0)
    assert {f["held"] for f in felt[1:]} == {False}
    assert max(abs(f["speed_deg_s"]) for f in felt) > 20
    assert abs(person.world.neutrals.folded(person.angle_deg)) < 0.5 < away
    assert felt[-1]["torque_nm"] == 0.0
    person.do("grip")
    rest = person.angle_deg
    person.wait(1.0)
    assert person.angle_deg == pytest.approx(rest, abs=0.05)
    (told,) = person.truth()["rests"]
    assert told["from_neutral_deg"] == pytest.approx(person.world.neutrals.folded(rest), abs=0.05)


def test_a_magnet_that_still_swings_can_be_caught_but_is_no_rest() -> None:
    person = acted()
    person.do("turn", by_deg=5, speed_deg_s=20)
    person.do("release")
    while person.wait(0.02) or abs(person.world.rotor.speed_deg_s) < 50:
        assert person.world.now_s < 10
    person.do("grip")
    person.wait(0.5)
    assert person.felt[-1]["speed_deg_s"] == 0.0
    assert person.truth()["rests"] == []


@pytest.mark.parametrize("do", ["turn", "keep_turning", "hold", "seek", "release"])
def test_nothing_can_be_turned_while_let_go(do: str) -> None:
    keys: dict[str, dict[str, object]] = {
        "turn": {"by_deg": 1, "speed_deg_s": 9},
        "keep_turning": {"speed_deg_s": 9},
        "seek": {"from": "below"},
    }
    person = acted()
    person.do("release")
    assert "take hold first" in person.refused(do, **keys.get(do, {}))


def test_the_pedal_is_down_for_a_fifth_of_a_second() -> None:
    person = acted()
    person.do("press")
    person.wait(1.0)
    down, up = of(Press, person.frames())
    assert (down.down, up.down) == (1, 0)
    assert (up.tick - down.tick) / 2e6 == pytest.approx(0.2, abs=0.002)
    (told,) = person.truth()["presses"]
    assert told["tick"] == down.tick


@pytest.mark.parametrize(("side", "sign"), [("below", 1), ("above", -1)])
def test_neutral_is_sought_from_the_side_asked_for_and_the_pull_vanishes_there(side: str, sign: int) -> None:
    person = acted(hand={"feel_sd_deg": 0.0})
    person.do("turn", by_deg=-4, speed_deg_s=20)
    neutral = person.world.neutrals.nearest(person.angle_deg)
    places = []
    for _ in range(2):
        person.do("seek", **{"from": side})
        person.wait(0.2)
        person.do("press")
        person.wait(0.4)
        places.append(person.angle_deg)
        assert abs(person.felt[-1]["share"]) < 0.03
        assert person.felt[-1]["held"]
    vanishing = person.world.rotor.balance(neutral, sign)
    assert places == [pytest.approx(vanishing, abs=0.08)] * 2
    assert [p["side"] for p in person.truth()["presses"]] == [sign, sign]


def test_this_person_s_feel_scatters() -> None:
    person = acted(hand={"feel_sd_deg": 0.3})
    places = []
    for _ in range(8):
        person.do("seek", **{"from": "below"})
        places.append(person.angle_deg)
    spread = math.sqrt(sum((p - sum(places) / 8) ** 2 for p in places) / 7)
    # 95 % of a standard deviation of eight lie from 0.49 to 1.51 of it (chi-squared); wider here.
    assert 0.3 * 0.4 < spread < 0.3 * 1.8


# --- what is felt -----------------------------------------------------------------------------------------------------


def test_below_neutral_the_hand_is_pushed_on_and_above_it_back() -> None:
    person = acted(unit={"coulomb_nm": 0.0, "cam_torque_fraction": 0.0, "pole_spacing_error_deg": 0.0})
    neutral = person.world.neutrals.nearest(person.angle_deg)
    for away in (-20.0, -10.0, -3.0, 3.0, 10.0):
        person.do("turn", by_deg=person.world.neutrals.at(neutral) + away - person.angle_deg, speed_deg_s=20)
        person.wait(0.2)
        felt = person.felt[-1]
        # Peak pull times the sine of the pole angle: T0·sin(4·20°) and so on, of 0.25 N·m on four poles.
        here = person.angle_deg - person.world.neutrals.at(neutral)
        assert felt["torque_nm"] == pytest.approx(-0.25 * math.sin(math.radians(4 * here)), abs=2e-3)
        assert felt["share"] == pytest.approx(felt["torque_nm"] / 0.25, abs=1e-3)
        assert math.copysign(1, felt["share"]) == -math.copysign(1, away)


def test_it_tells_about_fifteen_times_a_second_and_no_angle() -> None:
    person = acted()
    person.do("keep_turning", speed_deg_s=60)
    found = person.wait(10.0)
    assert 140 <= len(found) <= 170
    assert set(found[0]) == {
        "torque_nm", "share", "held", "busy", "speed_deg_s", "snapped", "mark_in_window", "loose"
    }  # fmt: skip


def test_nothing_is_told_before_the_clock_runs_but_commands_are_taken() -> None:
    person = acted()
    fresh = Acted.__new__(Acted)
    fresh.rehearsal = type(person.rehearsal)(scenario(), 3)
    assert fresh.rehearsal.obey('{"do": "turn", "by_deg": 30, "speed_deg_s": 60}') == {"did": "turn"}
    before = fresh.rehearsal.world.rotor.angle_deg
    assert fresh.rehearsal.advance(1.0)[1] == []
    assert fresh.rehearsal.world.rotor.angle_deg == before


def test_the_timing_mark_shows_at_neutral_0_only() -> None:
    person = acted()
    person.do("keep_turning", speed_deg_s=30)
    shown = []
    for _ in range(1300):
        person.wait(0.02)
        shown.append((math.remainder(person.angle_deg, 360.0), person.felt[-1]["mark_in_window"]))
    # It is told with up to 0.06 s of delay, 2° at this speed.
    assert all(abs(angle) < 5.5 for angle, seen in shown if seen)
    assert all(seen for angle, seen in shown if abs(angle) < 0.7)
    assert any(seen for _, seen in shown)


def test_a_fitted_coupling_is_felt_as_a_spring_and_then_snaps() -> None:
    person = acted(impulse={"catch_deg": 30})
    person.do("keep_turning", speed_deg_s=40)
    felt = person.wait(12.0)
    assert any(f["snapped"] for f in felt)
    assert min(f["share"] for f in felt) == -1.0
    assert not any(f["snapped"] for f in acted().wait(1.0))


# --- the points -------------------------------------------------------------------------------------------------------


def test_tight_points_do_not_move_and_loose_ones_are_told() -> None:
    person = acted()
    assert "loosen them first" in person.refused("points", breaker="main", by_deg=1)
    person.do("loosen", breaker="main")
    assert "loose already" in person.refused("loosen", breaker="main")
    person.wait(0.1)
    assert person.felt[-1]["loose"] == ["main"]
    person.do("tighten", breaker="main")
    assert "tight already" in person.refused("tighten", breaker="main")
    person.wait(0.1)
    assert person.felt[-1]["loose"] == []


def test_points_moved_later_open_later_on_every_lobe_with_the_same_dwell() -> None:
    person = acted(unit={"pole_spacing_error_deg": 0.0})
    before, dwell = person.opens_deg(), person.world.cams[0].dwell_deg
    found = openings(person)
    person.do("loosen", breaker="main")
    person.do("points", breaker="main", by_deg=2.5)
    person.do("points", breaker="main", by_deg=-0.5)
    assert person.opens_deg() == pytest.approx(before + 2.0)
    assert person.world.cams[0].dwell_deg == dwell
    # As the board sees it, not only as the truth tells: scatter of 0.03° at most, five passes.
    assert openings(person) == pytest.approx(found + 2.0, abs=0.1)


def openings(person: Acted) -> float:
    """Mean angle past its neutral at which the board saw the points open, by the simulated clock."""
    person.do("keep_turning", speed_deg_s=60)
    person.wait(1.0)
    places: list[float] = []
    was_open = person.probe_is_open()
    while len(places) < 8:
        person.wait(0.02)
        is_open = person.probe_is_open()
        if is_open and not was_open:
            places.append(person.world.neutrals.folded(person.angle_deg))
        was_open = is_open
    person.do("hold")
    # Seen up to a chunk late: 1.2°, 0.6° on average; the same before and after.
    return sum(places) / len(places)


def test_points_can_be_set_until_they_just_open_while_the_rotor_is_held() -> None:
    person = acted()
    place = next(angle for angle in range(-360, 720, 10) if angle > person.angle_deg)
    neutral = person.world.neutrals.nearest(place)
    goal = person.world.neutrals.at(neutral) + 12.0
    person.do("turn", by_deg=goal - person.angle_deg, speed_deg_s=30)
    person.wait(0.3)
    assert person.probe_is_open()
    person.do("loosen", breaker="main")
    person.do("points", breaker="main", by_deg=4)
    person.wait(0.3)
    assert not person.probe_is_open()
    for _ in range(60):
        person.do("points", breaker="main", by_deg=-0.1)
        person.wait(0.1)
        if person.probe_is_open():
            break
    assert person.opens_deg(lobe=neutral % 4) == pytest.approx(12.0, abs=0.5)
    last = of(Contact, person.frames())[-1]
    assert last.opened


def test_points_go_only_so_far() -> None:
    person = acted()
    person.do("loosen", breaker="main")
    for _ in range(3):
        person.do("points", breaker="main", by_deg=5)
    assert "no further" in person.refused("points", breaker="main", by_deg=0.1)
    assert person.truth()["points"][0]["moved_deg"] == pytest.approx(MOST_MOVED_DEG)
    person.do("points", breaker="main", by_deg=-5)


def test_tightening_moves_the_opening_a_little_each_time_either_way() -> None:
    person = acted()
    moves = []
    for _ in range(40):
        before = person.opens_deg()
        person.do("loosen", breaker="main")
        assert person.opens_deg() == before
        person.do("tighten", breaker="main")
        moves.append(person.opens_deg() - before)
    assert all(0.05 - 1e-9 <= abs(m) <= 0.4 + 1e-9 for m in moves)
    assert any(m > 0 for m in moves)
    assert any(m < 0 for m in moves)
    assert person.truth()["points"] == [
        {"breaker": "main", "moved_deg": pytest.approx(sum(moves)), "loose": False, "tightened": 40}
    ]


def test_one_breaker_s_points_leave_the_other_s_alone() -> None:
    person = Acted(load("with-retard"))
    main, retard = person.opens_deg("main"), person.opens_deg("retard")
    person.do("loosen", breaker="retard")
    person.do("points", breaker="retard", by_deg=1.0)
    assert person.opens_deg("main") == main
    assert person.opens_deg("retard") == pytest.approx(retard + 1.0)
    person.do("tighten", breaker="retard")
    assert person.truth()["openings_as_found"][0]["from_neutral_deg"] == main


def test_work_on_the_unit_waits_until_the_hand_stops() -> None:
    person = Acted(load("exercise-wrong-tooth"))
    person.do("keep_turning", speed_deg_s=50)
    for do, keys in (("loosen", {"breaker": "main"}), ("mend", {"what": "wrong-tooth"})):
        assert "stop first" in person.refused(do, **keys)
    person.do("hold")
    person.do("loosen", breaker="main")
    person.do("mend", what="wrong-tooth")


# --- what is no command -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    [
        "",
        "turn",
        "[1]",
        "{}",
        '{"do": 1}',
        '{"do": "fly"}',
        '{"do": "turn"}',
        '{"do": "turn", "by_deg": 1}',
        '{"do": "turn", "by_deg": 0, "speed_deg_s": 9}',
        '{"do": "turn", "by_deg": NaN, "speed_deg_s": 9}',
        '{"do": "turn", "by_deg": 1e999, "speed_deg_s": 9}',
        '{"do": "turn", "by_deg": true, "speed_deg_s": 9}',
        '{"do": "turn", "by_deg": "1", "speed_deg_s": 9}',
        '{"do": "turn", "by_deg": 1, "speed_deg_s": 0}',
        '{"do": "turn", "by_deg": 1, "speed_deg_s": 9, "more": 1}',
        '{"do": "keep_turning", "speed_deg_s": 1}',
        '{"do": "keep_turning", "speed_deg_s": 361}',
        '{"do": "grip"}',
        '{"do": "seek", "from": "left"}',
        '{"do": "loosen", "breaker": "other"}',
        '{"do": "loosen", "breaker": ["main"]}',
        '{"do": "look", "at": "coil-lead"}',
        '{"do": "mend", "what": "coil-lead-on"}',
        "[" * 20_000,
        "9" * 9000,
    ],
)
def test_what_is_no_command_is_refused_in_a_sentence_and_does_nothing(line: str) -> None:
    person = acted()
    before = person.truth()
    (key, text), *more = person.rehearsal.obey(line).items()
    assert (key, more) == ("refused", [])
    assert str(text).endswith(".")
    assert person.truth() == before
    person.wait(0.2)
    assert not person.felt[-1]["busy"]


# --- one unit for all hosts -------------------------------------------------------------------------------------------


def test_a_new_connection_resets_the_board_and_leaves_the_unit() -> None:
    person = acted()
    person.do("turn", by_deg=30, speed_deg_s=60)
    person.do("loosen", breaker="main")
    person.do("points", breaker="main", by_deg=1.5)
    angle, opens, now = person.angle_deg, person.opens_deg(), person.world.now_s
    counter = person.world.board.boot_counter
    # In the middle of a chunk, with frames on the line.
    person.wait(0.007)
    person.world.reconnect()
    data = person.rehearsal.advance(0.5)[0]
    assert not person.world.board.in_session
    assert data.startswith(b"boot")
    (greeting,) = of(Hello, frames(data.partition(b"\0")[2]))
    assert greeting.reset_cause == ResetCause.EXTERNAL
    assert person.world.board.boot_counter == counter + 1
    assert person.angle_deg == pytest.approx(angle, abs=0.01)
    assert person.opens_deg() == opens
    assert person.world.now_s == pytest.approx(now + 0.507)


def test_the_acts_are_told_in_order_and_turns_are_summed() -> None:
    person = acted()
    person.do("turn", by_deg=10, speed_deg_s=60)
    person.do("turn", by_deg=5.5, speed_deg_s=60)
    person.do("turn", by_deg=-2, speed_deg_s=60)
    person.do("seek", **{"from": "above"})
    person.do("press")
    acts = person.truth()["acts"]
    assert [a["do"] for a in acts] == [
        "turned 15.5° on", "turned 2.0° back", "felt for neutral from above", "pressed the pedal"
    ]  # fmt: skip
    times = [a["at_s"] for a in acts]
    assert times == sorted(times)
    assert person.truth()["exercise"] is None


def test_the_same_commands_at_the_same_times_give_the_same_bytes() -> None:
    def bytes_of(seed: int) -> bytes:
        person = Acted(load("exercise-surprise"), seed)
        person.do("keep_turning", speed_deg_s=90)
        person.wait(4.0)
        person.do("hold")
        person.do("loosen", breaker="main")
        person.do("tighten", breaker="main")
        person.wait(1.0)
        return person.sent

    assert bytes_of(5) == bytes_of(5)
    assert bytes_of(5) != bytes_of(6)


def test_every_line_told_is_json() -> None:
    person = Acted(load("exercise-surprise"))
    json.dumps(person.rehearsal.truth(), allow_nan=False)
    json.dumps(person.felt, allow_nan=False)
