"""What a busy board sends: 10,000 counts a turn at about 360 degrees a second, all reports at full rate."""

from __future__ import annotations

import random

from firmware_protocol.framing import Framer
from firmware_protocol.messages import Contact, Edges, Hello, Message, Position
from firmware_protocol.schema import FINGERPRINT

TICK_HZ = 2_000_000
COUNTS_PER_TURN = 10_000
POSITION_HZ = 100
STEPS_PER_FRAME = 110
OPENINGS_PER_TURN = 4
BOUNCES = 3
#: 1 Mbaud, ten bits a byte.
LINE_BYTES_PER_S = 100_000

HELLO = Hello(1, FINGERPRINT, b"measured", 1, 1, TICK_HZ, COUNTS_PER_TURN, 100_000, 2, 0, 0x1F, 1, 0, 1, 0, 0)


def busy(seconds: float, seed: int = 1) -> list[Message]:
    """So many seconds of device time, in the order of the line."""
    draw = random.Random(seed)
    timed: list[tuple[int, Message]] = []
    tick, count = 5_000_000, 0
    start, end = tick, tick + round(seconds * TICK_HZ)
    next_position = tick
    contact_edges = [0, 0]
    levels = 0
    spacing = COUNTS_PER_TURN // OPENINGS_PER_TURN
    while tick < end:
        first_tick, first_count = tick, count
        steps = []
        for _ in range(STEPS_PER_FRAME):
            # A hand's speed wavers by a few percent, the grating by a little more.
            step = max(1, round(draw.gauss(200, 8) * (1 + 0.05 * ((tick // TICK_HZ) % 3 - 1))))
            steps.append(step)
            tick += step
            count += 1
            place = count % spacing
            if place in (400, 1300):
                for channel in (0, 1):
                    for bounce in range(2 * BOUNCES + 1):
                        at = tick + 37 + bounce * draw.randrange(200, 900)
                        opened = int((place == 400) == (bounce % 2 == 0))
                        ages = tuple(37 + 200 * n for n in range(4))
                        after = tuple(163 + 200 * n for n in range(4))
                        ones = (1, 1, 1, 1)
                        timed.append(
                            (at + 800, Contact(at, count, channel, opened, 0, 0, 0, 0, ages, ones, after, ones))
                        )
                        contact_edges[channel] += 1
                levels = 3 if place == 400 else 0
            if tick >= next_position:
                edges = (contact_edges[0] & 0xFFFF, contact_edges[1] & 0xFFFF)
                timed.append((next_position, Position(next_position, count, levels, 0, 0, edges)))
                next_position += TICK_HZ // POSITION_HZ
        timed.append((tick, Edges(first_tick, first_count, 0, tuple(steps))))
    assert tick - start < 2**32
    return [message for _, message in sorted(timed, key=lambda pair: pair[0])]


def wire(messages: list[Message], session: int = 1) -> bytes:
    """The same as bytes."""
    framer = Framer()
    return b"".join(framer.encode(m, session, n & 0xFFFF) for n, m in enumerate(messages))
