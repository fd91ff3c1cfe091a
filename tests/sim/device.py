"""A host of a few lines, for looking at what a simulated board sends."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any, TypeVar

from firmware_protocol.framing import BadFrame, Frame, Framer, FrameReader
from firmware_protocol.messages import HostMessage, Identify, Message, Start, Stop
from sim.scenario import Scenario, load, parse
from sim.world import World

_M = TypeVar("_M")
FRAMER = Framer()
START = Start(session=1, position_hz=100, level_hz=10, edges=1)


def scenario(**tables: Any) -> Scenario:
    """A small scenario: one breaker that opens at 10°; `tables` replace or extend whole tables."""
    whole: dict[str, Any] = {"description": "for a test", "breaker": [{"name": "main", "opens_deg": 10.0}]}
    return parse({**whole, **tables}, "test", "test")


def wire(message: HostMessage) -> bytes:
    """A host's frame."""
    return FRAMER.encode(message, 0, 0)


def frames(data: bytes) -> list[Frame]:
    """All frames in `data`; none of them may be bad."""
    found = FrameReader().feed(data)
    assert not [f for f in found if isinstance(f, BadFrame)]
    return [f for f in found if isinstance(f, Frame)]


def of(kind: type[_M], messages: Sequence[Message | Frame]) -> list[_M]:
    """The messages of one kind."""
    plain = [m.message if isinstance(m, Frame) else m for m in messages]
    return [m for m in plain if isinstance(m, kind)]


def greeted(world: World) -> World:
    """The world after its greeting was read away."""
    world.boot()
    world.receive(wire(Identify(1)))
    world.advance(0.0)
    return world


def session(world: World, seconds: float, start: Start = START, stop: bool = False) -> bytes:
    """Bytes from Start on, over so many seconds of device time."""
    greeted(world).receive(wire(start))
    data = world.advance(seconds)
    if stop:
        world.receive(wire(Stop()))
        data += world.advance(0.2)
    return data


def whole_job(world: World) -> bytes:
    """Bytes from Start to Stop, the hand having finished."""
    greeted(world).receive(wire(START))
    parts = []
    while not world.hand_done:
        assert world.now_s < 300
        parts.append(world.advance(0.5))
    world.receive(wire(Stop()))
    parts.append(world.advance(0.3))
    return b"".join(parts)


@cache
def job(name: str, seed: int = 2) -> tuple[World, list[Frame]]:
    """A built-in scenario's whole job, carried out once: the world as it is afterwards, and every frame from Start to Stop."""
    world = World(load(name), seed)
    return world, frames(whole_job(world))
