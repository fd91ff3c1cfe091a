"""The quick frame writer makes the very bytes that the protocol's own encoder makes."""

from __future__ import annotations

import struct

import pytest

from firmware_protocol.examples import GOOD
from firmware_protocol.framing import Framer
from firmware_protocol.messages import Ping
from sim.wire import FrameWriter
from tests.sim.device import job


@pytest.mark.parametrize("fingerprint", [0xB4D335C3, 1])
def test_examples_are_encoded_alike(fingerprint: int) -> None:
    for good in GOOD:
        expected = Framer(fingerprint).encode(good.message, good.session, good.sequence)
        assert FrameWriter(fingerprint).encode(good.message, good.session, good.sequence) == expected


def test_all_frames_of_a_job_are_encoded_alike() -> None:
    framer = Framer()
    for frame in job("with-retard")[1]:
        assert framer.encode(frame.message, frame.session, frame.sequence) == frame.wire + b"\0"


def test_impossible_values_are_refused() -> None:
    with pytest.raises(struct.error):
        FrameWriter().encode(Ping(70_000), 0, 0)
