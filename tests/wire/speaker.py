"""A board's or host's voice: frames with running sequence, and strategies for arbitrary valid messages."""

from __future__ import annotations

from hypothesis import strategies as st

from firmware_protocol.codec import message_fields
from firmware_protocol.fields import Array, Field, Octets
from firmware_protocol.framing import Framer
from firmware_protocol.messages import MESSAGES, Hello, Message, Position
from firmware_protocol.schema import FINGERPRINT

TICK_HZ = 2_000_000
#: Ticks between two Positions at 100 Hz.
PERIOD = TICK_HZ // 100

HELLO = Hello(1, FINGERPRINT, b"demo0001", 7, 1, TICK_HZ, 10_000, 100_000, 2, 0, 0x1F, 1, 0, 1, 0, 0)


class Speaker:
    """Numbers frames as the protocol says: sequence from 0 with each session."""

    def __init__(self, session: int = 0) -> None:
        self.session = session
        self.sequence = 0
        self._framer = Framer()

    def say(self, message: Message) -> bytes:
        """The frame's wire bytes, with its delimiter."""
        wire = self._framer.encode(message, self.session, self.sequence)
        self.skip(1)
        return wire

    def skip(self, frames: int) -> None:
        """As if so many frames had been sent and lost."""
        self.sequence = (self.sequence + frames) & 0xFFFF

    def begin(self, session: int) -> None:
        """Start has come."""
        self.session, self.sequence = session, 0


def position(
    tick: int, count: int = 0, levels: int = 0, troubles: int = 0, edges: tuple[int, ...] = (0, 0)
) -> Position:
    """A Position, whose 32-bit tick wraps by itself."""
    return Position(tick & 0xFFFF_FFFF, count, levels, 0, troubles, edges)


def _values(spec: Field) -> st.SearchStrategy[object]:
    if isinstance(spec, Octets):
        return st.binary(min_size=spec.size, max_size=spec.size)
    numbers = st.integers(spec.lowest, spec.highest)
    if isinstance(spec, Array):
        return st.lists(numbers, max_size=spec.most).map(tuple)
    return numbers


def messages_of(cls: type[Message]) -> st.SearchStrategy[Message]:
    """Arbitrary valid messages of one class."""
    return st.builds(cls, **{name: _values(spec) for name, spec in message_fields(cls)})


def messages() -> st.SearchStrategy[Message]:
    """Arbitrary valid messages of any class."""
    return st.one_of([messages_of(cls) for cls in MESSAGES])
