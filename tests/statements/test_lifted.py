"""Statements about followers lifted off the cam: the cam's pull on neutral is measured instead of feared."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bench.evaluation import evaluate
from bench.result import document
from bench.run import Run
from bench.settings import header, read_header
from tests.support.scripted import MARKING, MARKING_PRESSES, Script, job, measure, new_run

READS_MORE = 0.01234
#: True neutral is 0°: felt there with the followers lifted, and pulled so far with them on the cam.
PULL = 0.05


def lifted_first(pull: float = PULL, presses_lifted: int = 4, down: bool = True, let_down: bool = True) -> Script:
    """Neutral felt with the followers off, then on the cam and pulled, then seven turns."""
    path = [*MARKING]
    presses = list(MARKING_PRESSES[:presses_lifted])
    t, a = path[-1]
    # A jaw's width on from neutral and back, with the followers let down on the way.
    path += [(t + 1, -5.0)]
    let_down_s = t + 0.5
    if down:
        t = path[-1][0]
        path += [(t + 0.5, -5.0 + pull)]
        path += [(t + at - 0.5, place + pull) for at, place in MARKING[2:]]
        presses += [t + at - 0.5 for at in MARKING_PRESSES]
    t, a = path[-1]
    path += [(t + 42, a + 7 * 360), (t + 43, a + 7 * 360)]
    return Script(tuple(path), tuple(presses), lifted_until_s=let_down_s if let_down else None)


def codes(run: Run) -> list[str]:
    return [n.code for n in document(run, "x").notes]


def term(run: Run, source: str) -> float:
    neutral = evaluate(run).neutral
    assert neutral is not None
    return sum(t.contribution_deg for t in neutral.terms if t.source == source)


def test_the_pull_of_the_cam_is_told_and_taken_out() -> None:
    run = measure(lifted_first(), followers_lifted=True)
    assert run.failure is None
    found = document(run, "x")
    assert found.cam_pull is not None
    assert found.cam_pull.within_bound
    # A count is 0.18° here, and presses stand at its middle: the pull is told to about that.
    assert found.cam_pull.angle_deg == pytest.approx(PULL, abs=0.18)
    assert [e.method for e in found.neutrals[0].estimates] == ["presses, followers lifted", "presses"]


def test_felt_only_with_the_followers_lifted_no_cam_torque_is_left_in_the_budget() -> None:
    run = measure(lifted_first(down=False), followers_lifted=True)
    assert run.failure is None
    assert term(run, "neutral, cam torque") == 0.0
    assert document(run, "x").cam_pull is None
    without = measure(replace(lifted_first(down=False, let_down=False)))
    assert term(without, "neutral, cam torque") > 0.1


def test_felt_both_ways_less_of_the_cam_torque_is_left() -> None:
    both = measure(lifted_first(), followers_lifted=True)
    alone = measure(lifted_first(presses_lifted=0, let_down=False))
    assert 0 < term(both, "neutral, cam torque") < 0.8 * term(alone, "neutral, cam torque")


def test_a_pull_beyond_the_bound_is_named_and_the_lifted_neutral_stands_alone() -> None:
    run = measure(lifted_first(pull=3.0), followers_lifted=True)
    assert "cam-pull-large" in codes(run)
    assert term(run, "neutral, cam torque") == 0.0
    opening = document(run, "x").breakers[0].openings[0]
    assert opening.from_neutral_deg == pytest.approx(10.0 + READS_MORE, abs=0.02)


def test_points_that_close_before_neutral_was_felt_with_the_followers_off_are_told() -> None:
    run = measure(lifted_first(presses_lifted=1), followers_lifted=True)
    assert run.failure is None
    assert "followers-not-lifted" in codes(run)
    assert term(run, "neutral, cam torque") > 0.1


def test_without_the_users_word_open_points_prove_nothing() -> None:
    # A clip that is off reads open too, and that is what it is then taken for.
    run = measure(lifted_first(down=False))
    assert run.failure is not None
    assert run.failure.code == "no-closing"


def test_a_replay_keeps_the_users_word() -> None:
    run = new_run(followers_lifted=True)
    document_again = header(
        run.settings.job_file, run.settings.bench, 5, run.settings.run_date, run.settings.software, None, True
    )
    assert read_header(document_again, "x").followers_lifted


def test_neutral_felt_at_another_pole_is_told_and_not_mixed() -> None:
    four = (tuple((10.0 + 90 * k, 50.0 + 90 * k) for k in range(4)),)
    run = measure(replace(lifted_first(pull=-90.0), open_over=four), tables=job(poles=4), followers_lifted=True)
    assert run.failure is None
    assert "followers-lifted-elsewhere" in codes(run)
    assert document(run, "x").cam_pull is None
    assert [e.method for e in document(run, "x").neutrals[0].estimates] == ["presses"]
    assert term(run, "neutral, cam torque") > 0
