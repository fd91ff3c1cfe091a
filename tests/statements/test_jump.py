"""Statements about a coupling that slips once: shown by the openings on the way to neutral, and what then cannot be known."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from bench.evaluation import evaluate
from bench.jump import JUMP, Crossed, jump
from bench.result import document
from bench.run import Run
from tests.statements.test_guided import feed, guided_run, job_script
from tests.support.scripted import MARKING, Script, job, measure, turning

READS_MORE = 0.01234
SLIPPED = 1.5
TURNS = 7


def slipped(degrees: float, from_turn: int = 1, script: Script | None = None) -> Script:
    """The points of every turn from `from_turn` on open so much later as read: the disc has stayed behind on the shaft.

    The first lobe's opening of turn 0 is the first pass, right behind neutral; of turn -1, on the way to neutral.
    """
    wild = tuple((turn, degrees) for turn in range(from_turn, TURNS + 1))
    return replace(script or turning(TURNS - 0.5), wild=wild)


def codes(run: Run) -> list[str]:
    assert run.failure is None, run.failure
    return [c for c, _ in evaluate(run).notes]


def verdicts(run: Run) -> set[str]:
    return {str(o.verdict) for o in document(run, "x").breakers[0].openings}


def covered(run: Run) -> bool:
    return all(
        o.angle_deg is not None
        and o.expanded_uncertainty_deg is not None
        and abs(o.angle_deg - 10.0 - READS_MORE) <= o.expanded_uncertainty_deg
        for o in document(run, "x").breakers[0].openings
    )


@pytest.mark.parametrize("degrees", [SLIPPED, -SLIPPED, 0.5])
def test_a_slip_between_the_marks_and_the_passes_is_noted_undecided_and_covered(degrees: float) -> None:
    run = measure(slipped(degrees, 0), passes=2)
    assert "angles-jump" in codes(run)
    assert verdicts(run) == {"undecided"}
    assert covered(run)


def test_a_slip_among_the_passes_is_noted_and_covered() -> None:
    run = measure(slipped(SLIPPED, 3))
    assert "angles-jump" in codes(run)
    assert verdicts(run) == {"undecided"}
    assert covered(run)


def test_a_sound_coupling_is_not_noted() -> None:
    run = measure(turning(TURNS - 0.5))
    assert codes(run) == []
    assert verdicts(run) == {"inside"}


def test_without_an_opening_before_the_marks_nothing_tells_and_the_record_says_what_is_assumed() -> None:
    # Neutral is come to from 20° before it; no lobe opens between 260 - 360 and 10°.
    near = ((0.0, -20.0), *(p for p in MARKING if p[0] >= 1.5))
    script = slipped(SLIPPED, 0, turning(TURNS - 0.5, after=near))
    run = measure(script, passes=2)
    assert "slip-unchecked" in codes(run)
    assert "angles-jump" not in codes(run)
    assert not covered(run)


def test_only_what_lies_between_two_breakers_passes_moves_them_apart() -> None:
    both = (((10.0, 80.0), (190.0, 260.0)),) * 2
    tables = job(breakers=2)
    tables["difference"] = [{"between": ["main", "second1"], "deg": 0.0, "minus_deg": 1.0, "plus_deg": 1.0}]
    before = measure(replace(slipped(SLIPPED, 0), open_over=both), tables=tables)
    among = measure(replace(slipped(SLIPPED, 3), open_over=both), tables=tables)

    def sources(run: Run) -> set[str]:
        return {t.source for d in evaluate(run).differences for t in d.angle.budget.terms}

    assert JUMP not in sources(before)
    assert JUMP in sources(among)


def test_points_that_were_set_in_between_have_not_jumped() -> None:
    run = feed(guided_run(), job_script(), {"kind": "step", "to": "done"})
    assert "angles-jump" not in codes(run)
    assert verdicts(run) == {"inside"}


# --- by scatter alone ----------------------------------------------------------------------------------------------------


def drawn(draw: random.Random, step_deg: float = 0.0, delay_s: float = 0.0) -> list[Crossed]:
    """Two lobes, one opening of each before the marks at tick 5, two passes of each behind; scatter 0.03°."""
    found = []
    for tick in range(12):
        if tick % 2 == 0:
            is_pass = tick > 5
            speed = draw.uniform(190, 200) if is_pass else draw.uniform(20, 30)
            angle = draw.gauss(0.1 * (tick // 2 % 2), 0.03) + step_deg * is_pass + delay_s * speed
            found.append(Crossed(tick, tick // 2 % 2, angle, speed, is_pass))
    return found


def test_scatter_alone_makes_a_jump_as_rarely_as_stated() -> None:
    draw = random.Random(5)
    n = 4000
    seen = sum((j := jump(drawn(draw), 5, 0.0, 0.0)) is not None and j.significant for _ in range(n))
    # 0.1 %: 4 expected; more than 12 come by chance with 2.7e-4 (Poisson).
    assert seen <= 12


def test_a_step_of_ten_times_the_scatter_is_seen() -> None:
    draw = random.Random(6)
    found = [jump(drawn(draw, 0.6), 5, 0.0, 0.0) for _ in range(200)]
    assert sum(j is not None and j.significant for j in found) > 160
    assert sum(j.step_deg for j in found if j is not None) / 200 == pytest.approx(0.6, abs=0.05)


def test_what_a_delay_explains_is_no_jump() -> None:
    draw = random.Random(7)
    # 10 ms over 170°/s: 1.7°, in the passes alone.
    jobs = [drawn(draw, 0.0, 0.01) for _ in range(300)]
    explained, bare = ([jump(j, 5, known, 0.0) for j in jobs] for known in (0.011, 0.0))
    assert not any(j is not None and j.significant for j in explained)
    assert sum(j is not None and j.significant for j in bare) > 250


def test_a_step_before_the_first_mark_is_none_of_it() -> None:
    openings = [Crossed(t, 0, 1.0 if t < 3 else 0.001 * (t % 2), 60.0, t > 5) for t in range(12)]
    found = jump(openings, 5, 0.0, 0.0)
    assert found is not None
    assert not found.significant
