"""A port gives bytes both ways, belongs to one program, and every way of losing it is told in plain words."""

from __future__ import annotations

import errno
import os
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest
import serial
from pytest_mock import MockerFixture

from bench import transport
from bench.errors import LinkLost, PortUnavailable
from bench.transport import SerialTransport, Transport, discover
from tests.link.boards import DEADLINE_S, tcp_server


@dataclass
class Pty:
    """A pseudo-terminal: the board's end, and the name of the host's."""

    master: int
    name: str


@pytest.fixture
def pty() -> Iterator[Pty]:
    if sys.platform == "win32":
        pytest.skip("Windows has no pseudo-terminals of this kind")
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    made = Pty(master, os.ttyname(slave))
    os.close(slave)
    # Opened once more and kept, so that the terminal does not hang up between two openings.
    keeper = os.open(made.name, os.O_RDWR | os.O_NOCTTY)
    yield made
    for file in (keeper, made.master):
        try:
            os.close(file)
        except OSError:
            continue


def _read(port: Transport, size: int) -> bytes:
    """So many bytes, or what came until the deadline."""
    data = b""
    end = time.monotonic() + DEADLINE_S
    while len(data) < size and time.monotonic() < end:
        data += port.read()
    return data


def _lost_within(port: Transport) -> float:
    """Read until the link is lost; how long that took."""
    began = time.monotonic()
    while time.monotonic() - began < DEADLINE_S:
        try:
            port.read()
        except LinkLost:
            return time.monotonic() - began
    return DEADLINE_S


def _once_spoken_to(last_words: bytes) -> Callable[[socket.socket], None]:
    """Opening a port discards what has come by then, so the other end waits for the host's first byte."""

    def serve(connection: socket.socket) -> None:
        connection.recv(1)
        connection.sendall(last_words)

    return serve


ALL_BYTES = bytes(range(256)) * 8


def test_a_pty_carries_every_byte_both_ways_unchanged(pty: Pty) -> None:
    port = SerialTransport(pty.name, 500_000)
    try:
        os.write(pty.master, ALL_BYTES)
        assert _read(port, len(ALL_BYTES)) == ALL_BYTES
        port.write(ALL_BYTES)
        got = b""
        while len(got) < len(ALL_BYTES):
            got += os.read(pty.master, 4096)
        assert got == ALL_BYTES
    finally:
        port.close()


def test_tcp_carries_every_byte_both_ways_unchanged() -> None:
    def echo(connection: socket.socket) -> None:
        while data := connection.recv(4096):
            connection.sendall(data)

    with tcp_server(echo) as url:
        port = SerialTransport(url, 500_000)
        try:
            port.write(ALL_BYTES)
            assert _read(port, len(ALL_BYTES)) == ALL_BYTES
        finally:
            port.close()


def test_read_gives_nothing_soon_when_nothing_comes(pty: Pty) -> None:
    port = SerialTransport(pty.name, 500_000)
    try:
        began = time.monotonic()
        assert port.read() == b""
        assert 0.02 < time.monotonic() - began < 1.0
    finally:
        port.close()


def test_a_pty_that_another_program_uses_is_refused_in_plain_words(pty: Pty) -> None:
    first = SerialTransport(pty.name, 500_000)
    try:
        with pytest.raises(PortUnavailable) as refusal:
            SerialTransport(pty.name, 500_000)
        assert refusal.value.text == f"The port {pty.name} is in use by another program. Close that program first."
        os.write(pty.master, b"still mine")
        assert _read(first, 10) == b"still mine"
    finally:
        first.close()


def test_a_pty_is_free_again_after_it_was_closed(pty: Pty) -> None:
    SerialTransport(pty.name, 500_000).close()
    SerialTransport(pty.name, 500_000).close()


def test_a_pty_whose_other_end_goes_away_is_lost_within_two_seconds(pty: Pty) -> None:
    port = SerialTransport(pty.name, 500_000)
    try:
        assert port.read() == b""
        # While the read waits, not before it.
        closer = threading.Timer(0.1, os.close, (pty.master,))
        closer.start()
        assert _lost_within(port) < 2.0
        closer.join()
    finally:
        port.close()


def test_a_tcp_connection_that_the_other_end_closes_is_lost_within_two_seconds() -> None:
    with tcp_server(_once_spoken_to(b"last words")) as url:
        port = SerialTransport(url, 500_000)
        try:
            port.write(b"?")
            assert _read(port, 10) == b"last words"
            assert _lost_within(port) < 2.0
        finally:
            port.close()


def test_the_last_byte_before_a_tcp_connection_ends_is_kept() -> None:
    with tcp_server(_once_spoken_to(b"!")) as url:
        port = SerialTransport(url, 500_000)
        try:
            port.write(b"?")
            assert _read(port, 1) == b"!"
            assert _lost_within(port) < 2.0
        finally:
            port.close()


def test_a_port_that_takes_no_bytes_is_lost_within_two_seconds(pty: Pty) -> None:
    port = SerialTransport(pty.name, 500_000)
    try:
        began = time.monotonic()
        with pytest.raises(LinkLost, match="takes no bytes"):
            port.write(bytes(1_000_000))
        assert time.monotonic() - began < 2.0
    finally:
        port.close()


def test_closing_twice_does_no_harm_and_a_closed_port_is_lost(pty: Pty) -> None:
    port = SerialTransport(pty.name, 500_000)
    port.close()
    port.close()
    with pytest.raises(LinkLost):
        port.read()
    with pytest.raises(LinkLost):
        port.write(b"x")


def test_a_port_closed_by_another_thread_during_a_read_is_lost(pty: Pty) -> None:
    port = SerialTransport(pty.name, 500_000)
    closer = threading.Timer(0.02, port.close)
    closer.start()
    assert _lost_within(port) < 2.0
    closer.join()


# --- opening ------------------------------------------------------------------------------------------------------


def test_a_missing_port_is_named(tmp_path: os.PathLike[str]) -> None:
    missing = os.path.join(tmp_path, "none")
    with pytest.raises(PortUnavailable) as refusal:
        SerialTransport(missing, 500_000)
    assert refusal.value.text == f"There is no port {missing}. Plug the board in, or name another port with --port."


def test_a_tcp_port_where_nothing_listens_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
    with pytest.raises(PortUnavailable) as refusal:
        SerialTransport(url, 500_000)
    assert refusal.value.text == f"Nothing listens at {url}. Start the board or the simulator there first."


@pytest.mark.parametrize("url", ["socket://", "socket://localhost", "socket://localhost:99999", "nonsense://x", ""])
def test_a_url_that_is_none_cannot_be_opened(url: str) -> None:
    with pytest.raises(PortUnavailable):
        SerialTransport(url, 500_000)


def test_a_file_that_is_no_port_cannot_be_opened(tmp_path: os.PathLike[str]) -> None:
    plain = os.path.join(tmp_path, "plain")
    with open(plain, "w", encoding="ascii") as file:
        file.write("text")
    with pytest.raises(PortUnavailable, match="is no serial port"):
        SerialTransport(plain, 500_000)


@pytest.mark.parametrize(
    ("failure", "words"),
    [
        (serial.SerialException(errno.EACCES, "could not open port x: Permission denied"), "may not open"),
        (serial.SerialException(errno.EBUSY, "could not open port x: Device or resource busy"), "in use by another"),
        (serial.SerialException("could not open port 'COM7': FileNotFoundError(2, ...)"), "There is no port"),
        (serial.SerialException("could not open port 'COM7': PermissionError(13, ...)"), "may not open"),
        (OSError(errno.EIO, "Input/output error"), "cannot be opened (EIO)"),
        (ValueError("Not a valid baudrate"), "cannot be opened (Not a valid baudrate)"),
    ],
)  # fmt: skip
def test_each_systems_way_of_refusing_a_port_is_told_in_words(
    mocker: MockerFixture, failure: Exception, words: str
) -> None:
    mocker.patch("serial.Serial.open", side_effect=failure)
    with pytest.raises(PortUnavailable) as refusal:
        SerialTransport("COM7", 500_000)
    assert words in refusal.value.text


# --- unplugged: each system raises something else -----------------------------------------------------------------

UNPLUGGED = [
    serial.SerialException("device reports readiness to read but returned no data"),
    serial.PortNotOpenError(),
    OSError(errno.EIO, "Input/output error"),
    OSError(errno.ENXIO, "No such device or address"),
    PermissionError(errno.EACCES, "Access is denied"),
    TypeError("an integer is required (got type NoneType)"),
    AttributeError("'NoneType' object has no attribute 'hEvent'"),
]


@pytest.mark.parametrize("failure", UNPLUGGED, ids=repr)
def test_each_systems_way_of_unplugging_during_a_read_is_a_lost_link(
    pty: Pty, mocker: MockerFixture, failure: Exception
) -> None:
    port = SerialTransport(pty.name, 500_000)
    mocker.patch("serial.Serial.read", side_effect=failure)
    with pytest.raises(LinkLost) as loss:
        port.read()
    assert loss.value.code == "link-lost"
    assert loss.value.text.startswith(f"The port {pty.name} went away while reading (")
    assert loss.value.text.endswith("Check plug and cable.")
    port.close()


@pytest.mark.parametrize("failure", [*UNPLUGGED, serial.SerialTimeoutException("Write timeout")], ids=repr)
def test_each_systems_way_of_unplugging_during_a_write_is_a_lost_link(
    pty: Pty, mocker: MockerFixture, failure: Exception
) -> None:
    port = SerialTransport(pty.name, 500_000)
    mocker.patch("serial.Serial.write", side_effect=failure)
    with pytest.raises(LinkLost, match="takes no bytes"):
        port.write(b"x")
    port.close()


def test_a_byte_read_just_before_unplugging_is_kept_and_the_loss_told_by_the_next_read(
    pty: Pty, mocker: MockerFixture
) -> None:
    port = SerialTransport(pty.name, 500_000)
    mocker.patch("serial.Serial.read", side_effect=[b"!", OSError(errno.EIO, "Input/output error")])
    mocker.patch("serial.Serial.in_waiting", new_callable=mocker.PropertyMock, side_effect=OSError(errno.EIO, "gone"))
    assert port.read() == b"!"
    with pytest.raises(LinkLost):
        port.read()
    port.close()


def test_closing_an_unplugged_port_never_raises(pty: Pty, mocker: MockerFixture) -> None:
    port = SerialTransport(pty.name, 500_000)
    mocker.patch("serial.Serial.close", side_effect=OSError(errno.EIO, "gone"))
    port.close()
    mocker.stopall()
    port.close()


# --- discovery ----------------------------------------------------------------------------------------------------


@dataclass
class Listed:
    """One row of the operating system's list of ports."""

    device: str
    vid: int | None


KNOWN = min(transport.KNOWN_USB_VENDORS)
UNKNOWN = [Listed("/dev/ttyS0", None), Listed("/dev/ttyUSB9", 0x0001), Listed("/dev/rfcomm0", None)]


def _system_lists(mocker: MockerFixture, *ports: Listed) -> None:
    mocker.patch("serial.tools.list_ports.comports", return_value=list(ports))


def test_discovery_gives_the_one_known_board(mocker: MockerFixture) -> None:
    _system_lists(mocker, *UNKNOWN, Listed("/dev/ttyACM0", KNOWN))
    assert discover() == "/dev/ttyACM0"


@pytest.mark.parametrize("ports", [[], UNKNOWN])
def test_discovery_without_a_known_board_gives_none(mocker: MockerFixture, ports: list[Listed]) -> None:
    _system_lists(mocker, *ports)
    with pytest.raises(PortUnavailable, match="No board was found"):
        discover()


def test_discovery_of_two_boards_leaves_the_choice_to_the_user(mocker: MockerFixture) -> None:
    _system_lists(mocker, Listed("/dev/ttyACM1", KNOWN), *UNKNOWN, Listed("/dev/ttyACM0", KNOWN))
    with pytest.raises(PortUnavailable, match="/dev/ttyACM0, /dev/ttyACM1"):
        discover()


def test_discovery_opens_no_port(mocker: MockerFixture) -> None:
    opened = mocker.patch("serial.Serial.open")
    os_open = mocker.spy(os, "open")
    _system_lists(mocker, *UNKNOWN, Listed("/dev/ttyACM0", KNOWN))
    discover()
    assert opened.call_count == 0
    assert os_open.call_count == 0
