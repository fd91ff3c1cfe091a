"""The steps of a conformance run, and when each is done. Decided by what the board sent; only skipping and time limits come from outside.

A step's entries in the journal (`kind` "step") have the step's `name` and a `state`: "begun", then "seen", "skipped" or "time-limit".
`attended` is true if a person at a terminal was asked, who could have skipped the step.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from bench.conformance_evidence import Evidence, Seen
from firmware_protocol.messages import Capability, Contact, Hello, PressSource

LISTEN_S = 5.0
REQUESTS = 20
#: A whole turn that shows two passes of the index takes up to two; a board whose index never comes is given a little more.
MOST_TURNS = 2.05
#: A probe's step is done when each state has lasted this long, so that bounce does not end it and a Level falls within (5 a second).
SETTLED_S = 0.25
#: Encoder edges nearer than this to a probe's edge: the rotor was turning.
_NEAR_S = 0.1


class StepKind(StrEnum):
    """What a step waits for."""

    LISTEN = "listen"
    REQUESTS = "requests"
    TURN = "turn"
    TURN_BACK = "turn-back"
    PROBE = "probe"
    PEDAL = "pedal"


@dataclass(frozen=True, slots=True)
class Step:
    """One step: its name in the journal, and what to ask of the person. `channel` for a probe's step."""

    name: str
    kind: StepKind
    ask: str
    channel: int = 0

    @property
    def needs_hands(self) -> bool:
        """True if somebody must do something at the bench."""
        return self.kind not in (StepKind.LISTEN, StepKind.REQUESTS)


def steps_for(hello: Hello) -> tuple[Step, ...]:
    """The steps that make sense for this board, in order."""
    steps = [
        Step("listen", StepKind.LISTEN, f"Listening to the board for {LISTEN_S:.0f} s; nothing to do."),
        Step("requests", StepKind.REQUESTS, f"Asking the board for {REQUESTS} presses; nothing to do."),
        Step(
            "turn",
            StepKind.TURN,
            "Turn the rotor slowly in one direction, one whole turn and on until the index has passed twice (at most two turns).",
        ),
        Step("turn-back", StepKind.TURN_BACK, "Now turn it back the same way: a whole turn, at most two."),
    ]
    for channel in range(hello.contact_channels):
        steps.append(
            Step(
                f"probe-{channel}",
                StepKind.PROBE,
                f"Leave the rotor at rest. Touch the ground clip with the lead of channel {channel} alone for a second, then lift it; or "
                "close and open its set of points by hand.",
                channel,
            )
        )
    if hello.capabilities & Capability.PEDAL:
        steps.append(Step("pedal", StepKind.PEDAL, "Press the pedal, hold it for about a second, and let go."))
    return tuple(steps)


def done(step: Step, evidence: Evidence) -> bool:
    """True when the board has shown what the step asks for."""
    hello = evidence.hello
    if hello is None:
        return False
    if step.kind is StepKind.LISTEN:
        return _since_s(evidence, step, hello) >= LISTEN_S
    if step.kind is StepKind.REQUESTS:
        return len(evidence.round_trips_s) >= REQUESTS
    if step.kind is StepKind.TURN:
        return turned(evidence, hello, up=True) or turned(evidence, hello, up=False)
    if step.kind is StepKind.TURN_BACK:
        return turned(evidence, hello, up=True) and turned(evidence, hello, up=False)
    if step.kind is StepKind.PROBE:
        begun = evidence.begun(step.name)
        since = evidence.contacts[begun.contacts :] if begun is not None else []
        return _settled_in_both(evidence, since, step.channel, hello) or _other_answers(evidence, since, step, hello)
    pedal = [p.message.down for p in evidence.presses if p.message.source == PressSource.PEDAL]
    return 1 in pedal and pedal[-1] == 0


def turned(evidence: Evidence, hello: Hello, *, up: bool) -> bool:
    """A whole turn in one go, and on until the index has shown its spacing, or should have."""
    counts = evidence.rise_counts if up else evidence.fall_counts
    turn = hello.counts_per_turn
    if counts < turn:
        return False
    if not hello.capabilities & Capability.INDEX or counts >= MOST_TURNS * turn:
        return True
    return any(d > turn / 2 if up else d < -turn / 2 for d in index_spacings(evidence, turn))


def index_spacings(evidence: Evidence, turn: int) -> list[int]:
    """Counts from each index to the next; whole turns (`turn` counts) are left out where frames, so perhaps an index, were lost."""
    spacings = []
    for a, b in pairwise(evidence.indexes):
        apart = b.message.count - a.message.count
        if a.segment != b.segment and abs(apart) > 1.5 * turn:
            apart -= round(apart / turn) * turn
        if a.boot == b.boot:
            spacings.append(apart)
    return spacings


def changed(contacts: list[Seen[Contact]], channel: int) -> bool:
    """True if that channel has both opened and closed."""
    states = {c.message.opened for c in contacts if c.message.channel == channel}
    states |= {c.message.storm_open for c in contacts if c.message.channel == channel and c.message.storm_edges}
    return states == {0, 1}


def _settled_in_both(evidence: Evidence, since: list[Seen[Contact]], channel: int, hello: Hello) -> bool:
    """True if the channel came into each of its states, and stayed there for a while."""
    mine = [c for c in since if c.message.channel == channel]
    if not mine:
        return False
    ends = [c.tick for c in mine[1:]] + [max(evidence.positions[-1].tick, mine[-1].tick)]
    held = set()
    for contact, end in zip(mine, ends):
        message = contact.message
        if end - contact.tick - message.storm_ticks >= SETTLED_S * hello.tick_hz:
            held.add(message.storm_open if message.storm_edges else message.opened)
    return held == {0, 1}


def at_rest(contact: Contact, hello: Hello) -> bool:
    """True if the rotor stood still, but for a jitter of a count or two, when the probe changed."""
    near = _NEAR_S * hello.tick_hz
    moving = len(contact.before_ages) == 4 and contact.before_ages[3] < near
    return not moving and len(contact.after_delays) < 4


def _since_s(evidence: Evidence, step: Step, hello: Hello) -> float:
    begun = evidence.begun(step.name)
    if begun is None or not evidence.positions:
        return 0.0
    first = begun.tick or evidence.positions[0].tick
    return (evidence.positions[-1].tick - first) / hello.tick_hz


def _other_answers(evidence: Evidence, since: list[Seen[Contact]], step: Step, hello: Hello) -> bool:
    """The rotor rests, another channel changed twice, and this one has not for a second: the leads are swapped, or it is dead."""
    others = [c for c in since if c.message.channel != step.channel and at_rest(c.message, hello)]
    if any(c.message.channel == step.channel for c in since) or len(others) < 2:
        return False
    both = any(changed(others, channel) for channel in range(hello.contact_channels))
    quiet = evidence.positions[-1].tick - others[-1].tick if evidence.positions else 0
    return both and quiet >= hello.tick_hz
