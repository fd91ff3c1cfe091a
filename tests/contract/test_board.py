"""What PROTOCOL.md asks of a board, played against every board and over every way to reach one."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import pytest

from bench.stream import SessionStream
from firmware_protocol.framing import BadFrame, Frame, Framer, FrameReader
from firmware_protocol.messages import (
    Capability,
    Contact,
    ContactFlag,
    Edges,
    EdgesFlag,
    Hello,
    HostMessage,
    Identify,
    Index,
    Message,
    Ping,
    Pong,
    Position,
    Press,
    PressRequest,
    PressSource,
    Start,
    Stop,
    Trouble,
    TroubleCode,
)
from firmware_protocol.schema import FINGERPRINT
from tests.contract.peers import PEERS, Wire

WITHIN_S = 20.0


class Host:
    """Talks to a board and keeps every frame."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self._framer = Framer()
        self._reader = FrameReader()
        self._sequence = 0
        self._fences = 0
        self.frames: list[Frame] = []
        self.bad: list[BadFrame] = []

    def send(self, message: HostMessage) -> None:
        self.raw(self._framer.encode(message, 0, self._sequence))
        self._sequence += 1

    def raw(self, data: bytes) -> None:
        self._wire.write(data)

    def read(self) -> bool:
        data = self._wire.read()
        for item in self._reader.feed(data):
            if isinstance(item, Frame):
                self.frames.append(item)
            else:
                self.bad.append(item)
        return bool(data)

    def until(self, met: Callable[[Message], bool]) -> Frame:
        """Read until a frame from now on meets the condition; fails at the deadline."""
        at, deadline = len(self.frames), time.monotonic() + WITHIN_S
        while time.monotonic() < deadline:
            while at < len(self.frames):
                if met(self.frames[at].message):
                    return self.frames[at]
                at += 1
            self.read()
        raise AssertionError(f"not within {WITHIN_S} s; last {self.frames[-3:]}")

    def seconds(self, of_device: float) -> None:
        """Read until Positions have covered that much of the board's time."""
        first = self.until(lambda m: isinstance(m, Position)).message
        assert isinstance(first, Position)
        start, hz = first.tick, self.hello.tick_hz
        self.until(lambda m: isinstance(m, Position) and (m.tick - start) & 0xFFFF_FFFF > of_device * hz)

    def quiet(self) -> bool:
        """True if nothing comes over several reads."""
        heard = [self.read() for _ in range(8)]
        return True not in heard

    def greet(self) -> Hello:
        self.raw(b"\0")
        self.send(Identify(1))
        self.until(lambda m: isinstance(m, Hello))
        # Both the greeting after the reset and the answer may come; neither is to be taken for something else later. A board answers in
        # the order of asking, so that after this Pong nothing of them is still under way.
        self._fences += 1
        token = 60_000 + self._fences
        self.send(Ping(token))
        self.until(lambda m: isinstance(m, Pong) and m.token == token)
        return self.hello

    @property
    def hello(self) -> Hello:
        return next(f.message for f in reversed(self.frames) if isinstance(f.message, Hello))

    def start(self, session: int = 1, edges: int = 1) -> int:
        """Begin a session; place in `frames` of its first frame."""
        at = len(self.frames)
        self.send(Start(session, 100, 10, edges))
        while not any(f.session == session for f in self.frames[at:]):
            self.read()
        return next(n for n, f in enumerate(self.frames) if n >= at and f.session == session)


@pytest.fixture(params=list(PEERS))
def host(request: pytest.FixtureRequest) -> Iterator[Host]:
    with PEERS[request.param]() as wire:
        yield Host(wire)


def test_identify_is_answered_by_a_hello_with_this_fingerprint(host: Host) -> None:
    hello = host.greet()
    assert hello.wire_version == 1
    assert hello.fingerprint == FINGERPRINT
    assert hello.simulated == 1
    assert hello.tick_hz >= 1_000_000


def test_outside_a_session_the_board_says_nothing_else(host: Host) -> None:
    host.greet()
    assert host.quiet()
    # Those two were asked for.
    assert {type(f.message) for f in host.frames} == {Hello, Pong}
    host.send(PressRequest(3))
    assert host.quiet()


def test_a_session_begins_with_sequence_0_and_its_own_number(host: Host) -> None:
    host.greet()
    host.bad.clear()
    at = host.start(9)
    host.seconds(1.0)
    session = host.frames[at:]
    assert [f.sequence for f in session] == list(range(len(session)))
    assert {f.session for f in session} == {9}
    assert not host.bad


def test_position_comes_steadily(host: Host) -> None:
    hello = host.greet()
    host.start()
    host.seconds(3.0)
    ticks = [f.message.tick for f in host.frames if isinstance(f.message, Position)]
    steps = [(b - a) & 0xFFFF_FFFF for a, b in zip(ticks, ticks[1:], strict=False)]
    period = hello.tick_hz / 100
    # Sampled within 20 % of a period of its due time: two neighbours differ by at most 40 %.
    assert all(0.6 * period <= s <= 1.4 * period for s in steps)


def test_edges_continue_each_other_and_agree_with_every_count(host: Host) -> None:
    hello = host.greet()
    if not hello.capabilities & Capability.EDGES:
        pytest.skip("this board sends no Edges")
    at = host.start()
    host.seconds(8.0)
    edges: list[tuple[int, int]] = []
    expected: int | None = None
    base: int | None = None
    for frame in host.frames[at:]:
        message = frame.message
        if not isinstance(message, Edges):
            continue
        if expected is not None and not message.flags & EdgesFlag.AFTER_SUSPENSION:
            assert message.count == expected
        tick, count = message.tick, message.count
        base = tick if base is None else base
        for step in message.steps:
            tick += step & 0x7FFF
            count += -1 if step & 0x8000 else 1
            edges.append(((tick - base) & 0xFFFF_FFFF, count))
        expected = count
    assert len(edges) > 500
    assert edges == sorted(edges, key=lambda e: e[0])
    last_told = edges[-1][0]
    checked = 0
    for frame in host.frames[at:]:
        message = frame.message
        if isinstance(message, (Position, Contact, Index, Press)):
            when = (message.tick - (base or 0)) & 0xFFFF_FFFF
            if edges[0][0] < when < last_told:
                before = [c for t, c in edges if t <= when]
                assert message.count == before[-1]
                checked += 1
    assert checked > 100


def test_every_contact_edge_is_told_and_tallied(host: Host) -> None:
    host.greet()
    at = host.start()
    host.until(lambda m: isinstance(m, Contact))
    host.seconds(6.0)
    session = [f.message for f in host.frames[at:]]
    contacts = [m for m in session if isinstance(m, Contact)]
    assert contacts
    last = next(m for m in reversed(session) if isinstance(m, Position))
    tallies = [0] * host.hello.contact_channels
    for c in contacts:
        if (last.tick - c.tick) & 0xFFFF_FFFF < 0x8000_0000:
            tallies[c.channel] += 1 + c.storm_edges
    waiting = sum(a - b for a, b in zip(last.contact_edges, tallies, strict=True))
    # Those of the last 50 ms may still wait for their encoder edges.
    assert 0 <= waiting <= 8
    for channel in range(host.hello.contact_channels):
        states = [c.opened for c in contacts if c.channel == channel and not c.storm_edges]
        merged = any(c.storm_edges for c in contacts if c.channel == channel)
        assert merged or all(a != b for a, b in zip(states, states[1:], strict=False))


def test_a_contact_carries_the_encoder_edges_around_it(host: Host) -> None:
    hello = host.greet()
    at = host.start()
    host.until(lambda m: isinstance(m, Contact))
    host.seconds(2.0)
    for frame in host.frames[at:]:
        contact = frame.message
        if isinstance(contact, Contact):
            assert len(contact.before_ages) == len(contact.before_steps) == 4
            assert list(contact.before_ages) == sorted(contact.before_ages)
            assert list(contact.after_delays) == sorted(contact.after_delays)
            assert set(contact.before_steps + contact.after_steps) <= {-1, 1}
            assert all(d <= 0.05 * hello.tick_hz + 1 for d in contact.after_delays)
            assert bool(contact.flags & ContactFlag.NO_NEXT_EDGE) == (not contact.after_delays)


def test_ping_is_answered_with_its_token(host: Host) -> None:
    host.greet()
    for token in (0, 515, 65_535):
        host.send(Ping(token))
        assert host.until(lambda m: isinstance(m, Pong)).message.token == token
    host.start()
    host.send(Ping(77))
    assert host.until(lambda m: isinstance(m, Pong)).message.token == 77


def test_a_press_request_comes_back_latched(host: Host) -> None:
    host.greet()
    host.start()
    host.send(PressRequest(41))
    press = host.until(lambda m: isinstance(m, Press) and m.source == PressSource.REQUEST).message
    assert isinstance(press, Press)
    assert (press.request, press.down) == (41, 1)


def test_what_cannot_be_followed_is_rejected_and_told(host: Host) -> None:
    host.greet()
    host.start()
    # A board's own message, sent by the host.
    host.raw(Framer().encode(Pong(1, 2), 0, 0))
    trouble = host.until(lambda m: isinstance(m, Trouble)).message
    assert isinstance(trouble, Trouble)
    assert trouble.code == TroubleCode.REJECTED_COMMAND
    assert trouble.amount == Pong.TYPE
    position = host.until(lambda m: isinstance(m, Position)).message
    assert isinstance(position, Position)
    assert position.troubles == 1


@pytest.mark.parametrize("damage", ["flip", "cut", "noise"])
def test_damaged_commands_are_ignored(host: Host, damage: str) -> None:
    host.greet()
    wire = bytearray(Framer().encode(Start(5, 100, 0, 1), 0, 0))
    if damage == "flip":
        wire[6] ^= 0x04
    elif damage == "cut":
        del wire[5]
    else:
        wire = bytearray(range(1, 256)) * 3 + b"\0"
    host.raw(bytes(wire))
    assert host.quiet()
    host.greet()
    assert all(f.session == 0 for f in host.frames)


def test_stop_is_answered_by_hello_then_silence(host: Host) -> None:
    host.greet()
    host.start()
    host.seconds(0.5)
    host.send(Stop())
    host.until(lambda m: isinstance(m, Hello))
    assert isinstance(host.frames[-1].message, Hello)
    assert host.quiet()


def test_a_new_session_begins_anew_but_keeps_the_count(host: Host) -> None:
    host.greet()
    host.start(1)
    host.seconds(2.0)
    last = next(f.message for f in reversed(host.frames) if isinstance(f.message, Position))
    at = host.start(2)
    host.seconds(0.5)
    session = host.frames[at:]
    assert [f.sequence for f in session] == list(range(len(session)))
    first = next(f.message for f in session if isinstance(f.message, Position))
    assert isinstance(last, Position)
    turned = 0.2 * host.hello.counts_per_turn
    assert abs(first.count - last.count) < turned
    assert first.troubles == 0


def test_the_index_comes_once_a_turn(host: Host) -> None:
    hello = host.greet()
    if not hello.capabilities & Capability.INDEX:
        pytest.skip("this board has no index")
    at = host.start(edges=0)
    counts = []
    while len(counts) < 4:
        host.until(lambda m: isinstance(m, Index))
        counts = [f.message.count for f in host.frames[at:] if isinstance(f.message, Index)]
    for a, b in zip(counts, counts[1:], strict=False):
        off = (b - a) % hello.counts_per_turn
        assert min(off, hello.counts_per_turn - off) <= 1


def test_the_host_finds_nothing_lost(host: Host) -> None:
    hello = host.greet()
    at = host.start(4)
    host.seconds(5.0)
    stream = SessionStream()
    stream.sent(Framer().encode(Start(4, 100, 10, 1), 0, 0))
    data = b"".join(f.wire + b"\0" for f in host.frames[at:])
    assert all(isinstance(item, Frame) for item in stream.received(data))
    assert stream.counts.losses == 0
    assert hello.boot_counter >= 0
