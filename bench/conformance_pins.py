"""What a conformance run says of encoder, index and pedal."""

from __future__ import annotations

from collections.abc import Iterable

from bench.conformance_evidence import Evidence, StepEntry
from bench.conformance_finding import Check, Finding, counted, figures
from bench.conformance_steps import MOST_TURNS, index_spacings
from firmware_protocol.messages import Capability, PositionFlag, PressSource, TroubleCode

#: Within this many counts the place of the index may differ (PROTOCOL.md: a full turn or zero, give or take one).
INDEX_SLACK = 1
#: A rotor that was turned while the count stayed within this: one of the two encoder signals is missing.
DITHER_COUNTS = 4
_DITHER_EDGES = 200


def timed_out(entry: StepEntry | None) -> bool:
    """True if a person was asked, could have skipped, did not, and the time ran out."""
    return entry is not None and entry.state == "time-limit" and entry.attended


def turning(evidence: Evidence) -> Finding:
    """Whether the count follows the rotor there and back."""
    check = Check("turning", "Encoder: the count follows the rotor, both ways")
    hello = evidence.hello
    if hello is None or not evidence.positions:
        return check.not_tried("No session was seen.")
    turn = hello.counts_per_turn
    up, down = evidence.rise_counts, evidence.fall_counts
    known = figures(up_counts=up, down_counts=down, up_turns=up / turn, down_turns=down / turn)
    seen = (
        f"Up by {up:,} counts ({up / turn:.2f} turns) and down by {down:,} ({down / turn:.2f} turns) at most in one go."
    )
    signals = "Check both encoder signals A and B with a lamp or meter, their pull-ups, and the encoder's supply."
    if max(up, down) <= DITHER_COUNTS and evidence.edges_told > _DITHER_EDGES:
        dither = f"{seen} Meanwhile {evidence.edges_told:,} encoder edges came: one of the two signals never changes."
        return check.failed(dither, signals, known)
    if max(up, down) <= DITHER_COUNTS and timed_out(evidence.last("turn")):
        return check.failed(f"{seen} Turning was asked for.", signals, known)
    if up < turn or down < turn:
        return check.not_tried(f"{seen} A whole turn each way is needed.", "Turn there and back.", known)
    return check.passed(seen, known)


def index(evidence: Evidence) -> Finding:
    """Whether the index comes once a turn, always at the same count."""
    check = Check("index", "Index: once every turn, a full turn of counts apart")
    hello = evidence.hello
    if hello is None or not evidence.positions:
        return check.not_tried("No session was seen.")
    turn = hello.counts_per_turn
    apart = index_spacings(evidence, turn)
    wrong = [d for d in apart if min(abs(d), abs(abs(d) - turn)) > INDEX_SLACK]
    told = sum(1 for t in evidence.troubles if t.message.code == TroubleCode.INDEX_OFF)
    turns = max(evidence.rise_counts, evidence.fall_counts) / turn
    full = [d for d in apart if abs(d) > turn / 2]
    known = figures(
        indexes=len(evidence.indexes),
        turned=turns,
        least_apart_counts=min((abs(d) for d in full), default=None),
        most_apart_counts=max((abs(d) for d in full), default=None),
        wrong=len(wrong),
        index_off_told=told,
    )
    if not hello.capabilities & Capability.INDEX:
        if evidence.indexes:
            seen = f"The board says that it has none, yet sent {len(evidence.indexes)}."
            return check.failed(seen, "Set INDEX in capabilities.", known)
        advice = (
            "It can be worked with; an encoder with an index is better: without it a lost count voids the whole run."
        )
        return check.doubted("The board says that it has none.", advice, known)
    if wrong:
        shown = ", ".join(f"{d:+,}" for d in wrong[:4]) + (" …" if len(wrong) > 4 else "")
        seen = f"{counted(len(wrong), 'spacing')} of {len(apart)} wrong: {shown} counts instead of 0 or ±{turn:,}."
        return check.failed(seen, _spacing_advice(wrong, turn), known)
    if told:
        seen = f"The board told {counted(told, 'time')} that the index came at an unexpected count."
        return check.failed(seen, _spacing_advice([], turn), known)
    if evidence.indexes and full:
        seen = (
            f"{counted(len(evidence.indexes), 'index', 'indexes')} in {turns:.2f} turns, {min(map(abs, full)):,} to "
            f"{max(map(abs, full)):,} counts apart."
        )
        missed = _missed(evidence, turn)
        if missed is None:
            return check.passed(seen, known)
        return check.failed(f"{seen} But {missed}", _INDEX_WIRING, known)
    if turns >= MOST_TURNS or (not evidence.indexes and turns > 1.02):
        seen = f"{counted(len(evidence.indexes), 'index', 'indexes')} in {turns:.2f} turns in one go."
        return check.failed(seen, _INDEX_WIRING, known)
    seen = f"{counted(len(evidence.indexes), 'index', 'indexes')} in {turns:.2f} turns: too little turned to see two, a turn apart."
    return check.not_tried(seen, "Turn on until the index has passed twice.", known)


_INDEX_WIRING = (
    "Check the index wire and its interrupt; its pulse is only one count wide. Clear INDEX if the encoder has none. If the rotor made "
    "clearly fewer turns than said here, counts_per_turn is too small: it is 4 × lines."
)


def _missed(evidence: Evidence, turn: int) -> str | None:
    """A stretch of more than a turn without index, in words."""
    indexes = iter(evidence.indexes)
    following = next(indexes, None)
    last: tuple[int, int] | None = None
    for position in evidence.positions:
        while following is not None and following.tick <= position.tick:
            last = (following.segment, following.message.count)
            following = next(indexes, None)
        if last is not None and last[0] == position.segment and abs(position.message.count - last[1]) > 1.02 * turn:
            return f"more than a turn was turned after the one at count {last[1]:,} without another."
    return None


def _spacing_advice(wrong: Iterable[int], turn: int) -> str:
    for factor in (2, 4):
        if any(abs(abs(d) * factor - turn) <= factor for d in wrong):
            return f"counts_per_turn is {factor} times what was counted: count all four edges of a line, and state 4 × lines."
        if any(abs(abs(d) - turn * factor) <= factor for d in wrong):
            return f"counts_per_turn is too small, {factor} times as much was counted: it is 4 × lines. Or an index was missed."
    return (
        "Compare counts_per_turn with 4 × the encoder's lines; else counts are lost: look at the encoder's supply and wires, the "
        "interrupt's length, and latch the count in the index interrupt itself."
    )


def transitions(evidence: Evidence) -> Finding:
    """Illegal transitions of the quadrature signal."""
    check = Check("illegal-transitions", "Illegal transitions: the encoder state never jumps to the opposite place")
    if not evidence.positions:
        return check.not_tried("No session was seen.")
    counts = max(evidence.rise_counts, evidence.fall_counts)
    told = [t.message.amount for t in evidence.troubles if t.message.code == TroubleCode.ILLEGAL_TRANSITION]
    known = figures(illegal_transitions=sum(told), messages=len(told), counts_turned=counts)
    if told:
        seen = f"{counted(sum(told), 'illegal transition')} in {counted(len(told), 'message')}."
        advice = (
            "The count cannot be trusted. Look for noise on the encoder lines (shield, pull-ups, lead away from the ignition), a missing "
            "signal, or edges that come faster than the interrupt serves them."
        )
        return check.failed(seen, advice, known)
    if counts <= DITHER_COUNTS:
        return check.not_tried("None, but the rotor was not turned.", "Turn the rotor.", known)
    return check.passed(f"None over {counts:,} counts.", known)


def edges(evidence: Evidence) -> Finding:
    """Whether the Edges messages follow on from each other."""
    check = Check("edges", "Edges: every encoder edge told, each message going on where the one before ended")
    hello = evidence.hello
    if hello is None or not evidence.positions:
        return check.not_tried("No session was seen.")
    known = figures(messages=evidence.edges_frames, edges=evidence.edges_told, breaks=evidence.edges_broken)
    seen = f"{counted(evidence.edges_told, 'edge')} in {counted(evidence.edges_frames, 'message')}."
    counts = max(evidence.rise_counts, evidence.fall_counts)
    if not hello.capabilities & Capability.EDGES:
        if evidence.edges_frames:
            return check.failed(f"{seen} The board says that it sends none.", "Set EDGES in capabilities.", known)
        seen = "The board says that it sends none, and sent none; those within Contact serve."
        return check.passed(seen, known)
    # Around an illegal transition the count steps by two, which Edges cannot tell.
    illegal = any(t.message.code == TroubleCode.ILLEGAL_TRANSITION for t in evidence.troubles)
    if evidence.edges_broken and not illegal:
        broken = f"{seen} {counted(evidence.edges_broken, 'message')} did not begin at the count at which the one before had ended."
        advice = "Each edge belongs into one message, with its step; count is that before the first step."
        return check.failed(broken, advice, known)
    if counts > DITHER_COUNTS and evidence.edges_told == 0:
        suspended = any(p.message.flags & PositionFlag.EDGES_SUSPENDED for p in evidence.positions)
        if not suspended:
            none = f"{seen} The count moved by {counts:,}."
            return check.failed(none, "Send Edges if Start asks for them, or clear EDGES.", known)
    if evidence.edges_told == 0:
        return check.not_tried(f"{seen} None could be told.", "Turn the rotor slowly.", known)
    return check.passed(f"{seen} No break.", known)


def pedal(evidence: Evidence) -> Finding:
    """Whether the pedal's presses come, and Position agrees."""
    check = Check("pedal", "Pedal: down and up are told, and Position agrees")
    hello = evidence.hello
    if hello is None or not evidence.positions:
        return check.not_tried("No session was seen.")
    presses = [p for p in evidence.presses if p.message.source == PressSource.PEDAL]
    down = sum(p.message.down for p in presses)
    known = figures(down=down, up=len(presses) - down)
    seen = f"Down {counted(down, 'time')}, up {counted(len(presses) - down, 'time')}."
    if not hello.capabilities & Capability.PEDAL:
        if presses:
            return check.failed(f"{seen} The board says that it has none.", "Set PEDAL in capabilities.", known)
        return check.passed("The board says that it has none; the space bar serves.", known)
    if not presses:
        if timed_out(evidence.last("pedal")):
            advice = "Check the pedal's contact, its wires and the pin's pull-up. Clear PEDAL if there is none."
            return check.failed("It was asked for, and no press came.", advice, known)
        return check.not_tried("No press came.", "Press and let go.", known)
    if down == 0 or down == len(presses):
        half = f"{seen} Only one of the two was seen."
        return check.failed(half, "Send Press for the pedal going down and for letting go.", known)
    wrong = _pedal_flags_wrong(evidence)
    if wrong:
        flags = f"{seen} {counted(wrong, 'Position')} showed another state of the pedal."
        return check.failed(flags, "PEDAL_DOWN is the pedal's state at Position's tick.", known)
    return check.passed(seen, known)


def _pedal_flags_wrong(evidence: Evidence) -> int:
    """Positions whose flag contradicts the latest press before them; a tick at either side is left open."""
    presses = [p for p in evidence.presses if p.message.source == PressSource.PEDAL]
    wrong, at = 0, 0
    for position in evidence.positions:
        while at < len(presses) and presses[at].tick < position.tick:
            at += 1
        if at == 0 or presses[at - 1].segment != position.segment:
            continue
        if at < len(presses) and presses[at].tick == position.tick:
            continue
        wrong += bool(position.message.flags & PositionFlag.PEDAL_DOWN) != bool(presses[at - 1].message.down)
    return wrong
