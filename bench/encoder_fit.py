"""Least squares behind the encoder's study: harmonics beside whatever else is unknown, and which of them the readings determine."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.encoder_map import Harmonic, basis
from bench.errors import InputError

#: An order is determined if at least this share of it, in any phase, is left when all other unknowns have had theirs.
LEAST_SHARE = 0.1


class EncoderStudyError(InputError):
    """Readings from which no map can be made."""

    code = "encoder-study"


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading: degrees from the index in the direction in which the count rises. Repeats share position and feature."""

    position: str
    feature: str
    angle_deg: float


@dataclass(frozen=True, slots=True)
class Fit:
    """What the least squares give. `other` are the other unknowns, `residual` of each mean reading; covariances degrees², all else degrees.

    `reading_sd` is of repeats (None without), `left` what the fit leaves beyond them at one place, each with its degrees of freedom.
    """

    harmonics: tuple[Harmonic, ...]
    covariance: NDArray[np.float64]
    other: NDArray[np.float64]
    other_covariance: NDArray[np.float64]
    freedom: float
    not_seen: tuple[int, ...]
    residual_sd: float
    residual_freedom: int
    reading_sd: float | None
    reading_freedom: int
    left: float
    left_freedom: float
    residual: NDArray[np.float64]

    def error_deg(self, angle_deg: float) -> float:
        """What the harmonics say at a place, degrees from the index."""
        at = math.radians(angle_deg)
        return math.fsum(
            h.cos_deg * math.cos(h.order * at) + h.sin_deg * math.sin(h.order * at) for h in self.harmonics
        )


@dataclass(frozen=True, slots=True)
class MeanReading:
    """A cell: the mean of the repeats of one feature in one clamping, and the sum of squares about it, degrees²."""

    position: str
    feature: str
    angle_deg: float
    repeats: int
    squares: float


def cells_of(readings: Sequence[Reading]) -> list[MeanReading]:
    """Readings gathered by clamping and feature, in the order in which they first appear."""
    grouped: dict[tuple[str, str], list[float]] = {}
    for reading in readings:
        grouped.setdefault((reading.position, reading.feature), []).append(reading.angle_deg)
    cells = []
    for (position, feature), angles in grouped.items():
        # About the first of them, so that repeats either side of the index are neighbours.
        about = [wrapped(a - angles[0]) for a in angles]
        mean = math.fsum(about) / len(about)
        cells.append(
            MeanReading(
                position, feature, (angles[0] + mean) % 360.0, len(angles), math.fsum((a - mean) ** 2 for a in about)
            )
        )
    return cells


def weighted_fit(
    cells: Sequence[MeanReading], rest: NDArray[np.float64], other: NDArray[np.float64], order: int, look_to: int
) -> Fit:
    """Weighted least squares of `rest` by the columns `other` and the orders up to `order` that are determined.

    `rest` is what each mean reading is off the rough angles, degrees, shape (cells,); `other` has the shape (cells, unknowns). Orders up to
    `look_to` are looked at for being determined. Raises EncoderStudyError where order 1 is not, or no degree of freedom is left.
    """
    weight = np.array([float(c.repeats) for c in cells])
    root = np.sqrt(weight)[:, None]
    angle = np.array([c.angle_deg for c in cells])
    columns = other * root
    orders: list[int] = []
    not_seen: list[int] = []
    for k in range(1, max(order, look_to) + 1):
        new = basis(angle, [k]) * root
        if _share_left(columns, new) < LEAST_SHARE:
            not_seen.append(k)
        elif k <= order:
            orders.append(k)
            columns = np.hstack((columns, new))
    if 1 not in orders:
        raise EncoderStudyError(
            "These readings do not tell how far the encoder is off-centre: clampings and features, or the reference's angles, lie too "
            "close together. Spread the clampings evenly over the turn."
        )
    freedom = len(cells) - columns.shape[1]
    if freedom < 1:
        raise EncoderStudyError(
            f"{len(cells)} different places were read and {columns.shape[1]} unknowns are looked for, so nothing is left to check them by. "
            "Read more, or ask for fewer harmonics."
        )
    target = rest * root[:, 0]
    solved = np.linalg.lstsq(columns, target, rcond=None)[0]
    residual = (target - columns @ solved) / root[:, 0]
    shape = np.linalg.pinv(columns.T @ columns)
    fitted = float(weight @ residual**2) / freedom
    repeats_freedom = int(weight.sum()) - len(cells)
    repeats = math.fsum(c.squares for c in cells) / repeats_freedom if repeats_freedom else None
    # Whichever scatter is the greater: a fit that by luck is closer than the repeats allow does not make the map surer.
    variance, known = (fitted, float(freedom))
    if repeats is not None and repeats > fitted:
        variance, known = repeats, float(repeats_freedom)
    per_cell = len(cells) / float((1 / weight).sum())
    left, left_freedom = _left(fitted, freedom, repeats, repeats_freedom, per_cell)
    n = other.shape[1]
    harmonics = tuple(Harmonic(k, float(solved[n + 2 * i]), float(solved[n + 2 * i + 1])) for i, k in enumerate(orders))
    return Fit(
        harmonics,
        shape[n:, n:] * variance,
        solved[:n],
        shape[:n, :n] * variance,
        known,
        tuple(not_seen),
        math.sqrt(fitted / per_cell),
        freedom,
        None if repeats is None else math.sqrt(repeats),
        repeats_freedom,
        left,
        left_freedom,
        residual,
    )


def _left(
    fitted: float, freedom: int, repeats: float | None, repeats_freedom: int, per_cell: float
) -> tuple[float, float]:
    """Standard deviation, at one place, of what the fit leaves beyond the repeats' scatter, and its degrees of freedom.

    (fitted - repeats) / repeats per cell as in an analysis of variance; not below zero, which on average makes it too large rather than
    too small. Without repeats the readings' own scatter is in it. Degrees of freedom of a difference: Satterthwaite 1946.
    """
    if repeats is None:
        return math.sqrt(fitted / per_cell), float(freedom)
    excess = fitted - repeats
    if excess <= 0:
        return 0.0, float(freedom)
    return math.sqrt(excess / per_cell), max(1.0, excess**2 / (fitted**2 / freedom + repeats**2 / repeats_freedom))


def _share_left(columns: NDArray[np.float64], new: NDArray[np.float64]) -> float:
    """Least share, 0 to 1, of a wave of any phase by `new` (its cosine and sine) that `columns` do not hold already.

    Of what a wave has on average over all phases, half the sum of squares of both: so one that is nil at all places is not seen either.
    """
    rest = new - columns @ np.linalg.lstsq(columns, new, rcond=None)[0]
    return 2.0 * float(np.linalg.eigvalsh(rest.T @ rest).min()) / float((new**2).sum())


def wrapped(angle_deg: float) -> float:
    """The same direction within ±180°."""
    return math.remainder(angle_deg, 360.0)
