"""Drawings of the adapters: keyed taper, splined, straight shaft. Seat for encoder and handwheel are the same on all."""

from __future__ import annotations

from tests.hardware.mechanical import NOT_TO_SCALE
from tests.hardware.sheet import Sheet

_AXIS = 62.0
_REMARK = f"{NOT_TO_SCALE} Section through the axis. Letters: measure them on the unit's own shaft; no maker's figures are given."


def _sheet(title: str) -> Sheet:
    return Sheet(204, 136, title, _REMARK)


def _outside(s: Sheet, inner: list[tuple[float, float]], hatch: str = "adapter") -> None:
    """Body from its inner contour (left to right, upper half, depth below the axis positive) and the common outer one."""
    upper = [(x, _AXIS - r) for x, r in inner]
    upper += [(160.0, _AXIS - 11), (88.0, _AXIS - 11), (88.0, _AXIS - 20), (inner[0][0], _AXIS - 20)]
    s.mirrored(upper, _AXIS, hatch)


def _common(s: Sheet) -> None:
    y = _AXIS
    s.axis((10, y), (172, y))
    s.across((88, y - 20), (112, y - 11), y - 32, "encoder")
    s.across((122, y - 11), (160, y - 11), y - 32, "handwheel")
    s.upright((112, y - 11), (112, y + 11), 117, "Ø d h6")
    s.write((100, y - 13), "A", 3.4, "middle", bold=True)


def _notes(s: Sheet, lines: list[str]) -> None:
    common = [
        "d: bore of the encoder's hollow shaft. Shoulder square to the seat.",
        "A: turn seat d last, with the adapter drawn on a master (or on the unit's own shaft) between centres: run-out 0.02 or less.",
    ]
    s.lines((8, 102), [*lines, *common], 2.9, 4.5)


def keyed_taper() -> Sheet:
    """Adapter for a keyed taper with a thread and nut at its end."""
    s = _sheet("Adapter: keyed taper")
    y = _AXIS
    # Shaft: cylinder, taper, thread.
    s.section(
        [
            (12, y - 13),
            (36, y - 13),
            (74, y - 9),
            (74, y - 5),
            (96, y - 5),
            (96, y + 5),
            (74, y + 5),
            (74, y + 9),
            (36, y + 13),
            (12, y + 13),
        ],
        "unit",
    )
    _outside(s, [(36.0, 13.0), (70.0, 9.42), (78.0, 9.42), (78.0, 5.6), (82.0, 5.6), (82.0, 8.0), (160.0, 8.0)])
    s.face([(82, y - 7.2), (91, y - 7.2), (91, y + 7.2), (82, y + 7.2)])
    s.line([(82, y - 4), (91, y - 4)], 0.25)
    s.line([(82, y + 4), (91, y + 4)], 0.25)
    # Key in the upper wall of the taper.
    s.face([(44, y - 14.6), (62, y - 12.7), (62, y - 9), (44, y - 10.9)])
    _common(s)
    s.upright((36, y - 13), (36, y + 13), 28, "Ø T")
    s.across((36, y + 20), (70, y + 20), y + 30, "taper 1 : c, length e")
    s.ball(1, (46, y - 30), (53, y - 12))
    s.ball(2, (104, y + 22), (86, y + 6))
    s.ball(3, (138, y + 22), (130, y))
    _notes(
        s,
        [
            "T, c, e: taper at its thick end, its rate, its length. Blue it in: contact over three quarters of it, most at the thick end.",
            "1 key: finds the place only, the taper carries the torque; clear of the ground of its way.",
            "2 nut on the shaft's own thread draws the adapter on. Off again with a puller on the shoulder, never with a hammer.",
            "3 the adapter is hollow: a socket reaches the nut.",
        ],
    )
    return s


def splined() -> Sheet:
    """Adapter for a splined shaft: split sleeve, clamped."""
    s = _sheet("Adapter: splined shaft")
    y = _AXIS
    s.section([(12, y - 11), (74, y - 11), (74, y + 11), (12, y + 11)], "unit")
    for edge in (-11.0, 11.0):
        inward = -edge / abs(edge) * 3
        s.line([(36, y + edge + inward), (74, y + edge + inward)], 0.25)
    _outside(s, [(36.0, 11.0), (76.0, 11.0), (76.0, 6.0), (160.0, 6.0)])
    # Clamp ring round the split part.
    s.mirrored([(40, y - 20), (54, y - 20), (54, y - 28), (40, y - 28)], y, "wheel")
    s.face([(45, y - 32), (49, y - 32), (49, y - 28), (45, y - 28)])
    s.hidden([(36, y - 15.5), (72, y - 15.5)])
    _common(s)
    s.upright((12, y - 11), (12, y + 11), 22, "splines")
    s.across((36, y + 20), (76, y + 20), y + 34, "length of engagement e")
    s.ball(1, (62, y - 34), (50, y - 25))
    s.ball(2, (76, y - 40), (66, y - 15.5))
    s.ball(3, (100, y + 22), (70, y + 12))
    _notes(
        s,
        [
            "1 clamp ring with one screw closes the split sleeve.   2 saw cut, three quarters of e long.",
            "3 internal splines: cut to the unit's data, or taken from a worn-out drive member of the same spline and pinned in.",
            "Clamped, no turning may be felt between shaft and adapter: play of 0.05 mm at 10 mm radius is 0.29°, and neutral from one",
            "side and from the other lie apart by it.",
        ],
    )
    return s


def straight() -> Sheet:
    """Adapter for a straight shaft, tang or coupling removed: split collet."""
    s = _sheet("Adapter: straight shaft (tang or impulse coupling taken off)")
    y = _AXIS
    s.section([(12, y - 10), (70, y - 10), (74, y - 8), (74, y + 8), (70, y + 10), (12, y + 10)], "unit")
    _outside(s, [(34.0, 10.0), (76.0, 10.0), (76.0, 6.0), (160.0, 6.0)])
    s.mirrored([(38, y - 20), (52, y - 20), (52, y - 28), (38, y - 28)], y, "wheel")
    s.face([(43, y - 32), (47, y - 32), (47, y - 28), (43, y - 28)])
    s.hidden([(34, y - 15), (70, y - 15)])
    s.face([(56, y - 12.4), (68, y - 12.4), (68, y - 8), (56, y - 8)])
    _common(s)
    s.upright((34, y - 10), (34, y + 10), 24, "Ø S")
    s.across((34, y + 20), (76, y + 20), y + 34, "at least 1.5 S")
    s.ball(1, (62, y - 34), (48, y - 25))
    s.ball(2, (76, y - 40), (62, y - 11))
    s.ball(3, (100, y + 22), (60, y + 15))
    _notes(
        s,
        [
            "S: ream to the shaft, H7.   1 clamp ring with one screw.   2 a key, where there is one, finds the place only.",
            "3 split collet: saw cut on the side opposite the key. Do not drive by a tang in its slot: the slot has play.",
            "An impulse coupling comes off first; one with its flyweights secured as the manual permits needs an adapter for its hub.",
        ],
    )
    return s
