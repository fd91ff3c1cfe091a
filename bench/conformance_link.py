"""What a conformance run says of the board's greeting, its line and its clock."""

from __future__ import annotations

from itertools import pairwise
from statistics import median

import numpy as np

from bench.conformance_evidence import ClockPoint, Evidence
from bench.conformance_finding import Check, Finding, counted, figures
from bench.link import POSITION_HZ
from bench.stream import BAD_FRAMES_LEAST, BAD_FRAMES_SHARE
from firmware_protocol.messages import Capability, Hello, ResetCause, Trouble, TroubleCode
from firmware_protocol.schema import FINGERPRINT, WIRE_VERSION

#: PROTOCOL.md: sampled within 20 % of a period of its due time, so that two neighbours differ from a period by at most 40 %.
POSITION_SLACK = 0.4
#: How far the rate over many Positions may be off: they are due at Start + k periods, so only the ends can be late.
POSITION_RATE_SLACK = 0.01
LEAST_POSITIONS = 20
#: Allowed difference between the board's tick rate and the host's clock. A serial line fails at about 2 % (half a bit in ten, less the
#: other side's share); resonators keep 0.5 % (common practice, no source).
TICK_SLACK = 0.01
#: USB serial adapters hand bytes over in batches up to this far apart (their usual latency timer, common practice).
BATCH_S = 0.016
LEAST_CLOCK_S = 4.0
SLOW_ANSWER_S = 0.1
#: Below this rate a tick is longer than a microsecond (PROTOCOL.md, section 7).
LEAST_TICK_HZ = 1_000_000

#: Found by checks of their own.
_ELSEWHERE = frozenset({TroubleCode.ILLEGAL_TRANSITION, TroubleCode.INDEX_OFF})
_HARMLESS = frozenset({TroubleCode.EDGES_SUSPENDED, TroubleCode.EDGES_RESUMED})
_TROUBLE_ADVICE = {
    TroubleCode.EDGES_TOO_NEAR: "Encoder edges came faster than rated: turn slower; at hand speed look for noise on the encoder lines.",
    TroubleCode.FLAG_SET_AGAIN: "The encoder interrupt takes too long: shorten it, or state a lower rated_edge_hz.",
    TroubleCode.QUEUE_OVERRUN: "Messages were dropped: make the transmit queue longer or the line faster.",
    TroubleCode.CONTACT_OVERRUN: "Probe edges were dropped: look for chatter or noise on the lead, and merge storms as PROTOCOL.md allows.",
    TroubleCode.REJECTED_COMMAND: "The board rejects commands of this program: compare its command parser with PROTOCOL.md, section 5.",
    TroubleCode.SUPPLY_DIP: "The supply fell low: another cable, another USB socket, a larger capacitor at the board.",
}


def line(evidence: Evidence) -> Finding:
    """Frames that came, that failed their checks, that went missing; and whether the board went on sending."""
    counts = evidence.stream.counts
    check = Check("line", "The line: frames whole and in sequence, the board goes on sending")
    seen = (
        f"{counted(counts.frames, 'good frame')}, {counted(counts.bad_frames, 'bad one')}, {counted(evidence.frames_lost, 'frame')} lost "
        f"in {evidence.device_s:.1f} s."
    )
    known = figures(
        frames=counts.frames,
        bad_frames=counts.bad_frames,
        frames_lost=evidence.frames_lost,
        session_s=evidence.device_s,
        bytes_received=evidence.bytes_received,
    )
    failure = evidence.failure
    if failure is not None and failure.code not in ("interrupted", "wrong-firmware"):
        advice = ""
        if evidence.hello is None and evidence.bytes_received:
            advice = "Bytes come, but no greeting: compare the baud rate of board and bench file (500,000 by default), then the framing."
        elif evidence.hello is None:
            advice = "Check power, cable and port; see that the board answers Identify outside a session, too."
        return check.failed(f"{failure.text} {seen}", advice or _NOISE, known)
    if counts.frames == 0:
        return check.not_tried("No session was begun.", known=known)
    # What a board prints as it starts again is no noise.
    bad = counts.bad_frames - sum(reset.begun for reset in evidence.resets)
    if evidence.frames_lost or bad > max(BAD_FRAMES_LEAST, BAD_FRAMES_SHARE * counts.frames):
        return check.failed(seen, _NOISE, known)
    if bad > 0:
        return check.doubted(seen, _NOISE, known)
    return check.passed(seen, known)


_NOISE = (
    "Look for a baud rate that the board cannot make exactly (115,200 on a 16 MHz clock is 2.1 % off), a bad cable or ground, and a "
    "transmit buffer that is overwritten."
)


def identity(evidence: Evidence) -> Finding:
    """Whether the greeting makes sense in itself, and is the same at the end."""
    check = Check("identity", "Identity: the greeting (Hello) says who the board is and what it can do")
    hello = evidence.hello
    if hello is None:
        return check.not_tried("No greeting came.")
    known = figures(
        board_id=hello.board_id.hex(),
        boot_counter=hello.boot_counter,
        firmware=f"{hello.firmware_major}.{hello.firmware_minor}.{hello.firmware_patch}",
        wire_version=hello.wire_version,
        tick_hz=hello.tick_hz,
        counts_per_turn=hello.counts_per_turn,
        rated_edge_hz=hello.rated_edge_hz,
        contact_channels=hello.contact_channels,
        level_channels=hello.level_channels,
        capabilities=hello.capabilities,
        simulated=hello.simulated,
    )
    seen = (
        f"Board {hello.board_id.hex()}, firmware {hello.firmware_major}.{hello.firmware_minor}.{hello.firmware_patch}, start number "
        f"{hello.boot_counter}, {counted(hello.contact_channels, 'probe')}, {hello.counts_per_turn:,} counts per turn, ticks of "
        f"{1e6 / hello.tick_hz:g} µs; can do {_abilities(hello)}."
        + (" It says that it is simulated." if hello.simulated else "")
    )
    wrong = _wrong_in(hello)
    if evidence.stop_sent and not evidence.stop_answered and evidence.failure is None and evidence.stream.counts.frames:
        wrong.append("Stop was not answered by Hello.")
    if wrong:
        return check.failed(" ".join([seen, *wrong]), "Mend the greeting: PROTOCOL.md, section 6.", known)
    if hello.tick_hz < LEAST_TICK_HZ:
        slow = f"{seen} Ticks are longer than a microsecond."
        return check.doubted(slow, "Run the timer at 1 MHz or more; 2 MHz is a good rate.", known)
    if not any(hello.board_id):
        same = f"{seen} The board's id is all zero."
        return check.doubted(same, "Give each board an id of its own, so that two are told apart.", known)
    return check.passed(seen, known)


def _abilities(hello: Hello) -> str:
    names = [str(c.name) for c in Capability if hello.capabilities & c]
    return ", ".join(names) if names else "nothing beyond Position and Contact"


def _wrong_in(hello: Hello) -> list[str]:
    wrong = []
    if hello.wire_version != WIRE_VERSION:
        wrong.append(f"The wire's version is {hello.wire_version}, not {WIRE_VERSION}.")
    if bool(hello.capabilities & Capability.LEVELS) != bool(hello.level_channels):
        wrong.append(f"LEVELS and level_channels ({hello.level_channels}) contradict each other.")
    if hello.counts_per_turn % 4:
        wrong.append(f"{hello.counts_per_turn} counts per turn are not four times a number of lines.")
    return wrong


def fingerprint(evidence: Evidence) -> Finding:
    """Whether board and program have the same message definitions."""
    check = Check("fingerprint", "Fingerprint: board and program have the same message definitions")
    hello = evidence.hello
    if hello is None:
        return check.not_tried("No greeting came.")
    known = figures(board=f"{hello.fingerprint:08x}", program=f"{FINGERPRINT:08x}")
    seen = f"The board's is {hello.fingerprint:08x}, this program's {FINGERPRINT:08x}."
    if hello.fingerprint == FINGERPRINT:
        return check.passed(seen, known)
    advice = "Build the firmware with the header of this version (firmware_protocol/board), or use the program that belongs to it."
    return check.failed(seen, advice, known)


def resets(evidence: Evidence) -> Finding:
    """Whether the board ran through, and counts its starts."""
    check = Check("resets", "Resets: the board runs through, and counts its starts")
    hello = evidence.hello
    if hello is None or not evidence.positions:
        return check.not_tried("No session was seen.")
    if not evidence.resets:
        return check.passed(f"None in {evidence.device_s:.1f} s.", figures(resets=0))
    texts, kept = [], False
    for reset in evidence.resets:
        before = reset.before
        cause = ResetCause(reset.hello.reset_cause).name
        texts.append(
            f"cause {cause}, start number {'unknown' if before is None else before.boot_counter} then {reset.hello.boot_counter}"
        )
        counted_on = before is None or reset.hello.boot_counter != before.boot_counter
        kept = kept or not counted_on
    advice = "Find what restarts it: supply, watchdog, a reset line that the adapter pulls." + (
        " Its boot counter must also change at each start." if kept else ""
    )
    seen = f"It started again {counted(len(texts), 'time')} in the session ({'; '.join(texts)})."
    return check.failed(seen, advice, figures(resets=len(texts)))


def position_rate(evidence: Evidence) -> Finding:
    """Rate and steadiness of Position, in the board's own ticks."""
    check = Check("position-rate", f"Position: {POSITION_HZ} a second as asked for, evenly")
    hello = evidence.hello
    together = [(a.tick, b.tick) for a, b in pairwise(evidence.positions) if a.segment == b.segment]
    if hello is None or len(together) < LEAST_POSITIONS:
        return check.not_tried(f"Only {counted(len(evidence.positions), 'Position')} came.")
    periods = np.array([b - a for a, b in together]) / hello.tick_hz
    asked = 1.0 / POSITION_HZ
    rate = 1.0 / float(periods.mean())
    uneven = int(np.count_nonzero(np.abs(periods - asked) > POSITION_SLACK * asked))
    known = figures(
        positions=len(evidence.positions),
        rate_hz=rate,
        shortest_ms=float(periods.min()) * 1e3,
        longest_ms=float(periods.max()) * 1e3,
        uneven=uneven,
    )
    seen = (
        f"{rate:.2f} a second by the board's ticks; from one to the next {periods.min() * 1e3:.2f} to {periods.max() * 1e3:.2f} ms, "
        f"{uneven:,} of them outside {(1 - POSITION_SLACK) * asked * 1e3:.0f} to "
        f"{(1 + POSITION_SLACK) * asked * 1e3:.0f} ms."
    )
    advice = "Sample each Position at Start + k periods of its own timer; a late one must not shift the next. Let nothing hold it up."
    if abs(rate * asked - 1) > POSITION_RATE_SLACK or uneven > 0.01 * len(periods):
        return check.failed(seen, advice, known)
    if uneven:
        return check.doubted(seen, advice, known)
    return check.passed(seen, known)


def tick_rate(evidence: Evidence) -> Finding:
    """The board's timer against the host's clock: a straight line through the arrivals of Positions.

    The stated bound is the spread of the arrivals about that line, plus one batch of a USB adapter, over the time observed: no slope
    that the arrivals allow lies further off.
    """
    check = Check("tick-rate", f"Tick rate: the board's timer agrees with the host's clock within {TICK_SLACK:.0%}")
    hello = evidence.hello
    points = _longest_boot(evidence.clock)
    span_s = points[-1].host_s - points[0].host_s if points else 0.0
    if hello is None or len(points) < 5 or span_s < LEAST_CLOCK_S:
        return check.not_tried(f"Only {span_s:.1f} s were observed, {LEAST_CLOCK_S:.0f} s are needed.")
    host = np.array([p.host_s - points[0].host_s for p in points])
    board = np.array([p.tick - points[0].tick for p in points]) / hello.tick_hz
    slope, offset = np.polyfit(host, board, 1)
    rest = board - (slope * host + offset)
    bound = (float(rest.max() - rest.min()) + BATCH_S) / span_s
    off = float(slope) - 1.0
    known = figures(
        tick_hz=hello.tick_hz,
        measured_tick_hz=float(slope) * hello.tick_hz,
        deviation_percent=off * 100,
        bound_percent=bound * 100,
        observed_s=span_s,
    )
    seen = f"{off:+.2%} off, known to ±{bound:.2%} (over {span_s:.0f} s; the host's clock serves for this alone)."
    if abs(off) <= TICK_SLACK:
        if bound <= TICK_SLACK:
            return check.passed(seen, known)
        return check.not_tried(f"{seen} That is not known well enough.", "Let it run longer.", known)
    if hello.simulated:
        # Nothing obliges a simulated board to keep the time of day: it may run as fast as it is read.
        return check.not_tried(f"{seen} A simulated board need not keep real time.", "Run it in real time.", known)
    if abs(off) - bound > TICK_SLACK:
        advice = "Compare tick_hz in Hello with the timer's prescaler and the clock's frequency; a bare RC clock is not good enough."
        return check.failed(seen, advice, known)
    return check.doubted(f"{seen} That is too near the limit to tell.", "Let it run longer.", known)


def _longest_boot(clock: list[ClockPoint]) -> list[ClockPoint]:
    boots: dict[int, list[ClockPoint]] = {}
    for point in clock:
        boots.setdefault(point.boot, []).append(point)
    return max(boots.values(), key=lambda points: points[-1].host_s - points[0].host_s, default=[])


def latency(evidence: Evidence) -> Finding:
    """Round trip of a request of a press."""
    check = Check("latency", "Requests: a press asked for by the host comes back latched")
    trips = evidence.round_trips_s
    if not trips:
        return check.not_tried("No press was asked for.")
    answered = sorted(t for t in trips if t is not None)
    missing = len(trips) - len(answered)
    if not answered:
        advice = "Answer PressRequest in a session with Press: source 1, down 1, the request's number."
        return check.failed(f"None of {counted(len(trips), 'request')} was answered within a second.", advice)
    middle = median(answered)
    known = figures(
        requests=len(trips),
        unanswered=missing,
        shortest_ms=answered[0] * 1e3,
        median_ms=middle * 1e3,
        longest_ms=answered[-1] * 1e3,
    )
    seen = (
        f"{len(answered)} of {len(trips)} answered; round trip {answered[0] * 1e3:.0f} to {answered[-1] * 1e3:.0f} ms, middle "
        f"{middle * 1e3:.0f} ms (by the host's clock, this program's own few ms included)."
    )
    if 0 < missing <= evidence.frames_lost:
        return check.doubted(f"{seen} Frames were lost, answers perhaps among them.", "Mend the line first.", known)
    if missing:
        return check.failed(seen, "Every PressRequest in a session must be answered.", known)
    if middle > SLOW_ANSWER_S:
        advice = "Queue the answer within 10 ms of reading the request; lower the USB adapter's latency timer."
        return check.doubted(seen, advice, known)
    return check.passed(seen, known)


def troubles(evidence: Evidence) -> Finding:
    """What the board itself told of overloads, losses, rejections and its supply."""
    check = Check("troubles", "Troubles told by the board: overload, drops, rejected commands, supply")
    if not evidence.positions:
        return check.not_tried("No session was seen.")
    found: dict[TroubleCode, list[Trouble]] = {}
    for trouble in evidence.troubles:
        code = TroubleCode(trouble.message.code)
        if code not in _ELSEWHERE:
            found.setdefault(code, []).append(trouble.message)
    known = figures(**{str(code.name).lower(): len(told) for code, told in found.items()})
    texts = [
        f"{code.name} {counted(len(told), 'time')} (last amount {told[-1].amount})" for code, told in found.items()
    ]
    advice = [_TROUBLE_ADVICE[code] for code in found if code not in _HARMLESS]
    off = evidence.trouble_tally_off
    dropped = any(t.message.code == TroubleCode.QUEUE_OVERRUN for t in evidence.troubles)
    if off is not None and not dropped:
        texts.append(f"Position counts {off[0]} of them where {off[1]} had come")
        advice.append("Count every Trouble that is sent in Position's troubles, in the order of sending.")
    seen = "; ".join(texts) + "." if texts else "None."
    if advice:
        return check.failed(seen, " ".join(advice), known)
    if found:
        seen += " The board may suspend Edges while it is turned fast."
    return check.passed(seen, known)
