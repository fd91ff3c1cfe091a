"""Statements about what is doubtful: it is told, made void, or refused; never passed over."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from bench.errors import JobFileError
from bench.evaluation import evaluate
from bench.journal import Kind, Record
from bench.result import document
from bench.run import Run
from bench.verdict import Verdict
from firmware_protocol.framing import Framer
from firmware_protocol.messages import Contact, Edges, Hello, Index, Level, Position, Start, Trouble, TroubleCode
from tests.support.scripted import (
    MARKING,
    MARKING_PRESSES,
    Script,
    Sent,
    hello,
    job,
    measure,
    new_run,
    play,
    records,
    turning,
    wire,
)

READS_MORE = 0.01234
EXACT = 0.003
SCRIPT = turning(7.5)


def codes(run: Run) -> list[str]:
    return [n.code for n in run.notes]


def run_of(script: Script, sent: list[Sent], **more: Any) -> Run:
    run = new_run(**more)
    for record in records(script, wire(sent)):
        run.feed(record)
    return run


def test_marks_before_any_index_are_told_to_be_unverified() -> None:
    short = ((0.0, -40.0), (0.5, -40.0), *MARKING[2:])
    assert codes(measure(turning(6.5, after=short))) == ["zero-unverified"]
    assert codes(measure(turning(6.5))) == []


def test_counts_lost_right_after_marking_are_found_by_the_index_before_it() -> None:
    sent = [
        Sent(s.at_s, replace(s.message, count=s.message.count + 5))
        if s.at_s > 6.95 and isinstance(s.message, (Position, Edges, Contact, Index))
        else s
        for s in play(replace(SCRIPT, with_edges=False))
    ]
    run = run_of(SCRIPT, sent)
    assert "count-doubtful" in codes(run)
    assert not run.finished


def after_reset(greeting: Hello) -> Run:
    """Half a job, then a reset after which `greeting` answers, a new session, and a whole job."""
    frames = wire(play(SCRIPT))
    run = new_run()
    for record in records(SCRIPT, frames[: len(frames) // 2]):
        run.feed(record)
    run.feed(Record(Kind.FROM_BOARD, b"\0" + Framer().encode(greeting, 0, 0), 0))
    run.feed(Record(Kind.TO_BOARD, Framer().encode(Start(2, 100, 0, 1), 0, 2), 0))
    again = wire(play(SCRIPT), session=2)
    run.feed(Record(Kind.FROM_BOARD, b"".join(again), 0))
    return run


def test_after_a_reset_a_new_session_measures_rightly() -> None:
    run = after_reset(replace(hello(SCRIPT), boot_counter=8))
    assert run.failure is None
    assert codes(run) == ["board-reset"]
    found = document(run, "x")
    assert [o.angle_deg for o in found.breakers[0].openings] == pytest.approx([10.0 + READS_MORE] * 2, abs=EXACT)
    assert found.board is not None
    assert found.board["boot_counter"] == 8


@pytest.mark.parametrize("change", [{"counts_per_turn": 6_000}, {"board_id": b"another!"}, {"tick_hz": 1_000_000}])
def test_another_board_after_a_reset_ends_the_run(change: dict[str, Any]) -> None:
    run = after_reset(replace(hello(SCRIPT), boot_counter=8, **change))
    assert run.failure is not None
    assert run.failure.code == "other-board"


def test_a_pedal_that_bounces_when_let_go_is_no_second_press() -> None:
    sent = list(play(SCRIPT))
    bounces = []
    for s in sent:
        if type(s.message).__name__ == "Press" and s.message.down == 0:  # type: ignore[union-attr]
            # Let go 0.4 s after the press, bouncing once.
            for n, down in ((0.20, 0), (0.21, 1), (0.22, 0)):
                tick = (s.message.tick + round(n * 2_000_000)) & 0xFFFF_FFFF  # type: ignore[union-attr]
                bounces.append(Sent(s.at_s + n, replace(s.message, tick=tick, down=down)))  # type: ignore[type-var]
    kept = [s for s in sent if not (type(s.message).__name__ == "Press" and s.message.down == 0)]  # type: ignore[union-attr]
    run = run_of(SCRIPT, sorted([*kept, *bounces], key=lambda s: s.at_s))
    assert run.procedure is not None
    assert run.procedure.presses_per_side == (2, 2)


def marking_with_overshoot(overshoot: float) -> Script:
    path = [*MARKING]
    t, _ = MARKING[-1]
    # One more press: comes back from beyond, passes neutral by `overshoot`, and returns to it.
    path += [(t + 0.5, 5.0), (t + 1.0, 0.2 - overshoot), (t + 1.5, 0.2), (t + 2.5, 0.2)]
    return turning(6.5, after=path)


def test_a_press_after_overshooting_is_not_used_and_says_so() -> None:
    script = replace(marking_with_overshoot(1.6), presses=(*MARKING_PRESSES, MARKING[-1][0] + 2.0))
    run = measure(script)
    assert codes(run) == ["press-side-unclear"]
    assert run.procedure is not None
    assert run.procedure.presses_per_side == (2, 2)


def test_a_trembling_hand_does_not_unsettle_the_side() -> None:
    script = replace(marking_with_overshoot(0.3), presses=(*MARKING_PRESSES, MARKING[-1][0] + 2.0))
    run = measure(script)
    assert codes(run) == []
    assert run.procedure is not None
    assert run.procedure.presses_per_side == (2, 3)


def test_after_a_second_of_data_loss_a_press_has_no_side() -> None:
    # The loss hides how the rotor came back to the second press.
    sent = [s for s in play(SCRIPT) if not 2.2 < s.at_s < 3.2]
    run = run_of(SCRIPT, sent)
    assert "press-side-unclear" in codes(run)


@pytest.mark.parametrize(
    ("reference", "true", "target", "minus", "expected"),
    [
        ("neutral", -0.8, 1.0, 3.0, -0.8 + READS_MORE),
        ("second1.target", -15.0 + 30.0, -15.0, 2.0, -15.0 + READS_MORE),
    ],
)
def test_an_opening_on_the_other_side_of_its_reference_is_counted_from_where_its_target_lies(
    reference: str, true: float, target: float, minus: float, expected: float
) -> None:
    tables = job(breakers=2)
    tables["breaker"][0] |= {"from": reference, "opens_at_deg": target, "minus_deg": minus, "plus_deg": 2.0}
    tables["breaker"][1] |= {"opens_at_deg": 30.0}
    first = ((true % 360, (true + 60) % 360), ((true + 180) % 360, (true + 240) % 360))
    if true < 0:
        first = (*(((true % 360), 360.0), (0.0, true + 60)), first[1])  # type: ignore[assignment]
    script = replace(turning(6.5), open_over=(first, ((30.0, 90.0), (210.0, 270.0))))
    run = measure(script, tables=tables)
    assert run.failure is None
    openings = document(run, "x").breakers[0].openings
    assert [o.angle_deg for o in openings] == pytest.approx([expected] * 2, abs=EXACT)
    assert {o.verdict for o in openings} == {"inside"}


def test_limits_that_no_measured_distance_can_meet_are_refused() -> None:
    tables = job(breakers=2)
    tables["breaker"][1] |= {"from": "main", "opens_at_deg": 0.5, "minus_deg": 1.0, "plus_deg": 1.0}
    with pytest.raises(JobFileError, match=r"breaker\[1\].opens_at_deg.*difference"):
        new_run(tables)


def test_dwell_and_closing_do_not_reach_over_a_data_loss() -> None:
    def lost(first: float, last: float) -> Run:
        frames = play(SCRIPT)
        framer = Framer()
        data = []
        for s, w in zip(frames, wire(frames), strict=True):
            message = framer.decode(w[:-1]).message
            at = (
                message.count * 360 / SCRIPT.counts_per_turn
                if isinstance(message, (Position, Contact, Index))
                else None
            )
            if not (at is not None and s.at_s > 8 and first < at - 360 < last):
                data.append(w)
        run = new_run()
        for record in records(SCRIPT, data):
            run.feed(record)
        return run

    for first, last in ((85.0, 265.0), (60.0, 200.0)):
        run = lost(first, last)
        assert run.failure is None
        for opening in document(run, "x").breakers[0].openings:
            assert opening.dwell_deg == pytest.approx(110.0, abs=EXACT)
            assert opening.closing_deg == pytest.approx(80.0, abs=0.1)


def test_a_lost_index_report_does_not_end_the_watch_over_the_count() -> None:
    script = replace(SCRIPT, with_edges=False)
    sent = list(play(script))
    indexes = [n for n, s in enumerate(sent) if isinstance(s.message, Index)]
    shifted = [
        Sent(s.at_s, replace(s.message, count=s.message.count + 20))
        if s.at_s > 25.0 and isinstance(s.message, (Position, Contact, Index))
        else s
        for s in sent
    ]
    del shifted[indexes[2]]
    run = run_of(script, shifted)
    assert "count-doubtful" in codes(run)
    assert not run.finished


def test_voids_are_no_progress_and_too_many_end_the_run() -> None:
    t, a = MARKING[-1]
    resting = replace(SCRIPT, path=(*MARKING, (t + 320, a)))
    sent = list(play(resting))
    troubled = 0
    out: list[Sent] = []
    for s in sent:
        if isinstance(s.message, Position):
            if s.at_s > 20 + 40 * troubled:
                troubled += 1
                out.append(Sent(s.at_s, Trouble(s.message.tick, TroubleCode.ILLEGAL_TRANSITION, 255, 1, 0)))
            s = Sent(s.at_s, replace(s.message, troubles=troubled))
        out.append(s)
    run = run_of(resting, out)
    assert run.failure is not None
    assert run.failure.code in ("incomplete", "count-lost")
    assert run.tick < 200 * 2_000_000


def test_a_second_breaker_that_never_settles_ends_the_run() -> None:
    tables = job(breakers=2)
    tables["breaker"][1] |= {"opens_at_deg": 30.0}
    # Opens and closes every 0.15°, so that no state is ever settled.
    restless = tuple((n * 0.3, n * 0.3 + 0.15) for n in range(1200))
    run = measure(
        replace(
            turning(17), open_over=(((10.0, 80.0), (190.0, 260.0)), restless), with_edges=False, counts_per_turn=3_600
        ),
        tables=tables,
    )
    assert run.failure is not None
    assert run.failure.code == "incomplete"
    assert "second1 lobe 0: 5" in run.failure.text


def test_position_reports_that_contradict_the_greeting_end_the_run() -> None:
    sent = [
        Sent(s.at_s, replace(s.message, contact_edges=())) if isinstance(s.message, Position) else s
        for s in play(SCRIPT)
    ]
    run = run_of(SCRIPT, sent)
    assert run.failure is not None
    assert run.failure.code == "board-protocol"


def test_a_chattering_probe_that_the_job_does_not_use_disturbs_nothing() -> None:
    noisy = tuple((n * 0.3, n * 0.3 + 0.15) for n in range(1200))
    script = replace(turning(6.5), open_over=(((10.0, 80.0), (190.0, 260.0)), noisy))
    run = measure(script)
    assert run.failure is None
    assert run.finished
    assert [o.angle_deg for o in document(run, "x").breakers[0].openings] == pytest.approx(
        [10.0 + READS_MORE] * 2, abs=EXACT
    )


def test_a_dropped_report_of_edges_that_the_board_tells_afterwards_voids_no_zero() -> None:
    sent = list(play(SCRIPT))
    gone = next(n for n, s in enumerate(sent) if s.at_s > 12.0 and isinstance(s.message, Edges))
    told_at = sent[gone].at_s + 0.08
    del sent[gone]
    place = next(n for n, s in enumerate(sent) if s.at_s > told_at)
    tick = 0
    sent[place:] = [
        Sent(s.at_s, replace(s.message, troubles=1)) if isinstance(s.message, Position) else s for s in sent[place:]
    ]
    sent.insert(place, Sent(told_at, Trouble(tick, TroubleCode.QUEUE_OVERRUN, 255, 1, 0)))
    run = run_of(SCRIPT, sent)
    assert codes(run) == ["board-overrun"]
    assert run.finished


def test_an_encoder_coarser_than_a_degree_is_refused() -> None:
    run = measure(replace(SCRIPT, counts_per_turn=36))
    assert run.failure is not None
    assert run.failure.code == "counts-per-turn"


def test_levels_alone_are_no_sign_of_life_for_the_run() -> None:
    run = new_run()
    for record in records(SCRIPT, wire([Sent(0.2 * n, Level(n * 400_000, (4,))) for n in range(500)])):
        run.feed(record)
    # The host's clock notices the missing Positions (see the session); the run itself has decided nothing.
    assert run.tick == 0


def test_what_lies_far_outside_is_called_outside_even_with_a_wide_band() -> None:
    wide = tuple((t, a * 12 if abs(a) == 0.2 else a) for t, a in MARKING)
    far = replace(turning(6.5, after=wide), open_over=(((60.0, 120.0), (240.0, 300.0)),))
    run = measure(far)
    assert [o.verdict for o in evaluate(run).breakers[0].openings] == [Verdict.OUTSIDE, Verdict.OUTSIDE]


def test_an_angle_from_the_mark_without_a_target_lies_after_the_mark() -> None:
    tables = job()
    del tables["limits"]
    for key in ("opens_at_deg", "minus_deg", "plus_deg"):
        del tables["breaker"][0][key]
    tables["breaker"][0]["from"] = "mark"
    path = ((0.0, -400.0), (1.0, -0.2), (2.0, -0.2), (9.0, 7.5 * 360), (10.0, 7.5 * 360))
    script = Script(path, presses=(1.5,), open_over=(((120.0, 150.0), (300.0, 330.0)),))
    run = measure(script, tables=tables)
    assert run.failure is None
    assert run.finished
    for opening in document(run, "x").breakers[0].openings:
        assert opening.angle_deg == pytest.approx(120.2, abs=0.1)
