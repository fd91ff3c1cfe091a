"""Two faults in one job: one may hide what would have told of the other. Any two of the rows that leave a job to end valid."""

from __future__ import annotations

import random
from collections.abc import Sequence

from bench.procedure import Step
from sim.contact import Transition
from sim.encoder import Crossings
from sim.mover import Track
from sim.scenario import Scenario
from sim.world import World
from tests.faults import board_faults, bytes_faults, contact_faults, encoder_faults, hand_faults
from tests.faults.fault import Fault
from tests.faults.row import OFF_MARKS_DEG, Row

#: Each can strike whatever the unit is, and none moves the angles by what no stream shows.
PARTS = tuple(
    row
    for module in (bytes_faults, board_faults, encoder_faults, contact_faults, hand_faults)
    for row in module.ROWS
    if not row.weak
    and not row.swapped
    and row.off_marks_limit_deg == OFF_MARKS_DEG
    and not hasattr(row.make(random.Random(0), 0), "job")
)
#: Each of them ends valid in nine of ten runs or more, by itself.
MILD = tuple(row for row in PARTS if row.least_valid >= 0.9)


class Several(Fault):
    """Several faults, each on what those before it have left."""

    def __init__(self, draw: random.Random, seed: int, rows: Sequence[Row]) -> None:
        self.parts: tuple[Fault, ...] = ()
        super().__init__(draw)
        self.names, made = [], []
        for row in rows:
            fault = row.make(draw, seed)
            assert isinstance(fault, Fault)
            self.names.append(row.name)
            made.append(fault)
        self.parts = tuple(made)
        self.doubted = frozenset().union(*(row.doubted for row in rows))

    @property  # type: ignore[override]
    def struck_s(self) -> float | None:
        """When the first of them struck."""
        return min((f.struck_s for f in self.parts if f.struck_s is not None), default=None)

    @struck_s.setter
    def struck_s(self, _: float | None) -> None:
        """Each part keeps its own."""

    def scenario(self, plain: Scenario) -> Scenario:
        """See Fault."""
        for fault in self.parts:
            plain = fault.scenario(plain)
        return plain

    def prepare(self, world: World) -> None:
        """See Fault."""
        for fault in self.parts:
            fault.prepare(world)

    def reached(self, step: Step, now_s: float) -> None:
        """See Fault."""
        for fault in self.parts:
            fault.reached(step, now_s)

    def chunk(self, world: World, now_s: float) -> None:
        """See Fault."""
        for fault in self.parts:
            fault.chunk(world, now_s)

    def crossings(self, crossings: Crossings, now_s: float) -> Crossings:
        """See Fault."""
        for fault in self.parts:
            crossings = fault.crossings(crossings, now_s)
        return crossings

    def transitions(self, channel: int, found: list[Transition], track: Track) -> list[Transition]:
        """See Fault."""
        for fault in self.parts:
            found = fault.transitions(channel, found, track)
        return found

    def pedal(self, down: bool, now_s: float) -> bool:
        """See Fault."""
        for fault in self.parts:
            down = fault.pedal(down, now_s)
        return down

    def hand(self, target_deg: float, angle_deg: float, now_s: float) -> float:
        """See Fault."""
        for fault in self.parts:
            target_deg = fault.hand(target_deg, angle_deg, now_s)
        return target_deg

    def anew(self) -> None:
        """See Fault."""
        for fault in self.parts:
            fault.anew()

    def line(self, data: bytes, now_s: float) -> bytes:
        """See Fault."""
        for fault in self.parts:
            data = fault.line(data, now_s)
        return data


ROWS = (
    Row(
        "two faults at once",
        f"any two of {len(MILD)}",
        lambda d, s: Several(d, s, d.sample(MILD, 2)),
        0.8,
        # An index that is missing, and counts in doubt beside it: what no index confirms is void. And a technician who gives up.
        failures=frozenset({"count-lost", "incomplete"}).union(*(row.failures for row in MILD)),
        doubted=encoder_faults.MOVED,
    ),
)
