"""Faults at the pins and on the line: the firmware recovers, tells, and never loses its count in silence."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from firmware_protocol.framing import Frame, Framer, FrameReader
from firmware_protocol.messages import (
    Contact,
    ContactFlag,
    Edges,
    Hello,
    Identify,
    Index,
    Message,
    Ping,
    Pong,
    Position,
    Press,
    PressRequest,
    PressSource,
    ResetCause,
    Start,
    Stop,
    TroubleCode,
)
from tests.firmware import built
from tests.firmware.drive import Session, in_order, turning
from tests.firmware.fuzz import rubbish
from tests.firmware.process import (
    BOOTS_AT,
    CONTACT_0,
    CONTACT_1,
    CYCLE_HZ,
    INDEX,
    PEDAL,
    PIN,
    RESET,
    SUPPLY,
    A,
    Board,
    commands,
    host_bytes,
    one,
)

MICROSECOND = CYCLE_HZ // 1_000_000


@pytest.fixture
def session() -> Iterator[Session]:
    with Board(built.or_skip("in_simavr")) as board:
        yield Session(board)


def _codes(session: Session) -> set[TroubleCode]:
    return {TroubleCode(t.code) for t in session.troubles()}


def test_a_reset_in_the_middle_is_told_and_silence_follows(session: Session) -> None:
    motion = turning(session.cycle + CYCLE_HZ // 100, 2_000, 0.5)
    session.play(in_order(motion.pins(), one(int(motion.cycle[500]), RESET)))
    hellos = session.all(Hello)
    assert [h.boot_counter for h in hellos] == [1, 2]
    assert hellos[1].reset_cause == ResetCause.EXTERNAL
    assert isinstance(session.messages[-1], Hello)
    before = len(session.messages)
    session.send(Start(2, 100, 0, 1))
    session.run(0.05)
    # The count begins anew at the place of the state that the encoder is in.
    assert session.position().count % 4 == int(motion.count[-1]) % 4
    assert len(session.messages) > before


def test_the_boot_counter_outlives_a_spoilt_slot() -> None:
    with Board(built.or_skip("in_simavr")) as board:
        session = Session(board)
        for expected in (2, 3, 4):
            board.give(one(board.cycle, RESET))
            session.run(0.3)
            assert session.all(Hello)[-1].boot_counter == expected
        # The supply failed while the older slot was written, whichever that is: the newer one counts on.
        for slot, expected in ((0, 5), (1, 6)):
            board.eeprom(BOOTS_AT + 6 * slot, b"\x00\x12")
            board.give(one(board.cycle, RESET))
            session.run(0.3)
            assert session.all(Hello)[-1].boot_counter == expected
        # Both spoilt: a number that has not been before.
        board.eeprom(BOOTS_AT, bytes(range(12)))
        board.give(one(board.cycle, RESET))
        session.run(0.3)
        assert session.all(Hello)[-1].boot_counter >= 0x8000_0000


def test_a_supply_dip_is_told_with_its_voltage(session: Session) -> None:
    begin = session.cycle + CYCLE_HZ // 10
    session.play(in_order(one(begin, SUPPLY, 0, 4200), one(begin + CYCLE_HZ // 50, SUPPLY, 0, 5000)))
    (trouble,) = session.troubles()
    assert trouble.code == TroubleCode.SUPPLY_DIP
    # The reference is read in steps of about 1 in 230 to 270.
    assert trouble.amount == pytest.approx(4200, abs=25)
    assert session.doubted()


def test_a_steady_supply_is_no_dip(session: Session) -> None:
    session.play(one(session.cycle + CYCLE_HZ // 10, SUPPLY, 0, 4700), 0.5)
    assert session.troubles() == []


@pytest.mark.parametrize("microseconds", [0.5, 2, 10, 100])
def test_a_spike_on_an_encoder_line_costs_no_count(session: Session, microseconds: float) -> None:
    motion = turning(session.cycle + CYCLE_HZ // 100, 1_000, 0.4)
    spikes = []
    for place in range(5, 395, 10):
        # Half-way between two edges.
        cycle = int(motion.cycle[place]) + CYCLE_HZ // 2_000
        level = (0, 1, 1, 0)[int(motion.count[place]) % 4]
        spikes += [one(cycle, PIN, A, 1 - level), one(cycle + int(microseconds * MICROSECOND), PIN, A, level)]
    session.play(in_order(motion.pins(), *spikes))
    assert session.position().count == int(motion.count[-1])
    # Shorter than the interrupt takes, it is seen as no change, or as an edge that came too soon: told either way.
    assert session.doubted() == (microseconds < 5)


@pytest.mark.parametrize("direction", [1, -1])
def test_a_jump_to_the_opposite_place_is_told_and_taken_the_way_of_the_edge_before(
    session: Session, direction: int
) -> None:
    motion = turning(session.cycle + CYCLE_HZ // 100, 1_000, 0.1, direction)
    pins = motion.pins(index=False)
    # Edge 50 comes with edge 51.
    pins["cycle"][100:102] = pins["cycle"][102]
    session.play(pins)
    assert _codes(session) == {TroubleCode.ILLEGAL_TRANSITION}
    assert session.position().count == int(motion.count[-1])


def test_a_burst_too_short_to_suspend_anything_is_told(session: Session) -> None:
    # Twelve edges at 200,000 a second.
    motion = turning(session.cycle + CYCLE_HZ // 100, 200_000, 60e-6)
    session.play(motion.pins(index=False))
    assert _codes(session) == {TroubleCode.EDGES_TOO_NEAR}
    assert session.position().count == 12


@pytest.mark.parametrize("edge_hz", [0, 3_000])
def test_a_chatter_storm_is_merged_and_none_of_it_lost(session: Session, edge_hz: int) -> None:
    begin = session.cycle + CYCLE_HZ // 100
    number = 5_000
    chatter = commands(number)
    chatter["cycle"] = begin + np.arange(number) * (CYCLE_HZ // 10_000)
    chatter["kind"], chatter["index"], chatter["value"] = PIN, CONTACT_1, np.arange(number) % 2
    parts = [chatter]
    if edge_hz:
        motion = turning(begin, edge_hz, 0.5)
        parts.append(motion.pins())
    session.play(in_order(*parts))
    told = [c for c in session.all(Contact) if c.channel == 1]
    assert sum(1 + c.storm_edges for c in told) == number
    assert any(c.flags & ContactFlag.ONE_OF_STORM for c in told)
    assert session.position().contact_edges == (0, number, 0)
    assert session.troubles() == []
    # The first departure stands alone, with its own time; the last state is told.
    assert told[0].storm_edges == 0
    last = told[-1]
    assert (last.storm_open if last.storm_edges else last.opened) == (number - 1) % 2
    if edge_hz:
        assert session.position().count == int(motion.count[-1])


def test_stop_sends_what_is_pending_in_order(session: Session) -> None:
    # Ten contacts that still wait for encoder edges, and an open frame of Edges, while the magnet turns on.
    begin = session.cycle + CYCLE_HZ // 100
    motion = turning(begin, 400, 0.2)
    half = int(motion.cycle[40])
    chatter = [one(half + n * 80_000, PIN, CONTACT_0, n % 2) for n in range(10)]
    stop = host_bytes(Framer().encode(Stop(), 0, 0), half + 740_000)
    session.play(in_order(motion.pins(), *chatter, stop))
    kinds = [type(m) for m in session.messages]
    assert kinds[-1] is Hello
    assert sum(1 + c.storm_edges for c in session.all(Contact)) == 10
    last_edges = max(n for n, kind in enumerate(kinds) if kind is Edges)
    assert kinds[last_edges + 1 : -1] == [Contact] * (len(kinds) - last_edges - 2)
    assert kinds[-2] is Contact


def test_a_contact_at_rest_is_told_after_fifty_milliseconds(session: Session) -> None:
    cycle = session.cycle + CYCLE_HZ // 100
    session.play(one(cycle, PIN, CONTACT_0, 0))
    (contact,) = session.all(Contact)
    assert contact.flags == ContactFlag.NO_NEXT_EDGE
    assert contact.before_ages == contact.after_delays == ()
    place = session.messages.index(contact)
    waited = [(m.tick - contact.tick) * 0.5 for m in session.messages[:place] if isinstance(m, Position)]
    after = [(m.tick - contact.tick) * 0.5 for m in session.messages[place:] if isinstance(m, Position)]
    # Microseconds; a Position is queued within 2 ms.
    assert max(waited) > 40_000
    assert min(after) > 50_000
    assert max(waited) < 62_000


@pytest.mark.parametrize(("off", "told"), [(0, False), (1, False), (-1, False), (2, True), (-8, True)])
def test_an_index_off_its_place_is_told(session: Session, off: int, told: bool) -> None:
    motion = turning(session.cycle + CYCLE_HZ // 100, 50_000, 0.5)
    pulses = []
    for edge in (3_000, 13_000 + off):
        cycle = int(motion.cycle[edge - 1])
        pulses += [one(cycle, PIN, INDEX, 1), one(cycle + 320, PIN, INDEX, 0)]
    session.play(in_order(motion.pins(index=False), one(session.cycle + 10, PIN, INDEX, 0), *pulses))
    assert [i.count for i in session.all(Index)] == [3_000, 13_000 + off]
    assert [(t.code, t.amount) for t in session.troubles()] == ([(TroubleCode.INDEX_OFF, 10_000 + off)] if told else [])


def test_a_pulse_too_short_to_be_seen_is_told(session: Session) -> None:
    cycle = session.cycle + CYCLE_HZ // 100
    session.play(in_order(one(cycle, PIN, CONTACT_0, 0), one(cycle + 4, PIN, CONTACT_0, 1)))
    # Nothing tells on which probe.
    assert _codes(session) == {TroubleCode.CONTACT_OVERRUN}
    assert not session.doubted()


def test_the_pedal_and_a_request_are_latched(session: Session) -> None:
    begin = session.cycle + CYCLE_HZ // 100
    motion = turning(begin, 1_000, 0.2)
    down, up = int(motion.cycle[50]) + 5_000, int(motion.cycle[120]) + 5_000
    session.play(in_order(motion.pins(), one(down, PIN, PEDAL, 0), one(up, PIN, PEDAL, 1)))
    session.send(PressRequest(7))
    session.run(0.02)
    presses = [(p.source, p.down, p.request, p.count) for p in session.all(Press)]
    assert presses == [
        (PressSource.PEDAL, 1, 0, int(motion.count[50])),
        (PressSource.PEDAL, 0, 0, int(motion.count[120])),
        (PressSource.REQUEST, 1, 7, int(motion.count[-1])),
    ]


def test_a_million_bytes_of_rubbish_change_nothing(session: Session) -> None:
    motion = turning(session.cycle + CYCLE_HZ // 100, 1_000, 1.0)
    session.play(motion.pins())
    # By chance a frame of it is whole: then it is to be obeyed, and nothing else is.
    reader = FrameReader(Framer())
    whole: list[Message] = []
    for piece in rubbish(1_000_000, seed=5):
        session.raw(piece)
        whole += [item.message for item in reader.feed(piece) if isinstance(item, Frame)]
    assert {type(m) for m in whole} == {Identify, PressRequest}
    assert len(session.all(Hello)) == 1 + sum(isinstance(m, Identify) for m in whole)
    assert [p.request for p in session.all(Press)] == [m.request for m in whole if isinstance(m, PressRequest)]
    assert session.all(Pong) == []
    assert session.troubles() == []
    assert not session.bad
    session.raw(b"\0")
    session.send(Ping(77))
    session.run(0.02)
    assert session.all(Pong)[-1].token == 77
    assert session.position().count == int(motion.count[-1])
    session.send(Stop())
    session.run(0.1)
    assert isinstance(session.messages[-1], Hello)


def test_identify_is_answered_at_the_highest_rate(session: Session) -> None:
    motion = turning(session.cycle + CYCLE_HZ // 100, 100_000, 0.3)
    asked = [int(motion.cycle[place]) for place in range(0, len(motion.cycle) - 1_000, 2_000)]
    question = Framer().encode(Identify(1), 0, 0)
    session.play(in_order(motion.pins(), *(host_bytes(question, cycle) for cycle in asked)))
    assert len(session.all(Hello)) == 1 + len(asked)
    assert session.position().count == int(motion.count[-1])
    assert session.troubles() == []
