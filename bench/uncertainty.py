"""A budget: independent terms, combined by the law of propagation, with effective degrees of freedom.

JCGM 100:2008 (GUM): 5.1.2 combination, G.4 Welch–Satterthwaite, G.6.4 coverage factor. `freedom` math.inf stands for a term
whose standard uncertainty is taken as exactly known (G.4.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from bench import student


class Shape(StrEnum):
    """Distribution assigned to a term."""

    NORMAL = "normal"
    T = "t"
    RECTANGULAR = "rectangular"
    ARCSINE = "arcsine"


@dataclass(frozen=True, slots=True)
class Term:
    """One source: its standard uncertainty in its own unit, and the sensitivity of the angle to it."""

    source: str
    kind: str
    shape: Shape
    standard_uncertainty: float
    unit: str
    sensitivity: float
    freedom: float

    @property
    def contribution_deg(self) -> float:
        """Standard uncertainty of the angle from this term alone, degrees."""
        return abs(self.sensitivity) * self.standard_uncertainty


@dataclass(frozen=True, slots=True)
class Budget:
    """All terms of one angle, and what follows from them.

    `propagated_deg` is the half-width of the interval where it was found by propagation of distributions instead of by k from t.
    """

    terms: tuple[Term, ...]
    confidence: float
    propagated_deg: float | None = None

    @property
    def standard_uncertainty_deg(self) -> float:
        """Combined standard uncertainty, degrees."""
        return math.sqrt(math.fsum(t.contribution_deg**2 for t in self.terms))

    @property
    def freedom(self) -> float:
        """Effective degrees of freedom."""
        return welch_satterthwaite([(t.contribution_deg, t.freedom) for t in self.terms])

    @property
    def coverage_factor(self) -> float:
        """Factor k for the budget's confidence, from t with the effective degrees of freedom cut to a whole number, or as propagated."""
        u = self.standard_uncertainty_deg
        if self.propagated_deg is not None and u > 0:
            return self.propagated_deg / u
        return coverage_factor(self.freedom, self.confidence)

    @property
    def expanded_uncertainty_deg(self) -> float:
        """k times the combined standard uncertainty, degrees."""
        return self.coverage_factor * self.standard_uncertainty_deg

    def share(self, term: Term) -> float:
        """Part of the combined variance that comes from `term`, 0 to 1."""
        whole = self.standard_uncertainty_deg**2
        return term.contribution_deg**2 / whole if whole > 0 else 0.0


def welch_satterthwaite(contributions: Sequence[tuple[float, float]]) -> float:
    """Effective degrees of freedom of independent (standard uncertainty, degrees of freedom) pairs; GUM G.2b."""
    total = math.fsum(u * u for u, _ in contributions)
    below = math.fsum(u**4 / freedom for u, freedom in contributions if not math.isinf(freedom))
    return total * total / below if below > 0 else math.inf


def coverage_factor(freedom: float, confidence: float) -> float:
    """Two-sided coverage factor; degrees of freedom cut to the next lower whole number (GUM G.4.1), at least 1."""
    whole = freedom if math.isinf(freedom) else max(1.0, math.floor(freedom))
    return student.quantile(0.5 + confidence / 2, whole)


def rectangular(source: str, half_width: float, unit: str = "deg", sensitivity: float = 1.0) -> Term:
    """A type B term of which only bounds are known; GUM 4.3.7: u = a/√3."""
    return Term(source, "B", Shape.RECTANGULAR, half_width / math.sqrt(3), unit, sensitivity, math.inf)


def arcsine(source: str, amplitude: float, unit: str = "deg", sensitivity: float = 1.0) -> Term:
    """A type B term that is a sine of unknown phase; u = a/√2."""
    return Term(source, "B", Shape.ARCSINE, amplitude / math.sqrt(2), unit, sensitivity, math.inf)


def type_a(source: str, standard_uncertainty_deg: float, freedom: float) -> Term:
    """A type A term from scatter."""
    return Term(source, "A", Shape.T, standard_uncertainty_deg, "deg", 1.0, freedom)
