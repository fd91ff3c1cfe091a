"""Circuit diagrams of the probe, drawn with schemdraw; the figures at the parts come from `parts.inc`."""

from __future__ import annotations

import schemdraw
from schemdraw import elements as e

from tests.hardware import probe_circuit


def _ohm(value: float) -> str:
    return f"{value / 1e6:g} MΩ" if value >= 1e6 else f"{value / 1000:g} kΩ" if value >= 1000 else f"{value:g} Ω"


def _drawing() -> schemdraw.Drawing:
    schemdraw.use("svg")
    drawing = schemdraw.Drawing(show=False)
    drawing.config(fontsize=11, font="DejaVu Sans, Verdana, Arial, sans-serif", bgcolor="white", margin=0.4)
    return drawing


def _svg(drawing: schemdraw.Drawing) -> str:
    text: str = drawing.get_imagedata("svg").decode("utf-8")
    return text if text.endswith("\n") else text + "\n"


def _clamp_pair(d: schemdraw.Drawing, at: tuple[float, float], upper: str, lower: str) -> None:
    """Two diodes from a node to supply and ground."""
    d += e.Diode().up().at(at).length(1.8).label(upper, loc="bottom", ofst=0.15)
    d += e.Vdd().label("+5 V")
    d += e.Diode().down().at(at).reverse().length(1.8).label(lower, loc="bottom", ofst=0.15)
    d += e.Ground()


def probe() -> str:
    """One channel, from the supply to the microcontroller's pins, with clip and points."""
    p = probe_circuit.parts()
    d = _drawing()
    d += e.Vdd().label("+5 V").at((0, 0))
    d += e.Resistor().right().at((0, 0)).length(2.6).label(f"R1  {_ohm(p.supply_ohm)}", ofst=0.15)
    d += (junction := e.Dot())
    d += (
        e.Zener()
        .down()
        .at(junction.center)
        .reverse()
        .length(2)
        .label("D1 suppressor\n12 V stand-off", loc="bottom", ofst=0.2)
    )
    d += e.Ground()
    d += e.Resistor().right().at(junction.center).length(3).label(f"R2  {_ohm(p.clip_ohm)}, 5 W", ofst=0.15)
    d += (clip := e.Dot())
    d += e.Line().right().at(clip.center).length(6.2)
    d += (terminal := e.Dot(open=True)).label("signal clip", loc="top", ofst=0.2)
    # The sense path, below.
    d += e.Line().down().at(clip.center).length(4.6)
    d += e.Resistor().left().length(2.4).label(f"R3  {_ohm(p.sense_ohm)}", ofst=0.15)
    d += e.Resistor().left().length(2.4).label(f"R4  {_ohm(p.sense_ohm)}", ofst=0.15)
    d += (node := e.Dot())
    x, y = node.center
    _clamp_pair(d, (x, y), "D2  1N4148", "D3  1N4148")
    d += e.Resistor().left().at(node.center).length(2.6).label(f"R5  {_ohm(p.pin_ohm)}", ofst=0.15)
    d += (pin := e.Dot())
    d += e.Capacitor().down().at(pin.center).length(1.6).label(f"C1  {p.pin_f * 1e12:g} pF", loc="bottom", ofst=0.15)
    d += e.Ground()
    d += e.Line().left().at(pin.center).length(1.4)
    d += e.Dot(open=True).label("contact pin\nand level pin", loc="left", ofst=0.2)
    # The unit, outside the box.
    d += e.Line().right().at(terminal.center).length(1)
    d += (points := e.Dot())
    d += e.Switch().down().at(points.center).length(2.6).label("points", loc="top", ofst=0.3)
    d += (metal := e.Dot())
    d += e.Line().right().at(points.center).length(2.6)
    d += e.Capacitor().down().length(2.6).label("C, where\nfitted", loc="bottom", ofst=0.2)
    d += e.Line().left().tox(metal.center)
    d += e.Line().left().at(metal.center).length(1)
    d += e.Dot(open=True).label("ground clip,\nclean metal", loc="bottom", ofst=0.25)
    d += e.Line().left().length(1.6)
    d += e.Ground()
    return _svg(d)


def amplifier() -> str:
    """Sense lead and amplifier: for contact resistance."""
    p = probe_circuit.parts()
    feedback = _ohm(probe_circuit.amplifier_parts().feedback_ohm)
    d = _drawing()
    nodes = []
    for y, label in ((6.5, "sense lead,\nclean metal"), (0.0, "sense lead,\ninsulated terminal")):
        d += e.Dot(open=True).at((0, y)).label(label, loc="left", ofst=0.2)
        d += e.Resistor().right().at((0, y)).length(2.2).label(_ohm(p.sense_ohm), ofst=0.15)
        d += e.Resistor().right().length(2.2).label(_ohm(p.sense_ohm), ofst=0.15)
        d += (clamped := e.Dot())
        _clamp_pair(d, clamped.center, "low leakage", "low leakage")
        d += e.Line().right().at(clamped.center).length(3.2)
        d += (node := e.Dot())
        nodes.append(node.center)
    minus, plus = nodes
    d += e.Resistor().down().at(plus).length(1.8).label(feedback, loc="bottom", ofst=0.15)
    d += e.Ground()
    d += (
        amp := e.Opamp()
        .right()
        .anchor("in2")
        .at((plus[0] + 3.4, 2.6))
        .label("self-zeroing,\nrail to rail", loc="bottom", ofst=0.3)
    )
    d += (low := e.Resistor().right().at(plus).length(2.4).label(_ohm(p.pin_ohm), ofst=0.15))
    d += e.Line().right().at(low.end).tox(amp.in2)
    d += e.Line().up().toy(amp.in2)
    d += (high := e.Resistor().right().at(minus).length(2.4).label(_ohm(p.pin_ohm), ofst=0.15))
    d += e.Line().right().at(high.end).tox(amp.in1)
    d += e.Line().down().toy(amp.in1)
    d += e.Line().up().at(minus).length(1.6)
    d += e.Resistor().right().tox(amp.out).label(feedback, ofst=0.15)
    d += e.Line().down().toy(amp.out)
    d += e.Dot()
    d += e.Resistor().right().at(amp.out).length(2.4).label(_ohm(p.pin_ohm), ofst=0.15)
    d += e.Dot(open=True).label("level pin", loc="right", ofst=0.2)
    return _svg(d)
