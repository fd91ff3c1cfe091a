"""bench.toml: what this bench is. Copied into every journal; defaults serve where there is no file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from bench import encoder_map
from bench.errors import BenchFileError
from bench.files import read_toml, validated

_Fraction = Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False, strict=True)]
_Ohm = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False, strict=True)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Probe(_Model):
    """[probe] the circuit that reads a set of points."""

    #: Source resistance that charges a capacitor across the points, ohm.
    ohm: Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False, strict=True)] = 1000.0
    #: Lowest and highest share of the supply voltage at which the board sees "open".
    threshold: tuple[_Fraction, _Fraction] = (0.3, 0.6)
    #: Capacitor to allow for where a job does not state it, microfarad (0.35: circuit example of the bench design).
    unstated_capacitor_uf: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False, strict=True)] = 0.35
    #: Supply of the probe circuit, millivolt, if known.
    supply_mv: Annotated[float, Field(gt=0, le=65_535, allow_inf_nan=False, strict=True)] | None = None
    #: Current through closed points, milliampere, if measured; else it follows from supply and ohm.
    current_ma: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False, strict=True)] | None = None
    #: A Level reading is this times the voltage across the points: 1 without an amplifier.
    sense_gain: Annotated[float, Field(ge=1, le=10_000, allow_inf_nan=False, strict=True)] = 1.0
    #: How far gain and current together may be off, as a share.
    sense_error: Annotated[float, Field(ge=0, lt=1, allow_inf_nan=False, strict=True)] = 0.05
    #: How far the reading may be off at nil, millivolt across the points (converter's or amplifier's offset).
    sense_offset_mv: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False, strict=True)] = 1.0
    #: Highest reading, millivolt, and bits of the converter.
    sense_full_scale_mv: Annotated[float, Field(gt=0, le=65_535, allow_inf_nan=False, strict=True)] = 5000.0
    sense_bits: Annotated[int, Field(ge=6, le=24, strict=True)] = 10
    #: Lowest and highest resistance of leads and clips, ohm; of no matter if the sense lead is one of its own.
    lead_ohm: tuple[_Ohm, _Ohm] = (0.0, 0.5)
    four_wire: Annotated[bool, Field(strict=True)] = False

    @model_validator(mode="after")
    def _ordered(self) -> Probe:
        for key in ("threshold", "lead_ohm"):
            low, high = getattr(self, key)
            if low > high:
                raise ValueError(f"{key}: the lower figure comes first")
        return self


class Mounting(_Model):
    """[mounting] how well the encoder sits on the rotor."""

    #: Greatest distance between axis of rotor and centre of grating, micrometre.
    eccentricity_um: Annotated[float, Field(ge=0, le=5000, allow_inf_nan=False, strict=True)] = 20.0
    #: Radius of the grating, millimetre.
    grating_radius_mm: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False, strict=True)] = 20.0
    #: Greatest hysteresis of encoder and coupling between the two directions, counts.
    hysteresis_counts: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False, strict=True)] = 0.5
    #: File written by `breakerbench qualify encoder`, from this file's folder; the map takes the place of the eccentricity.
    encoder_map: Annotated[str, Field(min_length=1, max_length=500)] | None = None


class Priors(_Model):
    """[priors] bounds on what the unit may do and no signal shows; common practice, no source."""

    #: Cam spring torque at neutral as a share of the magnet's peak torque, at most.
    cam_torque_fraction: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, strict=True)] = 0.01
    #: Half-width of the error of a neutral that was not marked itself, degrees.
    pole_spacing_deg: Annotated[float, Field(ge=0, le=20, allow_inf_nan=False, strict=True)] = 0.25
    #: By how much friction may differ between the directions, as a share of itself.
    friction_asymmetry: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, strict=True)] = 0.1
    #: Bounce that a capacitor hides before the first edge, at most, as a share of the bounce seen after it.
    unseen_bounce_fraction: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, strict=True)] = 0.25
    #: How far a press at the angle mark may be off it, degrees.
    mark_setting_deg: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False, strict=True)] = 0.3


class Criteria(_Model):
    """[criteria] when points count as open or closed."""

    #: Time that a state must last to be settled, milliseconds.
    settled_ms: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False, strict=True)] = 2.0
    #: Rotor angle over which a state must last to be settled, degrees.
    settled_deg: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False, strict=True)] = 0.2


class Decision(_Model):
    """[decision] how a verdict is reached."""

    #: "guarded": the whole interval of the expanded uncertainty must lie within the limits; "risk": the probability of a wrong
    #: verdict must be at most `risk`; "simple": the value alone decides.
    rule: Literal["guarded", "risk", "simple"] = "guarded"
    #: Greatest probability of a wrong verdict under the rule "risk".
    risk: Annotated[float, Field(gt=0, le=0.5, strict=True)] = 0.025
    #: Level of confidence of the expanded uncertainty.
    confidence: Annotated[float, Field(ge=0.5, le=0.9999, strict=True)] = 0.95


class Link(_Model):
    """[link] the way to the board."""

    port: Annotated[str, Field(min_length=1, max_length=500)] | None = None
    baud: Annotated[int, Field(ge=1200, le=4_000_000, strict=True)] = 500_000
    #: How long to ask for a Hello; raise it for boards whose boot loader takes longer, seconds.
    hello_deadline_s: Annotated[float, Field(ge=0.2, le=30, allow_inf_nan=False, strict=True)] = 1.6


class Records(_Model):
    """[records] where records are kept, and for how long the local rules want them kept."""

    #: File (within the data folder if not absolute), or the address of a PostgreSQL server, postgresql://…
    database: Annotated[str, Field(min_length=1, max_length=1000)] | None = None
    #: Years (14 CFR 145.219: 2; 145.A.55: 3). Nothing is ever deleted by this program, whatever stands here.
    keep_years: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False, strict=True)] = 2.0


class BenchFile(_Model):
    """The whole file."""

    counts_per_turn: Annotated[int, Field(ge=4, le=10_000_000, strict=True)] | None = None
    #: Direction, seen from the drive end, in which the count rises.
    encoder_sense: Literal["clockwise", "counterclockwise", "unknown"] = "unknown"
    index: Annotated[bool, Field(strict=True)] = True
    probe: Probe = Probe()
    mounting: Mounting = Mounting()
    priors: Priors = Priors()
    criteria: Criteria = Criteria()
    decision: Decision = Decision()
    link: Link = Link()
    #: Not copied into journals: it changes no result, and an address may hold a password.
    records: Records = Field(default=Records(), exclude=True)


def load(path: Path) -> BenchFile:
    """The bench file at `path`. Raises BenchFileError with file, key and what was expected."""
    return parse(read_toml(path, "bench file", BenchFileError), str(path))


def map_document(bench: BenchFile, folder: Path) -> dict[str, object] | None:
    """The encoder map that `bench`, a file in `folder`, names, for a journal's header; None without. Raises EncoderMapFileError."""
    named = bench.mounting.encoder_map
    return None if named is None else encoder_map.dump(encoder_map.load(folder / named))


def parse(tables: object, name: str) -> BenchFile:
    """Tables already read as a bench file. Raises BenchFileError."""
    return validated(BenchFile, tables, name, BenchFileError)
