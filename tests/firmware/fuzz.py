"""Rubbish for the command parser: noise, and frames of every kind that are nearly right."""

from __future__ import annotations

import random
from collections.abc import Iterator

from cobs import cobs

from firmware_protocol.framing import Framer
from firmware_protocol.messages import Identify, Ping, Pong, PressRequest, Start, Stop

PIECE = 500


def _spoilt(frame: bytes, chance: random.Random) -> bytes:
    """A frame with something wrong: a bit, a byte too few or too many, or two of them run together."""
    wire = bytearray(frame)
    way = chance.randrange(4)
    place = chance.randrange(len(wire) - 1)
    if way == 0:
        wire[place] ^= 1 << chance.randrange(8)
    elif way == 1:
        del wire[place]
    elif way == 2:
        wire.insert(place, chance.randrange(1, 256))
    else:
        wire[-1:] = b"\x55"
    return bytes(wire)


def rubbish(number: int, seed: int) -> Iterator[bytes]:
    """Pieces of `number` bytes in all. None of it is a whole command of those that end or begin a session."""
    chance = random.Random(seed)
    framer = Framer()
    frames = [framer.encode(m, 0, 3) for m in (Identify(1), Start(9, 100, 10, 1), Stop(), Ping(5), PressRequest(8))]
    # A board's own message: rejected and told.
    frames.append(framer.encode(Pong(1, 2), 0, 0))
    left = number
    while left > 0:
        piece = b""
        while len(piece) < PIECE:
            way = chance.randrange(5)
            if way == 0:
                piece += chance.randbytes(chance.randrange(1, 80))
            elif way == 1:
                piece += bytes(chance.choice((0, 1, 2, 0xFF)) for _ in range(chance.randrange(1, 60)))
            elif way == 2:
                piece += cobs.encode(chance.randbytes(chance.randrange(300))) + b"\0"
            else:
                piece += _spoilt(chance.choice(frames), chance)
        piece = piece[: min(PIECE, left)]
        left -= len(piece)
        yield piece
