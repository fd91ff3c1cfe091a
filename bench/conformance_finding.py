"""What a conformance run concludes: one finding for each thing checked."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Status(StrEnum):
    """How a check ended."""

    PASS = "pass"
    ATTENTION = "attention"
    FAIL = "fail"
    NOT_TRIED = "not tried"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure behind a finding; the name carries the unit. None: it could not be worked out."""

    name: str
    value: float | int | str | None


@dataclass(frozen=True, slots=True)
class Finding:
    """What was checked, what was seen, how it ended, and what to do about it ("" if nothing)."""

    code: str
    checked: str
    status: Status
    seen: str
    advice: str = ""
    figures: tuple[Figure, ...] = ()


@dataclass(frozen=True, slots=True)
class Check:
    """A check under way, from which its finding is made."""

    code: str
    checked: str

    def passed(self, seen: str, known: tuple[Figure, ...] = ()) -> Finding:
        """It is as it should be."""
        return Finding(self.code, self.checked, Status.PASS, seen, "", known)

    def doubted(self, seen: str, advice: str, known: tuple[Figure, ...] = ()) -> Finding:
        """It can be worked with, but ought to be looked at."""
        return Finding(self.code, self.checked, Status.ATTENTION, seen, advice, known)

    def failed(self, seen: str, advice: str, known: tuple[Figure, ...] = ()) -> Finding:
        """It is not as PROTOCOL.md or the measurement asks for."""
        return Finding(self.code, self.checked, Status.FAIL, seen, advice, known)

    def not_tried(self, seen: str, advice: str = "", known: tuple[Figure, ...] = ()) -> Finding:
        """What came does not tell."""
        return Finding(self.code, self.checked, Status.NOT_TRIED, seen, advice, known)


def figures(**values: float | int | str | None) -> tuple[Figure, ...]:
    """Figures by name; real numbers rounded to a millionth, as in all documents of this program."""
    return tuple(Figure(name, round(value, 6) if isinstance(value, float) else value) for name, value in values.items())


def counted(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"
