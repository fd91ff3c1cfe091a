"""The probe: a resistor to the supply, the points (and their capacitor) to ground, a threshold that reads "open".

After the points part, the voltage is V·(1 - exp(-t/RC)) and passes the share f of V after RC·ln(1/(1 - f)) (charging of a
capacitor, any textbook): 2.43 ms for 10 kΩ, 0.35 µF and f = 1/2. Points that meet discharge the capacitor at once, and points
that meet before the threshold was passed start it anew.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from sim.contact import Transition

#: Resistance of closed points, and of a coil's primary with its lead, ohm.
CLOSED_OHM = 0.1
COIL_OHM = 0.6


class Probe:
    """One channel. `signal_open` is what the board's pin reads after the last edge given."""

    def __init__(
        self, ohm: float, capacitor_uf: float, threshold: float, supply_mv: int, is_open: bool, coil_on: bool = False
    ) -> None:
        self._ohm = ohm
        self._supply = supply_mv
        self._coil_on = coil_on
        self._charging_s = ohm * capacitor_uf * 1e-6
        self.delay_s = self._charging_s * math.log(1.0 / (1.0 - threshold))
        self.signal_open = is_open and not coil_on
        self._open_since: float | None = -math.inf if is_open else None
        self._history: list[tuple[float, float | None]] = [(-math.inf, self._open_since)]

    def run(self, transitions: Iterable[Transition], end_s: float) -> list[Transition]:
        """Edges of the signal before `end_s` that follow from what the points did before `end_s`."""
        edges: list[Transition] = []
        self._history = [(-math.inf, self._open_since)]
        for change in transitions:
            self._rise(change.time_s, edges)
            if change.is_open:
                self._open_since = change.time_s
            else:
                self._open_since = None
                if self.signal_open:
                    self.signal_open = False
                    edges.append(Transition(change.time_s, False))
            self._history.append((change.time_s, self._open_since))
        self._rise(end_s, edges)
        return edges

    def _rise(self, until_s: float, edges: list[Transition]) -> None:
        if self._open_since is None or self.signal_open or self._coil_on:
            return
        at = self._open_since + self.delay_s
        if at < until_s:
            self.signal_open = True
            edges.append(Transition(at, True))

    def millivolts(self, time_s: float) -> int:
        """Voltage across the points at a time within the last run."""
        if self._coil_on:
            return self._divided(COIL_OHM)
        open_since = next(since for at, since in reversed(self._history) if at <= time_s)
        if open_since is None:
            return self._divided(CLOSED_OHM)
        passed = time_s - open_since
        if self._charging_s == 0.0 or passed > 30.0 * self._charging_s:
            return self._supply
        return round(self._supply * (1.0 - math.exp(-passed / self._charging_s)))

    def _divided(self, ohm: float) -> int:
        return round(self._supply * ohm / (self._ohm + ohm))
