"""The host asks until a board greets it, and tells a wrong board from a silent line."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import NoBoard, WrongFirmware
from bench.link import Handshake, Sender
from firmware_protocol.framing import Frame, FrameReader
from firmware_protocol.messages import Identify, PressRequest, Start, Stop
from firmware_protocol.schema import FINGERPRINT, WIRE_VERSION
from tests.wire.speaker import HELLO, Speaker, position

BOOT_TEXT = b"\r\nboot loader v4\r\nmemory ok\r\n"


def _handshake(*data: bytes) -> Handshake:
    handshake = Handshake(Sender())
    for piece in data:
        handshake.feed(piece)
    return handshake


def _messages(data: bytes) -> list[object]:
    return [frame.message for frame in FrameReader().feed(data) if isinstance(frame, Frame)]


def test_a_board_that_greets_is_known() -> None:
    greeting = _handshake(b"\0" + Speaker().say(HELLO)).greeting
    assert greeting is not None
    assert greeting.hello == HELLO
    assert greeting.session == 1


@given(st.lists(st.integers(0, 80), max_size=6))
def test_what_a_boot_loader_printed_does_no_harm_however_it_comes(cuts: list[int]) -> None:
    stream = BOOT_TEXT + b"\0" + Speaker().say(HELLO)
    places = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    greeting = _handshake(*(stream[a:b] for a, b in zip(places, places[1:], strict=False))).greeting
    assert greeting is not None
    assert greeting.hello == HELLO


def test_a_greeting_glued_to_boot_text_is_lost_and_the_next_one_taken() -> None:
    handshake = _handshake(BOOT_TEXT + Speaker().say(HELLO))
    assert handshake.greeting is None
    handshake.feed(Speaker().say(HELLO))
    assert handshake.greeting is not None


def test_reports_of_a_session_still_running_are_no_greeting() -> None:
    board = Speaker(7)
    handshake = _handshake(b"".join(board.say(position(n)) for n in range(20)))
    assert handshake.greeting is None
    handshake.feed(board.say(HELLO))
    assert handshake.greeting is not None
    assert handshake.greeting.session == 8


@pytest.mark.parametrize(("last", "following"), [(0, 1), (1, 2), (254, 255), (255, 1)])
def test_the_next_session_is_never_the_one_before_and_never_zero(last: int, following: int) -> None:
    greeting = _handshake(Speaker(last).say(HELLO)).greeting
    assert greeting is not None
    assert greeting.session == following


@pytest.mark.parametrize(
    "other", [replace(HELLO, fingerprint=FINGERPRINT ^ 1), replace(HELLO, wire_version=WIRE_VERSION + 1)]
)
def test_a_board_with_other_definitions_is_wrong_firmware(other: object) -> None:
    with pytest.raises(WrongFirmware) as refusal:
        _handshake(Speaker().say(other))  # type: ignore[arg-type]
    assert "Flash the firmware" in refusal.value.text
    assert f"{FINGERPRINT:08x}" in refusal.value.text
    assert refusal.value.exit_status == 4


def test_silence_and_rubbish_are_told_apart() -> None:
    silent = _handshake().failure("COM7", 1.6)
    assert isinstance(silent, NoBoard)
    assert silent.text.startswith("Nothing answers on COM7 within 1.6 s.")
    rubbish = _handshake(BOOT_TEXT, b"\0\xff\0").failure("COM7", 1.6)
    assert isinstance(rubbish, NoBoard)
    assert rubbish.text.startswith(f"What answers on COM7 is not a breakerbench board ({len(BOOT_TEXT) + 3} bytes")


@given(st.binary(max_size=400))
def test_rubbish_alone_never_makes_a_greeting(rubbish: bytes) -> None:
    assert _handshake(rubbish).greeting is None


def test_a_question_ends_whatever_the_board_may_have_read_before() -> None:
    reader = FrameReader()
    reader.feed(b"\x44half a frame")
    read = reader.feed(Handshake(Sender()).question())
    assert [frame.message for frame in read if isinstance(frame, Frame)] == [Identify(WIRE_VERSION)]


def test_the_sender_numbers_its_frames_and_its_requests() -> None:
    sender = Sender()
    first, press = sender.press()
    second, again = sender.press()
    data = sender.start(9) + press + again + sender.stop()
    assert (first, second) == (1, 2)
    assert _messages(data) == [Start(9, 100, 5, 1), PressRequest(1), PressRequest(2), Stop()]
    sequences = [
        frame.sequence for frame in FrameReader().feed(press + again + sender.stop()) if isinstance(frame, Frame)
    ]
    assert sequences == [0, 1, 4]


def test_request_numbers_wrap_past_zero() -> None:
    sender = Sender()
    for _ in range(0xFFFF):
        number, _ = sender.press()
    assert number == 0xFFFF
    assert sender.press()[0] == 1
