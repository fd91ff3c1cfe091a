"""Which pin of the microcontroller is what, read from the firmware's own source, as a table and as a drawing."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from tests.hardware.sheet import NARROW, WIDE, Sheet

BOARD = Path(__file__).parents[2] / "firmware_protocol" / "board"

#: ATmega328P data sheet, 28-pin DIP: leg of each pin used here.
_LEGS = {
    **{f"PD{n}": leg for n, leg in enumerate((2, 3, 4, 5, 6, 11, 12, 13))},
    **{f"PB{n}": 14 + n for n in range(6)},
    **{f"PC{n}": 23 + n for n in range(6)},
}
#: The names printed on the ubiquitous small boards: D0 to D7, D8 to D13, A0 to A5.
_PRINTED = {"PD": ("D", 0), "PB": ("D", 8), "PC": ("A", 0)}


@dataclass(frozen=True, slots=True)
class Pin:
    """One pin: what hangs on it and how."""

    signal: str
    port: str
    how: str

    @property
    def printed(self) -> str:
        """Its name on the board."""
        letter, first = _PRINTED[self.port[:2]]
        return f"{letter}{first + int(self.port[2])}"

    @property
    def leg(self) -> int:
        """Its leg on the 28-pin package."""
        return _LEGS[self.port]


@dataclass(frozen=True, slots=True)
class Firmware:
    """What the firmware's source says of its pins: port names, and which inputs have their pull-up on."""

    encoder: tuple[str, str]
    index: str
    contacts: tuple[str, ...]
    pedal: str
    levels: tuple[str, ...]
    pulled_up: frozenset[str]


def _bits(port: str, mask: int) -> tuple[str, ...]:
    return tuple(f"{port}{n}" for n in range(8) if mask >> n & 1)


def _one(pattern: str, text: str) -> str:
    found = re.findall(pattern, text)
    if len(found) != 1:
        raise ValueError(f"the firmware's source has {len(found)} places like {pattern!r}, one was expected")
    return str(found[0])


def firmware() -> Firmware:
    """The pins as the firmware's source has them.

    Raises ValueError if the source is not written as expected: then this reader is to be changed with it.
    """
    config = (BOARD / "config.h").read_text("utf-8")
    hardware = (BOARD / "avr_hardware.c").read_text("utf-8")
    contacts = _bits("PB", int(_one(r"#define \w+_CONTACTS (0x[0-9A-F]+)u", config), 16))
    (first,) = _bits("PB", int(_one(r"#define \w+_CONTACT (0x[0-9A-F]+)u", config), 16))
    (pedal,) = _bits("PB", int(_one(r"#define \w+_PEDAL (0x[0-9A-F]+)u", config), 16))
    _one(r"(PCMSK0 = \w+_CONTACTS \| \w+_PEDAL;)", hardware)
    # The count's place takes bit 0 of the state for A.
    a = int(_one(r"\(PIND >> (\d)\) & 3u", hardware))
    _one(rf"(PCMSK2 = 1 << PCINT{16 + a} \| 1 << PCINT{17 + a};)", hardware)
    _one(r"(TIMSK1 = 1 << ICIE1)", hardware)
    converted = [int(n) for n in _one(r"inputs\[\] = \{([\d, ]+)\}", hardware).split(",")]
    channels = int(_one(r"#define LEVEL_CHANNELS (\d)u", config))
    pulled = frozenset(
        pin
        for port in "BD"
        for pin in _bits(f"P{port}", int(_one(rf"\n    PORT{port} = (0x[0-9A-F]+);", hardware), 16))
    )
    if contacts[0] != first:
        raise ValueError("contact channel 0 is not the lowest of the contact pins")
    return Firmware(
        (f"PD{a}", f"PD{a + 1}"), "PB0", contacts, pedal, tuple(f"PC{n}" for n in converted[:channels]), pulled
    )


def pins() -> list[Pin]:
    """All pins in the order of the table."""
    f = firmware()
    table = [
        Pin("encoder A", f.encoder[0], "220 Ω in series"),
        Pin("encoder B", f.encoder[1], "220 Ω in series"),
        Pin("encoder index", f.index, "220 Ω in series; goes high once a turn"),
    ]
    for n, (contact, level) in enumerate(zip(f.contacts, f.levels, strict=True)):
        table.append(Pin(f"contact {n}", contact, f"probe channel {n}, after R5; unused: 10 kΩ to +5 V"))
        table.append(Pin(f"level {n}", level, f"joined to contact {n}, or the amplifier's output"))
    return [
        *table,
        Pin("pedal", f.pedal, "to ground when pressed; 1 kΩ in series"),
        Pin("serial in (RX)", "PD0", "on the board: from the serial adapter"),
        Pin("serial out (TX)", "PD1", "on the board: to the serial adapter"),
    ]


def table() -> str:
    """The wiring table of HARDWARE.md."""
    rows = ["| signal | printed on the board | port | leg (28-pin) | how |", "|---|---|---|---|---|"]
    rows += [f"| {p.signal} | {p.printed} | {p.port} | {p.leg} | {p.how} |" for p in pins()]
    return "\n".join(rows)


#: The board's left and right side on the sheet.
_LEFT, _RIGHT = 128.0, 168.0
#: The line on which all returns come to the one ground point.
_GROUND_X, _GROUND_Y = 118.0, 122.0


def drawing() -> Sheet:
    """Board, encoder, probes, pedal and computer, with the pins' names."""
    remark = (
        "Everything that hangs on the line to G is joined at G itself, at one point. Pins as the firmware has them."
    )
    s = Sheet(236, 150, "Wiring", remark)
    s.face([(_LEFT, 22), (_RIGHT, 22), (_RIGHT, 128), (_LEFT, 128)])
    s.write((148, 30), "board", 4, "middle", bold=True)
    s.write((148, 35), "ATmega328P, 5 V", 2.9, "middle")
    _encoder(s)
    _unit(s)
    _pedal_and_ground(s)
    _computer(s)
    remark = "Names such as D9 are those printed on the board. A thick dot is a joint; lines that cross without one are not joined."
    s.write((5, 146), remark, 2.9)
    return s


def _joint(s: Sheet, at: tuple[float, float]) -> None:
    s.circle(at, 0.7, NARROW, fill="#000")


def _pin(s: Sheet, signal: str, y: float) -> tuple[float, float]:
    """A pin of the board with its names; gives the place where its wire ends."""
    (pin,) = (p for p in pins() if p.signal == signal)
    s.circle((_LEFT, y), 1, fill="#fff")
    s.write((_LEFT + 2.5, y + 1.1), f"{pin.printed}  {signal}", 2.9)
    return (_LEFT - 1, y)


def _encoder(s: Sheet) -> None:
    s.face([(14, 24), (58, 24), (58, 56), (14, 56)])
    s.write((36, 31), "encoder", 3.4, "middle", bold=True)
    s.lines((17, 37), ["optical, 5 V", "A, B, index"], 2.9, 4.2)
    for signal, y, name in (("encoder A", 43.0, "A"), ("encoder B", 48.0, "B"), ("encoder index", 53.0, "index")):
        s.write((56.5, y + 1.1), name, 2.9, "end")
        s.line([(58, y), (100, y)], NARROW)
        s.box((100, y - 1.5), 10, 3)
        s.line([(110, y), _pin(s, signal, y)], NARROW)
    s.write((103, 40.4), "220 Ω each", 2.9, "middle")
    s.line([(58, 28), (_LEFT - 1, 28)], NARROW)
    s.write((60, 27), "+5 V", 2.9)
    s.circle((_LEFT, 28), 1, fill="#fff")
    s.line([(58, 33.5), (_GROUND_X, 33.5), (_GROUND_X, _GROUND_Y)], NARROW)
    s.write((60, 32.5), "0 V", 2.9)
    s.circle((88, 45.5), 4.2, NARROW, "1.5 1")
    s.line([(88, 41.3), (88, 37), (_GROUND_X, 37)], NARROW, "1.5 1")
    _joint(s, (_GROUND_X, 37))
    s.write((84, 38.8), "shield: here only", 2.9, "end", over=True)


def _unit(s: Sheet) -> None:
    s.face([(14, 64), (58, 64), (58, 116), (14, 116)])
    s.write((36, 70.5), "unit", 3.4, "middle", bold=True)
    s.write((36, 74.5), "coil lead off, insulated", 2.6, "middle")
    for n, name in enumerate(("main points", "retard points", "tachometer, floating")):
        y = 80.0 + n * 10
        s.write((16, y + 1), name, 2.7)
        s.circle((58, y), 1.1, fill="#fff")
        s.line([(59, y), (78, y)], WIDE)
        s.box((78, y - 3.5), 26, 7)
        s.write((91, y + 1), f"probe {n}", 2.9, "middle")
        s.line([(104, y), _pin(s, f"contact {n}", y)], NARROW)
        s.line([(112, y), (112, y + 4), _pin(s, f"level {n}", y + 4)], NARROW)
        _joint(s, (112, y))
    s.circle((58, 105.5), 1.1, fill="#fff")
    s.write((56, 106.5), "second terminal", 2.7, "end")
    s.line([(59, 105.5), (_GROUND_X, 105.5)], NARROW)
    s.write((62, 109.2), "a return of its own", 2.7)
    _joint(s, (_GROUND_X, 105.5))
    s.circle((58, 112), 1.1, fill="#000")
    s.write((56, 113), "clean metal", 2.7, "end")
    s.line([(59, 112), (_GROUND_X, 112)], 0.9)
    s.write((62, 116), "the one ground clip", 2.7)
    _joint(s, (_GROUND_X, 112))


def _pedal_and_ground(s: Sheet) -> None:
    s.circle((_GROUND_X, _GROUND_Y), 1.6, fill="#fff")
    s.write((121.2, 126.4), "G", 3.2, bold=True)
    s.line([(_GROUND_X + 1.6, _GROUND_Y), (_LEFT - 1, _GROUND_Y)], WIDE)
    s.circle((_LEFT, _GROUND_Y), 1, fill="#fff")
    s.write((_LEFT + 2.5, 123.1), "ground", 2.9)
    s.ground((_GROUND_X, _GROUND_Y + 1.6))
    s.face([(14, 124), (46, 124), (46, 136), (14, 136)])
    s.write((30, 131.2), "pedal", 3.4, "middle", bold=True)
    s.line([(46, 127), (66, 127), (66, 117.5), (100, 117.5)], NARROW)
    s.box((100, 116), 10, 3)
    s.line([(110, 117.5), _pin(s, "pedal", 117.5)], NARROW)
    s.write((98, 120.8), "1 kΩ", 2.9, "end")
    s.line([(46, 133), (104, 133), (104, _GROUND_Y), (_GROUND_X - 1.6, _GROUND_Y)], NARROW)


def _computer(s: Sheet) -> None:
    s.write((_RIGHT - 2.5, 62), "USB", 2.9, "end")
    s.write((_RIGHT - 2.5, 66), "serial adapter", 2.9, "end")
    s.line([(_RIGHT, 63), (182, 63)], WIDE)
    s.face([(182, 52), (206, 52), (206, 74), (182, 74)])
    s.line([(194, 54), (194, 72)], WIDE, "2 1.5")
    s.write((194, 50), "USB isolator", 3, "middle", bold=True)
    s.write((194, 79), "isolated supply", 2.7, "middle")
    s.line([(206, 63), (212, 63)], WIDE)
    s.face([(212, 54), (232, 54), (232, 72), (212, 72)])
    s.write((222, 64), "computer", 2.9, "middle")
    probes = [
        "Probe 0 to 2: circuit of one",
        "channel, R1 to R5, see",
        "drawing. Each has +5 V and",
        "ground of the board.",
    ]
    s.lines(
        (174, 94), [*probes, "", "Between unit and computer", "nothing is joined but by", "the isolator."], 2.9, 4.3
    )
