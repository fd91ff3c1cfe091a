"""Frames survive any split of the stream, and nothing damaged is ever read as a message."""

from __future__ import annotations

import random
import struct
import tracemalloc
from dataclasses import replace
from typing import Any

import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codec import PayloadError, encoder_of, message_fields
from firmware_protocol.examples import GOOD
from firmware_protocol.fields import Array, Octets
from firmware_protocol.framing import (
    MOST_CONTENT,
    MOST_WIRE,
    BadFrame,
    Frame,
    FrameError,
    Framer,
    FrameReader,
    crc_start,
)
from firmware_protocol.messages import MESSAGES, Edges, Message, Ping
from firmware_protocol.schema import FINGERPRINT
from tests.wire import reference
from tests.wire.speaker import Speaker, messages, messages_of, position

FRAMER = Framer()


def _frames(read: list[Frame | BadFrame]) -> list[Frame]:
    return [frame for frame in read if isinstance(frame, Frame)]


@pytest.mark.parametrize("cls", MESSAGES, ids=lambda cls: cls.__name__)
@given(data=st.data(), session=st.integers(0, 255), sequence=st.integers(0, 0xFFFF))
@settings(max_examples=40)
def test_every_message_comes_back_as_it_went(
    cls: type[Message], data: st.DataObject, session: int, sequence: int
) -> None:
    message = data.draw(messages_of(cls))
    wire = FRAMER.encode(message, session, sequence)
    assert wire.index(0) == len(wire) - 1 <= MOST_WIRE
    assert FRAMER.decode(wire[:-1]) == Frame(message, session, sequence, wire[:-1])


def _sealed(content: bytes) -> bytes:
    """Any content with the CRC that its type calls for, stuffed, so that only the payload decides."""
    frozen = content[0] in (0x01, 0x81)
    start = 0xFFFF if frozen else crc_start(FINGERPRINT)
    return reference.cobs_encode(content + reference.crc16(content, start).to_bytes(2, "big"))


def _packed(message: Message, changed: str, value: Any) -> bytes:
    """The payload with one field changed, without any check of ranges."""
    parts = b""
    for name, spec in message_fields(type(message)):
        item = value if name == changed else getattr(message, name)
        if isinstance(spec, Octets):
            parts += item
        elif isinstance(spec, Array):
            parts += struct.pack(f"<B{len(item)}{spec.kind.code}", len(item), *item)
        else:
            parts += struct.pack(f"<{spec.kind.code}", item)
    return parts


@pytest.mark.parametrize("cls", [cls for cls in MESSAGES if message_fields(cls)], ids=lambda cls: cls.__name__)
def test_a_value_out_of_its_range_is_neither_sent_nor_read(cls: type[Message]) -> None:
    example: Any = next(e.message for e in GOOD if isinstance(e.message, cls))
    for name, spec in message_fields(cls):
        if isinstance(spec, Octets):
            wrong: list[Any] = [b"", bytes(spec.size + 1)]
        elif isinstance(spec, Array):
            wrong = [(spec.lowest - 1,), (spec.highest + 1,), (spec.lowest,) * (spec.most + 1)]
            # One that does not fit is enough.
            wrong += [(spec.lowest - 1, spec.highest), (spec.lowest, spec.highest + 1)]
        else:
            wrong = [spec.lowest - 1, spec.highest + 1]
        for value in wrong:
            with pytest.raises(PayloadError, match=f"{cls.__name__}.{name}"):
                encoder_of(type(example))(replace(example, **{name: value}))
            try:
                payload = _packed(example, name, value)
            except struct.error:
                # The kind of integer itself cannot hold it.
                continue
            with pytest.raises(FrameError) as refusal:
                FRAMER.decode(_sealed(bytes((cls.TYPE, 1, 0, 0)) + payload))
            assert refusal.value.reason == "payload"


@pytest.mark.parametrize("example", [e for e in GOOD if message_fields(type(e.message))], ids=lambda e: e.text[:30])
def test_a_payload_that_ends_early_or_late_is_refused_as_such(example: Any) -> None:
    message = example.message
    # Arrays of three, so that it can end within each.
    longer = {
        name: (max(spec.lowest, 1),) * 3 for name, spec in message_fields(type(message)) if isinstance(spec, Array)
    }
    payload = encoder_of(type(message))(replace(message, **longer))
    for wrong in [*(payload[:size] for size in range(len(payload))), payload + b"\0"]:
        with pytest.raises(FrameError) as refusal:
            FRAMER.decode(_sealed(bytes((message.TYPE, 1, 0, 0)) + wrong))
        assert refusal.value.reason == "payload"


def test_of_all_checks_that_a_frame_could_carry_only_the_right_one_is_taken() -> None:
    content = reference.cobs_decode(FRAMER.encode(Ping(515), 0, 3)[:-1])[:-2]
    taken = []
    for crc in range(0x1_0000):
        try:
            FRAMER.decode(cobs.encode(content + crc.to_bytes(2, "big")))
        except FrameError as refusal:
            if refusal.reason != "crc":
                raise
        else:
            taken.append(crc)
    assert taken == [reference.crc16(content, crc_start(FINGERPRINT))]


@given(st.lists(messages().map(lambda m: Speaker(1).say(m)) | st.binary(max_size=300), max_size=8), st.data())
def test_any_split_of_a_stream_gives_the_same_list(parts: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(parts)
    whole = FrameReader().feed(stream)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=12)))
    reader = FrameReader()
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert [frame for piece in pieces for frame in reader.feed(piece)] == whole
    bytewise = FrameReader()
    assert [frame for byte in stream for frame in bytewise.feed(bytes((byte,)))] == whole


@pytest.mark.parametrize("size", range(MOST_WIRE - 2, MOST_WIRE + 5))
def test_a_run_about_as_long_as_the_longest_frame_is_the_same_in_one_piece_and_in_two(size: int) -> None:
    stream = b"\x07" * size + b"\0"
    whole = FrameReader().feed(stream)
    for cut in range(len(stream)):
        reader = FrameReader()
        assert reader.feed(stream[:cut]) + reader.feed(stream[cut:]) == whole


@given(st.lists(messages(), min_size=1, max_size=5), st.binary(max_size=600))
def test_rubbish_before_a_delimiter_costs_no_frame_after_it(said: list[Message], rubbish: bytes) -> None:
    speaker = Speaker(1)
    frames = _frames(FrameReader().feed(rubbish + b"\0" + b"".join(speaker.say(m) for m in said)))
    assert [frame.message for frame in frames[-len(said) :]] == said


TYPES = st.sampled_from([cls.TYPE for cls in MESSAGES])


@given(st.lists(st.tuples(TYPES, st.binary(min_size=3, max_size=90)), max_size=6), st.binary(max_size=200))
def test_any_bytes_never_raise_and_never_give_a_message_that_fails_its_own_checks(
    contents: list[tuple[int, bytes]], rubbish: bytes
) -> None:
    sealed = b"\0".join(_sealed(bytes((kind,)) + rest) for kind, rest in contents)
    for frame in _frames(FrameReader().feed(rubbish + b"\0" + sealed + b"\0" + rubbish)):
        assert (
            FRAMER.encode(frame.message, frame.session, frame.sequence) == cobs.encode(cobs.decode(frame.wire)) + b"\0"
        )


def test_a_sealed_frame_with_a_valid_payload_is_read() -> None:
    # So that the test above is known to reach the payload.
    assert FRAMER.decode(_sealed(b"\x84\x00\x00\x00\x03\x02")).message == Ping(0x0203)


# --- damage -------------------------------------------------------------------------------------------------------


def _samples() -> list[bytes]:
    """Every worked example, and a long Edges frame."""
    found = [FRAMER.encode(e.message, e.session, e.sequence) for e in GOOD]
    steps = tuple(random.Random(5).randrange(1, 0xFFFF) for _ in range(112))
    return [*found, FRAMER.encode(Edges(4_000_000, 17, 0, steps), 1, 77)]


SAMPLES = _samples()
NEXT = Speaker(9).say(position(123))


def _read_damaged(damaged: bytes) -> list[Frame]:
    """What is read of a damaged frame between two whole ones: only what is not the frames around."""
    around = FRAMER.decode(NEXT[:-1])
    read = _frames(FrameReader().feed(NEXT + damaged + NEXT))
    assert read[0] == around
    return [frame for frame in read[1:] if frame != around]


@pytest.mark.parametrize("wire", SAMPLES, ids=lambda wire: wire[:12].hex())
def test_a_frame_with_one_bit_flipped_is_refused(wire: bytes) -> None:
    for place in range(len(wire)):
        for bit in range(8):
            flipped = wire[:place] + bytes((wire[place] ^ 1 << bit,)) + wire[place + 1 :]
            assert _read_damaged(flipped) == []


@pytest.mark.parametrize("wire", SAMPLES, ids=lambda wire: wire[:12].hex())
def test_a_frame_that_lost_bytes_is_refused(wire: bytes) -> None:
    for lost in (1, 2, 3):
        for place in range(len(wire) - lost + 1):
            assert _read_damaged(wire[:place] + wire[place + lost :]) == []


def test_a_whole_frame_between_two_others_is_read() -> None:
    # So that the two tests above are known to look at the right place.
    for wire in SAMPLES:
        assert len(_read_damaged(wire)) == 1


def test_a_stream_without_delimiter_takes_no_more_room_than_a_frame() -> None:
    reader = FrameReader()
    tracemalloc.start()
    try:
        for _ in range(1000):
            assert reader.feed(b"\x07" * 1000) == []
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 50_000
    (bad,) = reader.feed(b"\0")
    assert isinstance(bad, BadFrame)
    assert bad.reason == "length"
    assert bad.length == 1_000_000
    assert len(bad.wire) == MOST_WIRE + 1
    assert _frames(reader.feed(NEXT)) == [FRAMER.decode(NEXT[:-1])]


def test_the_longest_frame_is_read_and_one_byte_more_refused() -> None:
    longest = FRAMER.encode(Edges(1, 1, 0, (7,) * 112), 1, 1)
    assert len(longest) - 1 <= MOST_WIRE
    assert FRAMER.decode(longest[:-1]).message == Edges(1, 1, 0, (7,) * 112)
    with pytest.raises(FrameError) as refusal:
        FRAMER.decode(b"\x07" * (MOST_WIRE + 1))
    assert refusal.value.reason == "length"


@pytest.mark.parametrize("cls", MESSAGES, ids=lambda cls: cls.__name__)
def test_no_message_can_outgrow_the_longest_frame(cls: type[Message]) -> None:
    # PROTOCOL.md, section on frames: type, session, sequence, payload and CRC are at most 250 bytes. An array is a length and its elements.
    payload = sum(
        spec.size
        if isinstance(spec, Octets)
        else 1 + spec.most * spec.kind.size
        if isinstance(spec, Array)
        else spec.kind.size
        for _, spec in message_fields(cls)
    )
    assert 1 + 1 + 2 + payload + 2 <= 250


def test_empty_frames_mean_nothing() -> None:
    assert FrameReader().feed(b"\0\0\0" + NEXT + b"\0\0") == FrameReader().feed(NEXT)


def test_the_limits_are_those_of_the_protocol() -> None:
    """Written out, so that a changed constant does not change its own tests: PROTOCOL.md, section on frames."""
    assert (MOST_CONTENT, MOST_WIRE) == (250, 251)


@pytest.mark.parametrize("size", range(1, 6))
def test_content_shorter_than_header_and_crc_is_no_frame(size: int) -> None:
    with pytest.raises(FrameError, match=f"^{size} bytes, at least 6$"):
        FRAMER.decode(cobs.encode(bytes(range(1, size + 1))))


def test_of_a_piece_that_comes_in_parts_as_much_is_kept_as_of_a_whole_one() -> None:
    reader = FrameReader()
    assert reader.feed(b"\x07" * 200) == []
    (bad,) = reader.feed(b"\x07" * 200 + b"\0")
    assert isinstance(bad, BadFrame)
    assert (bad.wire, bad.length) == (b"\x07" * 252, 400)
