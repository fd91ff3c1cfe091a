"""The tables of HARDWARE.md: misalignments, the probe circuit computed and simulated, baud rates; wiring has its own file."""

from __future__ import annotations

from tests.hardware import misalignment, spice, wiring
from tests.hardware import probe_circuit as circuit

#: Pulses a second of a unit run up with its coil lead on: four poles at 2,000 turns a minute.
STAND_PULSES_PER_S = 4 * 2000 / 60
#: A brisk turn by hand, degrees a second.
BRISK_DEG_PER_S = 60.0


def all_tables(simulated: dict[str, float]) -> dict[str, str]:
    """The tables of HARDWARE.md by marker; `simulated` as `simulate` gives it."""
    return {
        "ring": ring(simulated),
        "misalignment": misalignments(),
        "circuit": circuits(simulated),
        "wiring": wiring.table(),
        "baud": baud(),
    }


def simulate() -> dict[str, float]:
    """All that ngspice is asked for the tables."""
    delay = spice.run("delay.cir")
    rest = spice.run("levels.cir")
    plus, minus = spice.run("pulse.cir"), spice.run("pulse.cir", v_pulse=-circuit.parts().pulse_v)
    found = {
        "wetting": rest["contact_current"],
        "delay_low": delay["at_low"] - delay["opened"],
        "delay_high": delay["at_high"] - delay["opened"],
        "clip_a": max(plus["clip_ampere_most"], -minus["clip_ampere_least"]),
        "clip_j": max(plus["clip_joule"], minus["clip_joule"]),
        "clamp_v": plus["clamp_volt_most"],
        "supply_v": plus["supply_volt_most"],
        "sense_a": max(plus["sense_ampere_most"], -minus["sense_ampere_least"]),
        "pin_a": max(abs(p[key]) for p in (plus, minus) for key in ("pin_ampere_most", "pin_ampere_least")),
    }
    for name, current, points, secondary in RING:
        seen = spice.run("ring.cir", i_broken=current, c_points=points, c_secondary=secondary)
        found[f"ring {name}"] = max(seen["secondary_most"], -seen["secondary_least"])
    return found


#: Name, current broken, capacitor across the points, the secondary's own capacitance.
RING = (
    ("test lamp, 100 mA", 0.1, 0.2e-6, 20e-12),
    ("test lamp, 100 mA; more capacitance", 0.1, 0.35e-6, 50e-12),
    ("10 mA", 0.01, 0.2e-6, 20e-12),
    ("this probe, 5 mA", 0.005, 0.2e-6, 20e-12),
)


def _figure(value: float) -> str:
    """Three significant figures, without an exponent."""
    return f"{float(f'{value:.3g}'):.10g}"


def misalignments() -> str:
    rows = ["| what | how much | formula | 10° apart | 40° apart | remedy |", "|---|---|---|---|---|---|"]
    for r in misalignment.rows():
        at = [f"{v:.4f}°" if v < 0.01 else f"{v:.3f}°" for v in (r.at_10_deg, r.at_40_deg)]
        at = ["below 0.0001°" if v < 0.00005 else text for v, text in zip((r.at_10_deg, r.at_40_deg), at, strict=True)]
        rows.append(f"| {r.what} | {r.size} | {r.formula} | {at[0]} | {at[1]} | {r.remedy} |")
    return "\n".join(rows)


def ring(simulated: dict[str, float]) -> str:
    p = spice.parameters("ring.cir")
    rows = [
        "| current broken | capacitor | secondary's own | computed | simulated |",
        "|---|---|---|---|---|",
    ]
    for name, current, points, secondary in RING:
        computed = circuit.ring_v(current, p["turns"], p["l_primary"], points, secondary)
        rows.append(
            f"| {name} | {_figure(points * 1e6)} µF | {_figure(secondary * 1e12)} pF | {_figure(computed)} V | "
            f"{_figure(simulated[f'ring {name}'])} V |"
        )
    return "\n".join(rows)


def circuits(simulated: dict[str, float]) -> str:
    p = circuit.parts()
    low, high = (circuit.delay_s(p.source_ohm, p.points_f, f) for f in (circuit.LOW_SHARE, circuit.HIGH_SHARE))
    angles = " to ".join(f"{t * BRISK_DEG_PER_S:.4f}°" for t in (low, high))
    worst = [p.supply_v, *circuit.PORT_V]
    currents = [v / (p.source_ohm * f) * 1000 for v, f in zip(worst, (1.0, 1.05, 0.95), strict=True)]
    closed, opened = (circuit.contact_ohm_at(p, f) for f in (circuit.LOW_SHARE, circuit.HIGH_SHARE))
    s = {key: _figure(value) for key, value in simulated.items()}
    clip_a = max(circuit.clip_ampere(p, up) for up in (True, False))
    clip_j = max(circuit.clip_joule(p, up) for up in (True, False))
    mean_w = circuit.repeated_watt(p, STAND_PULSES_PER_S)
    rows = [
        (
            "current through closed points",
            f"{_figure(currents[0])} mA",
            f"{_figure(simulated['wetting'] * 1000)} mA",
            f"{_figure(currents[1])} mA to {_figure(currents[2])} mA with a port of 4.75 V to 5.25 V and 5 % parts",
        ),
        (
            "from opening to the pin's lowest threshold, 0.35 µF",
            f"{_figure(low * 1e6)} µs",
            f"{_figure(simulated['delay_low'] * 1e6)} µs",
            f"the pin follows {_figure(circuit.pin_lag_s(p) * 1e6)} µs behind the clip, always",
        ),
        (
            "from opening to the pin's highest threshold, 0.35 µF",
            f"{_figure(high * 1e6)} µs",
            f"{_figure(simulated['delay_high'] * 1e6)} µs",
            f"{angles} at {BRISK_DEG_PER_S:g}° a second",
        ),
        ("points read closed for certain", f"up to {_figure(closed)} Ω", "", "f·R/(1 − f) at 0.3"),
        ("points read open for certain", f"from {_figure(opened)} Ω", "", "the same at 0.6"),
        ("energy in the charged capacitor", f"{_figure(circuit.stored_joule(p) * 1000)} mJ", "", "C·V²/2"),
        ("R2, greatest current", f"{_figure(clip_a)} A", f"{s['clip_a']} A", "the worse of both polarities"),
        (
            "R2, energy of a pulse",
            f"{_figure(clip_j * 1000)} mJ",
            f"{_figure(simulated['clip_j'] * 1000)} mJ",
            "wirewound, 5 W: takes hundreds (common practice)",
        ),
        ("R2, mean power, 133 pulses a second", f"{_figure(mean_w)} W", "", "four poles, 2,000 turns a minute"),
        (
            "D1, greatest voltage",
            f"{_figure(circuit.CLAMP_V[0])} V to {_figure(circuit.CLAMP_V[1])} V",
            f"{s['clamp_v']} V",
            "its class",
        ),
        (
            "board's supply, highest",
            f"below {_figure(circuit.supply_rise_v(p))} V",
            f"{s['supply_v']} V",
            f"limit {_figure(circuit.SUPPLY_LIMIT_V)} V (data sheet)",
        ),
        (
            "R3 and R4, greatest current",
            f"{_figure(circuit.sense_ampere(p) * 1000)} mA",
            f"{_figure(simulated['sense_a'] * 1000)} mA",
            "200 V across each; goes into D2 or D3",
        ),
        (
            "into the microcontroller's own diodes",
            f"below {_figure(circuit.pin_ampere(p) * 1000)} mA",
            f"{_figure(simulated['pin_a'] * 1000)} mA",
            "limit 1 mA (application note, memory)",
        ),
    ]
    lines = ["| what | computed | simulated | remark |", "|---|---|---|---|"]
    return "\n".join(lines + [f"| {a} | {b} | {c or '–'} | {d} |" for a, b, c, d in rows])


def baud() -> str:
    rows = ["| baud | what 16 MHz give | off by |", "|---|---|---|"]
    for baud in (115_200, 230_400, 250_000, 500_000, 1_000_000):
        nearest, error = circuit.nearest_baud(baud)
        rows.append(f"| {baud:,} | {nearest:,.0f} | {'exact' if error == 0 else f'{error:+.1%}'.replace('%', ' %')} |")
    return "\n".join(rows)
