"""A physical figure in a scenario: a number, or a draw that is resolved from the seed.

Each draw has a random stream of its own, made from the seed and the figure's name, so that adding, removing or renaming
one figure never changes another.
"""

from __future__ import annotations

import math
from binascii import crc32
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import PlainValidator

Kind = Literal["fixed", "uniform", "normal", "choice"]
_FORMS = "a number, {uniform = [low, high]}, {normal = [mean, sd]} or {choice = [a, b, …]}"
_MOST_TRIES = 1000


def stream(seed: int, name: str) -> np.random.Generator:
    """The random stream called `name` under `seed`: a child of numpy's SeedSequence keyed by the name."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(crc32(name.encode()),)))


@dataclass(frozen=True, slots=True)
class Figure:
    """What a scenario states for one figure. A result always lies within `low` to `high`."""

    kind: Kind
    values: tuple[float, ...]
    low: float = -math.inf
    high: float = math.inf

    @property
    def least(self) -> float:
        """No result lies below; of a normal draw hardly any, four standard deviations from the mean."""
        if self.kind == "normal":
            return max(self.low, self.values[0] - 4 * self.values[1])
        return min(self.values)

    @property
    def most(self) -> float:
        """No result lies above; of a normal draw hardly any, four standard deviations from the mean."""
        if self.kind == "normal":
            return min(self.high, self.values[0] + 4 * self.values[1])
        return max(self.values)

    def resolve(self, rng: np.random.Generator) -> float:
        """One value. A normal draw beyond the bounds is drawn anew. Raises ValueError if it hardly ever is within."""
        if self.kind == "fixed":
            return self.values[0]
        if self.kind == "uniform":
            return float(rng.uniform(self.values[0], self.values[1]))
        if self.kind == "choice":
            return self.values[int(rng.integers(len(self.values)))]
        for _ in range(_MOST_TRIES):
            value = float(rng.normal(self.values[0], self.values[1]))
            if self.low <= value <= self.high:
                return value
        raise ValueError(f"a normal draw that falls between {self.low:g} and {self.high:g} now and then was expected")


def fixed(value: float) -> Figure:
    """A plain number as a figure."""
    return Figure("fixed", (float(value),))


def uniform(low: float, high: float) -> Figure:
    """A uniform draw as a figure."""
    return Figure("uniform", (float(low), float(high)))


def between(low: float, high: float) -> PlainValidator:
    """Pydantic validator for a figure whose value must lie from `low` to `high`."""
    return PlainValidator(_reader(low, high))


def _reader(low: float, high: float) -> Callable[[object], Figure]:
    def read(raw: object) -> Figure:
        if isinstance(raw, Figure):
            return raw
        kind, values = _parts(raw)
        if kind == "normal":
            if not 0 <= values[1] <= high - low:
                raise ValueError(f"normal: a standard deviation of 0 to {high - low:g} was expected")
            if not low <= values[0] <= high:
                raise ValueError(f"normal: a mean of {low:g} to {high:g} was expected")
        elif not all(low <= v <= high for v in values):
            raise ValueError(f"{low:g} to {high:g} was expected")
        return Figure(kind, values, low, high)

    return read


def _parts(raw: object) -> tuple[Kind, tuple[float, ...]]:
    if _is_number(raw):
        return "fixed", (_number(raw),)
    if not isinstance(raw, dict) or len(raw) != 1:
        raise ValueError(f"{_FORMS} was expected")
    ((name, given),) = raw.items()
    if name not in ("uniform", "normal", "choice") or not isinstance(given, list) or not all(map(_is_number, given)):
        raise ValueError(f"{_FORMS} was expected")
    values = tuple(_number(v) for v in given)
    if name == "choice":
        if not values:
            raise ValueError("choice: at least one number was expected")
        return "choice", values
    if len(values) != 2:
        raise ValueError(f"{name}: two numbers were expected")
    if name == "uniform":
        if values[0] > values[1]:
            raise ValueError("uniform: the lower number comes first")
        return "uniform", values
    return "normal", values


def _is_number(raw: object) -> bool:
    return isinstance(raw, (int, float)) and not isinstance(raw, bool)


def _number(raw: object) -> float:
    if not isinstance(raw, (int, float)):
        raise ValueError(f"{_FORMS} was expected")
    try:
        value = float(raw)
    except OverflowError:
        raise ValueError("a number of possible size was expected") from None
    if not math.isfinite(value):
        raise ValueError(f"a finite number was expected, not {value}")
    return value


class Draws:
    """Resolves figures by name for one seed and remembers what came out."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self.resolved: dict[str, float] = {}

    def take(self, name: str, figure: Figure) -> float:
        """The figure called `name`; the same each time it is asked for."""
        if name not in self.resolved:
            self.resolved[name] = figure.resolve(stream(self._seed, name))
        return self.resolved[name]

    def stream(self, name: str) -> np.random.Generator:
        """A stream for what happens while the simulation runs."""
        return stream(self._seed, f"run.{name}")
