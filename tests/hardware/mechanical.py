"""Drawings of the mechanics: the whole arrangement, the torque arm, the flange fixture. The adapters have their own file."""

from __future__ import annotations

from tests.hardware.sheet import NARROW, WIDE, Sheet

NOT_TO_SCALE = "Principle, not to scale."


def arrangement() -> Sheet:
    """Side view in section: unit on the flange fixture, adapter, encoder, torque arm, handwheel, friction clamp."""
    s = Sheet(
        244,
        152,
        "Coupling at the drive end",
        f"{NOT_TO_SCALE} Section through the axis; the handwheel turns the adapter itself.",
    )
    y = 75.0
    # Unit: housing outside, shaft coming out to the right.
    s.face([(12, 45), (70, 45), (70, 105), (12, 105)])
    s.write((41, 62), "unit", 4, "middle")
    s.write((41, 67), "(housing untouched:", 3, "middle")
    s.write((41, 71), "no clamp on it)", 3, "middle")
    s.face([(70, 35), (76, 35), (76, 115), (70, 115)])
    # Flange plate with a bore for the pilot, on a base.
    s.section([(76, 24), (84, 24), (84, 60), (76, 60)], "fixture")
    s.section([(76, 90), (84, 90), (84, 130), (76, 130)], "fixture")
    s.section([(40, 130), (175, 130), (175, 137), (40, 137)], "fixture")
    for bolt in (38.0, 112.0):
        s.face([(67, bolt - 3), (70, bolt - 3), (70, bolt + 3), (67, bolt + 3)])
        s.face([(84, bolt - 3), (87, bolt - 3), (87, bolt + 3), (84, bolt + 3)])
        s.axis((64, bolt), (90, bolt))
    # Shaft with taper, adapter drawn on it.
    s.section(
        [
            (70, y - 7),
            (92, y - 7),
            (108, y - 5),
            (108, y - 2.6),
            (121, y - 2.6),
            (121, y + 2.6),
            (108, y + 2.6),
            (108, y + 5),
            (92, y + 7),
            (70, y + 7),
        ],
        "unit",
    )
    upper = [
        (92, y - 7),
        (106, y - 5.25),
        (110, y - 5.25),
        (110, y - 3),
        (113, y - 3),
        (113, y - 5.4),
        (182, y - 5.4),
        (182, y - 9),
        (130, y - 9),
        (130, y - 13),
        (92, y - 13),
    ]
    s.mirrored(upper, y, "adapter")
    s.face([(113, y - 4.8), (118, y - 4.8), (118, y + 4.8), (113, y + 4.8)])
    # Encoder: hollow shaft clamped on the seat, body round it.
    s.mirrored([(131, y - 9), (149, y - 9), (149, y - 12), (131, y - 12)], y, "wheel")
    s.mirrored([(132, y - 13), (147, y - 13), (147, y - 28), (132, y - 28)], y, "encoder")
    s.mirrored([(149, y - 9), (154, y - 9), (154, y - 14), (149, y - 14)], y, "wheel")
    # Handwheel beyond it.
    s.mirrored(
        [
            (160, y - 9),
            (172, y - 9),
            (172, y - 15),
            (168, y - 15),
            (168, y - 34),
            (172, y - 34),
            (172, y - 40),
            (160, y - 40),
            (160, y - 34),
            (164, y - 34),
            (164, y - 15),
            (160, y - 15),
        ],
        y,
        "wheel",
    )
    # Friction clamp on the rim, on the base.
    s.face([(163, 116), (169, 116), (169, 130), (163, 130)])
    s.section([(156, 100), (159.6, 100), (159.6, 122), (156, 122)], "fixture")
    s.section([(172.4, 100), (176, 100), (176, 122), (172.4, 122)], "fixture")
    s.line([(150, 119), (182, 119)], WIDE)
    s.circle((184, 119), 2.5)
    # Torque arm: from the encoder's body to the flange plate.
    s.face([(133, y - 31), (146, y - 31), (146, y - 28), (133, y - 28)])
    s.circle((139.5, y - 29.5), 1, fill="#000")
    s.face([(84, 27), (134, 27), (134, 32), (84, 32)])
    s.line([(134, 29.5), (139.5, 29.5)], WIDE)
    s.hidden([(139.5, 29.5), (139.5, y - 31)])
    s.axis((8, y), (196, y))
    balls = [
        (1, (60, 20), (80, 28)),
        (2, (100, 100), (101, y + 11)),
        (3, (118, 108), (139, y + 24)),
        (4, (152, 20), (139.5, 36)),
        (5, (188, 40), (170, 38)),
        (6, (192, 104), (175, 104)),
        (7, (108, 20), (110, 29.5)),
        (8, (52, 90), (76, y)),
        (9, (122, 50), (115.5, y - 3.2)),
    ]
    for number, at, target in balls:
        s.ball(number, at, target)
    s.lines(
        (203, 22),
        [
            "1 flange plate",
            "2 adapter",
            "3 encoder, hollow",
            "   shaft",
            "4 torque arm",
            "   (wire link)",
            "5 handwheel,",
            "   balanced",
            "6 friction clamp",
            "7 arm's bracket,",
            "   on plate 1",
            "8 shaft, drive",
            "   end",
            "9 drawing nut",
        ],
        2.9,
        4.4,
    )
    s.lines(
        (5, 143),
        [
            "The hand's torque goes from handwheel (5) through adapter (2) into shaft (8), past the encoder (3): only its own friction",
            "reaches the torque arm (4). The arm is held on the same plate as the unit, so that a fixture that gives way carries both.",
        ],
        2.9,
        4,
    )
    return s


def torque_arm() -> Sheet:
    """End view: encoder body, lug, wire link along the tangent, bracket."""
    s = Sheet(
        185,
        130,
        "Torque arm, seen from the handwheel",
        f"{NOT_TO_SCALE} One link, along the tangent; stiff that way, soft every other.",
    )
    x, y = 70.0, 78.0
    s.circle((x, y), 28)
    s.circle((x, y), 9)
    s.circle((x, y), 5)
    s.axis((x - 38, y), (x + 38, y))
    s.axis((x, y - 52), (x, y + 34))
    s.face([(x - 5, y - 26.5), (x - 5, y - 45), (x + 5, y - 45), (x + 5, y - 26.5)])
    s.line([(x, y - 40), (x + 62, y - 40)], 1.1)
    s.circle((x, y - 40), 1.6, fill="#fff")
    s.section([(x + 62, y - 48), (x + 70, y - 48), (x + 70, y + 34), (x + 62, y + 34)], "fixture")
    s.across((x, y - 46), (x + 62, y - 48), y - 54, "link l = 60")
    s.upright((x - 5, y - 40), (x - 28, y), x - 40, "arm a = 60")
    s.ball(1, (x + 30, y - 28), (x + 30, y - 40))
    s.ball(2, (x - 20, y - 48), (x - 4, y - 36))
    s.ball(3, (x + 80, y - 8), (x + 66, y - 8))
    s.lines(
        (8, 117),
        [
            "1 spring wire Ø 2, clamped at both ends without play: screw and washer, no pin in a slot",
            "2 lug on the encoder's body   3 bracket on the flange plate. Set the link square to the radius and to the axis.",
        ],
        2.9,
        4.4,
    )
    return s


def flange_fixture() -> Sheet:
    """Front view of the flange plate with slots, and what must not be done."""
    s = Sheet(
        200,
        125,
        "Flange fixture",
        f"{NOT_TO_SCALE} Letters: take them from the unit on the bench. Never clamp the housing.",
    )
    x, y = 64.0, 68.0
    s.box((x - 45, y - 45), 90, 90)
    s.circle((x, y), 24, fill="#fff")
    for px in (x - 33, x + 33):
        s.face([(px - 3, y - 14), (px + 3, y - 14), (px + 3, y + 14), (px - 3, y + 14)])
        s.axis((px, y - 18), (px, y + 18))
    s.axis((x - 50, y), (x + 50, y))
    s.axis((x, y - 50), (x, y + 50))
    s.box((x - 55, y + 45), 110, 7)
    s.across((x - 33, y - 18), (x + 33, y - 18), y - 29, "K")
    s.upright((x, y - 24), (x, y + 24), x + 12, "D")
    s.ball(1, (x - 50, y - 40), (x - 40, y - 36))
    s.ball(2, (x + 54, y - 30), (x + 21, y - 13))
    s.ball(3, (x + 56, y + 10), (x + 35, y + 8))
    s.ball(4, (x - 53, y + 34), (x - 47, y + 48))
    s.lines(
        (128, 34),
        [
            "D  pilot of the unit's flange: bore to",
            "     sit on it without play",
            "K  distance of the mounting studs;",
            "     slots or clamps as on the engine",
            "",
            "1 steel plate, 8 mm or more",
            "2 pilot bore: takes the unit on centre",
            "3 slots for studs or flange clamps",
            "4 base, screwed to the bench",
            "",
            "Clamp at the flange only. Jaws on the housing",
            "bend it: bearings bind, the coil core's gaps",
            "change, and neutral moves.",
            "",
            "The ground clip goes to clean metal of the",
            "unit, not to this plate (paint, anodising).",
        ],
        3,
        4.6,
    )
    return s


def friction_clamp() -> Sheet:
    """End view of the handwheel with its clamp."""
    s = Sheet(160, 125, "Handwheel with friction clamp", f"{NOT_TO_SCALE} Seen from the hand's side.")
    x, y = 62.0, 64.0
    for radius in (42.0, 36.0, 13.0, 9.0, 5.0):
        s.circle((x, y), radius)
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        s.line([(x + dx * 13 + dy * 2, y + dy * 13 + dx * 2), (x + dx * 36 + dy * 2, y + dy * 36 + dx * 2)], NARROW)
        s.line([(x + dx * 13 - dy * 2, y + dy * 13 - dx * 2), (x + dx * 36 - dy * 2, y + dy * 36 - dx * 2)], NARROW)
    s.axis((x - 47, y), (x + 47, y))
    s.axis((x, y - 47), (x, y + 47))
    s.section([(x - 9, y + 38), (x + 9, y + 38), (x + 9, y + 52), (x - 9, y + 52)], "fixture")
    s.circle((x, y + 47), 2.4, fill="#fff")
    s.line([(x, y + 47), (x + 22, y + 47)], WIDE)
    s.circle((x + 25, y + 47), 3)
    s.ball(1, (x + 50, y - 36), (x + 27.6, y - 27.6))
    s.ball(2, (x - 32, y + 48), (x - 7, y + 44))
    s.ball(3, (x + 46, y + 34), (x + 26.5, y + 45))
    s.lines(
        (122, 30),
        [
            "1 rim, no crank",
            "   and no heavy",
            "   side: it would",
            "   pull the rotor",
            "   off neutral",
            "",
            "2 two felt-lined",
            "   jaws, pressed",
            "   from both sides",
            "   at once: no push",
            "   along the axis",
            "",
            "3 screw: from free",
            "   to held, by feel",
        ],
        2.9,
        4.4,
    )
    return s
