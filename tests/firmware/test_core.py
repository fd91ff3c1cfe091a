"""The core on this computer, with the sanitizers watching: what the host sends can do it no harm."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware_protocol.messages import Hello, Identify, Ping, Pong, Start
from tests.firmware import built
from tests.firmware.drive import Session, turning
from tests.firmware.fuzz import rubbish
from tests.firmware.process import CYCLE_HZ, PIN, Board, one

BYTES = 1_000_000


@pytest.mark.parametrize("seed", [1, 2])
def test_a_million_bytes_do_it_no_harm(seed: int) -> None:
    with Board(built.or_skip("core")) as board:
        session = Session(board)
        for piece in rubbish(BYTES // 2, seed):
            session.raw(piece)
        # Whatever a frame that was whole by chance has begun or ended: it still answers, and starts anew.
        session.raw(b"\0")
        before = len(session.all(Hello))
        session.send(Identify(1))
        session.run(0.05)
        assert len(session.all(Hello)) == before + 1
        session.send(Start(7, 100, 0, 1))
        session.send(Ping(4))
        session.run(0.05)
        assert session.all(Pong)[-1].token == 4
        assert not session.bad


def test_the_sanitizers_are_on() -> None:
    command = built.or_skip("core")
    assert b"__asan_init" in Path(command[0]).read_bytes()
    assert b"__ubsan_handle" in Path(command[0]).read_bytes()


def test_a_process_that_does_not_end_well_is_noticed() -> None:
    board = Board(built.or_skip("core"))
    board.give(one(0, PIN, 99, 1))
    with pytest.raises(RuntimeError, match="has gone"):
        board.run(1_000)
    with pytest.raises(RuntimeError, match="ended with 2"):
        board.close()


def test_every_byte_of_a_session_is_a_frame_and_every_edge_told() -> None:
    with Board(built.or_skip("core")) as board:
        session = Session(board)
        motion = turning(session.cycle + CYCLE_HZ // 100, 9_000, 0.5)
        session.play(motion.pins())
        assert not session.bad
        assert [count for _, count in session.edges()] == motion.count.tolist()
        assert session.troubles() == []
