"""The simulated board against PROTOCOL.md, fed with signals made for the purpose."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from firmware_protocol.framing import Frame, Framer
from firmware_protocol.messages import (
    COUNT_DOUBTFUL,
    Contact,
    ContactFlag,
    Edges,
    EdgesFlag,
    Hello,
    Identify,
    Index,
    Ping,
    Pong,
    Position,
    PositionFlag,
    Press,
    PressRequest,
    PressSource,
    Start,
    Stop,
    Trouble,
    TroubleCode,
)
from sim.board import Board, Inputs, SignalEdge
from sim.encoder import Crossings
from sim.line import ALL
from sim.scenario import BoardTable
from tests.sim.device import START, frames, of, wire

HZ = 2_000_000
CHUNK_S = 0.02
TURN = 10_000


class Fed:
    """A board whose encoder turns at given rates; collects what it sends, with the time at which each frame has arrived."""

    def __init__(self, start_tick: int = 0, **table: object) -> None:
        self.board = Board(
            BoardTable.model_validate(table),
            counts_per_turn=TURN,
            has_index=True,
            disc_count=0,
            levels=[False, False],
            board_id=b"test-001",
            start_tick=start_tick,
            boot_counter=1,
            rng=np.random.default_rng(1),
        )
        self.times_s: list[float] = []
        self.disc = 0
        self._now = 0.0
        # Edges come half-way between the round times that the tests look at.
        self._part = 0.5
        self.data = b""

    def start(self, message: Start = START) -> Fed:
        self.board.receive(wire(message))
        return self

    def turn(
        self,
        seconds: float,
        rate: float | Callable[[float], float] = 0.0,
        contacts: Sequence[tuple[float, int, bool]] = (),
        pedal: Sequence[tuple[float, bool]] = (),
    ) -> Fed:
        """Let time pass with the encoder turning at `rate` counts a second; contact and pedal times from the beginning."""
        begin = self._now
        for _ in range(round(seconds / CHUNK_S)):
            now, end = self._now, self._now + CHUNK_S
            speed = rate if isinstance(rate, float) else rate(now - begin)
            self.board.run(
                Inputs(
                    end,
                    self._crossings(now, speed),
                    [SignalEdge(begin + t, c, o) for t, c, o in contacts if now <= begin + t < end],
                    [(begin + t, down) for t, down in pedal if now <= begin + t < end],
                    lambda channel, _: 1000 * channel,
                )
            )
            self._now = end
        return self

    def _crossings(self, now: float, speed: float) -> Crossings:
        passed = self._part + abs(speed) * CHUNK_S
        number = int(passed)
        first = (1.0 - self._part) / abs(speed) if speed else 0.0
        self._part = passed - number
        times = now + first + np.arange(number) / abs(speed) if number else np.empty(0)
        step = np.full(number, 1 if speed > 0 else -1, dtype=np.int64)
        count = self.disc + np.cumsum(step)
        self.disc += int(step.sum())
        self.times_s += times.tolist()
        return Crossings(times, step, count, count % TURN == 0)

    def sent(self) -> list[Frame]:
        """All frames so far, however long the line took."""
        self.data += self.board.line.take(ALL)
        return frames(self.data)


def told(found: Sequence[Frame]) -> dict[TroubleCode, Trouble]:
    return {TroubleCode(t.code): t for t in of(Trouble, found)}


# --- conversation --------------------------------------------------------------------------------------------------------


def test_without_a_session_it_only_answers() -> None:
    fed = Fed().turn(0.2, 1000.0, contacts=[(0.1, 0, True)])
    assert fed.sent() == []
    fed.board.receive(wire(Identify(1)) + wire(Ping(7)) + wire(PressRequest(1)))
    assert [type(f.message) for f in fed.sent()] == [Hello, Pong]


def test_a_second_start_begins_a_new_session_and_keeps_the_count() -> None:
    fed = Fed().start().turn(0.5, 1000.0, contacts=[(0.1, 0, True)])
    fed.sent()
    count = fed.board.count
    fed.start(Start(9, 50, 0, 0)).turn(0.2)
    second = [f for f in fed.sent() if f.session == 9]
    assert [f.sequence for f in second] == list(range(len(second)))
    first = of(Position, second)[0]
    assert first.count == count == 500
    assert first.contact_edges == (0, 0)
    assert first.levels == 1
    assert not of(Edges, second)


def test_a_new_session_drops_what_waited_but_not_what_is_due() -> None:
    fed = Fed().start()
    fed.turn(0.1, 9000.0)
    fed.board.receive(wire(Ping(5)))
    fed.start(Start(2, 100, 0, 1))
    fed.turn(0.1)
    found = fed.sent()
    assert of(Pong, found) == [Pong(of(Pong, found)[0].tick, 5)]
    pong_at = next(n for n, f in enumerate(found) if isinstance(f.message, Pong))
    assert found[pong_at].session == 1
    assert found[pong_at + 1].session == 2


def test_stop_sends_what_is_pending_then_hello() -> None:
    fed = Fed().start().turn(0.1, 1000.0, contacts=[(0.0999, 0, True)])
    fed.board.receive(wire(Stop()))
    tail = [type(f.message) for f in fed.sent()[-3:]]
    assert tail == [Edges, Contact, Hello]
    before = len(fed.sent())
    fed.turn(0.2, 1000.0)
    assert len(fed.sent()) == before


def test_stop_leaves_no_edge_untold() -> None:
    fed = Fed().start().turn(0.5, 3000.0)
    fed.board.receive(wire(Stop()))
    assert sum(len(e.steps) for e in of(Edges, fed.sent())) == 1500


@pytest.mark.parametrize("payload", [b"", b"\x01\x02\x03"])
@pytest.mark.parametrize("kind", [0x10, 0x33, 0x90])
def test_a_type_that_is_no_hosts_is_rejected_whatever_its_payload(kind: int, payload: bytes) -> None:
    from binascii import crc_hqx

    from cobs import cobs

    from firmware_protocol.framing import crc_start
    from firmware_protocol.schema import FINGERPRINT

    content = bytes((kind, 0, 0, 0)) + payload
    content += crc_hqx(content, crc_start(FINGERPRINT)).to_bytes(2, "big")
    fed = Fed().start()
    fed.board.receive(cobs.encode(content) + b"\0")
    fed.turn(0.1)
    assert told(fed.sent())[TroubleCode.REJECTED_COMMAND].amount == kind
    assert of(Position, fed.sent())[-1].troubles == 1


def test_what_fails_its_checks_is_ignored() -> None:
    fed = Fed().start()
    broken = bytearray(wire(Ping(7)))
    broken[-2] ^= 1
    foreign = Framer(fingerprint=1).encode(Ping(7), 0, 0)
    fed.board.receive(bytes(broken) + foreign + b"\x05\x01\0" + b"noise\0")
    fed.turn(0.1)
    assert not of(Pong, fed.sent())
    assert not of(Trouble, fed.sent())


def test_a_press_request_comes_back_with_its_number() -> None:
    fed = Fed().start().turn(0.1, 1000.0)
    fed.board.receive(wire(PressRequest(321)))
    press = of(Press, fed.turn(0.02).sent())[0]
    assert (press.source, press.down, press.request) == (PressSource.REQUEST, 1, 321)
    assert press.count == 100
    assert press.tick == 0.1 * HZ


def test_the_pedal_is_told_down_and_up() -> None:
    fed = Fed().start().turn(0.5, 1000.0, pedal=[(0.1001, True), (0.3001, False)])
    found = fed.sent()
    assert [(p.tick, p.down, p.count) for p in of(Press, found)] == [(200_200, 1, 100), (600_200, 0, 300)]
    down = [p.tick for p in of(Position, found) if p.flags & PositionFlag.PEDAL_DOWN]
    assert (down[0], down[-1]) == (220_000, 600_000)


# --- timing --------------------------------------------------------------------------------------------------------------


def test_positions_come_on_their_due_ticks() -> None:
    for hz in (50, 73, 100):
        fed = Fed(start_tick=2**32 - 1_000_000).start(Start(1, hz, 0, 1)).turn(2.0, 500.0)
        ticks = [(p.tick - (2**32 - 1_000_000)) & 0xFFFFFFFF for p in of(Position, fed.sent())]
        assert ticks == [round(k * HZ / hz) for k in range(1, len(ticks) + 1)]
        assert len(ticks) >= 2.0 * hz - 1


def test_a_position_has_the_count_of_all_edges_up_to_its_tick() -> None:
    fed = Fed().start().turn(1.0, 3333.0)
    for position in of(Position, fed.sent()):
        passed = sum(1 for t in fed.times_s if t * HZ <= position.tick)
        late = sum(1 for t in fed.times_s if (t + 5.5e-6) * HZ <= position.tick)
        assert late <= position.count <= passed


def arrivals(fed: Fed) -> list[tuple[float, Frame]]:
    """Frames with the time at which their last byte has left, on a line that is read every 0.2 ms."""
    found: list[tuple[float, Frame]] = []
    data = b""
    for k in range(1, 5_000):
        if more := fed.board.line.take(k * 400):
            whole, end, data = (data + more).rpartition(b"\0")
            found += [(k * 2e-4, f) for f in frames(whole + end)]
    return found


@pytest.mark.parametrize(("rate", "wait_s"), [(0.0, 0.05), (30.0, 0.05), (1000.0, 4e-3)])
def test_a_contact_waits_for_four_edges_but_no_longer_than_50_ms(rate: float, wait_s: float) -> None:
    fed = Fed().start()
    found = arrivals(fed.turn(0.2, 0.0).turn(0.4, rate, contacts=[(0.1501, 0, True)]))
    at, contact = next((t, f.message) for t, f in found if isinstance(f.message, Contact))
    assert at == pytest.approx(0.3501 + wait_s, abs=3e-3)
    assert at >= 0.3501 + wait_s - 1e-3
    assert isinstance(contact, Contact)
    assert bool(contact.flags & ContactFlag.NO_NEXT_EDGE) == (rate == 0.0)
    assert len(contact.after_delays) == {0.0: 0, 30.0: 1, 1000.0: 4}[rate]


def test_edges_are_queued_20_ms_after_their_first_step() -> None:
    fed = Fed().start()
    base = 0.0
    for at, frame in arrivals(fed.turn(1.0, 1500.0)):
        message = frame.message
        if isinstance(message, Edges):
            base = (message.tick + (message.steps[0] & 0x7FFF)) / HZ
            assert at <= base + 0.02 + 251 * 20e-6 + 4e-4
    assert base > 0.9


def test_the_line_is_never_faster_than_its_baud_rate() -> None:
    fed = Fed(baud=115_200).start(Start(1, 100, 20, 1)).turn(1.0, 2000.0)
    sizes = [len(fed.board.line.take(k * 2000)) for k in range(1, 1000)]
    assert sum(sizes) > 5000
    # Any stretch of n ms carries at most n·11.52 bytes, and one that was on its way.
    for stretch in (1, 10, 100):
        longest = max(sum(sizes[k : k + stretch]) for k in range(len(sizes)))
        assert longest <= stretch * 11.52 + 1


# --- encoder edges -------------------------------------------------------------------------------------------------------


def unpacked(found: Sequence[Frame]) -> list[tuple[int, int]]:
    """(tick, count after) of all edges in Edges messages, whose counts must continue each other."""
    edges: list[tuple[int, int]] = []
    for message in of(Edges, found):
        tick, count = message.tick, message.count
        if edges and not message.flags & EdgesFlag.AFTER_SUSPENSION:
            assert count == edges[-1][1]
        for step in message.steps:
            tick += step & 0x7FFF
            count += -1 if step & 0x8000 else 1
            edges.append((tick, count))
    return edges


@pytest.mark.parametrize("rate", [3.0, 40.0, 900.0, 9_000.0, -4_000.0])
def test_every_encoder_edge_is_told_once_within_5_microseconds(rate: float) -> None:
    fed = Fed().start().turn(2.0, rate)
    fed.board.receive(wire(Stop()))
    edges = unpacked(fed.sent())
    assert len(edges) == len(fed.times_s)
    assert [count for _, count in edges] == [round(np.sign(rate)) * n for n in range(1, len(edges) + 1)]
    late = np.array([tick for tick, _ in edges]) / HZ - np.array(fed.times_s)
    # Latched 1 to 5 µs late; a tick of 0.5 µs.
    assert late.min() >= 0.4e-6
    assert late.max() <= 5.1e-6


def test_above_10_000_edges_a_second_edges_are_suspended_and_come_back() -> None:
    fed = Fed().start()
    fed.turn(0.2, 5000.0).turn(0.2, 15_000.0).turn(0.3, 2000.0)
    found = fed.sent()
    troubles = told(found)
    began = troubles[TroubleCode.EDGES_SUSPENDED]
    ended = troubles[TroubleCode.EDGES_RESUMED]
    # 100 edges in 10 ms are passed in the first 7 ms at 15 000 a second.
    assert 0.2 <= began.tick / HZ <= 0.21
    # The rate falls below half at 0.4 s; 50 ms later, give or take the window, they go on.
    assert (ended.tick + ended.span_ticks) / HZ == pytest.approx(0.455, abs=0.006)
    flagged = [p.tick for p in of(Position, found) if p.flags & PositionFlag.EDGES_SUSPENDED]
    assert flagged[0] >= began.tick
    assert flagged[-1] <= ended.tick + ended.span_ticks
    edges = unpacked(found)
    again = [m for m in of(Edges, found) if m.flags & EdgesFlag.AFTER_SUSPENSION]
    assert len(again) == 1
    assert again[0].count - ended.amount == max(c for t, c in edges if t <= began.tick)
    assert not COUNT_DOUBTFUL & set(troubles)


def test_up_to_the_rated_rate_the_count_is_right_and_no_doubt_is_told() -> None:
    fed = Fed().start(Start(1, 100, 0, 0)).turn(0.5, 95_000.0)
    found = fed.turn(0.1).sent()
    assert not of(Trouble, found)
    assert of(Position, found)[-1].count == fed.disc == 47_500


def test_an_overload_is_told_even_where_the_count_comes_out_right() -> None:
    fed = Fed().start(Start(1, 100, 0, 0)).turn(0.3, 40_000.0)
    fed.turn(0.04, 160_000.0).turn(0.4, 40_000.0)
    found = fed.sent()
    # Two edges in the time of one handler: an illegal transition, whose direction can be guessed.
    assert set(told(found)) == {
        TroubleCode.EDGES_TOO_NEAR,
        TroubleCode.FLAG_SET_AGAIN,
        TroubleCode.ILLEGAL_TRANSITION,
    }
    assert fed.board.count == fed.disc


def test_an_overload_miscounts_and_is_told() -> None:
    fed = Fed().start(Start(1, 100, 0, 0)).turn(0.3, 40_000.0)
    fed.turn(0.04, 400_000.0).turn(0.4, 40_000.0)
    found = fed.sent()
    # Three or four edges in the time of one handler look like one backwards or none: no transition is illegal.
    assert set(told(found)) == {TroubleCode.EDGES_TOO_NEAR, TroubleCode.FLAG_SET_AGAIN, TroubleCode.INDEX_OFF}
    # 0.04 s at 400 000 a second: each edge is nearer than rated to the one before.
    assert sum(t.amount for t in of(Trouble, found) if t.code == TroubleCode.EDGES_TOO_NEAR) == pytest.approx(
        16_000, abs=2
    )
    assert fed.board.count != fed.disc
    assert (fed.board.count - fed.disc) % 4 == 0
    assert all(t.tick >= 0.299 * HZ for t in of(Trouble, found))


def test_the_index_is_told_with_the_count_of_its_edge() -> None:
    fed = Fed().start().turn(3.0, 9_000.0)
    assert [i.count for i in of(Index, fed.sent())] == [10_000, 20_000]
    assert not of(Trouble, fed.sent())


def test_edges_that_are_lost_in_silence_show_at_the_index_only() -> None:
    fed = Fed().start().turn(1.5, 9_000.0)
    fed.board.encoder.lose(8)
    found = fed.turn(2.0, 9_000.0).sent()
    assert [i.count for i in of(Index, found)] == [10_000, 19_992, 29_992]
    assert {code: t.amount for code, t in told(found).items()} == {TroubleCode.INDEX_OFF: 9_992}
    unpacked(found)


def test_doubt_from_before_the_session_is_told_in_it() -> None:
    fed = Fed().turn(0.04, 160_000.0)
    fed.start(Start(1, 100, 0, 0)).turn(0.1)
    troubles = told(fed.sent())
    assert TroubleCode.EDGES_TOO_NEAR in troubles
    assert troubles[TroubleCode.EDGES_TOO_NEAR].tick < 0.04 * HZ


# --- contacts ------------------------------------------------------------------------------------------------------------


def chatter(begin: float, number: int, apart_s: float, channel: int = 0) -> list[tuple[float, int, bool]]:
    return [(begin + n * apart_s, channel, n % 2 == 0) for n in range(number)]


def check_tallies(found: Sequence[Frame]) -> None:
    """Each Position's tallies are the edges of all Contacts up to its tick, merged ones included, and levels agree."""
    contacts = of(Contact, found)
    for position in of(Position, found):
        for channel in range(2):
            mine = [c for c in contacts if c.channel == channel and c.tick <= position.tick]
            if any(c.tick + c.storm_ticks > position.tick for c in mine):
                continue
            assert position.contact_edges[channel] == sum(1 + c.storm_edges for c in mine)
            if mine:
                last = max(mine, key=lambda c: c.tick)
                is_open = last.storm_open if last.storm_edges else last.opened
                assert position.levels >> channel & 1 == is_open


@pytest.mark.parametrize("rate", [0.0, 700.0, 4_000.0])
def test_every_contact_edge_is_told_or_merged_and_tallied(rate: float) -> None:
    contacts = chatter(0.1, 9, 5e-4) + chatter(0.3, 1001, 1e-4) + chatter(0.35, 7, 0.01, 1)
    fed = Fed(queue_bytes=100_000).start().turn(1.0, rate, contacts=sorted(contacts))
    found = fed.sent()
    told_edges = of(Contact, found)
    assert sum(1 + c.storm_edges for c in told_edges if c.channel == 0) == 1010
    assert sum(1 + c.storm_edges for c in told_edges if c.channel == 1) == 7
    assert any(c.flags & ContactFlag.ONE_OF_STORM for c in told_edges) == (rate < 1000.0 or rate == 4_000.0)
    check_tallies(found)
    assert not of(Trouble, found)


def test_an_edge_after_2_ms_of_quiet_is_never_merged_away() -> None:
    contacts = [*chatter(0.1, 31, 1e-4), (0.1 + 30e-4 + 0.0025, 0, False)]
    found = Fed().start().turn(0.4, contacts=contacts).sent()
    last = of(Contact, found)[-1]
    assert last.tick == pytest.approx((0.1 + 30e-4 + 0.0025) * HZ, abs=12)
    assert not last.storm_edges


def test_contacts_of_a_channel_keep_their_order() -> None:
    found = Fed().start().turn(0.5, 600.0, contacts=chatter(0.1, 40, 3e-3)).sent()
    ticks = [c.tick for c in of(Contact, found)]
    assert ticks == sorted(ticks)
    assert len(ticks) == 40


def test_the_edges_around_a_contact_are_those_of_the_stream() -> None:
    fed = Fed().start().turn(0.5, 2_345.0, contacts=chatter(0.1, 20, 7.3e-3))
    fed.board.receive(wire(Stop()))
    found = fed.sent()
    edges = unpacked(found)
    for contact in of(Contact, found):
        before = [e for e in edges if e[0] <= contact.tick][-4:][::-1]
        after = [e for e in edges if e[0] > contact.tick][:4]
        assert list(contact.before_ages) == [contact.tick - t for t, _ in before]
        assert list(contact.after_delays) == [t - contact.tick for t, _ in after]
        assert contact.count == before[0][1]
        assert set(contact.before_steps + contact.after_steps) == {1}


def test_the_edges_before_a_contact_are_known_however_long_ago() -> None:
    found = Fed().start().turn(0.1, 1000.0).turn(1.0, 0.0, contacts=[(0.9, 0, True)]).sent()
    contact = of(Contact, found)[0]
    assert len(contact.before_ages) == 4
    assert contact.before_ages[0] == pytest.approx(0.9 * HZ, abs=2500)


# --- the queue -----------------------------------------------------------------------------------------------------------


def test_what_finds_no_room_is_counted_and_told() -> None:
    fed = Fed(baud=19_200, queue_bytes=256).start(Start(1, 50, 20, 0))
    fed.turn(0.6, 0.0, contacts=[*chatter(0.1, 60, 3e-3), *chatter(0.1, 60, 3e-3, 1)])
    fed.turn(1.0)
    found = fed.sent()
    overruns = [t for t in of(Trouble, found) if t.code == TroubleCode.QUEUE_OVERRUN]
    lost = sum(t.amount for t in overruns)
    # Positions, Levels and Contacts that fell due before 1.6 s.
    due = 79 + 31 + 120
    arrived = len(of(Position, found)) + len(of(Contact, found)) + sum(1 for f in found if f.message.TYPE == 0x15)
    assert lost > 0
    assert arrived + lost == due
    assert of(Position, found)[-1].contact_edges == (60, 60)
    assert [f.sequence for f in found] == list(range(len(found)))


def test_numbers_run_on_without_a_hole() -> None:
    fed = Fed().start(Start(3, 100, 10, 1)).turn(3.0, 4000.0, contacts=chatter(0.2, 50, 0.05))
    found = fed.sent()
    assert all(b.sequence == (a.sequence + 1) & 0xFFFF for a, b in itertools.pairwise(found))
    assert {f.session for f in found} == {3}


def test_troubles_in_position_counts_those_sent_before_it() -> None:
    fed = Fed().start().turn(0.2, 15_000.0).turn(0.3, 1000.0)
    sent = 0
    for frame in fed.sent():
        if isinstance(frame.message, Position):
            assert frame.message.troubles == sent
        sent += isinstance(frame.message, Trouble)
    assert sent == 2
