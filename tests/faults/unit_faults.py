"""Any fault on any unit: the other rows hold one unit fast and vary the fault, here unit, bench and hand are drawn with it.

Two to eight poles, either direction of rotation and of the encoder, one set of points or two (opening together, or the second counted from
the first), encoders of 5,000 to 40,000 counts with and without an index, boards with and without Edges and of several clocks, capacitors
stated, not stated and absent, few or many presses with or without releases. Mounting and spacing of the poles stay those of the short
job, so that the errors which are left stay as small and the second figure as sharp.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Any

from sim import scenario as scenarios
from sim.scenario import Scenario
from tests.faults import encoder_faults
from tests.faults.fault import Fault
from tests.faults.pair_faults import MILD, PARTS, Several
from tests.faults.row import OFF_MARKS_DEG, Row
from tests.faults.short_job import JOB

LINES = (1_250, 2_500, 5_000, 10_000)
CLOCKS_HZ = (1_000_000, 2_000_000, 16_000_000)
DIRECTIONS = ("clockwise", "counterclockwise")
#: Half a count of the coarsest encoder on either side, where the finest of the other rows has an eighth of it.
COARSE_DEG = 360 / (4 * min(LINES))


class Unit:
    """One unit on one bench: its scenario, its job file and its bench file, drawn so that each states the other truly."""

    def __init__(self, draw: random.Random) -> None:
        self._draw = draw
        self._rotation = draw.choice(DIRECTIONS)
        self._poles = draw.choice((2, 4, 6, 8))
        self._capacitor_uf = draw.choice((0.0, 0.2))
        self._stated = draw.random() < 0.7
        opens = draw.uniform(5.0, 15.0)
        later = draw.choice((0.0, draw.uniform(10.0, 20.0)))
        self._points = [("main", opens, "neutral", opens)]
        if draw.random() < 0.5:
            self._points.append(("second", opens + later, "main" if later else "neutral", later or opens))
        self._encoder = {
            "lines": draw.choice(LINES),
            "sense": draw.choice(DIRECTIONS),
            "index": draw.random() < 0.8,
            "eccentricity_um": 2,
        }

    def scenario(self) -> Scenario:
        """What is played."""
        draw, spacing = self._draw, 360 / self._poles
        slowest = draw.uniform(60, 150)
        breakers = [
            {
                "name": name,
                "channel": channel,
                "opens_deg": {"uniform": [opens - 1, opens + 1]},
                "dwell_deg": min(draw.uniform(0.35, 0.6) * spacing, spacing - 5),
                "capacitor_uf": self._capacitor_uf,
            }
            for channel, (name, opens, _, _) in enumerate(self._points)
        ]
        table: dict[str, Any] = {
            "description": "a drawn unit",
            "unit": {"rotation": self._rotation, "poles": self._poles, "pole_spacing_error_deg": 0},
            "breaker": breakers,
            "encoder": self._encoder,
            "hand": {
                "turns_first": draw.choice((0, 1, 1)),
                "presses_per_side": draw.randint(2, 4),
                "releases_per_side": draw.choice((0, 0, 2)),
                "turns": 3.3,
                "speeds_deg_s": [slowest, slowest + draw.uniform(10, 80)],
                "jerkiness": draw.choice((0.0, 0.3)),
            },
            "board": {
                "tick_hz": draw.choice(CLOCKS_HZ),
                "baud": draw.choice((500_000, 1_000_000)),
                "edges": draw.random() < 0.7,
            },
        }
        return scenarios.parse(table, "drawn unit", "drawn-unit")

    def job(self) -> dict[str, Any]:
        """The job file's table."""
        plain = {key: value for key, value in JOB["breaker"][0].items() if key != "capacitor_uf"}
        if self._stated:
            plain["capacitor_uf"] = self._capacitor_uf
        return {
            **JOB,
            "unit": {**JOB["unit"], "rotation": self._rotation, "poles": self._poles},
            "breaker": [
                {**plain, "name": name, "channel": channel, "opens_at_deg": at, "from": origin}
                for channel, (name, _, origin, at) in enumerate(self._points)
            ],
        }

    def bench(self) -> dict[str, Any]:
        """The bench file's table."""
        found = self._encoder
        return {
            "counts_per_turn": 4 * int(found["lines"]),
            "encoder_sense": found["sense"],
            "index": found["index"],
        }


class OnUnit(Several):
    """Faults on a drawn unit."""

    def __init__(self, draw: random.Random, seed: int, rows: Sequence[Row]) -> None:
        unit = Unit(draw)
        self.job, self.bench = unit.job(), unit.bench()
        self._scenario = unit.scenario()
        super().__init__(draw, seed, rows)

    def scenario(self, plain: Scenario) -> Scenario:
        """See Fault. The short job's own scenario is not played."""
        del plain
        return super().scenario(self._scenario)


def _on_unit(name: str, injected: str, parts: Sequence[Row], number: int, least_valid: float) -> Row:
    def make(draw: random.Random, seed: int) -> Fault:
        return OnUnit(draw, seed, draw.sample(parts, number))

    failures = frozenset({"count-lost", "incomplete"}).union(*(row.failures for row in parts))
    return Row(
        name,
        f"{injected}; unit, bench and hand are drawn",
        make,
        least_valid,
        failures=failures if number else frozenset(),
        # Where there is no index, lost counts are what a slip is; and before the first one nothing confirms them, which is told.
        doubted=encoder_faults.MOVED | {"zero-unverified"},
        off_marks_limit_deg=OFF_MARKS_DEG + COARSE_DEG,
        never_strikes=not number,
        seeds=3,
    )


ROWS = (
    _on_unit("no fault, any unit", "nothing", PARTS, 0, 1.0),
    _on_unit("one fault, any unit", f"any of {len(PARTS)}", PARTS, 1, 0.7),
    _on_unit("two faults, any unit", f"any two of {len(MILD)}", MILD, 2, 0.7),
)
