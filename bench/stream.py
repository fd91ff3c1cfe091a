"""From journalled bytes to the messages of one session, with every loss noticed.

Sans-IO: give it what was sent and what was received, in the journal's order; it gives back messages and the
findings about the stream between them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

from firmware_protocol.framing import Frame, FrameReader
from firmware_protocol.messages import Contact, Hello, Message, Start

BAD_FRAMES_WINDOW = 10_000
BAD_FRAMES_LEAST = 3
BAD_FRAMES_SHARE = 0.001
#: A sequence number up to this far behind is an old frame, not a loss of nearly 65,536.
OLD_FRAMES = 256


@dataclass(frozen=True, slots=True)
class FramesLost:
    """Frames are missing before the next message; `frames` as the sequence tells (modulo 65,536)."""

    frames: int


@dataclass(frozen=True, slots=True)
class BoardReset:
    """The board started anew in the middle of the session, or another board answers; `before` is the one greeted until then.

    `begun`: a message of the session had come. If not, the board may never have read its Start.
    """

    hello: Hello
    before: Hello | None
    begun: bool = True


@dataclass(frozen=True, slots=True)
class TooManyBadFrames:
    """More frames fail their checks than any line in order shows."""

    bad: int
    of: int


@dataclass(slots=True)
class LinkCounts:
    """What the record says about the line."""

    frames: int = 0
    bad_frames: int = 0
    losses: int = 0


StreamItem = Frame | FramesLost | BoardReset | TooManyBadFrames


class SessionStream:
    """The session that the last Start began.

    `hello` is the board's greeting before that Start. Frames of other sessions are left out, as is everything before
    the first frame of this one.
    """

    def __init__(self) -> None:
        self.hello: Hello | None = None
        self.session: int | None = None
        self.position_hz = 0
        self.counts = LinkCounts()
        self._sent = FrameReader()
        self._received = FrameReader()
        self._next_sequence: int | None = None
        self._bad: deque[int] = deque()
        self._seen = 0

    def sent(self, data: bytes) -> bool:
        """Bytes that the host sent; true if they begin a session."""
        begun = False
        for frame in self._sent.feed(data):
            if isinstance(frame, Frame) and isinstance(frame.message, Start):
                self.session = frame.message.session
                self.position_hz = frame.message.position_hz
                self._next_sequence = None
                begun = True
        return begun

    def cut(self) -> None:
        """The line is gone: no session, and half a frame stays half."""
        self.session = self._next_sequence = None
        self._received = FrameReader()

    def received(self, data: bytes) -> Iterator[StreamItem]:
        """Bytes that the board sent: messages of the session in order, with findings before the message they concern.

        `counts` include only what has been taken from the iterator, so that a caller may stop at any item.
        """
        for frame in self._received.feed(data):
            if isinstance(frame, Frame) and _coherent(frame.message):
                yield from self._good(frame)
            else:
                yield from self._bad_frame()

    def _good(self, frame: Frame) -> Iterator[StreamItem]:
        message = frame.message
        begun = self._next_sequence is not None
        if not begun:
            if isinstance(message, Hello) and frame.session != self.session:
                known, self.hello = self.hello, message
                if self.session is not None and known is not None and _other_boot(message, known):
                    yield BoardReset(message, known, begun=False)
            if frame.session != self.session or isinstance(message, Hello):
                return
            # Sequence starts at 0 with the session, so that a loss of its first frames shows.
            self._next_sequence = 0
        self._seen += 1
        self.counts.frames += 1
        known = self.hello
        if frame.session != self.session or (
            isinstance(message, Hello) and known is not None and _other_boot(message, known)
        ):
            if isinstance(message, Hello):
                self.hello = message
                yield BoardReset(message, known)
            return
        expected = self._next_sequence or 0
        if 0 < (expected - frame.sequence) & 0xFFFF <= OLD_FRAMES:
            # It was here before, or comes late: bytes were doubled or swapped on the way. What was missed in its place is a loss
            # already.
            self.counts.bad_frames += 1
            return
        missing = (frame.sequence - expected) & 0xFFFF
        self._next_sequence = (frame.sequence + 1) & 0xFFFF
        if missing:
            self.counts.losses += 1
            yield FramesLost(missing)
        yield frame

    def _bad_frame(self) -> Iterator[StreamItem]:
        if self._next_sequence is None:
            return
        self._seen += 1
        self.counts.bad_frames += 1
        self._bad.append(self._seen)
        while self._bad and self._bad[0] <= self._seen - BAD_FRAMES_WINDOW:
            self._bad.popleft()
        of = min(self._seen, BAD_FRAMES_WINDOW)
        if len(self._bad) > max(BAD_FRAMES_LEAST, BAD_FRAMES_SHARE * of):
            yield TooManyBadFrames(len(self._bad), of)


def _other_boot(hello: Hello, known: Hello) -> bool:
    return hello.boot_counter != known.boot_counter or hello.board_id != known.board_id


def _coherent(message: Message) -> bool:
    """Checks between fields that no single range can state."""
    if isinstance(message, Contact):
        return len(message.before_ages) == len(message.before_steps) and len(message.after_delays) == len(
            message.after_steps
        )
    return True
