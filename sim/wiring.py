"""Which points hang on which channel, and what else hangs on the wire: a scenario's breakers, faults and probe circuit, drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sim.cam import LiftablePoints
from sim.contact import Cam, FixedPoints, JoinedPoints, Points, points_of
from sim.figures import Draws
from sim.probe import Coil, Contact, Probe, Sense
from sim.scenario import BreakerTable, Scenario


@dataclass(frozen=True, slots=True)
class Wire:
    """One channel of the board."""

    channel: int
    points: Points | FixedPoints | JoinedPoints
    probe: Probe


@dataclass(frozen=True, slots=True)
class _Breaker:
    points: Points | FixedPoints
    capacitor_uf: float
    contact: Contact
    bridge_ohm: float


def sets_on(points: Points | FixedPoints | JoinedPoints | LiftablePoints) -> list[Points]:
    """The sets of points on a wire that a cam works."""
    if isinstance(points, LiftablePoints):
        points = points.points
    found = points.sets if isinstance(points, JoinedPoints) else (points,)
    return [p for p in found if isinstance(p, Points)]


def wires_of(scenario: Scenario, cams: Sequence[Cam], angle_deg: float, draws: Draws) -> list[Wire]:
    """A wire for each channel of the board; one without a breaker is open for ever."""
    table = scenario.probe
    ohm = draws.take("probe.ohm", table.ohm)
    sense = Sense(
        table.sense_gain,
        draws.take("probe.sense_offset_mv", table.sense_offset_mv),
        table.sense_full_scale_mv,
        table.sense_bits,
        draws.take("probe.lead_ohm", table.lead_ohm),
        table.four_wire,
    )
    coil = None
    if scenario.fault.coil_lead_on:
        coil = Coil(draws.take("coil.ohm", scenario.coil.ohm), draws.take("coil.mh", scenario.coil.mh) / 1000)
    breakers = [_breaker(scenario, own, cam, angle_deg, draws) for own, cam in zip(scenario.breaker, cams, strict=True)]
    channels = [t.channel for t in scenario.breaker]
    by_channel = dict(zip(channels, reversed(breakers) if scenario.fault.swapped_leads else breakers, strict=True))
    joined = JoinedPoints([b.points for b in breakers]) if scenario.fault.jumpered else None
    wires = []
    for channel in range(scenario.board.channels):
        threshold = draws.take(f"probe.threshold.{channel}", table.threshold)
        breaker = by_channel.get(channel)
        if breaker is None:
            wires.append(
                Wire(channel, FixedPoints(True), Probe(ohm, 0.0, threshold, table.supply_mv, True, sense=sense))
            )
            continue
        points: Points | FixedPoints | JoinedPoints = breaker.points
        source_ohm, capacitor_uf = ohm, breaker.capacitor_uf
        if joined is not None:
            # One node: both probes feed it, both capacitors hang on it.
            points = joined
            source_ohm, capacitor_uf = ohm / len(breakers), math.fsum(b.capacitor_uf for b in breakers)
        probe = Probe(
            source_ohm,
            capacitor_uf,
            threshold,
            table.supply_mv,
            points.is_open,
            contact=breaker.contact,
            coil=coil,
            bridge_ohm=breaker.bridge_ohm,
            sense=sense,
        )
        wires.append(Wire(channel, points, probe))
    return wires


def _breaker(scenario: Scenario, table: BreakerTable, cam: Cam, angle_deg: float, draws: Draws) -> _Breaker:
    key = f"breaker.{table.name}"
    contact = Contact(
        draws.take(f"{key}.contact_ohm", table.contact_ohm),
        draws.take(f"{key}.film_ohm", table.film_ohm),
        draws.take(f"{key}.film_ms", table.film_ms) / 1000,
    )
    bridge_ohm = math.inf if table.bridge_ohm is None else draws.take(f"{key}.bridge_ohm", table.bridge_ohm)
    return _Breaker(
        points_of(scenario, table, cam, angle_deg, draws),
        draws.take(f"{key}.capacitor_uf", table.capacitor_uf),
        contact,
        bridge_ohm,
    )
