"""A session's stream: every loss is noticed, and nothing that is not of the session is taken for it."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from bench import job_file
from bench.bench_file import BenchFile
from bench.journal import Kind, Record
from bench.run import Run
from bench.settings import header, read_header
from bench.stream import BoardReset, FramesLost, SessionStream, StreamItem, TooManyBadFrames
from firmware_protocol.framing import Frame
from firmware_protocol.messages import Contact, Hello, Identify, Ping, Start
from tests.wire.speaker import HELLO, PERIOD, Speaker, position

RUBBISH = b"\x05rubbish\0"


def _begun(session: int = 1, boards_session: int = 0) -> tuple[SessionStream, Speaker]:
    """A stream whose session has just begun, and the board that speaks in it."""
    stream = SessionStream()
    board, host = Speaker(boards_session), Speaker()
    assert list(stream.received(board.say(HELLO))) == []
    assert stream.sent(host.say(Start(session, 100, 0, 1)))
    board.begin(session)
    return stream, board


def _findings(items: Iterable[StreamItem]) -> list[StreamItem]:
    return [item for item in items if not isinstance(item, Frame)]


def _messages(items: Iterable[StreamItem]) -> list[object]:
    return [item.message for item in items if isinstance(item, Frame)]


def test_a_whole_stream_gives_its_messages_and_no_findings() -> None:
    stream, board = _begun()
    said = [position(n * PERIOD, n) for n in range(300)]
    items = list(stream.received(b"".join(board.say(m) for m in said)))
    assert _messages(items) == said
    assert _findings(items) == []
    assert (stream.counts.frames, stream.counts.bad_frames, stream.counts.losses) == (300, 0, 0)
    assert stream.hello == HELLO


def test_only_a_start_begins_a_session() -> None:
    stream, host = SessionStream(), Speaker()
    assert not stream.sent(b"\0" + host.say(Identify(1)) + host.say(Ping(1)))
    assert list(stream.received(Speaker(1).say(position(0)))) == []
    assert stream.sent(host.say(Start(1, 50, 0, 1)))
    assert stream.position_hz == 50


@pytest.mark.parametrize("lost", [1, 2, 256, 40_000])
def test_lost_frames_are_found_before_the_next_message(lost: int) -> None:
    stream, board = _begun()
    before = list(stream.received(board.say(position(0))))
    board.skip(lost)
    after = list(stream.received(board.say(position(PERIOD))))
    assert _messages(before) == [position(0)]
    assert after[0] == FramesLost(lost)
    assert _messages(after) == [position(PERIOD)]
    assert stream.counts.losses == 1


@pytest.mark.parametrize("lost", [1, 256])
def test_frames_lost_at_the_very_start_of_a_session_are_found(lost: int) -> None:
    stream, board = _begun()
    board.skip(lost)
    assert next(iter(stream.received(board.say(position(0))))) == FramesLost(lost)


def test_the_sequence_wraps_without_a_finding() -> None:
    stream, board = _begun()
    board.sequence = 65_530
    list(stream.received(board.say(position(0))))
    said = b"".join(board.say(position(n * PERIOD)) for n in range(1, 12))
    assert board.sequence == 6
    assert _findings(stream.received(said)) == []


def test_a_damaged_frame_is_a_loss_too() -> None:
    stream, board = _begun()
    wires = [board.say(position(n * PERIOD)) for n in range(3)]
    damaged = wires[1][:4] + bytes((wires[1][4] ^ 0x40,)) + wires[1][5:]
    items = list(stream.received(wires[0] + damaged + wires[2]))
    assert _findings(items) == [FramesLost(1)]
    assert (stream.counts.frames, stream.counts.bad_frames, stream.counts.losses) == (2, 1, 1)


def test_a_doubled_frame_is_taken_once() -> None:
    stream, board = _begun()
    first, second = board.say(position(0)), board.say(position(PERIOD))
    items = list(stream.received(first + first + second))
    assert _messages(items) == [position(0), position(PERIOD)]
    assert _findings(items) == []
    assert stream.counts.bad_frames == 1


def test_frames_of_an_old_session_are_left_out() -> None:
    stream, board = _begun(session=2, boards_session=1)
    old = Speaker(1)
    old.sequence = 40
    items = list(stream.received(old.say(position(7)) + board.say(position(0)) + old.say(position(9))))
    items += stream.received(board.say(position(PERIOD)))
    assert _messages(items) == [position(0), position(PERIOD)]
    assert _findings(items) == []


@pytest.mark.parametrize("session", [0, 1])
def test_a_hello_with_another_boot_counter_is_a_reset(session: int) -> None:
    stream, board = _begun()
    list(stream.received(board.say(position(0))))
    again = _other_hello(boot_counter=HELLO.boot_counter + 1)
    assert list(stream.received(Speaker(session).say(again))) == [BoardReset(again, HELLO)]


@pytest.mark.parametrize("session", [0, 1])
def test_a_hello_of_another_board_is_a_reset(session: int) -> None:
    stream, board = _begun()
    list(stream.received(board.say(position(0))))
    other = _other_hello(board_id=b"demo0002")
    assert list(stream.received(Speaker(session).say(other))) == [BoardReset(other, HELLO)]


def test_a_hello_in_session_zero_is_a_reset_even_if_the_boot_counter_was_not_kept() -> None:
    stream, board = _begun()
    list(stream.received(board.say(position(0))))
    assert list(stream.received(Speaker(0).say(HELLO))) == [BoardReset(HELLO, HELLO)]


def test_a_hello_of_another_boot_before_the_session_has_begun_is_a_reset_too() -> None:
    stream, _ = _begun()
    again = _other_hello(boot_counter=HELLO.boot_counter + 1)
    assert list(stream.received(Speaker(0).say(again))) == [BoardReset(again, HELLO, begun=False)]


def test_a_late_answer_to_identify_before_the_session_has_begun_is_no_reset() -> None:
    stream, board = _begun()
    items = list(stream.received(Speaker(0).say(HELLO) + board.say(position(0))))
    assert _messages(items) == [position(0)]
    assert _findings(items) == []


def test_the_answer_to_identify_in_the_middle_of_a_session_is_no_reset() -> None:
    stream, board = _begun()
    items = list(stream.received(board.say(position(0)) + board.say(HELLO) + board.say(position(PERIOD))))
    assert _messages(items) == [position(0), HELLO, position(PERIOD)]
    assert _findings(items) == []


def test_after_a_reset_the_next_start_begins_a_whole_new_session() -> None:
    stream, board = _begun()
    list(stream.received(board.say(position(0))))
    again = _other_hello(boot_counter=HELLO.boot_counter + 1)
    list(stream.received(Speaker(0).say(again)))
    assert stream.sent(Speaker().say(Start(2, 100, 0, 1)))
    board.begin(2)
    items = list(stream.received(Speaker(0).say(again) + board.say(position(5))))
    assert items[-1:] == [item for item in items if isinstance(item, Frame)]
    assert _findings(items) == []
    assert stream.hello == again


def test_a_contact_whose_lists_do_not_match_is_a_bad_frame() -> None:
    stream, board = _begun()
    crooked = Contact(5, 0, 0, 1, 0, 0, 0, 0, (1, 2), (1,), (), ())
    assert list(stream.received(board.say(position(0)) + board.say(crooked))) != []
    assert stream.counts.bad_frames == 1


def _other_hello(boot_counter: int = HELLO.boot_counter, board_id: bytes = HELLO.board_id) -> Hello:
    return Hello(1, HELLO.fingerprint, board_id, boot_counter, 3, 2_000_000, 10_000, 100_000, 2, 0, 0x1F, 1, 0, 1, 0, 0)


# --- the share of bad frames: above max(3, 0.1 %) in any 10,000 -------------------------------------------------------


def _good(board: Speaker, number: int) -> bytes:
    return b"".join(board.say(Ping(n & 0xFFFF)) for n in range(number))


def test_three_bad_frames_are_borne_and_a_fourth_is_too_many() -> None:
    stream, board = _begun()
    assert _findings(stream.received(_good(board, 100) + RUBBISH * 3)) == []
    assert _findings(stream.received(RUBBISH)) == [TooManyBadFrames(4, 104)]


def test_a_thousandth_of_ten_thousand_is_borne_and_one_more_is_too_many() -> None:
    stream, board = _begun()
    assert _findings(stream.received(_good(board, 20_000))) == []
    for _ in range(10):
        assert _findings(stream.received(RUBBISH + _good(board, 900))) == []
    assert _findings(stream.received(RUBBISH)) == [TooManyBadFrames(11, 10_000)]


def test_bad_frames_more_than_ten_thousand_frames_ago_are_forgotten() -> None:
    stream, board = _begun()
    for _ in range(4):
        assert _findings(stream.received(_good(board, 10_000) + RUBBISH * 10)) == []
    assert stream.counts.bad_frames == 40


def test_what_a_boot_loader_printed_before_the_session_is_no_bad_frame() -> None:
    stream, board = _begun()
    assert list(stream.received(RUBBISH * 50)) == []
    assert _findings(stream.received(board.say(position(0)))) == []
    assert stream.counts.bad_frames == 0


# --- a loss that the sequence cannot show -----------------------------------------------------------------------------


JOB = {
    "unit": {
        "part_number": "DEMO-1",
        "serial_number": "0001",
        "rotation": "clockwise",
        "poles": 4,
        "impulse_coupling": "none",
    },
    "breaker": [{"name": "main", "channel": 0}],
}


def _run() -> tuple[Run, Speaker]:
    document = header(job_file.parse(JOB, "job"), BenchFile(), 5, "2024-05-04T10:00:00+00:00", "test", None)
    run = Run(read_header(document, "test"))
    host, board = Speaker(), Speaker()
    _feed(run, host.say(Identify(1)), Kind.TO_BOARD)
    _feed(run, board.say(HELLO))
    _feed(run, host.say(Start(1, 100, 5, 1)), Kind.TO_BOARD)
    board.begin(1)
    return run, board


def _feed(run: Run, data: bytes, kind: Kind = Kind.FROM_BOARD) -> None:
    run.feed(Record(kind, data, 0))


@pytest.mark.parametrize("lost", [0, 65_536])
def test_a_loss_of_65536_frames_shows_in_the_ticks_though_the_sequence_looks_whole(lost: int) -> None:
    run, board = _run()
    tick = 0
    for _ in range(100):
        _feed(run, board.say(position(tick)))
        tick += PERIOD
    # At 1 Mbaud and 20 bytes a frame these frames take 13 s.
    board.skip(lost)
    tick += round(lost * 20 / 100_000 * HELLO.tick_hz)
    for _ in range(100):
        _feed(run, board.say(position(tick)))
        tick += PERIOD
    assert run.failure is None
    assert run.stream.counts.losses == (1 if lost else 0)
    assert [note.code for note in run.notes] == (["time-lost"] if lost else [])


@pytest.mark.parametrize(("periods", "lost"), [(3, False), (4, True)])
def test_more_than_three_periods_without_a_position_are_a_loss(periods: int, lost: bool) -> None:
    # PROTOCOL.md, section 4.
    run, board = _run()
    _feed(run, board.say(position(0)))
    _feed(run, board.say(position(periods * PERIOD)))
    assert (run.stream.counts.losses == 1) == lost
