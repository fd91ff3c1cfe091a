"""What the firmware counts and latches at which rate: latch errors, and a sweep beyond what it can follow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from firmware_protocol.messages import Contact, Hello, Trouble, TroubleCode
from tests.firmware.drive import Session, in_order, turning
from tests.firmware.process import CONTACT_0, CYCLE_HZ, CYCLES_PER_TICK, PIN, Board, commands

CHANNELS = 3
SETTLE_S = 0.15


@dataclass(frozen=True)
class Run:
    """One run of steady turning, with probes that change at random times."""

    edge_hz: float
    seconds: float
    direction: int
    true_count: int
    count: int
    doubted: bool
    troubles: dict[str, int]
    contacts_given: int
    contacts_told: int
    #: Latched tick minus true time, ticks, less the smallest of them.
    latch_error_ticks: tuple[float, ...]
    #: State of each probe told wrongly.
    wrong_states: int
    resets: int

    @property
    def right(self) -> bool:
        """True if no count was lost."""
        return self.count == self.true_count


def _probe_edges(
    begin: int, seconds: float, hz: float, channels: int, rng: np.random.Generator
) -> list[tuple[int, int, int]]:
    """(cycle, channel, level) of probes that change at random, `hz` in all, each at least 20 µs from its last."""
    found = []
    for channel in range(channels):
        number = int(hz / channels * seconds)
        at = np.sort(rng.integers(0, int(seconds * CYCLE_HZ), number))
        at = begin + at + np.arange(number) * 320
        found += [(int(cycle), channel, n % 2) for n, cycle in enumerate(at)]
    return sorted(found)


def run(
    command: tuple[str, ...],
    edge_hz: float,
    seconds: float,
    direction: int = 1,
    phase_error_deg: float = 0.0,
    contact_hz: float = 0.0,
    channels: int = 1,
    seed: int = 1,
) -> Run:
    """Turn steadily, change the probes at random, and compare what the board told with what it was given."""
    with Board(command) as board:
        session = Session(board)
        begin = session.cycle + CYCLE_HZ // 100
        motion = turning(begin, edge_hz, seconds, direction, phase_error_deg)
        given = _probe_edges(begin, seconds, contact_hz, channels, np.random.default_rng(seed))
        pins = commands(len(given))
        for place, (cycle, channel, level) in enumerate(given):
            pins[place] = (cycle, PIN, CONTACT_0 + channel, level)
        session.play(in_order(motion.pins(), pins), SETTLE_S)
        told = session.all(Contact)
        errors, wrong = _latch_errors(told, given)
        troubles: dict[str, int] = {}
        for trouble in session.all(Trouble):
            name = TroubleCode(trouble.code).name
            troubles[name] = troubles.get(name, 0) + trouble.amount
        return Run(
            edge_hz,
            seconds,
            direction,
            int(motion.count[-1]),
            session.position().count,
            session.doubted(),
            troubles,
            len(given),
            sum(1 + c.storm_edges for c in told),
            errors,
            wrong,
            len(session.all(Hello)) - 1,
        )


def _latch_errors(told: list[Contact], given: list[tuple[int, int, int]]) -> tuple[tuple[float, ...], int]:
    """Latched tick less true time, less the smallest, in ticks; and how many states were told wrongly."""
    errors = []
    wrong = 0
    for channel in range(CHANNELS):
        true = [(cycle, level) for cycle, c, level in given if c == channel]
        at = 0
        for contact in (c for c in told if c.channel == channel):
            if at + contact.storm_edges >= len(true):
                wrong += 1
                break
            cycle, level = true[at]
            errors.append(contact.tick - cycle / CYCLES_PER_TICK)
            wrong += contact.opened != level
            at += contact.storm_edges
            if contact.storm_edges:
                cycle, level = true[at]
                errors.append(contact.tick + contact.storm_ticks - cycle / CYCLES_PER_TICK)
                wrong += contact.storm_open != level
            at += 1
    least = min(errors, default=0.0)
    return tuple(e - least for e in errors), wrong
