"""CRC and COBS agree with the published figures and with a second implementation."""

from __future__ import annotations

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol.framing import FrameError, Framer, crc_start
from firmware_protocol.messages import Identify, Ping
from firmware_protocol.schema import FINGERPRINT, canonical_text, fingerprint
from tests.wire import reference

CHECK = b"123456789"


def test_the_second_crc_16_gives_the_catalogue_figures() -> None:
    # CRC catalogue: CRC-16/IBM-3740 (start 0xFFFF) and CRC-16/XMODEM (start 0).
    assert reference.crc16(CHECK, 0xFFFF) == 0x29B1
    assert reference.crc16(CHECK, 0) == 0x31C3


def test_the_second_crc_32_gives_the_catalogue_figure() -> None:
    # CRC catalogue: CRC-32/ISO-HDLC.
    assert reference.crc32(CHECK) == 0xCBF4_3926


def test_the_fingerprint_is_the_crc_32_of_the_canonical_text() -> None:
    assert fingerprint() == reference.crc32(canonical_text().encode("ascii"))


@given(st.integers(0, 0xFFFF_FFFF))
def test_frames_start_their_crc_at_the_crc_of_the_fingerprint(value: int) -> None:
    assert crc_start(value) == reference.crc16(value.to_bytes(4, "little"), 0xFFFF)


def test_a_frozen_frame_ends_in_a_plain_crc_and_any_other_in_one_that_knows_the_fingerprint() -> None:
    for message, start in ((Identify(1), 0xFFFF), (Ping(515), crc_start(FINGERPRINT))):
        content = reference.cobs_decode(Framer().encode(message, 3, 4)[:-1])
        assert int.from_bytes(content[-2:], "big") == reference.crc16(content[:-2], start)


# Cheshire & Baker, IEEE/ACM ToN 7(2), 1999: the example of an IP packet's head (memory: figure 3), and the code table
# (code 01 stands for a lone zero, FF for 254 bytes without one).
PAPER = (
    ("45 00 00 2c 4c 79 00 00 40 06 4f 37", "02 45 01 04 2c 4c 79 01 05 40 06 4f 37"),
    ("00", "01 01"),
    ("00 00", "01 01 01"),
    ("", "01"),
    ("11 22 00 33", "03 11 22 02 33"),
)


@pytest.mark.parametrize(("plain", "stuffed"), PAPER)
def test_cobs_follows_the_paper(plain: str, stuffed: str) -> None:
    for encode in (cobs.encode, reference.cobs_encode):
        assert encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    for decode in (cobs.decode, reference.cobs_decode):
        assert decode(bytes.fromhex(stuffed)) == bytes.fromhex(plain)


# Paper, section III: a group of 254 bytes without zero has code FF and implies no zero after it. So one byte more
# for every 254 or part of it.
@pytest.mark.parametrize(
    ("run", "stuffed"),
    [
        (253, b"\xfe" + b"\x55" * 253),
        (254, b"\xff" + b"\x55" * 254),
        (255, b"\xff" + b"\x55" * 254 + b"\x02\x55"),
        (256, b"\xff" + b"\x55" * 254 + b"\x03\x55\x55"),
    ],
)
def test_cobs_handles_long_runs_without_zero(run: int, stuffed: bytes) -> None:
    plain = b"\x55" * run
    for encode in (cobs.encode, reference.cobs_encode):
        assert encode(plain) == stuffed
    for decode in (cobs.decode, reference.cobs_decode):
        assert decode(stuffed) == plain


@given(
    st.binary(max_size=600) | st.lists(st.sampled_from([b"\0", b"\x01" * 253, b"\xff", b"\x02" * 254])).map(b"".join)
)
def test_both_cobs_agree_on_any_bytes(plain: bytes) -> None:
    stuffed = cobs.encode(plain)
    assert stuffed == reference.cobs_encode(plain)
    assert 0 not in stuffed
    assert reference.cobs_decode(stuffed) == plain


@given(st.binary(max_size=40))
def test_both_cobs_refuse_the_same_bytes(stuffed: bytes) -> None:
    try:
        ours: bytes | None = cobs.decode(stuffed)
    except cobs.DecodeError:
        ours = None
    try:
        theirs: bytes | None = reference.cobs_decode(stuffed)
    except reference.CobsError:
        theirs = None
    assert ours == theirs


def test_a_zero_inside_a_frame_is_refused() -> None:
    good = Framer().encode(Ping(0x0303), 0, 0x0101)[:-1]
    assert 0 not in good
    for place in range(len(good)):
        with pytest.raises(FrameError) as refusal:
            Framer().decode(good[:place] + b"\0" + good[place + 1 :])
        assert refusal.value.reason == "cobs"


def test_a_code_byte_pointing_past_the_end_is_refused() -> None:
    good = Framer().encode(Ping(0x0303), 0, 0x0101)[:-1]
    last_code = 0
    while last_code + good[last_code] < len(good):
        last_code += good[last_code]
    for more in range(good[last_code] + 1, 256):
        with pytest.raises(FrameError) as refusal:
            Framer().decode(good[:last_code] + bytes((more,)) + good[last_code + 1 :])
        assert refusal.value.reason == "cobs"
