"""What each misalignment of encoder, adapter and fixture costs, in degrees. Lengths in millimetres, angles in degrees."""

from __future__ import annotations

import math
from dataclasses import dataclass


def eccentric_grating(off_centre: float, radius: float, apart: float) -> float:
    """Greatest error of the angle between two places `apart` degrees apart on a grating off centre: 2 (e/r) sin(Δ/2) (geometry)."""
    return math.degrees(2 * off_centre / radius * math.sin(math.radians(apart) / 2))


def wandering_body(runout: float, arm: float, apart: float) -> float:
    """Encoder body carried round by a seat that runs out (total indicator reading), its turning held at the end of an arm.

    The body's centre goes round a circle of half the reading; the part along the link turns the body by that over the arm's length. Same
    formula as for the grating, with the arm for the radius (geometry).
    """
    return eccentric_grating(runout / 2, arm, apart)


def play(clearance: float, radius: float) -> float:
    """Turning that a clearance at a radius leaves free: c/r (geometry)."""
    return math.degrees(clearance / radius)


def tilted_seat(tilt: float, apart: float) -> float:
    """Greatest error between two places (at most 90° apart) from a seat at an angle to the axis: (α²/2) sin Δ.

    A universal joint at the angle α is ahead by (α²/4) sin 2θ to second order; the greatest difference of two places is this.
    """
    return math.degrees(math.radians(tilt) ** 2 / 2 * math.sin(math.radians(apart)))


def end_play_link_square(end_play: float, link: float, arm: float) -> float:
    """End play z moves one end of a link at right angles to it: it shortens by z²/(2 l), over the arm's length (geometry)."""
    return math.degrees(end_play**2 / (2 * link) / arm)


def end_play_link_askew(end_play: float, askew: float, arm: float) -> float:
    """End play z along a link that is out of square by an angle: z sin β over the arm's length (geometry)."""
    return math.degrees(end_play * math.sin(math.radians(askew)) / arm)


def wind_up(torque_nm: float, stiffness_nm_per_rad: float) -> float:
    """Twist of what carries a torque: T/k (elasticity)."""
    return math.degrees(torque_nm / stiffness_nm_per_rad)


def wire_link_stiffness(diameter: float, link: float, arm: float, modulus_gpa: float = 200.0) -> float:
    """Torsional stiffness that a wire along the tangent gives the body, N·m/rad: E A r²/l (elasticity; steel 200 GPa)."""
    area_m2 = math.pi * (diameter / 1000) ** 2 / 4
    return modulus_gpa * 1e9 * area_m2 * (arm / 1000) ** 2 / (link / 1000)


def wire_link_push(diameter: float, link: float, sideways: float, modulus_gpa: float = 200.0) -> float:
    """Force on the encoder's bearing when the link's end is carried sideways, newton: 12 E I x/l³, both ends held (elasticity)."""
    inertia_m4 = math.pi * (diameter / 1000) ** 4 / 64
    return 12 * modulus_gpa * 1e9 * inertia_m4 * (sideways / 1000) / (link / 1000) ** 3


def as_grating(off_centre: float, runout: float, radius: float, arm: float) -> float:
    """Both eccentricities as one of the grating: e + (runout/2) r/a, added because their directions are not known."""
    return off_centre + runout / 2 * radius / arm


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: what, how much of it, which formula; the cost 10° and 40° apart, or one figure for any two angles."""

    what: str
    size: str
    formula: str
    at_10_deg: float
    at_40_deg: float
    remedy: str


#: The arrangement that HARDWARE.md describes: radius of the grating, of the torque arm, length of its link.
GRATING, ARM, LINK = 20.0, 60.0, 60.0


def _same(what: str, size: str, formula: str, degrees: float, remedy: str) -> Row:
    return Row(what, size, formula, degrees, degrees, remedy)


def rows() -> list[Row]:
    """The table of HARDWARE.md."""
    table = [
        Row(
            "grating off centre in the encoder",
            f"{e * 1000:.0f} µm on r = {GRATING:.0f} mm",
            "2(e/r) sin(Δ/2)",
            eccentric_grating(e, GRATING, 10),
            eccentric_grating(e, GRATING, 40),
            "larger disc, better encoder, map it",
        )
        for e in (0.005, 0.020, 0.050)
    ]
    table += [
        Row(
            "adapter's seat runs out, body held by the torque arm",
            f"{t:.2f} mm reading, arm {ARM:.0f} mm",
            "2(t/2a) sin(Δ/2)",
            wandering_body(t, ARM, 10),
            wandering_body(t, ARM, 40),
            "turn the seat true on the unit's own seat; longer arm",
        )
        for t in (0.02, 0.05, 0.20)
    ]
    table += [
        _same(
            "play where the torque arm is held (pin in a slot)",
            f"0.10 mm at {ARM:.0f} mm",
            "c/a",
            play(0.1, ARM),
            "clamped wire link, no pin and slot",
        ),
        _same(
            "key loose in its way, torque not taken by the taper", "0.02 mm at 8 mm", "c/r", play(0.02, 8), "draw on"
        ),
        _same("loose spline", "0.05 mm at 10 mm", "c/r", play(0.05, 10), "split sleeve, clamped"),
    ]
    table += [
        Row(
            "seat tilted to the axis",
            f"{a:.1f}°",
            "(α²/2) sin Δ",
            tilted_seat(a, 10),
            tilted_seat(a, 40),
            "square shoulder, no shim",
        )
        for a in (0.5, 1.0, 2.0)
    ]
    table += [
        _same(
            "end play of the rotor, link square to the axis",
            f"0.20 mm, link {LINK:.0f} mm",
            "z²/(2la)",
            end_play_link_square(0.2, LINK, ARM),
            "none needed",
        ),
        _same(
            "end play of the rotor, link 5° out of square",
            "0.20 mm",
            "z sin β/a",
            end_play_link_askew(0.2, 5, ARM),
            "set the link square",
        ),
        _same(
            "wire link stretched by the encoder's own friction, both ways",
            f"0.02 N·m, Ø 2 × {LINK:.0f} mm",
            "2T/k, k = EAa²/l",
            wind_up(2 * 0.02, wire_link_stiffness(2, LINK, ARM)),
            "none needed",
        ),
        _same(
            "hand torque turned through a small flexible coupling",
            "1 N·m, 50 N·m/rad (common class, no source)",
            "T/k",
            wind_up(1.0, 50.0),
            "never: handwheel on the adapter",
        ),
        _same(
            "fixture twists between unit and torque arm",
            "1 N·m, 2000 N·m/rad (bracket on the bench top)",
            "T/k",
            wind_up(1.0, 2000.0),
            "arm held on the flange plate itself",
        ),
    ]
    return table
