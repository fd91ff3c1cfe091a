"""The probe: a resistor to the supply, the points and what else lies across them to ground, a threshold that reads "open".

After the points part, the voltage is V·(1 - exp(-t/RC)) and passes the share f of V after RC·ln(1/(1 - f)) (charging of a
capacitor, any textbook): 2.43 ms for 10 kΩ, 0.35 µF and f = 1/2. Points that meet discharge the capacitor at once, and points
that meet before the threshold was passed start it anew. A bridge b across the points takes R and V for R·b/(R + b) and V·b/(R + b).

A film on the points adds film·exp(-t/τ) to their resistance after they have met; above R·f/(1 - f) the pin still reads open. The
capacitor's discharge through the film is taken as done by then.

A coil's primary (R_L, L) across points and capacitor: C dv/dt = (V - v)/R - i, L di/dt = v - R_L i, from the state that closed points
have held for long. Without a capacitor the voltage jumps to nearly V and falls with about L/R; with one it swings up to about
V/R·√(L/C) only. `pulses` solves it exactly by the eigenvalues of the two equations.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.contact import Transition

#: Capacitance that clips and leads have of themselves, farad.
STRAY_F = 100e-12
#: Points per time scale when the transient is searched for crossings, and time constants that it is followed for.
_FINE = 400
_FOLLOWED = 12.0


@dataclass(frozen=True, slots=True)
class Contact:
    """Closed points: resistance in the end, and a film's, which wears through with a time constant."""

    ohm: float = 0.1
    film_ohm: float = 0.0
    film_s: float = 0.1

    def at(self, since_s: float) -> float:
        """Resistance so long after the points have met, ohm."""
        return self.ohm + self.film_ohm * math.exp(-since_s / self.film_s)

    def below(self, ohm: float) -> float:
        """Time after which the resistance is below `ohm`, seconds; infinite if never."""
        if self.ohm + self.film_ohm <= ohm:
            return 0.0
        return self.film_s * math.log(self.film_ohm / (ohm - self.ohm)) if ohm > self.ohm else math.inf


@dataclass(frozen=True, slots=True)
class Coil:
    """A primary with its lead."""

    ohm: float
    henry: float


@dataclass(frozen=True, slots=True)
class Sense:
    """How the board reads a level: offset at the points, gain, converter. `bits` None: as fine as the message."""

    gain: float = 1.0
    offset_mv: float = 0.0
    full_scale_mv: float = 65_535.0
    bits: int | None = None
    lead_ohm: float = 0.0
    four_wire: bool = False

    def told(self, millivolts: float) -> int:
        """What the board tells of a voltage."""
        out = min(max((millivolts + self.offset_mv) * self.gain, 0.0), self.full_scale_mv)
        if self.bits is None:
            return round(out)
        step = self.full_scale_mv / (1 << self.bits)
        # A converter's first step lies at half of one (data sheets' ideal transfer curve).
        return round(min(math.floor(out / step + 0.5), (1 << self.bits) - 1) * step)


def pulses(
    coil: Coil, ohm: float, capacitor_f: float, contact_ohm: float, threshold: float
) -> tuple[tuple[float, float], ...]:
    """Spans (from, to) in seconds after the points part over which the voltage is above the share `threshold` of the supply."""
    farad = capacitor_f + STRAY_F
    system = np.array([[-1 / (ohm * farad), -1 / farad], [1 / coil.henry, -coil.ohm / coil.henry]])
    # All as shares of the supply.
    final = np.array([coil.ohm, 1.0]) / (ohm + coil.ohm)
    both = coil.ohm * contact_ohm / (coil.ohm + contact_ohm) if coil.ohm + contact_ohm else 0.0
    v0 = both / (ohm + both)
    begin = np.array([v0, v0 / coil.ohm if coil.ohm else 1.0 / ohm])
    values, vectors = np.linalg.eig(system.astype(complex))
    parts = np.linalg.solve(vectors, (begin - final).astype(complex))

    def volts(t: NDArray[np.float64]) -> NDArray[np.float64]:
        moving = (vectors[0] * parts * np.exp(np.outer(t, values))).sum(axis=1)
        return np.asarray(final[0] + moving.real, dtype=np.float64)

    last = _FOLLOWED / min(abs(values.real))
    scales = [np.linspace(0.0, _FOLLOWED / abs(v), 20 * _FINE) for v in values]
    t = np.unique(np.concatenate([*scales, np.linspace(0.0, last, 20 * _FINE)]))
    above = volts(t) > threshold
    crossings = []
    for place in np.nonzero(above[1:] != above[:-1])[0]:
        low, high = float(t[place]), float(t[place + 1])
        for _ in range(60):
            middle = (low + high) / 2
            if bool(volts(np.array([middle]))[0] > threshold) == bool(above[place]):
                low = middle
            else:
                high = middle
        crossings.append(high)
    if bool(above[0]):
        crossings.insert(0, 0.0)
    return tuple(zip(crossings[::2], crossings[1::2], strict=False))


class Probe:
    """One channel. `signal_open` is what the board's pin reads after the last edge given."""

    def __init__(
        self,
        ohm: float,
        capacitor_uf: float,
        threshold: float,
        supply_mv: int,
        is_open: bool,
        *,
        contact: Contact = Contact(),
        coil: Coil | None = None,
        bridge_ohm: float = math.inf,
        sense: Sense = Sense(),
    ) -> None:
        #: All that hangs on the wire; two probes with equal circuits behave alike.
        self.circuit = (ohm, capacitor_uf, threshold, supply_mv, contact, coil, bridge_ohm, sense)
        self._ohm = ohm
        self._supply = supply_mv
        self._contact = contact
        self._coil = coil
        self._bridge = bridge_ohm
        self._sense = sense
        share = 1.0 if math.isinf(bridge_ohm) else bridge_ohm / (ohm + bridge_ohm)
        self._open_mv = supply_mv * share
        self._charging_s = ohm * share * capacitor_uf * 1e-6
        self.delay_s = self._charging_s * math.log(1.0 / (1.0 - threshold / share)) if threshold < share else math.inf
        self.fall_s = contact.below(ohm * threshold / (1.0 - threshold))
        self._pulses = () if coil is None else pulses(coil, ohm, capacitor_uf * 1e-6, contact.ohm, threshold)
        self._coming: list[Transition] = []
        self.signal_open = coil is None and (math.isfinite(self.delay_s) if is_open else math.isinf(self.fall_s))
        self._open = is_open
        self._since = -math.inf
        self._history: list[tuple[float, bool, float]] = []
        self._remember(-math.inf)

    def take_over(self, other: Probe, at_s: float) -> None:
        """The circuit was changed from `other` to this one at a time; the pin goes on from what it read."""
        self._open, self.signal_open = other._open, other.signal_open
        self._since = at_s

    def run(self, transitions: Iterable[Transition], end_s: float) -> list[Transition]:
        """Edges of the signal before `end_s` that follow from what the points did before `end_s`."""
        edges: list[Transition] = []
        self._history.clear()
        self._remember(-math.inf)
        for change in transitions:
            self._until(change.time_s, edges)
            self._open, self._since = change.is_open, change.time_s
            self._remember(change.time_s)
            if self._coil is not None:
                self._coming = []
                if change.is_open:
                    for up, down in self._pulses:
                        self._coming += [Transition(change.time_s + up, True), Transition(change.time_s + down, False)]
            if not change.is_open and self.fall_s == 0.0:
                self._signal(change.time_s, False, edges)
        self._until(end_s, edges)
        return edges

    def _remember(self, at_s: float) -> None:
        self._history.append((at_s, self._open, self._since))

    def _signal(self, at_s: float, is_open: bool, edges: list[Transition]) -> None:
        if self.signal_open is not is_open:
            self.signal_open = is_open
            edges.append(Transition(at_s, is_open))

    def _until(self, end_s: float, edges: list[Transition]) -> None:
        """What the circuit does by itself before a time."""
        if self._coil is not None:
            while self._coming and self._coming[0].time_s < end_s:
                edge = self._coming.pop(0)
                self._signal(edge.time_s, edge.is_open, edges)
            return
        at = self._since + (self.delay_s if self._open else self.fall_s)
        if at < end_s:
            self._signal(at, self._open, edges)

    def millivolts(self, time_s: float) -> int:
        """What the board reads of the voltage at a time within the last run; a coil's transient is taken as over."""
        _, is_open, since = next(entry for entry in reversed(self._history) if entry[0] <= time_s)
        passed = time_s - since
        across = self._bridge if self._coil is None else self._coil.ohm
        if not is_open:
            ohm = self._contact.at(passed)
            return self._sense.told(self._divided(ohm if math.isinf(across) else _parallel(ohm, across)))
        if self._coil is not None:
            return self._sense.told(self._divided(across))
        if self._charging_s == 0.0 or passed > 30.0 * self._charging_s:
            return self._sense.told(self._open_mv)
        return self._sense.told(self._open_mv * (1.0 - math.exp(-passed / self._charging_s)))

    def _divided(self, ohm: float) -> float:
        lead = self._sense.lead_ohm
        return self._supply * (ohm if self._sense.four_wire else ohm + lead) / (self._ohm + ohm + lead)


def _parallel(one: float, other: float) -> float:
    return one * other / (one + other) if one + other else 0.0
