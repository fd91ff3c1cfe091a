"""What is simulated: a scenario as the user writes it (TOML), checked. SCENARIOS.md explains every key.

A figure may be a number or a draw, see `figures`. Angles are degrees of the rotating magnet, positive in the running
direction.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

from sim.figures import Figure, between, fixed, uniform

BUILT_IN_FOLDER = Path(__file__).parent / "scenarios"
DEFAULT = "plain-single"
_SUFFIX = ".toml"
_NOT_SCENARIOS = (".job.toml", ".bench.toml")
_MOST_BYTES = 1_000_000
#: Longer keys, and longer words about them, are told with their beginning only.
_MOST_KEY, _MOST_TOLD = 120, 400

_Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,39}$")]
_FileName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_][A-Za-z0-9_.-]{0,99}$")]


def _shown(text: str) -> str:
    if not text.isprintable():
        raise ValueError("a text without control characters was expected")
    return text


_Line = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\r\n]*$"), AfterValidator(_shown)]
_Direction = Literal["clockwise", "counterclockwise"]
_Number = Annotated[float, Field(allow_inf_nan=False)]
_When = Annotated[float, Field(ge=0, le=1e5, allow_inf_nan=False)]
_Range = Annotated[tuple[_Number, _Number], Field(strict=False)]
_Few = Annotated[int, Field(ge=1, le=9)]


class ScenarioError(Exception):
    """A scenario that cannot be used: which file, which key, what was expected. Nothing in it can steer a terminal."""

    def __init__(self, text: str) -> None:
        super().__init__("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text))


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=True)


class UnitTable(_Table):
    """[unit] the magneto's rotating magnet."""

    rotation: _Direction = "clockwise"
    poles: Annotated[int, Field(ge=2, le=8, multiple_of=2)] = 4
    cam: Literal["plain", "compensated"] = "plain"
    cylinders: Annotated[int, Field(ge=3, le=36)] | None = None
    #: Where the No. 1 lobe's mark lines up: so far before that lobe opens the first breaker.
    lobe_mark_deg: Annotated[Figure, between(4, 40)] = fixed(12.0)
    equilibrium: Literal["neutral", "register"] = "neutral"
    pole_spacing_error_deg: Annotated[Figure, between(-10, 10)] = uniform(-0.25, 0.25)
    detent_peak_nm: Annotated[Figure, between(0.001, 100)] = fixed(0.25)
    inertia_kg_m2: Annotated[Figure, between(1e-6, 1)] = fixed(8e-4)
    coulomb_nm: Annotated[Figure, between(0, 10)] = uniform(0.0018, 0.0042)
    coulomb_asymmetry: Annotated[Figure, between(-0.9, 0.9)] = uniform(-0.1, 0.1)
    viscous_nm_s: Annotated[Figure, between(0, 10)] = fixed(0.002)
    cam_torque_fraction: Annotated[Figure, between(-0.5, 0.5)] = uniform(-0.01, 0.01)

    @model_validator(mode="after")
    def _possible(self) -> UnitTable:
        if self.cam == "compensated" and self.cylinders is None:
            raise ValueError('cylinders: the number of lobes was expected with cam = "compensated"')
        if self.cam == "plain" and self.cylinders is not None:
            raise ValueError('cylinders: cam = "compensated" was expected with it')
        return self


class ImpulseTable(_Table):
    """[impulse] an impulse coupling that was left on."""

    catches: Literal["turn", "pole"] = "turn"
    catch_deg: Annotated[Figure, between(-180, 180)] = fixed(30.0)
    wind_deg: Annotated[Figure, between(5, 60)] = fixed(25.0)
    spring_hz: Annotated[Figure, between(20, 100)] = fixed(50.0)


class BreakerTable(_Table):
    """[[breaker]] one set of points and its cam."""

    name: _Name
    channel: Annotated[int, Field(ge=0, le=7)] = 0
    opens_deg: Annotated[Figure, between(-180, 180)]
    #: Of a compensated cam: what each lobe opens later, or the breaker whose lobes work this one too.
    offsets_deg: Annotated[tuple[Annotated[Figure, between(-20, 20)], ...], Field(strict=False)] | None = None
    same_cam_as: _Name | None = None
    lobe_error_deg: Annotated[Figure, between(-10, 10)] = uniform(-0.1, 0.1)
    dwell_deg: Annotated[Figure, between(1, 170)] = fixed(35.0)
    scatter_deg: Annotated[Figure, between(0, 2)] = uniform(0.01, 0.03)
    backlash_deg: Annotated[Figure, between(0, 10)] = fixed(0.3)
    bounce_opening_ms: _Range = (0.1, 0.5)
    bounce_closing_ms: _Range = (0.1, 2.0)
    bounces: Annotated[float, Field(ge=0, le=50, allow_inf_nan=False)] = 1.5
    capacitor_uf: Annotated[Figure, between(0, 10)] = fixed(0.2)
    #: Closed points, and a film on them that wears through with a time constant after each closing.
    contact_ohm: Annotated[Figure, between(0, 1e6)] = fixed(0.1)
    film_ohm: Annotated[Figure, between(0, 1e6)] = fixed(0.0)
    film_ms: Annotated[Figure, between(0.1, 1e4)] = fixed(100.0)
    #: What else lies across the points: a shorting spring, a shorted or leaking capacitor, a coil by way of its secondary.
    bridge_ohm: Annotated[Figure, between(0, 1e9)] | None = None

    @model_validator(mode="after")
    def _possible(self) -> BreakerTable:
        for key in ("bounce_opening_ms", "bounce_closing_ms"):
            low, high = getattr(self, key)
            if not 0 < low <= high <= 50:
                raise ValueError(f"{key}: two times above 0 and at most 50 ms, the shorter first, were expected")
        return self


class ProbeTable(_Table):
    """[probe] the circuit that reads a set of points."""

    ohm: Annotated[Figure, between(1, 1e6)] = fixed(1000.0)
    threshold: Annotated[Figure, between(0.01, 0.99)] = uniform(0.3, 0.6)
    supply_mv: Annotated[int, Field(ge=100, le=65535)] = 5000
    lead_ohm: Annotated[Figure, between(0, 100)] = fixed(0.0)
    four_wire: bool = False
    sense_gain: Annotated[float, Field(ge=1, le=10_000, allow_inf_nan=False)] = 1.0
    sense_offset_mv: Annotated[Figure, between(-100, 100)] = fixed(0.0)
    sense_full_scale_mv: Annotated[float, Field(gt=0, le=65535, allow_inf_nan=False)] = 65535.0
    sense_bits: Annotated[int, Field(ge=6, le=24)] | None = None


class CoilTable(_Table):
    """[coil] the primary, for a coil lead that was left on."""

    ohm: Annotated[Figure, between(0.01, 100)] = fixed(0.6)
    mh: Annotated[Figure, between(0.01, 1000)] = fixed(5.0)


class EncoderTable(_Table):
    """[encoder] the encoder on the drive end."""

    lines: Annotated[int, Field(ge=1, le=100_000)] = 2500
    sense: _Direction = "clockwise"
    index: bool = True
    start_deg: Annotated[Figure, between(0, 360)] = uniform(0.0, 360.0)
    clamped_deg: Annotated[Figure, between(-360, 360)] = fixed(0.0)
    eccentricity_um: Annotated[Figure, between(0, 5000)] = fixed(20.0)
    grating_radius_mm: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] = 20.0
    eccentricity_at_deg: Annotated[Figure, between(0, 360)] = uniform(0.0, 360.0)
    phase_error_deg: Annotated[Figure, between(-40, 40)] = uniform(-10.0, 10.0)
    hysteresis_counts: Annotated[Figure, between(0, 20)] = uniform(0.0, 0.5)
    #: A coupling that slips: at one place of each turn, where it drags most, the disc stays back by so much.
    slip_counts: Annotated[Figure, between(0, 1000)] = fixed(0.0)
    slip_at_deg: Annotated[Figure, between(0, 360)] = uniform(120.0, 300.0)


class HandTable(_Table):
    """[hand] who turns, and how."""

    wrong_way: bool = False
    #: Whole turns before the marking, so that the index vouches for the count from then on.
    turns_first: Annotated[int, Field(ge=0, le=10)] = 1
    presses_per_side: Annotated[int, Field(ge=0, le=100)] = 4
    releases_per_side: Annotated[int, Field(ge=0, le=100)] = 2
    feel_sd_deg: Annotated[float, Field(ge=0, le=5, allow_inf_nan=False)] = 0.15
    below_deg: Annotated[float, Field(ge=2.5, le=40, allow_inf_nan=False)] = 7.0
    overshoot_deg: Annotated[float, Field(ge=2.5, le=40, allow_inf_nan=False)] = 5.5
    reach_sd_deg: Annotated[float, Field(ge=0, le=5, allow_inf_nan=False)] = 0.35
    release_deg: Annotated[float, Field(ge=1, le=40, allow_inf_nan=False)] = 5.0
    lobe_mark_sd_deg: Annotated[float, Field(ge=0, le=2, allow_inf_nan=False)] = 0.3
    #: The neutral that is felt lies so many poles on from the one past which lobe No. 1 opened at its mark.
    neutrals_on: Annotated[int, Field(ge=0, le=100)] = 0
    mark_deg: _Number | None = None
    #: Neutral is felt first with the followers lifted off the cam.
    followers_lifted: bool = False
    #: Turns of the cam, which on a plain one are the magnet's.
    turns: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] = 6.2
    speeds_deg_s: _Range = (40.0, 150.0)
    pace: Literal["stretches", "cam-turns"] = "stretches"
    creep_share: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)] = 0.0
    jerkiness: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)] = 0.0
    grip_nm_per_rad: Annotated[float, Field(gt=0, le=200, allow_inf_nan=False)] = 40.0
    torque_limit_nm: Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)] = 3.0

    @model_validator(mode="after")
    def _possible(self) -> HandTable:
        low, high = self.speeds_deg_s
        if not 5 <= low <= high <= 360:
            raise ValueError("speeds_deg_s: two speeds from 5 to 360, the lower first, were expected")
        return self


class BoardTable(_Table):
    """[board] the microcontroller board and its line."""

    tick_hz: Annotated[int, Field(ge=1_000_000, le=100_000_000)] = 2_000_000
    start_tick: Annotated[int, Field(ge=0, lt=2**32)] | None = None
    channels: Annotated[int, Field(ge=1, le=8)] = 2
    baud: Annotated[int, Field(ge=9600, le=4_000_000)] = 500_000
    queue_bytes: Annotated[int, Field(ge=256, le=1_000_000)] = 1024
    rated_edge_hz: Annotated[int, Field(ge=1000, le=10_000_000)] = 100_000
    service_us: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] = 9.0
    boot_counter: Annotated[int, Field(ge=0, lt=2**32 - 1000)] = 1
    boot_text: Annotated[str, StringConstraints(max_length=500, pattern=r"^[\x01-\x7f]*$")] = (
        "boot loader 1.0, ready\r\n"
    )
    edges: bool = True


class LostCounts(_Table):
    """lost_counts: encoder edges that the board never sees."""

    at_s: _When
    counts: Annotated[int, Field(ge=4, le=1_000_000, multiple_of=4)]


class FaultTable(_Table):
    """[fault] what goes wrong. Times are seconds of device time since the first Start."""

    coil_lead_on: bool = False
    stuck_open: _Name | None = None
    never_opens: _Name | None = None
    jumpered: bool = False
    swapped_leads: bool = False
    reset_at_s: _When | None = None
    boot_counter_reset: bool = False
    silent_at_s: _When | None = None
    close_at_s: _When | None = None
    other_fingerprint: bool = False
    rubbish: bool = False
    lost_counts: LostCounts | None = None


FaultKey = Literal[
    "worn-points",
    "wrong-clearance",
    "coil-lead-on",
    "impulse-fitted",
    "reversed-sense",
    "slipping-coupling",
    "off-centre-encoder",
    "retard-reference",
    "wrong-tooth",
]
#: Faults that lie in a file of the host's, and the key that names the file with the fault in it.
_ON_PAPER: tuple[tuple[FaultKey, str], ...] = (
    ("retard-reference", "job_as_given"),
    ("reversed-sense", "bench_as_given"),
)


class ExerciseTable(_Table):
    """[exercise] faults that a person has to find, and what that person is shown."""

    title: _Line
    faults: Annotated[tuple[FaultKey, ...], Field(strict=False)] = ()
    any_of: Annotated[tuple[FaultKey, ...], Field(strict=False)] = ()
    number: Annotated[tuple[_Few, _Few], Field(strict=False)] = (1, 1)
    sheet: Annotated[tuple[_Line, ...], Field(strict=False, max_length=12)] = ()
    job_as_given: _FileName | None = None
    bench_as_given: _FileName | None = None

    @model_validator(mode="after")
    def _possible(self) -> ExerciseTable:
        if bool(self.faults) == bool(self.any_of):
            raise ValueError("faults: either this or any_of was expected")
        possible = self.faults or self.any_of
        if len(set(possible)) != len(possible):
            raise ValueError(f"{'faults' if self.faults else 'any_of'}: each fault once was expected")
        low, high = self.number
        if self.any_of and not low <= high <= len(possible):
            raise ValueError(f"number: two numbers up to {len(possible)}, the smaller first, were expected")
        for fault, key in _ON_PAPER:
            if fault in possible and getattr(self, key) is None:
                raise ValueError(f"{key}: a file with the fault in it was expected with {fault}")
        return self


class Scenario(_Table):
    """The whole file."""

    description: _Line
    job: _FileName | None = None
    bench: _FileName | None = None
    unit: UnitTable = UnitTable()
    impulse: ImpulseTable | None = None
    breaker: Annotated[tuple[BreakerTable, ...], Field(min_length=1, max_length=8, strict=False)]
    probe: ProbeTable = ProbeTable()
    coil: CoilTable = CoilTable()
    encoder: EncoderTable = EncoderTable()
    hand: HandTable = HandTable()
    board: BoardTable = BoardTable()
    fault: FaultTable = FaultTable()
    exercise: ExerciseTable | None = None
    name: Annotated[str, Field(exclude=True)] = ""
    folder: Annotated[Path | None, Field(exclude=True)] = None

    @model_validator(mode="after")
    def _consistent(self) -> Scenario:
        names = [b.name for b in self.breaker]
        channels = [b.channel for b in self.breaker]
        spacing = 360.0 / self.unit.poles
        for place, breaker in enumerate(self.breaker):
            if breaker.name in names[:place]:
                raise ValueError(f"breaker.{place}.name: a name that is not used twice was expected")
            if breaker.channel in channels[:place]:
                raise ValueError(f"breaker.{place}.channel: a channel that is not used twice was expected")
            if breaker.channel >= self.board.channels:
                raise ValueError(f"breaker.{place}.channel: below board.channels ({self.board.channels}) was expected")
            longest = (
                max(breaker.dwell_deg.values) if breaker.dwell_deg.kind != "normal" else breaker.dwell_deg.values[0]
            )
            if longest > spacing - 5:
                raise ValueError(
                    f"breaker.{place}.dwell_deg: at most {spacing - 5:g} was expected with this many poles"
                )
        self._check_cam(spacing)
        exercise = self.exercise
        if exercise is not None and self.unit.cam == "compensated":
            raise ValueError('exercise: unit.cam = "plain" was expected with it')
        for key in ("stuck_open", "never_opens"):
            named = getattr(self.fault, key)
            if named is not None and named not in names:
                raise ValueError(f"fault.{key}: one of {', '.join(names)} was expected")
        if self.fault.jumpered and self.fault.never_opens is not None and self.hand.followers_lifted:
            raise ValueError("fault.never_opens: not together with jumpered and hand.followers_lifted was expected")
        for key in ("jumpered", "swapped_leads"):
            if getattr(self.fault, key) and len(names) != 2:
                raise ValueError(f"fault.{key}: two breakers were expected")
        return self

    def _check_cam(self, spacing: float) -> None:
        """Lobes of a compensated cam are all there, in order, and leave each opening its place. Raises ValueError."""
        cylinders = self.unit.cylinders
        if cylinders is None:
            if self.hand.neutrals_on:
                raise ValueError('hand.neutrals_on: unit.cam = "compensated" was expected with it')
            for place, breaker in enumerate(self.breaker):
                for key in ("offsets_deg", "same_cam_as"):
                    if getattr(breaker, key) is not None:
                        raise ValueError(f'breaker.{place}.{key}: unit.cam = "compensated" was expected with it')
            return
        own = {b.name: b for b in self.breaker if b.offsets_deg is not None}
        for place, breaker in enumerate(self.breaker):
            if (breaker.offsets_deg is None) == (breaker.same_cam_as is None):
                raise ValueError(
                    f"breaker.{place}.offsets_deg: either this or same_cam_as was expected, with a compensated cam"
                )
            lobes = own.get(breaker.same_cam_as or breaker.name)
            if lobes is None or lobes.offsets_deg is None:
                raise ValueError(f"breaker.{place}.same_cam_as: a breaker with offsets_deg of its own was expected")
            if len(lobes.offsets_deg) != cylinders:
                raise ValueError(
                    f"breaker.{place}.offsets_deg: {cylinders} figures, one for each cylinder, were expected"
                )
            error = max(lobes.lobe_error_deg.most, -lobes.lobe_error_deg.least)
            nearest = (
                spacing
                - 2 * error
                + min(
                    after.least - before.most
                    for before, after in zip(
                        lobes.offsets_deg, lobes.offsets_deg[1:] + lobes.offsets_deg[:1], strict=True
                    )
                )
            )
            if nearest < breaker.dwell_deg.most + 5:
                raise ValueError(
                    f"breaker.{place}.offsets_deg: lobes that leave {breaker.dwell_deg.most:g}° of dwell and 5° more were expected, not "
                    f"{nearest:g}° from one to the next"
                )
            latest = breaker.opens_deg.most + error + max(offset.most for offset in lobes.offsets_deg)
            if latest > spacing:
                raise ValueError(
                    f"breaker.{place}.opens_deg: at most {spacing:g}° past neutral was expected of every lobe, not {latest:g}°"
                )
            if place == 0 and self.unit.lobe_mark_deg.most > nearest - 4:
                raise ValueError(
                    f"unit.lobe_mark_deg: at most {nearest - 4:g} was expected, after the opening before lobe No. 1"
                )

    def beside(self, name: str | None) -> Path | None:
        """A file in this scenario's folder."""
        return None if name is None or self.folder is None else self.folder / name

    @property
    def job_path(self) -> Path | None:
        """Job file that goes with this scenario; the simulator never reads it."""
        return self.beside(self.job)

    @property
    def bench_path(self) -> Path | None:
        """Bench file that goes with this scenario; the simulator never reads it."""
        return self.beside(self.bench)


def builtin_names() -> list[str]:
    """Names of the scenarios that come with the simulator, the default first."""
    names = sorted(
        path.name.removesuffix(_SUFFIX)
        for path in BUILT_IN_FOLDER.glob("*" + _SUFFIX)
        if not path.name.endswith(_NOT_SCENARIOS)
    )
    return sorted(names, key=lambda name: name != DEFAULT)


def load(name_or_file: str | Path = DEFAULT) -> Scenario:
    """The built-in scenario of that name, or else the file. Raises ScenarioError with file, key and what was expected."""
    text = str(name_or_file)
    if text in builtin_names():
        return read(BUILT_IN_FOLDER / (text + _SUFFIX))
    path = Path(text)
    try:
        known = path.is_file()
    except (OSError, ValueError):
        known = False
    if not known:
        raise ScenarioError(f"{text!r}: a readable file or one of {', '.join(builtin_names())} was expected")
    return read(path)


def read(path: Path) -> Scenario:
    """The scenario in the file at `path`. Raises ScenarioError."""
    try:
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise ScenarioError(f"{path}: cannot be read ({error.strerror or error})") from None
    if len(raw) > _MOST_BYTES:
        raise ScenarioError(f"{path}: a scenario file of at most {_MOST_BYTES} bytes was expected")
    try:
        tables = tomllib.loads(raw.decode("utf-8"))
    except UnicodeDecodeError:
        raise ScenarioError(f"{path}: a TOML file in UTF-8 was expected") from None
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise ScenarioError(f"{path}: not valid TOML ({_cut(str(error), _MOST_TOLD)})") from None
    return parse(tables, str(path), path.name.removesuffix(_SUFFIX), path.resolve().parent)


def parse(tables: dict[str, object], file: str, name: str, folder: Path | None = None) -> Scenario:
    """Tables already read as a scenario; `file` is what errors are told with. Raises ScenarioError."""
    for key in ("name", "folder"):
        if key in tables:
            raise ScenarioError(f"{file}: {key}: unknown key")
    try:
        return Scenario.model_validate({**tables, "name": name, "folder": folder})
    except ValidationError as error:
        raise ScenarioError(f"{file}: {_first(error)}") from None


def _first(error: ValidationError) -> str:
    found = error.errors(include_url=False, include_context=False)[0]
    key = _cut(".".join(str(part) for part in found["loc"]), _MOST_KEY)
    text = _cut(found["msg"].removeprefix("Value error, "), _MOST_TOLD)
    if found["type"] == "extra_forbidden":
        text = "unknown key"
    elif found["type"] == "missing":
        text = "missing"
    given = found["input"]
    if isinstance(given, (str, int, float, bool)) and "unknown" not in text:
        shown = given if not isinstance(given, float) or math.isfinite(given) else str(given)
        text += f", not {str(shown)[:60]!r}"
    return f"{key}: {text}" if key else text


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[:most]}…"
