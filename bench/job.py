"""What is to be measured: the unit, its breakers, and the limits that the user took from the manual."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum


class Rotation(StrEnum):
    """Running direction, seen from the drive end."""

    CLOCKWISE = "clockwise"
    COUNTERCLOCKWISE = "counterclockwise"

    @property
    def other(self) -> Rotation:
        """The opposite direction."""
        return Rotation.COUNTERCLOCKWISE if self is Rotation.CLOCKWISE else Rotation.CLOCKWISE


class Cam(StrEnum):
    """How the points are worked: by a cam on the rotating magnet, or by a geared one with a lobe for each cylinder."""

    PLAIN = "plain"
    COMPENSATED = "compensated"


class ReferenceKind(StrEnum):
    """What a breaker's angle counts from."""

    NEUTRAL = "neutral"
    MARK = "mark"
    TARGET = "target"
    OPENING = "opening"


@dataclass(frozen=True, slots=True)
class Reference:
    """Zero of a breaker's angle; `breaker` is named for another breaker's target or measured opening."""

    kind: ReferenceKind
    breaker: str | None = None

    def __str__(self) -> str:
        if self.kind is ReferenceKind.TARGET:
            return f"{self.breaker}.target"
        if self.kind is ReferenceKind.OPENING:
            return str(self.breaker)
        return self.kind.value


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A target and its limits, degrees in the running direction; `minus_deg` and `plus_deg` are not negative."""

    target_deg: float
    minus_deg: float
    plus_deg: float

    @property
    def lower_deg(self) -> float:
        """Lower limit."""
        return self.target_deg - self.minus_deg

    @property
    def upper_deg(self) -> float:
        """Upper limit."""
        return self.target_deg + self.plus_deg

    @property
    def width_deg(self) -> float:
        """Distance between the limits."""
        return self.minus_deg + self.plus_deg


@dataclass(frozen=True, slots=True)
class Breaker:
    """One set of points. `limited_lobes` None means that every lobe is limited.

    `offsets_deg` holds what each lobe of a compensated cam opens later than the target, degrees of the rotating magnet; empty
    for a plain cam, and where the user states none.
    """

    name: str
    channel: int
    reference: Reference
    tolerance: Tolerance | None
    limited_lobes: tuple[int, ...] | None
    capacitor_uf: float | None
    offsets_deg: tuple[float, ...] = ()

    def offset_deg(self, lobe: int) -> float:
        """What `lobe` is to open later than the target, degrees."""
        return self.offsets_deg[lobe] if self.offsets_deg else 0.0

    def expected(self, lobe: int) -> Tolerance | None:
        """Target and limits as they would be for `lobe`, limited or not; None without a target."""
        if self.tolerance is None:
            return None
        return replace(self.tolerance, target_deg=self.tolerance.target_deg + self.offset_deg(lobe))

    def limits(self, lobe: int) -> Tolerance | None:
        """Tolerance that `lobe` has to meet, or None."""
        if self.limited_lobes is not None and lobe not in self.limited_lobes:
            return None
        return self.expected(lobe)


@dataclass(frozen=True, slots=True)
class Difference:
    """Signed distance from the first breaker's opening to the second's, in the running direction."""

    first: str
    second: str
    tolerance: Tolerance


@dataclass(frozen=True, slots=True)
class Unit:
    """The magneto on the bench."""

    part_number: str
    serial_number: str
    rotation: Rotation
    poles: int
    impulse_coupling: str
    cam: Cam = Cam.PLAIN
    cylinders: int | None = None

    @property
    def lobe_spacing_deg(self) -> float:
        """Rotor angle between two neutrals, and between two openings, but for a compensated cam's offsets.

        A compensated cam turns once while the magnet turns cylinders / poles times, and has one lobe per cylinder.
        """
        return 360.0 / self.poles

    @property
    def lobes(self) -> int:
        """Lobes of the cam: of a plain one as many as poles, of a compensated one as many as cylinders."""
        return self.cylinders if self.cam is Cam.COMPENSATED and self.cylinders is not None else self.poles

    @property
    def magnet_turns_per_cam_turn(self) -> float:
        """Turns of the rotating magnet after which the lobes come round again."""
        return self.lobes / self.poles


@dataclass(frozen=True, slots=True)
class Limits:
    """Where the figures come from: the user's manual and its revision."""

    reference: str
    revision: str


@dataclass(frozen=True, slots=True)
class Job:
    """Everything that the user stated about this measurement."""

    unit: Unit
    limits: Limits | None
    breakers: tuple[Breaker, ...]
    differences: tuple[Difference, ...]

    def breaker(self, name: str) -> Breaker:
        """The breaker called `name`; KeyError if there is none."""
        for breaker in self.breakers:
            if breaker.name == name:
                return breaker
        raise KeyError(name)

    @property
    def needs_lobe_mark(self) -> bool:
        """True if the lobes have to be named by the user's No. 1 mark."""
        return self.unit.cam is Cam.COMPENSATED

    @property
    def needs_mark(self) -> bool:
        """True if an angle counts from the manual's own angle mark."""
        return any(b.reference.kind is ReferenceKind.MARK for b in self.breakers)

    @property
    def needs_neutral(self) -> bool:
        """True if an angle counts from neutral, directly or through another breaker's target."""
        return any(self._root(b.reference) is ReferenceKind.NEUTRAL for b in self.breakers)

    def _root(self, reference: Reference) -> ReferenceKind:
        while reference.kind is ReferenceKind.TARGET and reference.breaker is not None:
            reference = self.breaker(reference.breaker).reference
        return reference.kind
