"""vectors.json, which other implementations are tested with, says what ours does, in both directions."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

import firmware_protocol
from firmware_protocol.framing import FrameError, Framer, crc_start
from firmware_protocol.messages import MESSAGES, Message
from firmware_protocol.schema import FINGERPRINT, WIRE_VERSION, canonical_text
from tests.wire import reference

VECTORS: dict[str, Any] = json.loads((Path(firmware_protocol.__path__[0]) / "vectors.json").read_text("utf-8"))
GOOD: list[dict[str, Any]] = VECTORS["good"]
REFUSED: list[dict[str, Any]] = VECTORS["refused"]
BY_NAME = {cls.__name__: cls for cls in MESSAGES}


def _message(vector: dict[str, Any]) -> Message:
    cls: Any = BY_NAME[vector["message"]]
    values = {
        name: bytes.fromhex(value) if isinstance(value, str) else tuple(value) if isinstance(value, list) else value
        for name, value in vector["values"].items()
    }
    message: Message = cls(**values)
    return message


def _title(vector: dict[str, Any]) -> str:
    return f"{vector.get('message', vector.get('reason'))}: {vector['text'][:40]}"


def test_the_vectors_belong_to_these_definitions() -> None:
    assert VECTORS["wire_version"] == WIRE_VERSION
    assert int(VECTORS["fingerprint"], 16) == FINGERPRINT == reference.crc32(canonical_text().encode("ascii"))
    assert int(VECTORS["crc_start"], 16) == crc_start(FINGERPRINT)
    assert VECTORS["canonical_text"] == canonical_text()


def test_every_message_has_a_vector() -> None:
    assert {vector["message"] for vector in GOOD} == set(BY_NAME)
    assert {vector["message"]: vector["type"] for vector in GOOD} == {n: cls.TYPE for n, cls in BY_NAME.items()}


@pytest.mark.parametrize("vector", GOOD, ids=_title)
def test_a_vectors_bytes_are_read_as_its_values(vector: dict[str, Any]) -> None:
    wire = bytes.fromhex(vector["wire"])
    assert wire[-1] == 0
    frame = Framer().decode(wire[:-1])
    assert frame.message == _message(vector)
    assert (frame.session, frame.sequence, frame.wire) == (vector["session"], vector["sequence"], wire[:-1])


@pytest.mark.parametrize("vector", GOOD, ids=_title)
def test_a_vectors_values_are_written_as_its_bytes(vector: dict[str, Any]) -> None:
    message = _message(vector)
    assert Framer().encode(message, vector["session"], vector["sequence"]).hex() == vector["wire"]
    assert set(vector["values"]) == {item.name for item in fields(message)}


@pytest.mark.parametrize("vector", GOOD, ids=_title)
def test_a_vectors_content_agrees_with_the_second_cobs_and_crc(vector: dict[str, Any]) -> None:
    content = bytes.fromhex(vector["content"])
    assert reference.cobs_decode(bytes.fromhex(vector["wire"])[:-1]) == content
    start = 0xFFFF if BY_NAME[vector["message"]].FROZEN else int(VECTORS["crc_start"], 16)
    assert content[-2:] == reference.crc16(content[:-2], start).to_bytes(2, "big")
    assert content[:4] == bytes((vector["type"], vector["session"])) + vector["sequence"].to_bytes(2, "little")


@pytest.mark.parametrize("vector", REFUSED, ids=_title)
def test_what_must_be_refused_is_refused_for_the_stated_reason(vector: dict[str, Any]) -> None:
    with pytest.raises(FrameError) as refusal:
        Framer().decode(bytes.fromhex(vector["wire"]))
    assert refusal.value.reason == vector["reason"]


def test_every_reason_for_refusal_has_a_vector() -> None:
    assert {vector["reason"] for vector in REFUSED} == {"cobs", "crc", "length", "payload", "type"}
