"""Published data of worked examples, and the certified data sets that scipy's wheel brings along."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from bench.agreement_study import PairedReadings
from bench.gauge_study import GaugeReadings

#: AIAG Measurement Systems Analysis manual, worked example: operator and trial, then ten units.
GAUGE = """
A1 .29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
A2 .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
A3 .64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
B1 .08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
B2 .25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
B3 .07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
C1 .04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
C2 -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
C3 -.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""
#: Bland & Altman, Lancet 327 (1986) 307: peak expiratory flow, first reading of each meter, l/min.
LARGE_METER = "494 395 516 434 476 557 413 442 650 433 417 656 267 478 178 423 427"
MINI_METER = "512 430 520 428 500 600 364 380 658 445 432 626 260 477 259 350 451"
#: Pearson, Phil. Mag. 2 (1901) 559.
PEARSON_X = "0 .9 1.8 2.6 3.3 4.4 5.2 6.1 6.5 7.4"
PEARSON_Y = "5.9 5.4 4.4 4.6 3.5 3.7 2.8 2.8 2.4 1.5"

_CERTIFIED = Path(scipy.stats.__file__).parent / "tests" / "data"


def numbers(text: str) -> NDArray[np.float64]:
    """Figures between blanks."""
    return np.array([float(word) for word in text.split()])


def gauge_readings() -> GaugeReadings:
    """The manual's example."""
    rows = [line.split()[1:] for line in GAUGE.split("\n") if line]
    angle_deg = np.array(rows, dtype=float).reshape(3, 3, 10).transpose(0, 2, 1)
    return GaugeReadings(("A", "B", "C"), tuple(map(str, range(1, 11))), angle_deg)


def gauge_csv() -> str:
    """The manual's example as a user would write it."""
    rows = ["operator,unit,trial,angle_deg"]
    for line in GAUGE.split("\n"):
        for unit, value in enumerate(line.split()[1:], 1):
            rows.append(f"{line[0]},{unit},{line[1]},{value}")
    return "\n".join(rows) + "\n"


def peak_flow() -> PairedReadings:
    """The large meter in place of the tool, the mini meter in place of the hand: differences are large minus mini, as published."""
    return PairedReadings(tuple(map(str, range(17))), numbers(MINI_METER), numbers(LARGE_METER))


def peak_flow_csv() -> str:
    """The same as a user would write it."""
    pairs = zip(MINI_METER.split(), LARGE_METER.split(), strict=True)
    return "unit,hand_deg,tool_deg\n" + "".join(f"{n},{mini},{large}\n" for n, (mini, large) in enumerate(pairs))


def certified_groups(name: str) -> list[list[float]]:
    """Groups of a NIST StRD one-way analysis of variance; the data begin in line 61 of the file."""
    groups: dict[str, list[float]] = {}
    for line in (_CERTIFIED / "nist_anova" / f"{name}.dat").read_text("ascii").split("\n")[60:]:
        if line.strip():
            group, value = line.split()
            groups.setdefault(group, []).append(float(value))
    return list(groups.values())


def certified_line() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """x and y of NIST StRD Norris; the data begin in line 61 of the file, y first."""
    rows = (_CERTIFIED / "nist_linregress" / "Norris.dat").read_text("ascii").split("\n")[60:]
    y, x = np.array([[float(word) for word in row.split()] for row in rows if row.strip()]).T
    return x, y
