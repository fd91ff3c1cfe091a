"""The start-up conversation with a board, without any input or output of its own."""

from __future__ import annotations

from dataclasses import dataclass

from bench.errors import LinkError, NoBoard, WrongFirmware
from firmware_protocol.framing import Frame, Framer, FrameReader
from firmware_protocol.messages import Hello, HostMessage, Identify, PressRequest, Start, Stop
from firmware_protocol.schema import FINGERPRINT, WIRE_VERSION

POSITION_HZ = 100
LEVEL_HZ = 5
#: No boot loader prints this much before its board answers.
RUBBISH_BYTES = 512


@dataclass(frozen=True, slots=True)
class Greeting:
    """A board that can be worked with, and the number that the next session will have."""

    hello: Hello
    session: int


class Handshake:
    """Feed it what the port gives until `greeting` is set; send `question()` from time to time.

    `verdict()` turns silence or rubbish at the deadline into the right error.
    """

    def __init__(self, sender: Sender) -> None:
        self.greeting: Greeting | None = None
        self._sender = sender
        self._reader = FrameReader()
        self._bytes = 0

    def question(self) -> bytes:
        """A delimiter, which ends whatever the board may have read before, and Identify."""
        return b"\0" + self._sender.encode(Identify(WIRE_VERSION))

    def feed(self, data: bytes) -> None:
        """Look for a Hello. Raises WrongFirmware if there is one with other definitions."""
        self._bytes += len(data)
        for frame in self._reader.feed(data):
            if not isinstance(frame, Frame) or not isinstance(frame.message, Hello):
                continue
            hello = frame.message
            if hello.wire_version != WIRE_VERSION or hello.fingerprint != FINGERPRINT:
                raise WrongFirmware(
                    f"The board speaks other message definitions (its fingerprint is {hello.fingerprint:08x}, this program's "
                    f"{FINGERPRINT:08x}). Flash the firmware that belongs to this version."
                )
            self.greeting = Greeting(hello, frame.session % 255 + 1)

    @property
    def rubbish(self) -> bool:
        """True if more has come than a boot loader prints, and no Hello among it."""
        return self.greeting is None and self._bytes >= RUBBISH_BYTES

    def failure(self, port: str, waited_s: float) -> LinkError:
        """What to say when the deadline passes without a greeting."""
        if self._bytes == 0:
            return NoBoard(f"Nothing answers on {port} within {waited_s:.1f} s. Check power, cable and port.")
        return NoBoard(
            f"What answers on {port} is not a breakerbench board ({self._bytes} bytes, no valid greeting). Check port and baud rate."
        )


class Sender:
    """Numbers and encodes what the host sends."""

    def __init__(self) -> None:
        self._framer = Framer()
        self._sequence = 0
        self._request = 0

    def encode(self, message: HostMessage) -> bytes:
        """Wire bytes of `message` with the next sequence number."""
        data = self._framer.encode(message, 0, self._sequence)
        self._sequence = (self._sequence + 1) & 0xFFFF
        return data

    def start(self, session: int) -> bytes:
        """Begin `session` at the standard rates."""
        return self.encode(Start(session, POSITION_HZ, LEVEL_HZ, 1))

    def stop(self) -> bytes:
        """End the session."""
        return self.encode(Stop())

    def press(self) -> tuple[int, bytes]:
        """A press on the keyboard: the request's number, and its bytes."""
        self._request = self._request % 0xFFFF + 1
        return self._request, self.encode(PressRequest(self._request))
