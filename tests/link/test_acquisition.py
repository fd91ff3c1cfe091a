"""The process that reads: all bytes both ways are in the journal in order, and every end is told there."""

from __future__ import annotations

import errno
import json
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from pytest_mock import MockerFixture

from bench.acquisition import ASK_EVERY_S, Acquisition
from bench.errors import LinkLost, PortUnavailable
from bench.journal import JournalReader, JournalWriter, Kind
from bench.transport import Transport
from firmware_protocol.framing import Frame, FrameReader
from firmware_protocol.messages import Hello, Identify, Message, Position, Press, PressRequest, Start, Stop
from firmware_protocol.schema import FINGERPRINT
from tests.link.boards import DEADLINE_S, Conversation, MemoryBoard, talk, tcp_server
from tests.wire.speaker import HELLO, Speaker, position

PORT = "the demo port"


@dataclass
class Bench:
    """An acquisition at work in a thread, the board that it talks to, and what it reports."""

    board: MemoryBoard
    acquisition: Acquisition
    journal: JournalWriter
    reports: queue.Queue[dict[str, Any]]
    thread: threading.Thread

    def report(self, kind: str) -> Any:
        """Wait for the next report of this kind."""
        while True:
            report = self.reports.get(timeout=DEADLINE_S)
            if kind in report:
                return report[kind]

    def ended(self) -> list[tuple[Kind, bytes]]:
        """Wait for the end; what the journal holds."""
        self.thread.join(DEADLINE_S)
        assert not self.thread.is_alive()
        return _records(self.journal.path)


class SteppingClock:
    """A clock that goes on by itself each time that somebody looks, so that nobody has to wait."""

    def __init__(self, step_s: float) -> None:
        self._now = 1000.0
        self._step_s = step_s

    def __call__(self) -> float:
        self._now += self._step_s
        return self._now


def _records(path: Path) -> list[tuple[Kind, bytes]]:
    with JournalReader(path) as reader:
        reader.header()
        records = [(record.kind, record.payload) for record in reader.records()]
        assert reader.torn_at is None
        return records


def _entries(records: list[tuple[Kind, bytes]]) -> list[dict[str, Any]]:
    return [json.loads(payload) for kind, payload in records if kind is Kind.ENTRY]


def _bytes(records: list[tuple[Kind, bytes]]) -> list[tuple[Kind, bytes]]:
    return [record for record in records if record[0] is not Kind.ENTRY]


def _messages(records: list[tuple[Kind, bytes]], kind: Kind) -> list[Message]:
    data = b"".join(payload for k, payload in records if k is kind)
    return [frame.message for frame in FrameReader().feed(data) if isinstance(frame, Frame)]


Begin = Callable[..., Bench]


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Begin]:
    begun: list[Bench] = []

    def start(
        board: MemoryBoard | None = None,
        clock: Callable[[], float] | None = None,
        open_port: Callable[[], Transport] | None = None,
        persistent: bool = False,
    ) -> Bench:
        made = board or MemoryBoard()
        journal = JournalWriter(tmp_path / "a.capture", {})
        reports: queue.Queue[dict[str, Any]] = queue.Queue()
        acquisition = Acquisition(journal, reports.put, *([] if clock is None else [clock]))
        thread = threading.Thread(target=acquisition.run, args=(open_port or (lambda: made), PORT, 5.0, persistent))
        thread.start()
        begun.append(Bench(made, acquisition, journal, reports, thread))
        return begun[-1]

    yield start
    for bench in begun:
        bench.acquisition.stop()
        bench.thread.join(DEADLINE_S)
        os.close(bench.journal._file)


# --- a session in good order ----------------------------------------------------------------------------------------


def test_the_board_is_asked_greeted_and_started(begin: Begin) -> None:
    bench = begin()
    assert bench.report("hello") == {
        "board_id": b"demo0001".hex(),
        "boot_counter": 7,
        "firmware": "0.1.0",
        "counts_per_turn": 10_000,
        "simulated": True,
    }
    bench.board.wait_for(Start)
    assert bench.board.board.heard == [Identify(1), Start(1, 100, 5, 1)]


def test_the_session_follows_the_one_that_the_board_was_in(begin: Begin) -> None:
    bench = begin(MemoryBoard(Conversation(last_session=255)))
    assert bench.board.wait_for(Start) == Start(1, 100, 5, 1)
    bench.board.board.heard.clear()
    bench.acquisition.command({"do": "start"})
    assert bench.board.wait_for(Start) == Start(2, 100, 5, 1)


def test_the_journal_holds_every_byte_both_ways_in_order(begin: Begin) -> None:
    bench = begin()
    bench.board.wait_for(Start)
    for n in range(200):
        bench.board.say(b"\x05rubbish\0" if n % 50 == 7 else bench.board.board.position())
    bench.acquisition.stop()
    records = bench.ended()
    assert _bytes(records) == bench.board.passed
    assert {kind for kind, _ in bench.board.passed} == {Kind.FROM_BOARD, Kind.TO_BOARD}


def test_the_journal_has_what_is_sent_before_the_board_has_it(begin: Begin, tmp_path: Path) -> None:
    known_before: list[bool] = []

    class Watched(MemoryBoard):
        def write(self, data: bytes) -> None:
            known_before.append((Kind.TO_BOARD, data) in _records(tmp_path / "a.capture"))
            super().write(data)

    bench = begin(Watched())
    bench.board.wait_for(Start)
    bench.acquisition.stop()
    bench.ended()
    # Identify, Start and Stop.
    assert known_before == [True, True, True]


def test_stopping_tells_the_board_and_keeps_what_it_still_had_to_say(begin: Begin) -> None:
    bench = begin()
    bench.board.wait_for(Start)
    bench.board.board.pending = Speaker(1).say(position(987_654))
    bench.acquisition.stop()
    records = bench.ended()
    assert isinstance(bench.board.board.heard[-1], Stop)
    last = _messages(records, Kind.FROM_BOARD)[-2:]
    assert last == [position(987_654), HELLO]
    assert records[-1][0] is Kind.ENTRY
    assert _entries(records) == [{"kind": "end"}]
    assert bench.board.closed


def test_stopping_before_the_board_has_greeted_ends_at_once(begin: Begin) -> None:
    silent = Conversation()
    silent.answers = False
    bench = begin(MemoryBoard(silent))
    bench.board.wait_for(Identify)
    bench.acquisition.stop()
    records = bench.ended()
    assert _entries(records) == [{"kind": "end"}]
    assert Stop() not in bench.board.board.heard


def test_a_press_goes_to_the_board_and_its_answer_into_the_journal(begin: Begin) -> None:
    bench = begin()
    bench.board.wait_for(Start)
    for number in (1, 2):
        bench.acquisition.command({"do": "press"})
        assert bench.report("pressed") == number
    assert bench.board.wait_for(PressRequest) == PressRequest(2)
    bench.acquisition.stop()
    answers = [m for m in _messages(bench.ended(), Kind.FROM_BOARD) if isinstance(m, Press)]
    assert [press.request for press in answers] == [1, 2]


def test_a_press_before_the_board_has_greeted_is_not_sent(begin: Begin) -> None:
    silent = Conversation()
    silent.answers = False
    bench = begin(MemoryBoard(silent))
    bench.board.wait_for(Identify)
    bench.acquisition.command({"do": "press"})
    bench.acquisition.stop()
    bench.ended()
    assert all(isinstance(message, Identify) for message in silent.heard)
    assert bench.reports.empty()


def test_an_entry_is_kept_and_a_sync_acknowledged(begin: Begin, mocker: MockerFixture) -> None:
    bench = begin()
    bench.board.wait_for(Start)
    bench.acquisition.command({"do": "entry", "entry": {"kind": "note", "text": "µ"}})
    fsync = mocker.spy(os, "fsync")
    bench.acquisition.command({"do": "sync", "id": 41})
    assert bench.report("synced") == 41
    assert fsync.call_count == 1
    bench.acquisition.stop()
    assert {"kind": "note", "text": "µ"} in _entries(bench.ended())


def test_a_command_that_is_none_changes_nothing(begin: Begin) -> None:
    bench = begin()
    bench.board.wait_for(Start)
    for command in ({}, {"do": None}, {"do": "explode"}):
        bench.acquisition.command(command)
    bench.acquisition.stop()
    assert _entries(bench.ended()) == [{"kind": "end"}]


# --- what goes wrong with the link ----------------------------------------------------------------------------------


def _ended_with(bench: Bench, code: str) -> list[tuple[Kind, bytes]]:
    """It ended with this error, told both to the parent and in the journal, where it stands last."""
    error = bench.report("error")
    assert error["code"] == code
    records = bench.ended()
    assert records[-1][0] is Kind.ENTRY
    assert _entries(records) == [{"kind": "error", **error}]
    return records


def test_a_board_that_falls_silent_is_told(begin: Begin) -> None:
    bench = begin(MemoryBoard(wait_s=0), SteppingClock(0.05))
    records = _ended_with(bench, "link-silent")
    assert bench.board.closed
    assert _bytes(records) == bench.board.passed


def test_a_board_that_still_speaks_now_and_then_is_not_silent(begin: Begin) -> None:
    board = MemoryBoard(wait_s=0)

    class Slow:
        """Nothing comes on most reads, but something within a second."""

        def __init__(self) -> None:
            self.reads = 0

        def read(self) -> bytes:
            self.reads += 1
            if self.reads == 400:
                bench.acquisition.stop()
            if self.reads > 2 and self.reads % 9 == 0:
                board.say(board.board.position())
            return board.read()

        def write(self, data: bytes) -> None:
            board.write(data)

        def close(self) -> None:
            board.close()

    ready = threading.Event()

    def open_port() -> Transport:
        assert ready.wait(DEADLINE_S)
        return Slow()

    bench = begin(board, SteppingClock(0.05), open_port)
    ready.set()
    assert _entries(bench.ended()) == [{"kind": "end"}]


def test_a_board_that_never_greets_is_asked_until_the_deadline(begin: Begin) -> None:
    silent = Conversation()
    silent.answers = False
    bench = begin(MemoryBoard(silent, wait_s=0), SteppingClock(0.01))
    _ended_with(bench, "no-board")
    # A question every 0.2 s for 5 s.
    assert 5.0 / ASK_EVERY_S - 2 <= len(silent.heard) <= 5.0 / ASK_EVERY_S + 1
    assert set(silent.heard) == {Identify(1)}


def test_a_board_with_other_firmware_is_told_and_never_started(begin: Begin) -> None:
    bench = begin(MemoryBoard(Conversation(replace(HELLO, fingerprint=FINGERPRINT ^ 1))))
    _ended_with(bench, "wrong-firmware")
    assert bench.board.board.heard == [Identify(1)]


def test_a_port_that_cannot_be_opened_is_told(begin: Begin) -> None:
    def refuse() -> Transport:
        raise PortUnavailable("There is no such port.")

    _ended_with(begin(open_port=refuse), "no-port")


def test_a_port_that_goes_away_is_told_after_everything_that_came(begin: Begin) -> None:
    bench = begin()
    bench.board.wait_for(Start)
    last = bench.board.board.position()
    bench.board.say(last)
    bench.board.say(LinkLost("The port went away."))
    records = _ended_with(bench, "link-lost")
    assert records[-2] == (Kind.FROM_BOARD, last)
    assert bench.board.closed


def test_a_port_that_fails_in_a_way_nobody_foresaw_is_told_after_everything_that_came(begin: Begin) -> None:
    # Seen from serial drivers when a device is pulled (from memory): errors that are none of the input's or output's.
    bench = begin()
    bench.board.wait_for(Start)
    last = bench.board.board.position()
    bench.board.say(last)
    bench.board.say(TypeError("'NoneType' object cannot be interpreted as an integer"))
    records = _ended_with(bench, "link-lost")
    assert records[-2] == (Kind.FROM_BOARD, last)
    assert _entries(records)[-1]["text"] == (
        f"The port {PORT} failed in an unforeseen way (TypeError). Check plug and cable."
    )
    assert bench.board.closed


def test_other_firmware_behind_a_port_that_was_lost_is_told_and_never_started(begin: Begin) -> None:
    first = MemoryBoard()
    other = MemoryBoard(Conversation(replace(HELLO, fingerprint=FINGERPRINT ^ 1)))
    ports = iter((first, other))
    bench = begin(first, open_port=lambda: next(ports), persistent=True)
    first.wait_for(Start)
    first.say(LinkLost("The port went away."))
    assert bench.report("error")["code"] == "wrong-firmware"
    entries = _entries(bench.ended())
    assert [(e["kind"], e["code"]) for e in entries] == [("link", "link-lost"), ("error", "wrong-firmware")]
    assert all(isinstance(heard, Identify) for heard in other.board.heard)
    assert first.closed
    assert other.closed


def test_a_port_that_goes_away_while_being_asked_is_told(begin: Begin) -> None:
    board = MemoryBoard()
    board.fail_writes(LinkLost("The port takes no bytes."))
    _ended_with(begin(board), "link-lost")


def test_a_press_that_cannot_be_sent_ends_the_session(begin: Begin) -> None:
    bench = begin()
    bench.board.wait_for(Start)
    bench.board.fail_writes(LinkLost("The port takes no bytes."))
    bench.acquisition.command({"do": "press"})
    assert bench.report("error")["code"] == "link-lost"
    assert _entries(bench.ended())[0]["code"] == "link-lost"


def test_a_board_that_goes_away_while_it_is_stopped_is_no_error(begin: Begin) -> None:
    bench = begin()
    bench.board.wait_for(Start)
    bench.board.fail_writes(LinkLost("The port takes no bytes."))
    bench.acquisition.stop()
    assert _entries(bench.ended()) == [{"kind": "end"}]
    assert bench.reports.get_nowait().keys() == {"hello"}
    assert bench.reports.empty()


# --- what goes wrong with the disk ----------------------------------------------------------------------------------


def test_an_fsync_that_fails_is_told_never_acknowledged_and_ends_the_session(
    begin: Begin, mocker: MockerFixture
) -> None:
    bench = begin()
    bench.board.wait_for(Start)
    mocker.patch("os.fsync", side_effect=OSError(errno.EIO, os.strerror(errno.EIO)))
    bench.acquisition.command({"do": "sync", "id": 5})
    assert bench.report("error")["code"] == "journal"
    records = bench.ended()
    assert isinstance(bench.board.board.heard[-1], Stop)
    assert _entries(records)[0]["code"] == "journal"
    mocker.stopall()
    bench.acquisition.command({"do": "sync", "id": 6})
    assert [report for report in bench.reports.queue if "synced" in report] == []


def test_a_full_disk_is_told_and_ends_the_session(begin: Begin, mocker: MockerFixture) -> None:
    bench = begin()
    bench.board.wait_for(Start)
    bench.report("hello")
    size = bench.journal.path.stat().st_size
    mocker.patch("os.write", side_effect=OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))
    bench.board.say(bench.board.board.position())
    error = bench.report("error")
    assert error["code"] == "journal"
    assert "No space left" in error["text"]
    bench.thread.join(DEADLINE_S)
    assert not bench.thread.is_alive()
    assert bench.board.closed
    mocker.stopall()
    assert bench.journal.path.stat().st_size >= size


# --- as a process of its own ----------------------------------------------------------------------------------------


@contextmanager
def _process(path: Path, url: str) -> Iterator[subprocess.Popen[str]]:
    order = {"journal": str(path), "header": {"demo": 1}, "port": url, "baud": 500_000, "hello_deadline_s": 5.0}
    command = [sys.executable, "-m", "bench.acquisition"]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        process.stdin.write(json.dumps(order) + "\n")
        process.stdin.flush()
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.stdin.close()
        process.stdout.close()
        process.wait(DEADLINE_S)


def _reports(process: subprocess.Popen[str]) -> list[dict[str, Any]]:
    assert process.stdout is not None
    return [json.loads(line) for line in process.stdout]


def test_the_process_stops_the_board_and_closes_the_journal_when_its_parent_is_gone(tmp_path: Path) -> None:
    path, board = tmp_path / "a.capture", Conversation()
    with tcp_server(talk(board, positions_per_answer=1)) as url, _process(path, url) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert "hello" in json.loads(process.stdout.readline())
        # Control-C goes to the whole terminal group; only the parent's word counts.
        process.send_signal(signal.SIGINT)
        process.stdin.write('no json\n[]\n{"do": "sync", "id": 1}\n')
        process.stdin.flush()
        assert json.loads(process.stdout.readline()) == {"synced": 1}
        process.stdin.close()
        assert _reports(process) == [{"ended": True}]
        assert process.wait(DEADLINE_S) == 0
    records = _records(path)
    assert _entries(records) == [{"kind": "end"}]
    assert board.heard[-1] == Stop()
    said = _messages(records, Kind.FROM_BOARD)
    assert isinstance(said[-1], Hello)
    assert any(isinstance(message, Position) for message in said)


def test_the_process_tells_of_a_journal_that_exists_already(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    path.write_bytes(b"evidence")
    with _process(path, "socket://127.0.0.1:1") as process:
        error, ended = _reports(process)
    assert error["error"]["code"] == "journal"
    assert ended == {"ended": True}
    assert path.read_bytes() == b"evidence"


def test_the_process_tells_of_a_port_that_is_not_there_and_keeps_the_journal(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    with _process(path, str(tmp_path / "none")) as process:
        error, ended = _reports(process)
    assert error["error"]["code"] == "no-port"
    assert ended == {"ended": True}
    assert _entries(_records(path)) == [{"kind": "error", **error["error"]}]
