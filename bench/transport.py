"""Bytes to and from a port, behind an interface of three calls.

pyserial signals an unplugged adapter differently on each system and kind of URL (SerialException, OSError, TypeError
from a descriptor closed in mid-read, an empty read for ever): here all of it is LinkLost.
"""

from __future__ import annotations

import errno
import os
import re
from typing import Protocol

import serial
from serial.tools import list_ports

from bench.errors import LinkLost, PortUnavailable

#: USB vendor numbers of common serial adapters and small boards (public USB ID list); only these are opened unasked.
KNOWN_USB_VENDORS = frozenset({0x0403, 0x067B, 0x10C4, 0x1A86, 0x2341, 0x16C0, 0x2E8A, 0x303A})

#: Kinds of pyserial URL that name one port; others search for ports or wrap them.
NETWORK_KINDS = frozenset({"socket", "rfc2217", "loop"})

_NETWORK_ADDRESS = re.compile(r"[a-z0-9]+://[^:/?#\s]+:\d{1,5}(/.*)?", re.IGNORECASE)

_FAILURES = (serial.SerialException, OSError, TypeError, AttributeError, ValueError)


class Transport(Protocol):
    """A two-way stream of bytes."""

    def read(self) -> bytes:
        """Whatever has come, at least one byte, or b"" if nothing came within a short time. Raises LinkLost."""

    def write(self, data: bytes) -> None:
        """Send all of `data`. Raises LinkLost, also if it does not go out within a second."""

    def close(self) -> None:
        """Give the port back. Never raises; may be called while another thread reads, and more than once."""


class SerialTransport:
    """A serial device or any pyserial URL, opened for this program alone."""

    READ_WAIT_S = 0.05

    def __init__(self, url: str, baud: int) -> None:
        self.url = url
        if "://" in url and url.split("://", 1)[0].lower() not in NETWORK_KINDS:
            raise PortUnavailable(
                f"{url} is no kind of port that can be used; a device name, socket://HOST:PORT or rfc2217://HOST:PORT was expected."
            )
        try:
            self._port = serial.serial_for_url(
                url, baudrate=baud, timeout=self.READ_WAIT_S, write_timeout=1.0, do_not_open=True
            )
            if "://" not in url:
                self._port.exclusive = True
            self._port.open()
        except _FAILURES as failure:
            raise PortUnavailable(_open_text(url, failure)) from None

    def read(self) -> bytes:
        """See Transport."""
        try:
            data: bytes = self._port.read(1)
        except _FAILURES as failure:
            raise LinkLost(
                f"The port {self.url} went away while reading ({_reason(failure)}). Check plug and cable."
            ) from None
        return data + self._read_on() if data else data

    def _read_on(self) -> bytes:
        """What else has come by now. A failure here is left to the next read, so that the first byte is not lost."""
        try:
            # in_waiting of a network port is only 0 or 1, so ask for what a busy line can hold and do not wait.
            waiting = self._port.in_waiting
            if waiting and "://" in self.url:
                return self._read_network()
            more: bytes = self._port.read(waiting)
        except _FAILURES:
            return b""
        return more

    def _read_network(self) -> bytes:
        self._port.timeout = 0
        try:
            more: bytes = self._port.read(65_536)
        finally:
            self._port.timeout = self.READ_WAIT_S
        return more

    def write(self, data: bytes) -> None:
        """See Transport."""
        try:
            self._port.write(data)
        except _FAILURES as failure:
            raise LinkLost(f"The port {self.url} takes no bytes ({_reason(failure)}). Check plug and cable.") from None

    def close(self) -> None:
        """See Transport."""
        try:
            self._port.close()
        except _FAILURES:
            return


def discover() -> str:
    """The one port with a known USB serial board. Raises PortUnavailable if there is none or more than one."""
    found = sorted(p.device for p in list_ports.comports() if p.vid in KNOWN_USB_VENDORS)
    if not found:
        raise PortUnavailable("No board was found on USB. Plug it in, or name its port with --port.")
    if len(found) > 1:
        raise PortUnavailable(f"More than one port could be the board ({', '.join(found)}). Name one with --port.")
    return found[0]


def _reason(failure: BaseException) -> str:
    if isinstance(failure, OSError) and failure.errno is not None:
        return errno.errorcode.get(failure.errno, str(failure.errno))
    text = str(failure)
    return (
        "the connection was refused or ended" if isinstance(failure, serial.SerialException) or not text else text[:80]
    )


def _open_text(url: str, failure: BaseException) -> str:
    code = failure.errno if isinstance(failure, OSError) else None
    text = str(failure).lower()
    if "://" not in url and ":" in url and not os.path.exists(url):
        return f"There is no port {url}. For a network port write socket://{url}."
    if code == errno.ENOENT or "no such file" in text or "filenotfound" in text:
        return f"There is no port {url}. Plug the board in, or name another port with --port."
    if code in (errno.EAGAIN, errno.EBUSY) or "exclusively lock" in text:
        return f"The port {url} is in use by another program. Close that program first."
    if code in (errno.EACCES, errno.EPERM) or "permission" in text:
        return f"This user may not open the port {url}. Ask for access to serial ports, then log in again."
    if "://" in url and not _NETWORK_ADDRESS.fullmatch(url):
        return f"{url} is no address of a port; socket://HOST:PORT was expected."
    if "name or service" in text or "getaddrinfo" in text or "resolution" in text:
        return f"The host in {url} is not known. Check its name."
    if (
        code in (errno.ENOTTY, errno.EISDIR, errno.EINVAL)
        or "inappropriate ioctl" in text
        or "could not configure" in text
    ):
        return f"{url} is no serial port. Name another one with --port."
    if "refused" in text:
        return f"Nothing listens at {url}. Start the board or the simulator there first."
    return f"The port {url} cannot be opened ({_reason(failure)})."
