"""A rotor that is held while the points are set: since when, how far it crept, and what the points did meanwhile."""

from __future__ import annotations

from dataclasses import dataclass, field

#: The rotor counts as held once it has stood so long.
STANDS_AFTER_S = 2.0
#: Moving by more than this ends the holding; what is less is creep while somebody tightens, degrees.
CREEP_DEG = 1.0
#: While it is to begin, it stays within this, degrees.
STEADY_DEG = 0.15


@dataclass(frozen=True, slots=True)
class HeldChange:
    """The points of `channel` opened or closed while the rotor stood at `count`: so the points moved, not the rotor."""

    tick: int
    count: int
    opened: bool


@dataclass(slots=True)
class Holding:
    """Tell it where the rotor is and what the probes do; `counts_per_turn` and `tick_hz` are the board's."""

    counts_per_turn: int
    tick_hz: int
    #: How often the rotor has been held so far: openings with the same number belong to one setting.
    number: int = 0
    #: Count at which the holding began; None while the rotor is not held.
    at_count: int | None = None
    #: The last change of each channel during this holding.
    changes: dict[int, HeldChange] = field(default_factory=dict)
    count: int = 0
    _anchor: tuple[int, int] | None = None

    def position(self, tick: int, count: int) -> None:
        """Where the rotor is."""
        self.count = count
        per_deg = self.counts_per_turn / 360
        if self.at_count is not None:
            if abs(count - self.at_count) > CREEP_DEG * per_deg:
                self.at_count, self._anchor = None, (tick, count)
                self.changes.clear()
            return
        if self._anchor is None or abs(count - self._anchor[1]) > max(STEADY_DEG * per_deg, 1):
            self._anchor = tick, count
        elif tick - self._anchor[0] >= STANDS_AFTER_S * self.tick_hz:
            self.at_count, self.number = count, self.number + 1

    def edge(self, channel: int, tick: int, count: int, opened: bool) -> None:
        """A probe's edge."""
        if self.at_count is not None:
            self.changes[channel] = HeldChange(tick, count, opened)

    def cut(self) -> None:
        """What happened lately is not known."""
        self.at_count = self._anchor = None
        self.changes.clear()

    @property
    def crept_counts(self) -> int:
        """How far the rotor has crept since it was held, counts."""
        return 0 if self.at_count is None else self.count - self.at_count
