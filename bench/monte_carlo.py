"""Coverage interval of a budget by propagation of distributions, where its shape matters.

Model: a sum of independent terms, each symmetric about zero, drawn by its shape; JCGM 101:2008 (6.4 shapes, 7 propagation,
7.7 probabilistically symmetric interval). Rectangular: half-width √3·u. Arcsine: amplitude √2·u. Known from scatter, with ν degrees
of freedom: t scaled by u (6.4.9.2), whose standard deviation is u√(ν/(ν-2)), not u, and none for ν ≤ 2. Normal where ν is infinite.

Deterministic: PCG64's raw bits, which numpy keeps for ever, turned into draws here (t by Bailey, Math. Comp. 62 (1994) 779:
√(ν(U^(-2/ν)-1))·cos πV, V from -1 to 1; its limit for infinite ν is the normal of Box and Muller). The seed is made of the terms'
shapes and degrees of freedom and not of their sizes: a change in the last digit of a size moves the interval by no more than that,
not to another set of draws.

Limits: the half-width scatters by a standard deviation of 0.25 % (t with ν = 2 dominating: 0.5 %); no correlation; terms that
enter the angle linearly.
"""

from __future__ import annotations

import functools
import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bench.uncertainty import Budget, Shape, Term

Floats = NDArray[np.float64]

DRAWS = 200_000
#: Drawn at a time, so that they stay in the processor's cache.
_BLOCK = 10_000
#: Degrees of freedom above which t is drawn as normal, as in student.py.
MANY = 1e7
#: Share of the variance from which one term's shape is the sum's.
DOMINANT = 0.5


@dataclass(frozen=True, slots=True)
class Propagated:
    """Interval value ± `half_width_deg` for `confidence`, and the standard deviation (None: a term has none)."""

    half_width_deg: float
    standard_deviation_deg: float | None
    confidence: float
    draws: int


def needed(budget: Budget) -> bool:
    """Does a rectangular or arcsine term make up more than half of the variance?

    Then k from t is too wide: the sum is not near normal (GUM G.6.5). A term from scatter that dominates is what
    Welch-Satterthwaite and t were made for.
    """
    return any(t.shape in (Shape.RECTANGULAR, Shape.ARCSINE) and budget.share(t) > DOMINANT for t in budget.terms)


def budget_of(terms: Sequence[Term], confidence: float) -> Budget:
    """The terms as a budget, its interval propagated where a bound rules it."""
    budget = Budget(tuple(terms), confidence)
    return replace(budget, propagated_deg=propagate(budget).half_width_deg) if needed(budget) else budget


def propagate(budget: Budget) -> Propagated:
    """The budget's interval for its confidence, from 200,000 draws. The same budget gives the same bits, in whatever order its terms."""
    rank = math.ceil(budget.confidence * DRAWS) - 1
    # All terms are symmetric about zero: the quantile of the sizes is the symmetric interval's half, from both tails at once.
    half_width = float(np.partition(np.abs(_errors(budget.terms, DRAWS)), rank)[rank])
    return Propagated(half_width, _standard_deviation(budget.terms), budget.confidence, DRAWS)


def probability_between(budget: Budget, low_deg: float, high_deg: float) -> float:
    """Probability that the error lies from `low_deg` to `high_deg`, by the same draws as `propagate`; JCGM 106:2012, 7.2."""
    errors = _errors(budget.terms, DRAWS)
    return float(np.count_nonzero((errors >= low_deg) & (errors <= high_deg))) / DRAWS


@functools.lru_cache(maxsize=4)
def _errors(given: tuple[Term, ...], draws: int) -> Floats:
    """Draws of the terms' sum, degrees, shape (draws,), not to be written to. Kept for a verdict's probability, which asks next."""
    terms = sorted(given, key=lambda t: (t.shape, t.freedom, t.contribution_deg))
    bounded = [t for t in terms if t.shape in (Shape.RECTANGULAR, Shape.ARCSINE)]
    scattered = [t for t in terms if _few(t)]
    normal = math.hypot(*(t.contribution_deg for t in terms if t not in bounded and t not in scattered))
    described = " ".join(f"{t.shape} {t.freedom:.6g}" for t in terms)
    source = np.random.PCG64(zlib.crc32(described.encode("ascii")))
    sums = np.empty(draws)
    for start in range(0, draws, _BLOCK):
        block = sums[start : start + _BLOCK]
        block[:] = _student(source, math.inf, normal) if normal else 0.0
        for term in scattered:
            block += _student(source, term.freedom, term.contribution_deg)
        for term in bounded:
            block += _bounded(source, term.shape, term.contribution_deg)
    return sums


def _few(term: Term) -> bool:
    """Is the term's size known from so few values that t is not normal?"""
    return term.shape in (Shape.NORMAL, Shape.T) and term.freedom <= MANY


def _standard_deviation(terms: Sequence[Term]) -> float | None:
    """Of the sum: variances of independent terms add, so no draws are needed."""
    total = 0.0
    for term in terms:
        variance = term.contribution_deg**2
        if _few(term):
            if term.freedom <= 2:
                return None
            variance *= term.freedom / (term.freedom - 2)
        total += variance
    return math.sqrt(total)


def _even(source: np.random.PCG64, size: float) -> Floats:
    """A block of draws spread evenly from -size to size, never 0: halves of raw words as signed odd numbers."""
    halves = source.random_raw(_BLOCK // 2).astype("<u8", copy=False).view("<i4")
    even: Floats = np.multiply(halves | 1, size * 2.0**-31, dtype=np.float64)
    return even


def _student(source: np.random.PCG64, freedom: float, size: float) -> Floats:
    """A block of t with `freedom` degrees of freedom, scaled by `size`; normal if infinite."""
    drawn = _even(source, 1.0)
    np.log(np.abs(drawn, out=drawn), out=drawn)
    if math.isinf(freedom):
        drawn *= -2.0
    else:
        drawn *= -2.0 / freedom
        # exp and not expm1, for speed: what is lost of t² is ν·10⁻¹⁶.
        np.exp(drawn, out=drawn)
        drawn -= 1.0
        drawn *= freedom
    np.sqrt(drawn, out=drawn)
    drawn *= _cosine(source, size)
    return drawn


def _cosine(source: np.random.PCG64, size: float) -> Floats:
    """A block of cosines of random phase, of amplitude `size`."""
    drawn = _even(source, math.pi)
    np.cos(drawn, out=drawn)
    drawn *= size
    return drawn


def _bounded(source: np.random.PCG64, shape: Shape, size: float) -> Floats:
    """A block of rectangular or arcsine draws of standard deviation `size`."""
    return _even(source, math.sqrt(3) * size) if shape is Shape.RECTANGULAR else _cosine(source, math.sqrt(2) * size)
