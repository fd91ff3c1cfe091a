"""Two sides with different definitions have different fingerprints, and cannot read each other but for Hello."""

from __future__ import annotations

import shutil
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from cobs import cobs

import firmware_protocol
from firmware_protocol.framing import BadFrame, Frame, Framer, FrameReader
from firmware_protocol.messages import MESSAGES, Hello, Identify
from firmware_protocol.schema import FINGERPRINT
from tests.wire.speaker import HELLO, Speaker, position

PACKAGE = Path(firmware_protocol.__path__[0])

#: What is changed, the text in messages.py, and the text that takes its place.
CHANGES = {
    "a field's name": ("    token: Annotated[int, Scalar(U16, \"\", \"any", "    badge: Annotated[int, Scalar(U16, \"\", \"any"),
    "a field's kind": ("token: Annotated[int, Scalar(U16, \"\", \"the Ping", "token: Annotated[int, Scalar(U32, \"\", \"the Ping"),
    "a field's sign": ("step: Annotated[int, Scalar(I8,", "step: Annotated[int, Scalar(I32,"),
    "a field's lowest value": ('"rate of Position", 50, 100', '"rate of Position", 40, 100'),
    "a field's highest value": ('"rate of Position", 50, 100', '"rate of Position", 50, 120'),
    "a field's unit": ('Scalar(U8, "Hz", "rate of Level', 'Scalar(U8, "1/s", "rate of Level'),
    "an array's greatest length": ("MOST_STEPS = 112", "MOST_STEPS = 100"),
    "a message's type": ("TYPE: ClassVar[int] = 0x16", "TYPE: ClassVar[int] = 0x18"),
    "a message's name": ("Trouble", "Mishap"),
    "an enumeration's value": ("INDEX_OFF = 4\n    QUEUE_OVERRUN = 5", "INDEX_OFF = 5\n    QUEUE_OVERRUN = 4"),
    "an enumeration's name": ("ONE_OF_STORM", "PART_OF_STORM"),
    "the order of fields": (
        '    source: Annotated[int, Scalar(U8, "", "where it came from", 0, 1, PressSource)]\n'
        '    down: Annotated[int, Scalar(U8, "", "1: pressed; 0: let go (pedal only)", 0, 1)]\n',
        '    down: Annotated[int, Scalar(U8, "", "1: pressed; 0: let go (pedal only)", 0, 1)]\n'
        '    source: Annotated[int, Scalar(U8, "", "where it came from", 0, 1, PressSource)]\n',
    ),
}  # fmt: skip


def _fingerprint_with(folder: Path, old: str, new: str) -> int:
    copy = shutil.copytree(PACKAGE, folder / "firmware_protocol", ignore=shutil.ignore_patterns("__pycache__"))
    source = Path(copy) / "messages.py"
    text = source.read_text("utf-8")
    assert old in text
    source.write_text(text.replace(old, new), "utf-8")
    command = [sys.executable, "-c", "from firmware_protocol.schema import FINGERPRINT; print(FINGERPRINT)"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=60, check=True)
    return int(done.stdout)


@pytest.mark.parametrize("what", CHANGES)
def test_the_fingerprint_changes_with(tmp_path: Path, what: str) -> None:
    assert _fingerprint_with(tmp_path, *CHANGES[what]) != FINGERPRINT


def test_the_fingerprint_does_not_change_with_a_mere_description(tmp_path: Path) -> None:
    assert _fingerprint_with(tmp_path, "any number; comes back in Pong", "a number that comes back") == FINGERPRINT


def test_hello_and_identify_are_frozen_in_every_byte() -> None:
    # PROTOCOL.md: these two layouts never change. Written out here once more, so that a change fails.
    payload = struct.pack(
        "<BI8sIBIIIBBHBBBBI", 1, FINGERPRINT, b"demo0001", 7, 1, 2_000_000, 10_000, 100_000, 2, 0, 0x1F, 1, 0, 1, 0, 0
    )
    assert cobs.decode(Framer().encode(HELLO, 0, 0)[:-1])[:-2] == b"\x01\x00\x00\x00" + payload
    assert cobs.decode(Framer().encode(Identify(1), 0, 0)[:-1])[:-2] == b"\x81\x00\x00\x00\x01"
    assert [cls for cls in MESSAGES if cls.FROZEN] == [Hello, Identify]


@pytest.mark.parametrize("bit", range(32))
def test_a_board_with_another_fingerprint_can_only_say_hello(bit: int) -> None:
    stream = Speaker().say(HELLO) + Speaker(1).say(position(4_000_000))
    hello, report = FrameReader(Framer(FINGERPRINT ^ 1 << bit)).feed(stream)
    assert isinstance(hello, Frame)
    assert hello.message == HELLO
    assert isinstance(report, BadFrame)
    assert report.reason == "crc"
