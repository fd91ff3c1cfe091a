"""What a conformance run says of the probes: each one's changes, which lead is which, what they share, their levels."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import combinations
from statistics import median

from bench.conformance_evidence import Evidence, Seen
from bench.conformance_finding import Check, Finding, counted, figures
from bench.conformance_pins import timed_out
from bench.conformance_steps import at_rest, changed
from bench.link import LEVEL_HZ
from firmware_protocol.messages import Capability, Contact, Hello, Level, Position, TroubleCode

#: Edges of one channel after this much quiet begin a new change; what follows within it is bounce.
_QUIET_S = 0.05
#: Two channels changed "together": a lead moved by hand, the rotor at rest, bounces for milliseconds.
_TOGETHER_AT_REST_S = 0.005
#: While the rotor turns, two sets of points set to open together (dual units) come this near to each other now and then; two leads on
#: one terminal always do. Only closings are compared: a capacitor delays an opening by each pin's own threshold, and the
#: interrupts of two pins follow each other within some ten microseconds.
_TOGETHER_TURNING_S = 0.00005
_TOGETHER_SHARE = 0.8
_LEAST_AT_REST = 2
_LEAST_TURNING = 4
#: A closed probe reads at most this share of the open reading.
_CLOSED_SHARE = 0.3
#: A reading that moves by more than this share of the open reading when another probe changes.
_MOVES_SHARE = 0.1
_LEAST_READINGS = 3


@dataclass(frozen=True, slots=True)
class _Change:
    """The first edge of a change: whether the rotor was at rest, and whether the probe closed."""

    tick: int
    still: bool
    closing: bool


def probe(evidence: Evidence, channel: int) -> Finding:
    """Whether one probe's changes come, complete, and Position agrees with them."""
    check = Check(f"probe-{channel}", f"Probe of channel {channel}: it opens and closes, and every change is told")
    if evidence.hello is None or not evidence.positions:
        return check.not_tried("No session was seen.")
    contacts = [c for c in evidence.contacts if c.message.channel == channel]
    opened = sum(c.message.opened for c in contacts)
    merged = sum(c.message.storm_edges for c in contacts)
    bits = [p.message.levels >> channel & 1 for p in evidence.positions]
    known = figures(opened=opened, closed=len(contacts) - opened, merged=merged, open_at_end=bits[-1])
    seen = (
        f"Opened {counted(opened, 'time')}, closed {counted(len(contacts) - opened, 'time')}, bounce included"
        + (f", {merged:,} further changes merged" if merged else "")
        + f"; {'open' if bits[-1] else 'closed'} at the end."
    )
    wrong, advice = _contradictions(evidence, channel, contacts)
    if wrong:
        return check.failed(f"{seen} {wrong}", advice, known)
    if changed(contacts, channel):
        return check.passed(seen, known)
    entry = evidence.last(check.code)
    state = "open" if bits[-1] else "closed"
    if not contacts and timed_out(entry):
        dead = f"It stayed {state} all the time, although it was asked for."
        return check.failed(dead, _DEAD[state], known)
    if not contacts:
        return check.not_tried(f"It stayed {state} all the time.", _DEAD[state], known)
    return check.not_tried(f"{seen} One of the two is missing.", "Close and open it once more.", known)


_DEAD = {
    "open": "If the lead did touch ground: look for a broken lead, the ground clip off or on paint, dirty points, a wrong pin.",
    "closed": (
        "If the lead was free: look for a lead that touches metal, a coil lead or grounding lead still on the points, a missing pull-up, "
        "a wrong pin."
    ),
}


def _contradictions(evidence: Evidence, channel: int, contacts: list[Seen[Contact]]) -> tuple[str, str]:
    """What in the board's own messages does not agree about this channel, and what to do: ("", "") if all does."""
    dropped = {TroubleCode.QUEUE_OVERRUN, TroubleCode.CONTACT_OVERRUN}
    if evidence.frames_lost or evidence.resets or any(t.message.code in dropped for t in evidence.troubles):
        return "", ""
    for a, b in zip(contacts, contacts[1:]):
        after = a.message.storm_open if a.message.storm_edges else a.message.opened
        if a.segment == b.segment and after == b.message.opened:
            return (
                "Two changes in a row led to the same state.",
                "Tell every change, in order, from the pin's interrupt.",
            )
    hz = evidence.hello.tick_hz if evidence.hello is not None else 1
    final = _final(evidence, hz)
    if final is None or channel >= len(final.message.contact_edges):
        return f"Position has no tally for channel {channel}.", "contact_edges has exactly contact_channels elements."
    told = [c for c in contacts if c.tick <= final.tick and c.segment == final.segment]
    edges = sum(1 + c.message.storm_edges for c in told)
    tally = final.message.contact_edges[channel]
    if tally != edges & 0xFFFF:
        return (
            f"Position counts {tally:,} changes, Contact told {edges:,}.",
            "Count and tell each edge of the probe; a change that shows in one and not in the other was lost on the board.",
        )
    if told:
        last = told[-1].message
        state = last.storm_open if last.storm_edges else last.opened
        if final.message.levels >> channel & 1 != state:
            return (
                "Position shows the opposite state of the last Contact.",
                "In both, 1 is open. Take them from the same pin.",
            )
    return "", ""


def _final(evidence: Evidence, hz: int) -> Seen[Position] | None:
    """A Position before which every Contact has been told: one waits up to 50 ms, and is sent before the answer to Stop."""
    if evidence.stop_answered:
        return evidence.positions[-1]
    until = evidence.positions[-1].tick - hz // 10
    at = bisect_right(evidence.positions, until, key=lambda p: p.tick)
    return evidence.positions[at - 1] if at else None


def order(evidence: Evidence) -> Finding:
    """Whether the channel that was asked for is the one that answered."""
    check = Check("probe-order", "Order of the leads: the channel asked for is the one that changes")
    hello = evidence.hello
    if hello is None or not evidence.positions:
        return check.not_tried("No session was seen.")
    if hello.contact_channels == 1:
        return check.passed("There is only one.")
    wrong, right, untold = [], [], []
    for channel in range(hello.contact_channels):
        since = _asked_for(evidence, channel)
        still = [c for c in since if at_rest(c.message, hello)]
        answered = [k for k in range(hello.contact_channels) if changed(still, k)]
        if channel in answered:
            right.append(channel)
        elif answered and not any(c.message.channel == channel for c in since):
            wrong.append((channel, answered))
        else:
            untold.append(channel)
    known = figures(right=len(right), wrong=len(wrong), not_told=len(untold))
    if wrong:
        seen = "; ".join(f"asked for {channel}, {_and(answered)} changed" for channel, answered in wrong)
        advice = "Swap the leads or the pins, and label the leads: a swap puts one set of points' angle under the other's name."
        return check.failed(f"{seen[:1].upper()}{seen[1:]}.", advice, known)
    if untold:
        seen = f"Nothing tells for channel {_and(untold)}" + (f"; channel {_and(right)} is right." if right else ".")
        advice = "Move one lead at a time, with the rotor at rest."
        return check.not_tried(seen, advice, known)
    return check.passed(f"Channels {_and(right)} answered when asked for.", known)


def _asked_for(evidence: Evidence, channel: int) -> list[Seen[Contact]]:
    """Contacts between the beginning and the end of a probe's step."""
    begun, last = evidence.begun(f"probe-{channel}"), evidence.last(f"probe-{channel}")
    if begun is None or last is None:
        return []
    return evidence.contacts[begun.contacts : last.contacts if last.state != "begun" else None]


def _and(channels: list[int]) -> str:
    return " and ".join(map(str, channels))


def shared(evidence: Evidence) -> Finding:
    """Whether the probes are independent of each other: no change in common, no reading that follows another probe."""
    check = Check("shared-ground", "Common ground: no probe follows another")
    hello = evidence.hello
    if hello is None or not evidence.positions:
        return check.not_tried("No session was seen.")
    if hello.contact_channels == 1:
        return check.passed("There is only one probe.")
    changes = [_changes(evidence, hello, channel) for channel in range(hello.contact_channels)]
    known = figures(**{f"changes_{channel}": len(found) for channel, found in enumerate(changes)})
    if not any(changes):
        return check.not_tried("No probe changed.", "Close and open each probe by itself.", known)
    together = [
        f"{a} and {b}"
        for a, b in combinations(range(len(changes)), 2)
        if _together(changes[a], changes[b], hello.tick_hz)
    ]
    if together:
        seen = f"Channels {', '.join(together)} change together."
        advice = (
            "Look for two leads on one terminal, a bridge between pins, or a ground clip that is off: the probes then find ground through "
            "each other. One clip on clean metal, one lead each."
        )
        return check.failed(seen, advice, known)
    follows = _following(evidence, hello)
    if follows:
        advice = (
            "The ground that they share has resistance: clip on clean metal, a short thick ground lead, and a return of its own where a "
            "contact floats."
        )
        return check.doubted(" ".join(follows), advice, known)
    seen = "; ".join(
        f"channel {channel} changed {counted(len(found), 'time')}" for channel, found in enumerate(changes)
    )
    return check.passed(f"{seen[:1].upper()}{seen[1:]}, never together.", known)


def _changes(evidence: Evidence, hello: Hello, channel: int) -> list[_Change]:
    """Changes of one channel, bounce after each left out."""
    quiet = _QUIET_S * hello.tick_hz
    found: list[_Change] = []
    last: float = float("-inf")
    for contact in evidence.contacts:
        if contact.message.channel == channel:
            if contact.tick - last >= quiet:
                found.append(_Change(contact.tick, at_rest(contact.message, hello), not contact.message.opened))
            last = contact.tick + contact.message.storm_ticks
    return found


def _together(a: list[_Change], b: list[_Change], hz: int) -> bool:
    """True if nearly all changes of each are found in the other. What was done with the rotor at rest governs, if there is any."""
    still = [c.tick for c in a if c.still], [c.tick for c in b if c.still]
    if min(map(len, still)) >= _LEAST_AT_REST:
        return _coincide(*still, _TOGETHER_AT_REST_S * hz)
    closings = [c.tick for c in a if c.closing], [c.tick for c in b if c.closing]
    return min(map(len, closings)) >= _LEAST_TURNING and _coincide(*closings, _TOGETHER_TURNING_S * hz)


def _coincide(a: list[int], b: list[int], within: float) -> bool:
    common = 0
    for tick in a:
        at = bisect_right(b, tick)
        common += any(abs(t - tick) <= within for t in b[max(at - 1, 0) : at + 1])
    return common >= _TOGETHER_SHARE * max(len(a), len(b))


def _following(evidence: Evidence, hello: Hello) -> list[str]:
    """Readings of one probe, itself unchanged, that differ with the state of another; in words."""
    found = []
    settled = _settled(evidence)
    channels = range(min(hello.contact_channels, hello.level_channels))
    for one in channels:
        scale = max((level.millivolts[one] for level, _ in settled), default=0)
        for other in channels:
            for state in (0, 1):
                sets = [
                    [
                        level.millivolts[one]
                        for level, bits in settled
                        if bits >> one & 1 == state and bits >> other & 1 == theirs
                    ]
                    for theirs in (0, 1)
                ]
                if one != other and all(len(s) >= _LEAST_READINGS for s in sets):
                    closed, opened = median(sets[0]), median(sets[1])
                    if abs(opened - closed) > _MOVES_SHARE * scale:
                        found.append(
                            f"While channel {one} stays {'open' if state else 'closed'}, it reads {closed:,.0f} mV with "
                            f"channel {other} closed and "
                            f"{opened:,.0f} mV with it open."
                        )
    return found


def _settled(evidence: Evidence) -> list[tuple[Level, int]]:
    """Level readings, each with the probes' states, where no probe changed in the Positions before and after it."""
    positions = evidence.positions
    ticks = [p.tick for p in positions]
    found = []
    for level in evidence.levels:
        at = bisect_right(ticks, level.tick)
        # Two periods before, so that a capacitor has charged since the last change.
        if at < 2 or at >= len(positions) or positions[at - 2].segment != positions[at].segment:
            continue
        before, after = positions[at - 2].message, positions[at].message
        if before.levels == after.levels and before.contact_edges == after.contact_edges:
            found.append((level.message, after.levels))
    return found


def levels(evidence: Evidence) -> Finding:
    """Whether the analogue readings come, and tell closed from open."""
    check = Check("levels", "Levels: analogue readings come, low while closed and high while open")
    hello = evidence.hello
    if hello is None or not evidence.positions:
        return check.not_tried("No session was seen.")
    if not hello.capabilities & Capability.LEVELS:
        if evidence.levels:
            return check.failed("The board says that it has none, yet sends them.", "Set LEVELS in capabilities.")
        return check.passed("The board says that it has none, and sent none.")
    if not hello.level_channels:
        return check.not_tried("The greeting contradicts itself.", "Mend the greeting first.")
    expected = evidence.device_s * LEVEL_HZ
    if len(evidence.levels) < 0.5 * expected - 2:
        seen = f"{counted(len(evidence.levels), 'reading')} in {evidence.device_s:.1f} s, {LEVEL_HZ} a second were asked for."
        return check.failed(seen, "Send Level at the rate that Start asks for, or clear LEVELS.")
    short = [level for level in evidence.levels if len(level.message.millivolts) != hello.level_channels]
    if short:
        seen = f"{len(short[0].message.millivolts)} figures in a Level, {hello.level_channels} in Hello."
        return check.failed(seen, "Level has exactly level_channels figures.")
    return _plausible(evidence, hello, check)


def _plausible(evidence: Evidence, hello: Hello, check: Check) -> Finding:
    settled = _settled(evidence)
    texts, wrong, both = [], [], 0
    known: dict[str, float | int | str | None] = {"readings": len(evidence.levels)}
    for channel in range(min(hello.level_channels, hello.contact_channels)):
        low = [level.millivolts[channel] for level, bits in settled if not bits >> channel & 1]
        high = [level.millivolts[channel] for level, bits in settled if bits >> channel & 1]
        known[f"closed_{channel}_mv"] = median(low) if low else None
        known[f"open_{channel}_mv"] = median(high) if high else None
        texts.append(f"channel {channel}: closed {_reading(low)}, open {_reading(high)}")
        if low and high:
            both += 1
            if max(low) >= min(high) or median(low) > _CLOSED_SHARE * median(high):
                wrong.append(channel)
    seen = f"{counted(len(evidence.levels), 'reading')}; {'; '.join(texts)}."
    if wrong:
        advice = (
            "A closed probe should read near zero: look at the pins' order, the lead's and clip's resistance, dirty points, and the "
            "reference of the analogue input."
        )
        return check.failed(f"{seen} Channel {_and(wrong)} does not tell closed from open.", advice, figures(**known))
    if not both:
        advice = "Hold a probe closed, then open, for a second each."
        return check.not_tried(f"{seen} No channel was read in both states.", advice, figures(**known))
    return check.passed(seen, figures(**known))


def _reading(millivolts: list[int]) -> str:
    return f"{median(millivolts):,.0f} mV" if millivolts else "not seen"
