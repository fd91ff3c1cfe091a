"""The whole simulated bench: the same bytes each time, the faults, and the truth."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest

from bench.result import ResultDocument, document
from firmware_protocol.framing import Frame, FrameReader
from firmware_protocol.messages import (
    Contact,
    Edges,
    EdgesFlag,
    Hello,
    Identify,
    Index,
    Level,
    Position,
    Press,
    Start,
    Trouble,
    TroubleCode,
)
from sim.scenario import builtin_names, load
from sim.world import World
from tests.sim.device import START, frames, greeted, job, of, scenario, session, whole_job, wire
from tests.support.simulated import carry_out


def in_steps(world: World, step_s: float, seconds: float) -> bytes:
    greeted(world).receive(wire(START))
    return b"".join(world.advance(step_s) for _ in range(round(seconds / step_s)))


def test_the_same_seed_gives_the_same_bytes_in_any_pieces() -> None:
    whole = in_steps(World(load(), 3), 6.5, 6.5)
    assert len(whole) > 20_000
    assert in_steps(World(load(), 3), 0.013, 6.5) == whole
    assert in_steps(World(load(), 3), 0.001, 6.5) == whole
    assert in_steps(World(load(), 3), 0.5, 6.5) == whole


def test_time_before_start_makes_no_difference() -> None:
    waited = greeted(World(load(), 3))
    for _ in range(10):
        waited.advance(1.0)
    assert session(waited, 2.0) == session(World(load(), 3), 2.0)


def test_another_seed_gives_other_bytes() -> None:
    assert session(World(load(), 3), 2.0) != session(World(load(), 4), 2.0)


def test_before_start_nothing_but_boot_text_and_hello_comes() -> None:
    world = World(load(), 3)
    boot = world.boot()
    assert boot.startswith(b"boot loader")
    assert isinstance(frames(boot.partition(b"\0")[2])[0].message, Hello)
    assert world.advance(5.0) == b""
    world.receive(b"\0" + wire(Identify(1)))
    assert len(of(Hello, frames(world.advance(0.0)))) == 1
    assert world.now_s == 0.0


def test_a_world_without_a_call_to_boot_boots_all_the_same() -> None:
    assert World(load(), 3).advance(0.0) == World(load(), 3).boot()


#: Exercises are turned through in `test_exercises_shown`.
@pytest.mark.parametrize("name", [name for name in builtin_names() if not name.startswith("exercise-")])
def test_each_built_in_job_runs_to_its_end_in_order(name: str) -> None:
    world, found = job(name)
    assert [f.sequence for f in found] == list(range(len(found)))
    assert 40 < world.now_s < 200
    assert isinstance(found[-1].message, Hello)
    expected: int | None = None
    overloaded = any(t.code == TroubleCode.ILLEGAL_TRANSITION for t in of(Trouble, found))
    for edges in of(Edges, found):
        if not edges.flags & EdgesFlag.AFTER_SUSPENSION and not overloaded:
            assert expected in (None, edges.count)
        expected = edges.count + sum(-1 if s & 0x8000 else 1 for s in edges.steps)
    doubtful = {t.code for t in of(Trouble, found)} & {1, 2, 3, 4}
    assert bool(doubtful) == (world.scenario.impulse is not None)
    told = [0, 0]
    for contact in of(Contact, found):
        told[contact.channel] += 1 + contact.storm_edges
    assert of(Position, found)[-1].contact_edges == tuple(told)


def test_openings_lie_where_the_truth_says() -> None:
    """A host of ten lines: counts at the first departures against the count at neutral, both as the true disc has them."""
    plain = {"lobe_error_deg": 0.0, "scatter_deg": 0.0, "bounces": 0.0, "capacitor_uf": 0.0}
    world = World(
        scenario(
            breaker=[{"name": "main", "opens_deg": 10.0, **plain}],
            unit={"pole_spacing_error_deg": 0.0},
            encoder={"eccentricity_um": 0.0, "phase_error_deg": 0.0, "hysteresis_counts": 0.0, "start_deg": 90.0},
        ),
        1,
    )
    start_deg = world.rotor.angle_deg
    first_count = world.board.count
    found = frames(whole_job(world))
    # Count c lies between c and c+1; board and disc differ by a whole number of counts.
    offset = np.floor(start_deg / 0.036 + 2500.0) - first_count - 2500.0
    opened = [(c.count + offset) * 0.036 for c in of(Contact, found) if c.opened and c.before_steps[:1] == (1,)]
    assert len(opened) >= 24
    assert all(abs((angle - 10.0 + 45.0) % 90.0 - 45.0) <= 0.036 for angle in opened)


def test_truth_holds_openings_neutrals_presses_and_every_draw() -> None:
    world, _ = job("with-retard")
    truth: dict[str, Any] = world.truth()
    draws = truth["draws"]
    assert [o["lobe"] for o in truth["openings"]] == [0, 1, 2, 3] * 2
    for place, opening in enumerate(truth["openings"]):
        name, lobe = opening["breaker"], place % 4
        expected = draws[f"breaker.{name}.opens_deg"] + draws[f"breaker.{name}.lobe_error_deg.{lobe}"]
        assert opening["from_neutral_deg"] == pytest.approx(expected)
    assert [n["deg"] for n in truth["neutrals"]] == pytest.approx(
        [0.0] + [90.0 * k + draws[f"unit.pole_spacing_error_deg.{k}"] for k in (1, 2, 3)]
    )
    assert len(truth["presses"]) == 8
    assert len(truth["rests"]) == 4


def test_a_lobe_that_opens_beyond_the_next_neutral_is_counted_from_neutral_0() -> None:
    world = World(scenario(breaker=[{"name": "main", "opens_deg": 95.0, "lobe_error_deg": 0.0}]), 1)
    openings: Any = world.truth()["openings"]
    assert [o["from_neutral_deg"] for o in openings] == [95.0] * 4
    # Opening of lobe 3 lies 5° past neutral 0, and so comes first.
    assert world.cams[0].openings()[0][0] == pytest.approx(5.0, abs=0.3)


LIFTED = {
    "unit": {"cam": "compensated", "cylinders": 5},
    "breaker": [{"name": "main", "opens_deg": 11.0, "offsets_deg": [0.0, 0.5, -0.5, 1.0, 0.2]}],
    "hand": {"followers_lifted": True, "creep_share": 0.5, "turns_first": 0, "presses_per_side": 1, "turns": 0.7},
}


def test_lifting_and_creeping_give_the_same_bytes_in_any_pieces() -> None:
    whole = in_steps(World(scenario(**LIFTED), 3), 50.0, 50.0)
    assert in_steps(World(scenario(**LIFTED), 3), 0.13, 50.05)[: len(whole)] == whole
    assert len(of(Contact, frames(whole.rpartition(b"\0")[0] + b"\0"))) > 1


@cache
def measured(name: str) -> tuple[ResultDocument, dict[tuple[str, int], Any]]:
    """A compensated cam's job as the bench measures it, and the truth by breaker and lobe."""
    done = carry_out(name, 1)
    assert done.run.failure is None
    return document(done.run, "x"), {(o["breaker"], o["lobe"]): o for o in done.truth["openings"]}


@pytest.mark.parametrize("name", ["compensated", "compensated-dual"])
def test_the_bench_finds_each_lobe_past_each_neutral_where_the_truth_has_it(name: str) -> None:
    found, truth = measured(name)
    off = [
        (pair.neutral, pair.from_neutral_deg - true["from_neutral_deg"])
        for breaker in found.breakers
        for opening in breaker.openings
        for pair in opening.by_neutral
        for true in truth[breaker.name, opening.lobe]["by_neutral"]
        if true["neutral"] == pair.neutral and pair.from_neutral_deg is not None
    ]
    assert len(off) > 30
    # The bench cannot know a neutral's own error, up to 0.25°; it is the same for every lobe. What is left is scatter from pass to
    # pass (0.03°, of which five standard deviations), a capacitor's delay and the disc off-centre (0.06° at most).
    for neutral in {n for n, _ in off}:
        errors = [e for n, e in off if n == neutral]
        assert max(abs(e - np.mean(errors)) for e in errors) < 5 * 0.03 + 0.06
        assert abs(np.mean(errors)) < 0.25 + 0.143 + 4 * 0.15 / np.sqrt(8) + 0.06


def test_the_difference_of_two_breakers_on_one_cam_is_the_true_one() -> None:
    found, truth = measured("compensated-dual")
    assert [d.lobe for d in found.differences] == list(range(14))
    for row in found.differences:
        true = truth["right", row.lobe]["from_neutral_deg"] - truth["left", row.lobe]["from_neutral_deg"]
        # Scatter of two means of five passes of at most 0.03° each, to four standard deviations, and two thresholds' delays.
        assert row.angle_deg == pytest.approx(true, abs=4 * 0.03 * np.sqrt(2 / 5) + 0.02)


def test_levels_show_the_points_open_and_closed() -> None:
    found = frames(session(World(load(), 2), 3.0))
    first = [level.millivolts[0] for level in of(Level, found)]
    assert min(first) < 5
    assert max(first) == 5000
    assert {level.millivolts[1] for level in of(Level, found)} == {5000}


# --- faults --------------------------------------------------------------------------------------------------------------


def test_a_coil_left_on_the_points_reads_closed_for_ever() -> None:
    _, found = job("coil-lead-on")
    assert not of(Contact, found)
    assert {p.levels & 1 for p in of(Position, found)} == {0}
    assert max(level.millivolts[0] for level in of(Level, found)) < 10


@pytest.mark.parametrize(("fault", "level"), [("stuck_open", 1), ("never_opens", 0)])
def test_points_that_never_change(fault: str, level: int) -> None:
    found = frames(session(World(scenario(fault={fault: "main"}), 1), 5.0))
    assert not of(Contact, found)
    assert {p.levels & 1 for p in of(Position, found)} == {level}


def split_at_boot(data: bytes) -> tuple[list[Frame], list[Frame]]:
    before, text, after = data.partition(b"boot loader")
    assert text
    whole = before.rpartition(b"\0")[0] + b"\0"
    return frames(whole), frames(after.partition(b"\0")[2])


@pytest.mark.parametrize(("forgets", "counter"), [(False, 2), (True, 1)])
def test_a_reset_in_the_middle_gives_a_hello_and_silence_until_start(forgets: bool, counter: int) -> None:
    world = World(scenario(fault={"reset_at_s": 2.0, "boot_counter_reset": forgets}), 1)
    before, after = split_at_boot(session(world, 4.0))
    assert of(Position, before)[-1].count > 100
    assert [type(f.message) for f in after] == [Hello]
    assert (after[0].session, after[0].sequence) == (0, 0)
    assert of(Hello, after)[0].boot_counter == counter
    world.receive(wire(Start(2, 100, 0, 1)))
    again = frames(world.advance(0.5))
    assert of(Position, again)[0].tick < 2.1 * 2_000_000
    assert abs(of(Position, again)[0].count) < 10_000


def test_a_silent_board_keeps_its_port_open() -> None:
    world = World(scenario(fault={"silent_at_s": 2.0}), 1)
    data = session(world, 2.0)
    assert frames(data.rpartition(b"\0")[0] + b"\0")
    assert world.advance(5.0) == b""
    assert not world.closed
    assert not world.speaking


def test_a_port_that_goes_away_says_nothing_more() -> None:
    world = World(scenario(fault={"close_at_s": 1.0}), 1)
    cut = session(world, 5.0)
    assert cut == session(World(scenario(), 1), 1.0)
    assert world.closed


def test_other_definitions_show_in_hello_and_start_is_not_understood() -> None:
    world = World(scenario(fault={"other_fingerprint": True}), 1)
    world.boot()
    world.receive(wire(Identify(1)))
    hello = of(Hello, frames(world.advance(0.0)))[0]
    assert hello.fingerprint != of(Hello, frames(greeted_hello()))[0].fingerprint
    world.receive(wire(START))
    assert world.advance(1.0) == b""
    assert not world.started


def greeted_hello() -> bytes:
    world = World(scenario(), 1)
    return world.boot().partition(b"\0")[2]


def test_rubbish_is_no_board() -> None:
    world = World(scenario(fault={"rubbish": True}), 1)
    world.receive(wire(Identify(1)) + wire(START))
    data = b"".join(world.advance(0.1) for _ in range(20))
    assert data.count(b"\r\n") > 20
    assert FrameReader().feed(data + b"\0")[0].__class__.__name__ == "BadFrame"


def test_lost_counts_show_at_the_index_and_nowhere_else() -> None:
    world = World(scenario(fault={"lost_counts": {"at_s": 45.0, "counts": 8}}, hand={"presses_per_side": 2}), 1)
    found = frames(whole_job(world))
    troubles = of(Trouble, found)
    assert [(t.code, t.amount) for t in troubles] == [(TroubleCode.INDEX_OFF, 9_992)]
    turns = np.diff([i.count for i in of(Index, found)])
    assert sorted(turns.tolist())[0] == 9_992


def test_an_impulse_coupling_overruns_the_board_which_tells() -> None:
    _, found = job("impulse-fitted")
    codes = {t.code for t in of(Trouble, found)}
    assert codes >= {TroubleCode.EDGES_TOO_NEAR, TroubleCode.FLAG_SET_AGAIN, TroubleCode.EDGES_SUSPENDED}


def test_stop_and_start_keep_the_world_going() -> None:
    world = World(load(), 1)
    session(world, 3.0, stop=True)
    assert world.advance(1.0) == b""
    world.receive(wire(Start(2, 50, 0, 0)))
    data = frames(world.advance(30.0))
    assert not of(Edges, data)
    assert of(Press, data)
    assert {f.session for f in data} == {2}


@pytest.mark.parametrize(
    ("unit", "breaker"),
    [
        ({"poles": 8}, {"opens_deg": 9.0, "dwell_deg": 20.0}),
        ({"poles": 6, "rotation": "counterclockwise"}, {"opens_deg": 11.0}),
        ({"equilibrium": "register"}, {"opens_deg": 10.0}),
    ],
)
def test_other_units_run_to_their_end_too(unit: dict[str, Any], breaker: dict[str, Any]) -> None:
    world = World(scenario(unit=unit, breaker=[{"name": "main", **breaker}], hand={"turns": 1.1}), 1)
    found = frames(whole_job(world))
    assert not of(Trouble, found)
    assert len([p for p in of(Press, found) if p.down]) == 8
    truth: dict[str, Any] = world.truth()
    half_pole = 45.0 if unit.get("equilibrium") == "register" else 0.0
    assert all(abs(abs(p["from_neutral_deg"]) - half_pole) < 1.5 for p in truth["presses"])
