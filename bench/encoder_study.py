"""How an encoder's own error is found from readings: by clamping it anew, or against a reference.

By re-clampings (a *characterization*). Features fixed to the shaft (each lobe's opening) are read in N clampings, the encoder turned by
360/N against the shaft each time. Reading of feature i in clamping j, counted from the encoder's index:

    y = φᵢ + αⱼ + δ(y) + e        δ(ψ) = Σ aₖ cos kψ + bₖ sin kψ

with φ, α, a and b unknown together, by least squares. Neither the features' angles nor the clampings' need to be known; both are counted
round a whole circle, which is the closure (Estler, J. Res. NIST 103 (1998) 141). What goes with the shaft and not with the disc
stays in φ. Averaged over N even clampings every order of δ but multiples of N drops out of φ; multiples of N are taken for the
features' own. Likewise, orders that are multiples of n cannot be told from α where n features are evenly spaced.

Against a reference (a *calibration*): φ is known but for a constant, y = φ + α + δ(y) + e.

The scatter has two parts: of repeats in a cell (one feature, one clamping), and what the cells' means leave beyond that: orders not fitted,
and what differs from clamping to clamping.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bench.encoder_fit import EncoderStudyError, Fit, MeanReading, Reading, cells_of, weighted_fit, wrapped
from bench.encoder_map import Harmonic

#: Off-centre is order 1, a disc out of square or oval order 2; what is beyond is the division itself and needs many features to be told.
DEFAULT_ORDER = 2
FEWEST_POSITIONS = 3
#: Clampings put features on the same sectors of the disc if they come this near, degrees.
_SAME_SECTOR_DEG = 5.0
#: Readings further from what the features' and clampings' angles say are slips, degrees; eccentricity alone reaches 1° at 0.35 mm on 20 mm.
_WILD_DEG = 5.0
_NOISE_DEG = 1e-9


@dataclass(frozen=True, slots=True)
class ReferenceReading:
    """One reading at a known angle; both in degrees in the direction in which the count rises, `angle_deg` from the index."""

    reference_deg: float
    angle_deg: float


@dataclass(frozen=True, slots=True)
class Feature:
    """A feature's angle on the shaft past the first one, 0 up to 360, and its standard uncertainty, degrees."""

    name: str
    angle_deg: float
    u_deg: float


@dataclass(frozen=True, slots=True)
class Position:
    """How far round a clamping had the encoder, past the first one, degrees."""

    name: str
    angle_deg: float


@dataclass(frozen=True, slots=True)
class Interval:
    """From one feature to the next, averaged over the clampings, and its standard uncertainty; degrees."""

    first: str
    second: str
    angle_deg: float
    u_deg: float


@dataclass(frozen=True, slots=True)
class Closure:
    """One sector of the disc that every interval between neighbouring features was read on: their sum must be 360°.

    `excess_deg` is by how much it is not; a share of it is the sector's own error. `mapped_deg` is the same error by the map.
    """

    from_deg: float
    to_deg: float
    excess_deg: float
    sector_error_deg: float
    sector_u_deg: float
    mapped_deg: float
    interval_u_deg: float


@dataclass(frozen=True, slots=True)
class EncoderStudy:
    """What the readings say. Covariance is of (a, b) of the harmonics in order, degrees²; other figures in degrees.

    `reading_sd_deg` is of repeats in a cell (None without any), `left_deg` what the fit leaves beyond their mean's, at one place.
    """

    positions: tuple[Position, ...]
    features: tuple[Feature, ...]
    intervals: tuple[Interval, ...]
    closures: tuple[Closure, ...]
    harmonics: tuple[Harmonic, ...]
    covariance_deg2: NDArray[np.float64]
    freedom: float
    not_seen: tuple[int, ...]
    readings: int
    residual_sd_deg: float
    residual_freedom: int
    reading_sd_deg: float | None
    reading_freedom: int
    left_deg: float
    left_freedom: float
    #: Of each cell: place on the disc, what the map says there, and the mean reading's error; for the picture.
    cells: tuple[Cell, ...]

    @property
    def separate(self) -> bool:
        """True if the readings' own scatter could be told from what the map leaves."""
        return self.reading_sd_deg is not None

    def u_harmonic_deg(self, place: int) -> float:
        """Standard uncertainty of an amplitude, along its own phase, from the covariance; degrees."""
        harmonic, block = (
            self.harmonics[place],
            self.covariance_deg2[2 * place : 2 * place + 2, 2 * place : 2 * place + 2],
        )
        size = harmonic.amplitude_deg
        along = (1.0, 0.0) if size < _NOISE_DEG else (harmonic.cos_deg / size, harmonic.sin_deg / size)
        return math.sqrt(max(0.0, float(np.array(along) @ block @ np.array(along))))


@dataclass(frozen=True, slots=True)
class Cell:
    """Mean of the repeats of one feature in one clamping."""

    position: str
    feature: str
    angle_deg: float
    repeats: int
    error_deg: float


@dataclass(frozen=True, slots=True)
class Closed:
    """Intervals of a circle after closure, what they were compared with, and standard uncertainties; degrees."""

    interval_deg: tuple[float, ...]
    sector_error_deg: float
    sector_u_deg: float
    interval_u_deg: float


def close_circle(read_deg: Sequence[float], u_deg: float) -> Closed:
    """All n intervals of a circle, each read on one and the same sector, put right so that they sum to 360°.

    Each reading is its interval plus the sector's unknown error, so that the sum tells that error: (Σ - 360)/n with u/√n, and an
    interval has u √((n - 1)/n) (Estler, J. Res. NIST 103 (1998) 141). `u_deg` is of one reading, independent.
    """
    n = len(read_deg)
    error = (math.fsum(read_deg) - 360.0) / n
    return Closed(tuple(r - error for r in read_deg), error, u_deg / math.sqrt(n), u_deg * math.sqrt((n - 1) / n))


def characterize(readings: Sequence[Reading], order: int = DEFAULT_ORDER) -> EncoderStudy:
    """Features, clampings and harmonics up to `order` together. Raises EncoderStudyError where the readings do not tell order 1."""
    cells = cells_of(readings)
    positions = tuple(dict.fromkeys(c.position for c in cells))
    features = tuple(dict.fromkeys(c.feature for c in cells))
    if len(positions) < FEWEST_POSITIONS:
        raise EncoderStudyError(
            f"The encoder was read in {len(positions)} clampings; at least {FEWEST_POSITIONS} are needed to tell its error."
        )
    turned, at = _rough(cells, positions, features)
    rest = np.array([wrapped(c.angle_deg - turned[c.position] - at[c.feature]) for c in cells])
    off = int(np.abs(rest).argmax())
    if abs(rest[off]) > _WILD_DEG:
        raise EncoderStudyError(
            f"Feature {cells[off].feature} in clamping {cells[off].position} was read {rest[off]:+.2f}° from where the other readings "
            "have it. Look for features named otherwise in one clamping, or read it again."
        )
    known = np.zeros((len(cells), len(positions) + len(features) - 1))
    for row, cell in enumerate(cells):
        known[row, positions.index(cell.position)] = 1.0
        if feature := features.index(cell.feature):
            known[row, len(positions) + feature - 1] = 1.0
    fit = weighted_fit(cells, rest, known, order, 2 * len(positions))
    solved = fit.other
    first = at[features[0]]
    found = [
        Feature(
            name,
            float((at[name] - first + (solved[len(positions) + i - 1] if i else 0.0)) % 360.0),
            math.sqrt(fit.other_covariance[len(positions) + i - 1, len(positions) + i - 1]) if i else 0.0,
        )
        for i, name in enumerate(features)
    ]
    found.sort(key=lambda f: f.angle_deg)
    start = turned[positions[0]] + solved[0]
    clamped = tuple(Position(p, float((turned[p] + solved[j] - start) % 360.0)) for j, p in enumerate(positions))
    intervals = _intervals(found, features, len(positions), fit.other_covariance)
    closures = _closures(cells, [f.name for f in found], fit)
    return _study(readings, cells, fit, clamped, tuple(found), intervals, closures)


def calibrate(readings: Sequence[ReferenceReading], order: int = DEFAULT_ORDER) -> EncoderStudy:
    """Harmonics up to `order` against known angles, at least five of them. Raises EncoderStudyError where order 1 is not told."""
    names = {r.reference_deg: f"{r.reference_deg:g}°" for r in readings}
    cells = cells_of([Reading("reference", names[r.reference_deg], r.angle_deg) for r in readings])
    if len(cells) < 5:
        raise EncoderStudyError(
            f"Readings at {len(cells)} angles of the reference; at least 5 around the turn are needed."
        )
    angles = {name: value for value, name in names.items()}
    apart = np.array([c.angle_deg - angles[c.feature] for c in cells])
    middle = _mean_direction(apart.tolist())
    rest = np.array([wrapped(a - middle) for a in apart])
    off = int(np.abs(rest).argmax())
    if abs(rest[off]) > _WILD_DEG:
        raise EncoderStudyError(
            f"At the reference's {cells[off].feature} the reading is {rest[off]:+.2f}° from where the others have it. Look for a slip "
            "of the pen, or for angles that count the other way."
        )
    # Evenly spaced angles tell orders below half their number; the half itself is the first that is not told.
    fit = weighted_fit(cells, rest, np.ones((len(cells), 1)), order, len(cells) // 2)
    return _study(readings, cells, fit, (), (), (), ())


def _rough(
    cells: Sequence[MeanReading], positions: Sequence[str], features: Sequence[str]
) -> tuple[dict[str, float], dict[str, float]]:
    """Angles of clampings (the first is 0) and of features, to within what the encoder errs; degrees.

    Spreads from the first clamping over shared features. Raises EncoderStudyError if some share none.
    """
    read = {(c.position, c.feature): c.angle_deg for c in cells}
    turned = {positions[0]: 0.0}
    at: dict[str, float] = {}
    while True:
        before = (len(turned), len(at))
        for f in features:
            found = [read[p, f] - turned[p] for p in turned if (p, f) in read]
            if f not in at and found:
                at[f] = _mean_direction(found)
        for p in positions:
            found = [read[p, f] - at[f] for f in at if (p, f) in read]
            if p not in turned and found:
                turned[p] = _mean_direction(found)
        if (len(turned), len(at)) == before:
            break
    if len(turned) < len(positions) or len(at) < len(features):
        raise EncoderStudyError(
            "Some clampings have no feature in common with the others, so that they cannot be joined."
        )
    # Once more over all clampings, so that no feature hangs on the first alone.
    for f in features:
        at[f] = _mean_direction([read[p, f] - turned[p] for p in positions if (p, f) in read])
    return turned, at


def _intervals(
    found: Sequence[Feature], features: Sequence[str], positions: int, covariance: NDArray[np.float64]
) -> tuple[Interval, ...]:
    if len(found) < 2:
        return ()
    intervals = []
    for one, two in pairwise([*found, found[0]]):
        g = np.zeros(len(covariance))
        for feature, sign in ((one, -1.0), (two, 1.0)):
            if at := features.index(feature.name):
                g[positions + at - 1] += sign
        width = float((two.angle_deg - one.angle_deg) % 360.0)
        intervals.append(Interval(one.name, two.name, width, math.sqrt(max(0.0, float(g @ covariance @ g)))))
    return tuple(intervals)


def _closures(cells: Sequence[MeanReading], names: Sequence[str], fit: Fit) -> tuple[Closure, ...]:
    """Sectors of the disc on which every interval between neighbours was read, each in another clamping."""
    n = len(names)
    read = {(c.position, c.feature): c for c in cells}
    sectors: list[tuple[float, float, dict[str, tuple[MeanReading, MeanReading]]]] = []
    for position in dict.fromkeys(c.position for c in cells):
        for one, two in zip(names, [*names[1:], names[0]]):
            pair = (read.get((position, one)), read.get((position, two)))
            if n < 2 or pair[0] is None or pair[1] is None:
                continue
            begin, end = pair[0].angle_deg, pair[1].angle_deg
            for low, high, members in sectors:
                if abs(wrapped(begin - low)) < _SAME_SECTOR_DEG and abs(wrapped(end - high)) < _SAME_SECTOR_DEG:
                    members.setdefault(one, (pair[0], pair[1]))
                    break
            else:
                sectors.append((begin, end, {one: (pair[0], pair[1])}))
    found = []
    for low, high, members in sectors:
        if len(members) < n:
            continue
        widths = [(b.angle_deg - a.angle_deg) % 360.0 for a, b in members.values()]
        u = fit.residual_sd * math.sqrt(2)
        closed = close_circle(widths, u)
        errors = [fit.error_deg(b.angle_deg) - fit.error_deg(a.angle_deg) for a, b in members.values()]
        found.append(
            Closure(
                low,
                high,
                math.fsum(widths) - 360.0,
                closed.sector_error_deg,
                closed.sector_u_deg,
                math.fsum(errors) / n,
                closed.interval_u_deg,
            )
        )
    return tuple(sorted(found, key=lambda c: c.from_deg))


def _study(
    readings: Sequence[Reading] | Sequence[ReferenceReading],
    cells: Sequence[MeanReading],
    fit: Fit,
    positions: tuple[Position, ...],
    features: tuple[Feature, ...],
    intervals: tuple[Interval, ...],
    closures: tuple[Closure, ...],
) -> EncoderStudy:
    return EncoderStudy(
        positions,
        features,
        intervals,
        closures,
        fit.harmonics,
        fit.covariance,
        fit.freedom,
        fit.not_seen,
        len(readings),
        fit.residual_sd,
        fit.residual_freedom,
        fit.reading_sd,
        fit.reading_freedom,
        fit.left,
        fit.left_freedom,
        tuple(
            Cell(c.position, c.feature, c.angle_deg, c.repeats, fit.error_deg(c.angle_deg) + float(r))
            for c, r in zip(cells, fit.residual, strict=True)
        ),
    )


def _mean_direction(angles_deg: Sequence[float]) -> float:
    about = [wrapped(a - angles_deg[0]) for a in angles_deg]
    return angles_deg[0] + math.fsum(about) / len(about)
