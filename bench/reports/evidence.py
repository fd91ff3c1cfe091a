"""What the journal shows besides the result: every pass by itself, and the edges around one opening."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from bench.contacts import ContactEdge
from bench.encoder import edges_of, neighbours
from bench.evaluation import Placed, placed, placed_as_found
from bench.journal import JournalReader, Kind
from bench.reports.drawn import CloseUp, PassPoint
from bench.result import BreakerRow, ResultDocument
from bench.run import Run
from firmware_protocol.framing import Frame, FrameReader
from firmware_protocol.messages import Contact, Edges, Message

_WRAP = 1 << 32
#: Messages before and after an opening that may tell of the time around it; of two breakers that chatter, about a second.
_NEAR = 500
#: Two edges that a Contact and an Edges message tell differ by no more than this, seconds (PROTOCOL.md's latch error).
_SAME_S = 20e-6


@dataclass(frozen=True, slots=True)
class Evidence:
    """From a replay of the journal. Passes by breaker; `left` may be empty where nothing was evaluated."""

    left: dict[str, tuple[PassPoint, ...]]
    found: dict[str, tuple[PassPoint, ...]]
    close_up: CloseUp | None


def gather(journal: Path, run: Run, shown: ResultDocument) -> Evidence:
    """Look at `run`, a replay of `journal`; `shown` is the result that the report shows. Raises CaptureError."""
    if run.failure is not None:
        return Evidence({}, {}, None)
    left, found = placed(run), placed_as_found(run)
    before = shown.as_found
    return Evidence(
        _passes(run, left, shown.breakers),
        {} if found is None or before is None else _passes(run, found, before.breakers),
        _close_up(journal, run, left, shown),
    )


def decisive(breaker: BreakerRow) -> int | None:
    """Lobe whose opening is nearest to a limit, or furthest beyond one; without limits the first that was measured."""
    known = [o for o in breaker.openings if o.angle_deg is not None]
    limited = [o for o in known if o.lower_limit_deg is not None and o.upper_limit_deg is not None]

    def to_spare(lobe: int) -> float:
        opening = next(o for o in limited if o.lobe == lobe)
        angle, low, high = opening.angle_deg or 0.0, opening.lower_limit_deg or 0.0, opening.upper_limit_deg or 0.0
        return min(angle - low, high - angle)

    if limited:
        return min((o.lobe for o in limited), key=to_spare)
    return known[0].lobe if known else None


def _passes(run: Run, at: Placed, rows: Sequence[BreakerRow]) -> dict[str, tuple[PassPoint, ...]]:
    spacing = run.job.unit.lobe_spacing_deg
    found = {}
    for row in rows:
        points: list[PassPoint] = []
        for mean, opening in zip(at.lobes.get(row.name, ()), row.openings):
            if opening.angle_deg is None:
                continue
            # Passes count from neutral on the disc, the stated angle from its own reference.
            shift = opening.angle_deg - mean.angle_deg - at.zero_deg
            points += [
                PassPoint(mean.lobe, number, p.angle_deg - p.ordinal * spacing + shift)
                for number, p in enumerate(mean.passes, start=1)
            ]
        found[row.name] = tuple(points)
    return found


def _close_up(journal: Path, run: Run, at: Placed, shown: ResultDocument) -> CloseUp | None:
    """Of the first breaker's opening nearest to a limit, the pass with the middle bounce."""
    if not shown.breakers:
        return None
    row = shown.breakers[0]
    lobe = decisive(row)
    mean = next((m for m in at.lobes.get(row.name, ()) if m.lobe == lobe and m.passes), None)
    if lobe is None or mean is None:
        return None
    passes = sorted(mean.passes, key=lambda p: (p.taken.opening.bounce_ticks, p.ordinal))
    taken = passes[len(passes) // 2]
    change = taken.taken.opening
    tick_s, edge = 1.0 / run.tick_hz, change.edge
    end = change.settled_tick - edge.tick
    contacts, edges = _around(journal, edge, change.bounce_ticks, max(end, change.bounce_ticks), run.tick_hz)
    return CloseUp(
        breaker=row.name,
        lobe=lobe,
        speed_deg_s=taken.speed_deg_s,
        count_deg=360.0 / run.counts_per_turn,
        contact=tuple((tick * tick_s, opened) for tick, opened in contacts),
        encoder=tuple((tick * tick_s, boundary) for tick, boundary in edges),
        settled_s=end * tick_s,
        bounce_s=change.bounce_ticks * tick_s,
        told_by_number=change.merged_edges,
    )


def _around(
    journal: Path, edge: ContactEdge, bounce_ticks: int, end_ticks: int, tick_hz: int
) -> tuple[list[tuple[int, bool]], list[tuple[int, int]]]:
    """Probe edges from `edge` to the end of its bounce, and encoder edges from as long before to as long after, ticks from `edge`."""
    first = edge.contact
    contacts: list[tuple[int, bool]] = []
    edges: dict[int, int] = {}
    reach = 2 * end_ticks + tick_hz // 100
    for message in _near(journal, edge.wire):
        if isinstance(message, Contact):
            at = _after(message.tick, first.tick)
            if not -reach <= at <= reach:
                continue
            edges.update((at + tick, boundary) for tick, boundary, _ in neighbours(message))
            if message.channel == first.channel and 0 <= at <= bounce_ticks:
                contacts.append((at, bool(message.opened)))
                if message.storm_edges:
                    contacts.append((at + message.storm_ticks, bool(message.storm_open)))
        elif isinstance(message, Edges):
            at = _after(message.tick, first.tick)
            if -2 * reach <= at <= reach:
                ticks, boundaries, _ = edges_of(at, message.count, message.steps)
                edges.update(zip(ticks.tolist(), boundaries.tolist(), strict=True))
    near = sorted((tick, boundary) for tick, boundary in edges.items() if -reach <= tick <= reach)
    return contacts, list(_once(near, round(_SAME_S * tick_hz)))


def _near(journal: Path, wire: bytes) -> list[Message]:
    """Messages of the session shortly before and after the frame `wire` in the journal; further away a tick may have wrapped."""
    with JournalReader(journal) as reader:
        received = b"".join(record.payload for record in reader.records() if record.kind is Kind.FROM_BOARD)
    # Only the frames near it are decoded: a journal has tens of thousands.
    frames = received.split(b"\0")
    at = frames.index(wire)
    found = FrameReader().feed(b"\0".join(frames[max(0, at - _NEAR) : at + _NEAR + 1]) + b"\0")
    whole = [frame for frame in found if isinstance(frame, Frame)]
    session = next(frame.session for frame in whole if frame.wire == wire)
    # By its number, so that a frame that came twice counts once.
    return list({frame.sequence: frame.message for frame in whole if frame.session == session}.values())


def _once(edges: Iterable[tuple[int, int]], same_ticks: int) -> Iterator[tuple[int, int]]:
    """Edges without those that were told twice."""
    last: tuple[int, int] | None = None
    for edge in edges:
        if last is None or edge[1] != last[1] or edge[0] - last[0] > same_ticks:
            yield edge
        last = edge


def _after(tick: int, start: int) -> int:
    """Ticks from `start`, which wraps at 2^32, to `tick`; negative before it."""
    return (tick - start + _WRAP // 2) % _WRAP - _WRAP // 2
