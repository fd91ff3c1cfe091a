"""Statements about data loss: what it voids, and that it never gives a wrong angle."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from bench.result import document
from bench.run import Run
from firmware_protocol.framing import Framer
from firmware_protocol.messages import Contact, Edges, Index, Position, Press, Trouble, TroubleCode
from tests.support.scripted import Script, Sent, hello, measure, new_run, play, records, turning, wire

READS_MORE = 0.01234
EXACT = 0.003
#: Two turns more than five passes need.
SCRIPT = turning(7.5)


def codes(run: Run) -> list[str]:
    return [n.code for n in run.notes]


def assert_right(run: Run) -> None:
    assert run.failure is None, run.failure
    assert run.finished
    for opening in document(run, "x").breakers[0].openings:
        assert opening.angle_deg == pytest.approx(10.0 + READS_MORE, abs=EXACT)


def place_of_opening(frames: list[bytes], number: int) -> int:
    """Index of the frame that tells the given opening (from 0)."""
    framer = Framer()
    found = -1
    for place, frame in enumerate(frames):
        message = framer.decode(frame[:-1]).message
        if isinstance(message, Contact) and message.opened:
            found += 1
            if found == number:
                return place
    raise AssertionError("no such opening")


def without_frames_around(number: int, before: int, after: int) -> Callable[[list[bytes]], list[bytes]]:
    def damage(frames: list[bytes]) -> list[bytes]:
        place = place_of_opening(frames, number)
        return frames[: place - before] + frames[place + after :]

    return damage


def test_a_frame_loss_voids_only_the_passes_that_it_touches() -> None:
    run = measure(SCRIPT, without_frames_around(2, 3, 1))
    assert_right(run)
    assert codes(run) == ["frames-lost"]
    first, second = document(run, "x").breakers[0].openings
    assert (first.passes_used, first.passes_void) == (5, 1)
    assert (second.passes_used, second.passes_void) == (5, 0)


def test_a_loss_of_the_first_departure_does_not_make_the_bounce_the_opening() -> None:
    # The first of three openings in a bounce is lost on the line; what follows it must not be taken for the opening.
    bouncing = replace(SCRIPT, open_over=(((10.0, 10.1), (10.15, 10.2), (10.3, 80.0), (190.0, 260.0)),))
    run = measure(bouncing, without_frames_around(4, 0, 1))
    assert_right(run)
    assert document(run, "x").breakers[0].openings[0].passes_void == 1


def test_a_loss_between_openings_voids_nothing() -> None:
    def damage(frames: list[bytes]) -> list[bytes]:
        place = place_of_opening(frames, 3) - 60
        return frames[:place] + frames[place + 2 :]

    run = measure(SCRIPT, damage)
    assert_right(run)
    assert [o.passes_void for o in document(run, "x").breakers[0].openings] == [0, 0]


def test_a_flipped_bit_costs_its_frame_and_no_more() -> None:
    def damage(frames: list[bytes]) -> list[bytes]:
        place = place_of_opening(frames, 2)
        wrong = bytearray(frames[place])
        wrong[5] ^= 0x20
        return [*frames[:place], bytes(wrong), *frames[place + 1 :]]

    run = measure(SCRIPT, damage)
    assert_right(run)
    assert run.stream.counts.bad_frames == 1
    assert document(run, "x").breakers[0].openings[0].passes_void == 1


def test_a_contact_that_the_board_never_sent_is_noticed_by_the_tally() -> None:
    sent = list(play(SCRIPT))
    openings = [n for n, s in enumerate(sent) if isinstance(s.message, Contact) and s.message.opened]
    del sent[openings[2]]
    run = new_run()
    for record in records(SCRIPT, wire(sent)):
        run.feed(record)
    assert_right(run)
    assert codes(run) == ["contact-lost"]


def test_a_second_of_silence_on_the_line_is_a_loss_even_with_a_whole_sequence() -> None:
    sent = [s for s in play(SCRIPT) if not 12.0 < s.at_s < 13.0]
    run = new_run()
    for record in records(SCRIPT, wire(sent)):
        run.feed(record)
    assert "time-lost" in codes(run)
    assert_right_or_none(run)


def assert_right_or_none(run: Run) -> None:
    if run.failure is None and run.finished:
        assert_right(run)


def shifted_from(sent: tuple[Sent, ...], at_s: float, by: int) -> list[Sent]:
    """All counts from a moment on are off: the board lost counts and did not notice."""
    return [
        Sent(s.at_s, replace(s.message, count=s.message.count + by))
        if s.at_s >= at_s and isinstance(s.message, (Position, Edges, Contact, Index, Press))
        else s
        for s in sent
    ]


@pytest.mark.parametrize("by", [-40, 2, 7])
def test_a_count_loss_voids_the_zero(by: int) -> None:
    run = new_run()
    # Without Edges the index alone can tell.
    script = replace(SCRIPT, with_edges=False)
    for record in records(script, wire(shifted_from(play(script), 12.0, by))):
        run.feed(record)
    assert "count-doubtful" in codes(run)
    assert not run.finished
    assert run.procedure is not None
    assert run.procedure.step.value == "neutral"
    assert run.lobe_counts() == {"main": [0, 0]}


def test_a_break_in_the_edges_voids_the_zero_without_waiting_for_the_index() -> None:
    run = new_run()
    script = replace(SCRIPT, with_index=False)
    for record in records(script, wire(shifted_from(play(script), 12.0, 5))):
        run.feed(record)
    assert "count-doubtful" in codes(run)
    assert not run.finished


def test_without_an_index_a_count_loss_voids_the_whole_run() -> None:
    run = new_run(bench={"index": False})
    for record in records(SCRIPT, wire(shifted_from(play(SCRIPT), 12.0, 5))):
        run.feed(record)
    assert run.failure is not None
    assert run.failure.code == "count-lost"


def test_after_a_count_loss_neutral_can_be_marked_again_and_gives_the_right_angle() -> None:
    t, a = SCRIPT.path[-1]
    again = turning(6.5).path
    second = tuple((t + 1 + s, a - a % 360 + 360 + d) for s, d in again)
    script = Script((*SCRIPT.path, *second), presses=(*SCRIPT.presses, *(t + 1 + p for p in SCRIPT.presses)))
    lossy = shifted_from(play(script), 20.0, 5)
    run = new_run()
    for record in records(script, wire(lossy)):
        run.feed(record)
    assert "count-doubtful" in codes(run)
    assert_right(run)


@pytest.mark.parametrize(
    "code",
    [
        TroubleCode.ILLEGAL_TRANSITION,
        TroubleCode.EDGES_TOO_NEAR,
        TroubleCode.FLAG_SET_AGAIN,
        TroubleCode.INDEX_OFF,
        TroubleCode.SUPPLY_DIP,
    ],
)
def test_a_board_that_doubts_its_count_voids_the_zero(code: TroubleCode) -> None:
    run = with_trouble(code)
    assert "count-doubtful" in codes(run)
    assert not run.finished


@pytest.mark.parametrize("code", [TroubleCode.QUEUE_OVERRUN, TroubleCode.CONTACT_OVERRUN])
def test_a_board_that_dropped_messages_voids_only_what_they_touch(code: TroubleCode) -> None:
    run = with_trouble(code)
    assert codes(run) == ["board-overrun"]
    assert_right(run)


def with_trouble(code: TroubleCode, told: bool = True) -> Run:
    sent = list(play(SCRIPT))
    at = next(n for n, s in enumerate(sent) if s.at_s > 12.0)
    sent[at + 1 :] = [
        Sent(s.at_s, replace(s.message, troubles=1)) if isinstance(s.message, Position) else s for s in sent[at + 1 :]
    ]
    sent.insert(at + 1, Sent(12.0, Trouble(0, code, 255, 1, 0)))
    frames = wire(sent)
    if not told:
        del frames[at + 1]
    run = new_run()
    for record in records(SCRIPT, frames):
        run.feed(record)
    return run


def test_a_lost_report_of_trouble_is_taken_for_the_worst() -> None:
    run = with_trouble(TroubleCode.ILLEGAL_TRANSITION, told=False)
    assert "count-doubtful" in codes(run)
    assert not run.finished


def test_a_changed_boot_counter_voids_the_zero() -> None:
    frames = wire(play(SCRIPT))
    half = len(frames) // 2
    greeting = Framer().encode(hello(replace(SCRIPT, boot_counter=8)), 0, 0)
    run = new_run()
    for record in records(SCRIPT, [*frames[:half], b"boot\0" + greeting, *frames[half:]]):
        run.feed(record)
    assert "board-reset" in codes(run)
    assert run.restart_wanted
    assert run.lobe_counts() == {"main": [0, 0]}
    assert not run.finished


@pytest.mark.parametrize("index", [True, False])
def test_a_reset_before_the_session_has_begun_asks_for_start_again_and_voids_nothing(index: bool) -> None:
    # The board started anew while Start was on its way, and has not read it.
    again = b"boot\0" + Framer().encode(hello(replace(SCRIPT, boot_counter=8)), 0, 0)
    run = new_run(bench={"index": index})
    for record in records(SCRIPT, [again]):
        run.feed(record)
    assert run.restart_wanted
    # A second Start, and now it speaks.
    for record in records(replace(SCRIPT, boot_counter=8), wire(play(SCRIPT), session=2), session=2)[1:]:
        run.feed(record)
    assert_right(run)
    assert "board-reset" not in codes(run)


def test_another_board_before_the_session_has_begun_is_refused() -> None:
    other = Framer().encode(replace(hello(SCRIPT), board_id=b"demo0002", boot_counter=8), 0, 0)
    run = new_run()
    for record in records(SCRIPT, [other]):
        run.feed(record)
    assert run.failure is not None
    assert run.failure.code == "other-board"


def test_frames_that_fail_their_checks_too_often_void_the_run() -> None:
    def damage(frames: list[bytes]) -> list[bytes]:
        draw = random.Random(5)
        return [f if draw.random() > 0.01 else f[:-2] + b"\0" for f in frames]

    run = measure(SCRIPT, damage)
    assert run.failure is not None
    assert run.failure.code == "bad-line"


@pytest.mark.parametrize("seed", range(12))
def test_whatever_is_lost_the_angle_is_right_or_there_is_none(seed: int) -> None:
    draw = random.Random(seed)

    def damage(frames: list[bytes]) -> list[bytes]:
        data = list(frames)
        for _ in range(draw.randint(1, 6)):
            at, n = draw.randrange(len(data)), draw.choice((1, 1, 2, 5, 40, 256))
            del data[at : at + n]
        joined = bytearray(b"".join(data))
        for _ in range(draw.randint(0, 3)):
            at = draw.randrange(len(joined))
            kind = draw.choice(("flip", "drop", "insert", "double"))
            if kind == "flip":
                joined[at] ^= 1 << draw.randrange(8)
            elif kind == "drop":
                del joined[at : at + draw.randint(1, 20)]
            elif kind == "insert":
                joined[at:at] = draw.randbytes(draw.randint(1, 20))
            else:
                joined[at:at] = joined[at : at + 64]
        return [bytes(joined)]

    run = measure(turning(12.0), damage)
    assert_right_or_none(run)
    assert run.finished or run.lobe_counts()["main"] != [5, 5]


def test_the_tick_may_wrap_at_any_moment() -> None:
    for at_s in (0.0, 1.8, 6.0, 8.0, 15.0):
        start = (2**32 - round(at_s * 2_000_000) - 1) % 2**32
        assert_right(measure(replace(SCRIPT, tick0=start)))


def test_a_missing_index_is_told() -> None:
    run = measure(replace(SCRIPT, with_index=False))
    assert_right(run)
    assert codes(run) == ["zero-unverified", "index-missing"]


def test_the_last_passes_count_only_when_an_index_has_confirmed_them() -> None:
    # Counts go missing after the last index but one, and nothing turns over the next index: no result, not a wrong one.
    script = turning(4.9)
    sent = play(script)
    last_index = max(s.at_s for s in sent if isinstance(s.message, Index))
    last_opening = max(s.at_s for s in sent if isinstance(s.message, Contact) and s.message.opened)
    assert last_opening > last_index
    run = new_run()
    for record in records(script, wire(sent)):
        run.feed(record)
    assert not run.finished
    assert "index" in run.missing()
