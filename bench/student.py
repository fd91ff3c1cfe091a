"""Student's t distribution: distribution function and quantile.

F(t) = 1 - I_x(ν/2, 1/2)/2 with x = ν/(ν + t²), t ≥ 0, and I the regularised incomplete beta function (Abramowitz & Stegun
26.5.27, 26.7.1), by its continued fraction (26.5.8, modified Lentz).
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

_TINY = 1e-300


def incomplete_beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b), a and b positive; 0 below x = 0, 1 above x = 1."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    if x > (a + 1) / (a + b + 2):
        return 1.0 - incomplete_beta(b, a, 1.0 - x)
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1)
    d = 1.0 / (d if abs(d) > _TINY else _TINY)
    value = d
    for m in range(1, 500):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + numerator * d
            d = 1.0 / (d if abs(d) > _TINY else _TINY)
            c = 1.0 + numerator / c
            c = c if abs(c) > _TINY else _TINY
            value *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return front * value / a


def distribution(t: float, freedom: float) -> float:
    """Probability that a t-distributed quantity is at most `t`. `freedom` may be infinite and need not be whole."""
    if math.isinf(freedom) or freedom > 1e7:
        return NormalDist().cdf(t)
    tail = incomplete_beta(freedom / 2, 0.5, freedom / (freedom + t * t)) / 2
    return 1.0 - tail if t >= 0 else tail


@lru_cache(maxsize=1024)
def quantile(probability: float, freedom: float) -> float:
    """The t below which `probability` (between 0 and 1, exclusive) lies."""
    if math.isinf(freedom) or freedom > 1e7:
        return NormalDist().inv_cdf(probability)
    if probability < 0.5:
        return -quantile(1.0 - probability, freedom)
    low, high = 0.0, 2.0
    while distribution(high, freedom) < probability:
        low, high = high, 2.0 * high
    for _ in range(200):
        middle = (low + high) / 2
        if distribution(middle, freedom) < probability:
            low = middle
        else:
            high = middle
        if high - low <= 1e-14 * high:
            break
    return (low + high) / 2
