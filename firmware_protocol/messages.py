"""Every message of the wire, defined once.

Sent by the board (types below 0x80): Hello, Position, Edges, Contact, Index, Press, Level, Trouble,
Pong. Sent by the host: Identify, Start, Stop, Ping, PressRequest. Identify and Hello are frozen for
ever; changing any other message changes the fingerprint (see `schema`).

Terms. A *tick* is one period of the board's timer. The *count* is the board's running sum of encoder
edges (four per line), up or down. *Boundary* b is the place on the encoder disc where the count
changes between b-1 and b. An encoder edge is given by its step (+1 or -1): with +1 the count goes
from b-1 to b, with -1 from b to b-1.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Annotated, ClassVar

from firmware_protocol.fields import I8, I32, U8, U16, U32, Array, Octets, Scalar


class ResetCause(IntEnum):
    """Why the board last started."""

    UNKNOWN = 0
    POWER_ON = 1
    EXTERNAL = 2
    WATCHDOG = 3
    SUPPLY_DIP = 4


class Capability(IntFlag):
    """What the board can do beyond Position and Contact."""

    INDEX = 1
    EDGES = 2
    PEDAL = 4
    LEVELS = 8
    BOOT_COUNTER_KEPT = 16


class PositionFlag(IntFlag):
    """State bits that ride along with Position."""

    EDGES_SUSPENDED = 1
    PEDAL_DOWN = 2


class EdgesFlag(IntFlag):
    """How an Edges message connects to the one before."""

    AFTER_SUSPENSION = 1


class ContactFlag(IntFlag):
    """What is special about one Contact."""

    NO_NEXT_EDGE = 1
    ONE_OF_STORM = 2


class PressSource(IntEnum):
    """Where a press came from."""

    PEDAL = 0
    REQUEST = 1


class TroubleCode(IntEnum):
    """What went wrong on the board. Those marked doubtful in PROTOCOL.md make the count doubtful."""

    ILLEGAL_TRANSITION = 1
    EDGES_TOO_NEAR = 2
    FLAG_SET_AGAIN = 3
    INDEX_OFF = 4
    QUEUE_OVERRUN = 5
    CONTACT_OVERRUN = 6
    EDGES_SUSPENDED = 7
    EDGES_RESUMED = 8
    REJECTED_COMMAND = 9
    SUPPLY_DIP = 10


#: Troubles after which the count may be wrong: the host voids the zero.
COUNT_DOUBTFUL = frozenset(
    {
        TroubleCode.ILLEGAL_TRANSITION,
        TroubleCode.EDGES_TOO_NEAR,
        TroubleCode.FLAG_SET_AGAIN,
        TroubleCode.INDEX_OFF,
        TroubleCode.SUPPLY_DIP,
    }
)

#: Troubles after which messages are missing although the frames' sequence is whole.
MESSAGES_MISSING = frozenset({TroubleCode.QUEUE_OVERRUN, TroubleCode.CONTACT_OVERRUN})

NO_CHANNEL = 255
MOST_CHANNELS = 8
MOST_STEPS = 112

_Tick = Annotated[int, Scalar(U32, "tick", "board's timer, wraps at 2^32")]
_Count = Annotated[int, Scalar(I32, "count", "encoder count at that tick")]


@dataclass(frozen=True, slots=True)
class Hello:
    """Who the board is. Sent after every reset, as the answer to Identify, and as the answer to Stop."""

    TYPE: ClassVar[int] = 0x01
    FROZEN: ClassVar[bool] = True

    wire_version: Annotated[int, Scalar(U8, "", "version of framing and frozen messages: 1")]
    fingerprint: Annotated[int, Scalar(U32, "", "fingerprint of the definitions the board was built with")]
    board_id: Annotated[bytes, Octets(8, "identifies this one board; any eight bytes, the same after each reset")]
    boot_counter: Annotated[
        int, Scalar(U32, "", "number of starts so far; kept over power loss if the capability says so")
    ]
    reset_cause: Annotated[int, Scalar(U8, "", "why the board last started", 0, 4, ResetCause)]
    tick_hz: Annotated[int, Scalar(U32, "Hz", "ticks per second", 100_000, 100_000_000)]
    counts_per_turn: Annotated[
        int,
        Scalar(U32, "count", "counts per turn of the encoder, as configured: 4 x lines", 4, 10_000_000),
    ]
    rated_edge_hz: Annotated[int, Scalar(U32, "Hz", "highest encoder edge rate that the board counts without loss", 1)]
    contact_channels: Annotated[int, Scalar(U8, "", "number of contact probes", 1, MOST_CHANNELS)]
    level_channels: Annotated[int, Scalar(U8, "", "number of analogue readings in Level", 0, MOST_CHANNELS)]
    capabilities: Annotated[int, Scalar(U16, "", "what the board can do; unknown bits are ignored", names=Capability)]
    simulated: Annotated[int, Scalar(U8, "", "1 if no real unit is behind this board", 0, 1)]
    firmware_major: Annotated[int, Scalar(U8, "", "firmware version, first number")]
    firmware_minor: Annotated[int, Scalar(U8, "", "firmware version, second number")]
    firmware_patch: Annotated[int, Scalar(U8, "", "firmware version, third number")]
    build: Annotated[int, Scalar(U32, "", "build identification, free to choose; 0 if none")]


@dataclass(frozen=True, slots=True)
class Position:
    """Where the rotor is, at a steady rate: the heartbeat of a session."""

    TYPE: ClassVar[int] = 0x10
    FROZEN: ClassVar[bool] = False

    tick: _Tick
    count: _Count
    levels: Annotated[int, Scalar(U8, "", "bit n is 1 while contact channel n is open, at that tick")]
    flags: Annotated[int, Scalar(U8, "", "state bits; unknown bits are ignored", names=PositionFlag)]
    troubles: Annotated[int, Scalar(U16, "", "Trouble messages sent in this session before this one, modulo 2^16")]
    contact_edges: Annotated[
        tuple[int, ...],
        Array(
            U16,
            MOST_CHANNELS,
            "",
            "for each contact channel: edges latched since Start with a tick not after this tick, modulo 2^16",
        ),
    ]


@dataclass(frozen=True, slots=True)
class Edges:
    """Encoder edges in the order they came, all of them while the rate allows."""

    TYPE: ClassVar[int] = 0x11
    FROZEN: ClassVar[bool] = False

    tick: Annotated[int, Scalar(U32, "tick", "reference for the first step")]
    count: Annotated[int, Scalar(I32, "count", "count before the first step")]
    flags: Annotated[int, Scalar(U8, "", "how this connects to the Edges before", names=EdgesFlag)]
    steps: Annotated[
        tuple[int, ...],
        Array(
            U16,
            MOST_STEPS,
            "",
            "one per edge: bits 0..14 ticks since the edge before (the first: since tick), bit 15 set if the "
            "count goes down",
        ),
    ]


@dataclass(frozen=True, slots=True)
class Contact:
    """One edge of a contact probe, latched at once, with the encoder edges around it. Never filtered."""

    TYPE: ClassVar[int] = 0x12
    FROZEN: ClassVar[bool] = False

    tick: _Tick
    count: _Count
    channel: Annotated[int, Scalar(U8, "", "contact channel, from 0", 0, MOST_CHANNELS - 1)]
    opened: Annotated[int, Scalar(U8, "", "1: closed to open; 0: open to closed", 0, 1)]
    flags: Annotated[int, Scalar(U8, "", "what is special; unknown bits are ignored", names=ContactFlag)]
    storm_edges: Annotated[int, Scalar(U16, "", "further edges of this channel merged into this message, else 0")]
    storm_ticks: Annotated[int, Scalar(U32, "tick", "from this edge to the last merged one, else 0")]
    storm_open: Annotated[int, Scalar(U8, "", "1 if the channel was open after the last merged edge, else 0", 0, 1)]
    before_ages: Annotated[
        tuple[int, ...],
        Array(U32, 4, "tick", "encoder edges before, latest first: ticks from that edge to this one"),
    ]
    before_steps: Annotated[tuple[int, ...], Array(I8, 4, "count", "their steps, latest first", -1, 1)]
    after_delays: Annotated[
        tuple[int, ...],
        Array(U32, 4, "tick", "encoder edges after, earliest first: ticks from this edge to that one"),
    ]
    after_steps: Annotated[tuple[int, ...], Array(I8, 4, "count", "their steps, earliest first", -1, 1)]


@dataclass(frozen=True, slots=True)
class Index:
    """The encoder's index signal went active."""

    TYPE: ClassVar[int] = 0x13
    FROZEN: ClassVar[bool] = False

    tick: _Tick
    count: _Count
    step: Annotated[int, Scalar(I8, "count", "step of the latest encoder edge; 0 if there was none", -1, 1)]


@dataclass(frozen=True, slots=True)
class Press:
    """A press of the pedal, or the answer to PressRequest: "here, now"."""

    TYPE: ClassVar[int] = 0x14
    FROZEN: ClassVar[bool] = False

    tick: _Tick
    count: _Count
    source: Annotated[int, Scalar(U8, "", "where it came from", 0, 1, PressSource)]
    down: Annotated[int, Scalar(U8, "", "1: pressed; 0: let go (pedal only)", 0, 1)]
    request: Annotated[int, Scalar(U16, "", "the request's number, else 0")]


@dataclass(frozen=True, slots=True)
class Level:
    """Analogue reading of each probe."""

    TYPE: ClassVar[int] = 0x15
    FROZEN: ClassVar[bool] = False

    tick: _Tick
    millivolts: Annotated[
        tuple[int, ...], Array(U16, MOST_CHANNELS, "mV", "voltage across each probe, channel 0 first")
    ]


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that the board lost, doubts or refuses. What it loses, it counts and tells."""

    TYPE: ClassVar[int] = 0x16
    FROZEN: ClassVar[bool] = False

    tick: Annotated[int, Scalar(U32, "tick", "when it began")]
    code: Annotated[int, Scalar(U8, "", "what it is", 1, 10, TroubleCode)]
    channel: Annotated[int, Scalar(U8, "", "contact channel concerned, 255 if none")]
    amount: Annotated[int, Scalar(U32, "", "how many, or the value that the code's row names")]
    span_ticks: Annotated[int, Scalar(U32, "tick", "how long it lasted; 0 if a moment")]


@dataclass(frozen=True, slots=True)
class Pong:
    """Answer to Ping."""

    TYPE: ClassVar[int] = 0x17
    FROZEN: ClassVar[bool] = False

    tick: Annotated[int, Scalar(U32, "tick", "when the Ping was read")]
    token: Annotated[int, Scalar(U16, "", "the Ping's token")]


@dataclass(frozen=True, slots=True)
class Identify:
    """Who are you? Answered by Hello at any time; changes nothing."""

    TYPE: ClassVar[int] = 0x81
    FROZEN: ClassVar[bool] = True

    wire_version: Annotated[int, Scalar(U8, "", "version of framing and frozen messages that the host speaks: 1")]


@dataclass(frozen=True, slots=True)
class Start:
    """Begin a session: counters and sequence to zero, reports at these rates."""

    TYPE: ClassVar[int] = 0x82
    FROZEN: ClassVar[bool] = False

    session: Annotated[int, Scalar(U8, "", "number of the session to begin, not that of the one before", 1, 255)]
    position_hz: Annotated[int, Scalar(U8, "Hz", "rate of Position", 50, 100)]
    level_hz: Annotated[int, Scalar(U8, "Hz", "rate of Level; 0 for none", 0, 20)]
    edges: Annotated[int, Scalar(U8, "", "1: send Edges; 0: do not", 0, 1)]


@dataclass(frozen=True, slots=True)
class Stop:
    """End the session. The board sends what is pending, then Hello, then falls silent."""

    TYPE: ClassVar[int] = 0x83
    FROZEN: ClassVar[bool] = False


@dataclass(frozen=True, slots=True)
class Ping:
    """Ask for a Pong at once."""

    TYPE: ClassVar[int] = 0x84
    FROZEN: ClassVar[bool] = False

    token: Annotated[int, Scalar(U16, "", "any number; comes back in Pong")]


@dataclass(frozen=True, slots=True)
class PressRequest:
    """A press on the host's keyboard: the board latches tick and count and answers with Press."""

    TYPE: ClassVar[int] = 0x85
    FROZEN: ClassVar[bool] = False

    request: Annotated[int, Scalar(U16, "", "number of the request, from 1; comes back in Press", 1)]


DeviceMessage = Hello | Position | Edges | Contact | Index | Press | Level | Trouble | Pong
HostMessage = Identify | Start | Stop | Ping | PressRequest
Message = DeviceMessage | HostMessage

DEVICE_MESSAGES: tuple[type[DeviceMessage], ...] = (
    Hello,
    Position,
    Edges,
    Contact,
    Index,
    Press,
    Level,
    Trouble,
    Pong,
)
HOST_MESSAGES: tuple[type[HostMessage], ...] = (Identify, Start, Stop, Ping, PressRequest)
MESSAGES: tuple[type[Message], ...] = DEVICE_MESSAGES + HOST_MESSAGES
