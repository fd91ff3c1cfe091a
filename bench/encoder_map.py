"""The encoder's map: by how much a reading is off, over the place on the disc, and how well that is known.

Model: what is read, counted from the index in the direction in which the count rises, is the true angle plus
δ(ψ) = Σ aₖ cos kψ + bₖ sin kψ, ψ itself as read (δ is small: taking ψ as read instead of as true changes it in second order).
A constant part of δ has no meaning, since every angle is a difference of two readings. `encoder_study` finds a and b with
their covariance; here they are kept in a file, checked against the encoder in use, and put to use.

The file belongs to one encoder, held and coupled as it was: what goes with the disc is in it. How far the shaft end runs out, and
what differs from one clamping to the next, is not.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, model_validator

from bench.errors import BenchError, InputError
from bench.files import printable, read_bytes, validated
from bench.uncertainty import Shape, Term, arcsine

#: More would be noise: a disc that errs faster than this over the turn is not helped by a map.
MOST_ORDER = 60


class EncoderMapFileError(InputError):
    """The file of an encoder map is missing, unreadable, or says something impossible."""

    code = "encoder-map-file"


class EncoderMapRefused(BenchError):
    """A map that may not be used here; `code` says why."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code


@dataclass(frozen=True, slots=True)
class Harmonic:
    """aₖ cos kψ + bₖ sin kψ, degrees; `order` is k."""

    order: int
    cos_deg: float
    sin_deg: float

    @property
    def amplitude_deg(self) -> float:
        """√(a² + b²)."""
        return math.hypot(self.cos_deg, self.sin_deg)

    @property
    def phase_deg(self) -> float:
        """Place of the first crest from the index, degrees, 0 up to 360/order."""
        return math.degrees(math.atan2(self.sin_deg, self.cos_deg)) % 360.0 / self.order


@dataclass(frozen=True, slots=True)
class Certificate:
    """What a calibration rests on: the reference's certificate, and the standard uncertainty of one of its angles, degrees."""

    text: str
    standard_uncertainty_deg: float


@dataclass(frozen=True, slots=True)
class EncoderMap:
    """One encoder's map.

    `covariance_deg2` is that of (a, b) of all harmonics in their order, with `freedom` degrees of freedom. `left_deg` is the
    standard deviation, at one place in one clamping, of what the harmonics do not describe, with `left_freedom`. Orders in
    `not_seen` could not be told from the features' own angles or from how the encoder was clamped; together they add at most
    `unseen_deg` at a place, as stated by the user from `unseen_source`.
    """

    kind: Literal["characterization", "calibration"]
    made_on: date
    due_on: date
    encoder: str
    board_id: str
    counts_per_turn: int
    index: str
    positions: int
    features: int
    harmonics: tuple[Harmonic, ...]
    covariance_deg2: tuple[tuple[float, ...], ...]
    freedom: float
    left_deg: float
    left_freedom: float
    not_seen: tuple[int, ...]
    unseen_deg: float
    unseen_source: str
    certificate: Certificate | None

    def error_deg(self, counts_from_index: float) -> float:
        """δ: what is read less what is true, degrees in the direction in which the count rises."""
        at = math.radians(counts_from_index * 360.0 / self.counts_per_turn)
        return math.fsum(
            h.cos_deg * math.cos(h.order * at) + h.sin_deg * math.sin(h.order * at) for h in self.harmonics
        )

    def correction_deg(self, counts_from_index: float) -> float:
        """What to add to a reading, degrees in the direction in which the count rises."""
        return -self.error_deg(counts_from_index)

    def u_between_deg(self, from_counts: float, to_counts: Sequence[float]) -> float:
        """Standard uncertainty, from the readings behind the map, of the mean correction at `to_counts` less that at `from_counts`.

        √(gᵀCg) with g the difference of the harmonics' cosines and sines (JCGM 100:2008, 5.2.2): what both places share cancels.
        """
        orders = [h.order for h in self.harmonics]
        turn = 360.0 / self.counts_per_turn
        there = basis(np.array(to_counts, dtype=float) * turn, orders).mean(axis=0)
        g = there - basis(np.array([from_counts * turn]), orders)[0]
        return math.sqrt(max(0.0, float(g @ np.array(self.covariance_deg2) @ g)))

    def terms(self, from_counts: float, to_counts: Sequence[float]) -> tuple[Term, ...]:
        """Leaves of an angle from one place to another (or to the mean of several), places in counts from the index.

        They stand in place of the term for an encoder off-centre. What is left over at a place is taken as independent from place to
        place; harmonics that were not seen may have any phase, and may stand against each other at the two places.
        """
        found = [
            Term(
                "encoder map, its readings",
                "A",
                Shape.T,
                self.u_between_deg(from_counts, to_counts),
                "deg",
                1.0,
                self.freedom,
            )
        ]
        if self.left_deg > 0:
            found.append(
                Term("encoder map, what it leaves", "A", Shape.T, self.left_deg, "deg", math.sqrt(2), self.left_freedom)
            )
        if self.unseen_deg > 0:
            found.append(arcsine("encoder map, harmonics not seen", self.unseen_deg, "deg", 2.0))
        if self.certificate is not None:
            u = self.certificate.standard_uncertainty_deg
            found.append(Term("encoder map, its reference", "B", Shape.NORMAL, u, "deg", math.sqrt(2), math.inf))
        return tuple(found)


def basis(angle_deg: NDArray[np.float64], orders: Sequence[int]) -> NDArray[np.float64]:
    """cos kψ, sin kψ for each order k in turn; shape (places, 2 × orders)."""
    at = np.radians(angle_deg)[:, None] * np.array(orders, dtype=float)
    return np.stack((np.cos(at), np.sin(at)), axis=2).reshape(len(angle_deg), 2 * len(orders))


def check(found: EncoderMap, run_date: str, board_id: bytes, counts_per_turn: int) -> None:
    """Whether the map may be used for a run of `run_date` (ISO 8601) with this board. Raises EncoderMapRefused."""
    if board_id.hex() != found.board_id or counts_per_turn != found.counts_per_turn:
        raise EncoderMapRefused(
            "encoder-map-foreign",
            f"The encoder map is of encoder {found.encoder} on board {found.board_id} with {found.counts_per_turn} counts per turn; "
            f"this is board {board_id.hex()} with {counts_per_turn}. Take the map out of the bench file, or name the right one.",
        )
    try:
        today = datetime.fromisoformat(run_date).date()
    except ValueError:
        raise EncoderMapRefused(
            "encoder-map-date", f"Whether the encoder map is due cannot be told: {printable(run_date)!r} is no date."
        ) from None
    if today > found.due_on:
        raise EncoderMapRefused(
            "encoder-map-overdue",
            f"The encoder map of {found.encoder} was due on {found.due_on}. Make a new one by `breakerbench qualify encoder`, "
            "or take it out of the bench file and measure with the wider uncertainty.",
        )
    if today < found.made_on:
        raise EncoderMapRefused(
            "encoder-map-date",
            f"The encoder map of {found.encoder} was made on {found.made_on.isoformat()}, after the day of this run, {today.isoformat()}. "
            "Correct the computer's clock.",
        )


# --- the file --------------------------------------------------------------------------------------------------------

_Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]
_NotNegative = Annotated[float, Field(ge=0, le=360, allow_inf_nan=False, strict=True)]
_Freedom = Annotated[float, Field(ge=1, allow_inf_nan=False, strict=True)] | None
_Text = Annotated[str, Field(min_length=1, max_length=200)]
_Day = Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class HarmonicRow(_Model):
    """One harmonic."""

    order: Annotated[int, Field(ge=1, le=MOST_ORDER, strict=True)]
    cos_deg: Annotated[float, Field(ge=-45, le=45, allow_inf_nan=False, strict=True)]
    sin_deg: Annotated[float, Field(ge=-45, le=45, allow_inf_nan=False, strict=True)]


class CertificateRow(_Model):
    """A calibration's reference."""

    text: _Text
    standard_uncertainty_deg: _NotNegative


class MapFile(_Model):
    """The whole file (JSON). Degrees of freedom null: infinitely many."""

    format: Literal["breakerbench-encoder-map"]
    version: Literal[1]
    kind: Literal["characterization", "calibration"]
    made_on: _Day
    due_on: _Day
    encoder: _Text
    board_id: Annotated[str, Field(pattern=r"^[0-9a-f]{16}$")]
    counts_per_turn: Annotated[int, Field(ge=4, le=10_000_000, strict=True)]
    index: _Text
    positions: Annotated[int, Field(ge=1, strict=True)]
    features: Annotated[int, Field(ge=1, strict=True)]
    harmonics: Annotated[tuple[HarmonicRow, ...], Field(min_length=1, max_length=MOST_ORDER)]
    covariance_deg2: tuple[tuple[_Finite, ...], ...]
    degrees_of_freedom: _Freedom
    left_deg: _NotNegative
    left_degrees_of_freedom: _Freedom
    not_seen: tuple[Annotated[int, Field(ge=1, strict=True)], ...]
    unseen_deg: _NotNegative
    unseen_source: _Text
    certificate: CertificateRow | None

    @model_validator(mode="after")
    def _possible(self) -> MapFile:
        for key in ("made_on", "due_on"):
            try:
                date.fromisoformat(getattr(self, key))
            except ValueError:
                raise ValueError(f"{key}: a day as YYYY-MM-DD was expected") from None
        if self.due_on < self.made_on:
            raise ValueError("due_on: a day not before made_on was expected")
        orders = [h.order for h in self.harmonics]
        if orders != sorted(set(orders)):
            raise ValueError("harmonics: orders that rise were expected")
        size = 2 * len(orders)
        if len(self.covariance_deg2) != size or any(len(row) != size for row in self.covariance_deg2):
            raise ValueError(f"covariance_deg2: {size} rows of {size} figures were expected")
        table = np.array(self.covariance_deg2)
        least = float(np.linalg.eigvalsh(table / 2 + table.T / 2).min())
        if np.abs(table - table.T).max() > 1e-9 * table.max() or least < -1e-9 * table.max():
            raise ValueError("covariance_deg2: a covariance was expected, and this table is none")
        if (self.kind == "calibration") != (self.certificate is not None):
            raise ValueError("certificate: needed by a calibration, and by nothing else")
        return self


def load(path: Path) -> EncoderMap:
    """The map in the file at `path`. Raises EncoderMapFileError with file, key and what was expected."""
    return parse(read_document(path), str(path))


def read_document(path: Path) -> object:
    """The file's JSON, not yet checked: what a journal's header keeps. Raises EncoderMapFileError."""
    raw = read_bytes(path, "encoder map", EncoderMapFileError)
    try:
        return json.loads(raw)
    except (ValueError, RecursionError):
        raise EncoderMapFileError(
            f"{printable(str(path))}: not JSON; a file written by `breakerbench qualify encoder` was expected."
        ) from None


def parse(document: object, name: str) -> EncoderMap:
    """A document, as from a journal's header, as a map; errors are told with `name`. Raises EncoderMapFileError."""
    file = validated(MapFile, document, name, EncoderMapFileError)
    return EncoderMap(
        kind=file.kind,
        made_on=date.fromisoformat(file.made_on),
        due_on=date.fromisoformat(file.due_on),
        encoder=printable(file.encoder),
        board_id=file.board_id,
        counts_per_turn=file.counts_per_turn,
        index=printable(file.index),
        positions=file.positions,
        features=file.features,
        harmonics=tuple(Harmonic(h.order, h.cos_deg, h.sin_deg) for h in file.harmonics),
        covariance_deg2=file.covariance_deg2,
        freedom=_infinite(file.degrees_of_freedom),
        left_deg=file.left_deg,
        left_freedom=_infinite(file.left_degrees_of_freedom),
        not_seen=file.not_seen,
        unseen_deg=file.unseen_deg,
        unseen_source=printable(file.unseen_source),
        certificate=None
        if file.certificate is None
        else Certificate(printable(file.certificate.text), file.certificate.standard_uncertainty_deg),
    )


def dump(found: EncoderMap) -> dict[str, object]:
    """The map as the document that `parse` reads: the same map comes back, to the last bit."""
    file = MapFile(
        format="breakerbench-encoder-map",
        version=1,
        kind=found.kind,
        made_on=found.made_on.isoformat(),
        due_on=found.due_on.isoformat(),
        encoder=found.encoder,
        board_id=found.board_id,
        counts_per_turn=found.counts_per_turn,
        index=found.index,
        positions=found.positions,
        features=found.features,
        harmonics=tuple(HarmonicRow(order=h.order, cos_deg=h.cos_deg, sin_deg=h.sin_deg) for h in found.harmonics),
        covariance_deg2=found.covariance_deg2,
        degrees_of_freedom=_or_none(found.freedom),
        left_deg=found.left_deg,
        left_degrees_of_freedom=_or_none(found.left_freedom),
        not_seen=found.not_seen,
        unseen_deg=found.unseen_deg,
        unseen_source=found.unseen_source,
        certificate=None
        if found.certificate is None
        else CertificateRow(
            text=found.certificate.text, standard_uncertainty_deg=found.certificate.standard_uncertainty_deg
        ),
    )
    return file.model_dump(mode="json")


def write(found: EncoderMap, path: Path) -> None:
    """The map as a new file. Raises EncoderMapFileError; a file that exists is never overwritten."""
    text = json.dumps(dump(found), ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    shown = printable(str(path))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise EncoderMapFileError(
            f"{shown} exists already, and a map is never overwritten; name another file."
        ) from None
    except OSError as failure:
        raise EncoderMapFileError(f"{shown}: the map cannot be written ({failure.strerror or failure}).") from None


def _infinite(freedom: float | None) -> float:
    return math.inf if freedom is None else freedom


def _or_none(freedom: float) -> float | None:
    return None if math.isinf(freedom) else freedom
