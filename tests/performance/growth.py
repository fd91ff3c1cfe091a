"""How a figure grows along an axis: its points, the exponent of a power law through them, and words for it.

The exponent is the slope of the least-squares line through log y over log x. A fixed part (starting, opening a file) bends that line
at its lower end, so that the slope of the upper half of the points is told beside it, and rules the words.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from tests.performance.figures import Figure

#: An exponent this near to a whole or half one is called so.
NEAR = 0.1
#: A fixed part and a linear one are told where they meet every point so nearly.
MOST_WORST = 0.15


@dataclass(frozen=True, slots=True)
class Fit:
    """y ∝ x^exponent; `u_exponent` is the slope's standard error (0 with two points)."""

    exponent: float
    u_exponent: float


def fit(x: tuple[float, ...], y: tuple[float, ...]) -> Fit | None:
    """Power law through the points whose y is above zero; None for fewer than two of them."""
    kept = [(math.log(a), math.log(b)) for a, b in zip(x, y, strict=True) if a > 0 and b > 0]
    if len(kept) < 2:
        return None
    u, v = np.array(kept).T
    away = u - u.mean()
    squares = float(away @ away)
    slope = float(away @ v) / squares
    left = v - v.mean() - slope * away
    freedom = len(kept) - 2
    return Fit(slope, math.sqrt(float(left @ left) / freedom / squares) if freedom else 0.0)


@dataclass(frozen=True, slots=True)
class Line:
    """y = fixed + each·x, by least squares of relative residuals; `worst` is the greatest of them."""

    fixed: float
    each: float
    worst: float


def line(x: tuple[float, ...], y: tuple[float, ...]) -> Line | None:
    """A fixed part and one for each unit of x; None if that is no more than the points themselves, or makes no sense of them."""
    if len(x) < 4 or min(y) <= 0:
        return None
    above, at = np.array(y), np.array(x)
    columns = np.stack([1 / above, at / above], axis=1)
    (fixed, each), *_ = np.linalg.lstsq(columns, np.ones(len(x)), rcond=None)
    worst = float(np.abs(columns @ [fixed, each] - 1).max())
    return Line(float(fixed), float(each), worst) if fixed > 0 and each > 0 and worst <= MOST_WORST else None


def words(found: Fit) -> str:
    """What an exponent says."""
    exponent = found.exponent
    named = {
        0.0: "does not grow",
        1.0: "grows linearly",
        0.5: "grows as the square root",
        2.0: "grows as the square",
        -0.5: "falls as one over the square root",
        -1.0: "falls as one over it",
    }
    for value, text in named.items():
        if abs(exponent - value) <= NEAR:
            return text
    if abs(exponent) <= 2 * found.u_exponent:
        return "shows no growth beyond its scatter"
    if exponent < 0:
        return "falls"
    return "grows more slowly than linearly" if exponent < 1 else "grows faster than linearly"


@dataclass(frozen=True, slots=True)
class Curve:
    """One figure over the axis. `peer`: a peer or a limit, drawn in grey. `most_exponent`: the goal for its growth, if there is one."""

    name: str
    unit: str
    y: tuple[float, ...]
    peer: bool = False
    most_exponent: float | None = None


@dataclass(frozen=True, slots=True)
class Growth:
    """One axis: what is varied over it (`x_unit` in the singular), and its curves; those of one unit share a panel of the plot.

    `figures`: what was taken beside it.
    """

    axis: str
    x_unit: str
    x: tuple[float, ...]
    curves: tuple[Curve, ...]
    note: str = ""
    figures: tuple[Figure, ...] = field(default=())

    def __post_init__(self) -> None:
        if any(len(c.y) != len(self.x) for c in self.curves):
            raise ValueError(f"{self.axis}: each curve needs {len(self.x)} points")

    def whole_fit(self, curve: Curve) -> Fit | None:
        """Through all points."""
        return fit(self.x, curve.y)

    def upper_fit(self, curve: Curve) -> Fit | None:
        """Through the upper half of the points, at least three."""
        first = max(0, min(len(self.x) // 2, len(self.x) - 3))
        return fit(self.x[first:], curve.y[first:])

    def words(self, curve: Curve) -> str:
        """What a curve does at its upper end."""
        upper = self.upper_fit(curve)
        return "has too few points" if upper is None else words(upper)

    def sentence(self, curve: Curve) -> str:
        """What a curve does, by its fits."""
        whole, upper = self.whole_fit(curve), self.upper_fit(curve)
        if whole is None or upper is None:
            return f"{curve.name}: too few points."
        sure = f" ± {2 * whole.u_exponent:.2f}" if whole.u_exponent else ""
        told = (
            f"{curve.name}: {self.words(curve)} at the upper end (exponent {upper.exponent:.2f}; over the whole range "
            f"{whole.exponent:.2f}{sure})"
        )
        straight = line(self.x, curve.y)
        if straight is None or abs(whole.exponent) <= NEAR:
            return f"{told}."
        parts = f"a fixed {straight.fixed:.3g} {curve.unit} and {straight.each:.3g} {curve.unit} for each {self.x_unit}"
        return f"{told}; within {max(straight.worst, 0.01):.0%} it is {parts}."

    def goals(self) -> list[Figure]:
        """The figures taken beside it, then each curve's exponent at the upper end against its goal."""
        found = list(self.figures)
        for curve in self.curves:
            upper = self.upper_fit(curve)
            name = f"{curve.name}, exponent"
            if upper is None:
                found.append(Figure(name, None, "", most=curve.most_exponent, note="too few points"))
            elif not curve.peer:
                found.append(Figure(name, upper.exponent, "", most=curve.most_exponent, note=self.words(curve)))
        return found

    def document(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


def read_growth(document: dict[str, Any]) -> Growth:
    """The opposite of `Growth.document`."""
    curves = tuple(Curve(**{**c, "y": tuple(c["y"])}) for c in document["curves"])
    figures = tuple(Figure(**f) for f in document["figures"])
    return Growth(**{**document, "x": tuple(document["x"]), "curves": curves, "figures": figures})
