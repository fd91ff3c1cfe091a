"""From magneto to engine: speed ratio, degrees, and which cylinder a lobe fires. For four-stroke engines.

Each cylinder fires once in two turns of the crankshaft, and the magnet gives one spark per pole and turn, so it turns
cylinders / (2 × poles) times per turn of the crankshaft (FAA-H-8083-32, magneto chapter: cam speed and magneto speed).
"""

from __future__ import annotations

from fractions import Fraction

from bench.job import Unit

#: Steps of the firing order of two-row radial engines, cylinders numbered around both rows (FAA-H-8083-32, firing order).
_TWO_ROWS = {14: 9, 18: 11}


def magneto_turns_per_crank_turn(unit: Unit) -> Fraction | None:
    """Turns of the rotating magnet per turn of the crankshaft; None where the job does not state the cylinders."""
    return None if unit.cylinders is None else Fraction(unit.cylinders, 2 * unit.poles)


def crank_deg(unit: Unit, magneto_deg: float) -> float | None:
    """An angle of the rotating magnet as degrees of the crankshaft; None where the job does not state the cylinders."""
    ratio = magneto_turns_per_crank_turn(unit)
    return None if ratio is None else magneto_deg / float(ratio)


def firing_order(cylinders: int) -> tuple[int, ...] | None:
    """Cylinders of a radial engine in the order in which they fire, from No. 1; None where no rule gives it.

    One row (odd numbers up to 9): every other cylinder around (FAA-H-8083-32, from memory). Two rows of 7 or 9: +9 / -5 and
    +11 / -7 (same source). Engines with cylinders in line, opposed or in a V follow no such rule.
    """
    step = _TWO_ROWS.get(cylinders) or (2 if cylinders in (3, 5, 7, 9) else None)
    if step is None:
        return None
    return tuple(place * step % cylinders + 1 for place in range(cylinders))


def cylinder_of(unit: Unit, lobe: int) -> int | None:
    """Cylinder that a compensated cam's lobe fires, lobe 0 being No. 1; None for other cams, whose lobes fire several in turn."""
    if unit.cylinders is None or unit.lobes != unit.cylinders:
        return None
    order = firing_order(unit.cylinders)
    return None if order is None else order[lobe]
