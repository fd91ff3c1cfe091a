"""One whole job of a family: a unit drawn by its seed, turned by a hand, seen by a board, measured by the real run.

Every figure is drawn from the bounds that the bench file states for it (its defaults, unless a family says otherwise): a table of
coverage tells of the method, not of the bounds.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from bench import bench_file, job_file
from bench.journal import Record
from bench.run import Run
from bench.settings import header, read_header
from tests.science.families_encoder import Disc, Encoder
from tests.science.families_messages import Board
from tests.science.families_motion import PERIOD_S, Magnet, Path
from tests.science.families_points import BACKLASH_DEG, Points, lifted, pin_edges

GRATING_RADIUS_MM = 20.0
#: ω² of a magnet of 0.25 N·m peak and 8e-4 kg·m² per pole pair's electrical angle: (0.25/8e-4) in degrees per s² (invented unit).
PEAK_DEG_S2 = math.degrees(0.25 / 8e-4)
VISCOUS_PER_S = 2.5


@dataclass(frozen=True)
class Family:
    """What sets one family of jobs apart. A pair is the range that a figure is drawn from, evenly."""

    name: str
    about: str
    poles: int = 4
    #: Where each breaker opens, degrees past neutral.
    opens_deg: tuple[tuple[float, float], ...] = ((8.0, 14.0),)
    lobe_error_deg: float = 0.1
    dwell_deg: float = 35.0
    pass_scatter_deg: tuple[float, float] = (0.01, 0.03)
    passes: int = 5
    speeds_deg_s: tuple[float, float] = (80.0, 240.0)
    #: Of passes at two speeds: the slower, as a share of the faster; None for speeds at will.
    slow_share: float | None = None
    jerkiness: float = 0.2
    backs_up: bool = False
    presses_per_side: int = 4
    press_scatter_deg: tuple[float, float] = (0.1, 0.3)
    friction_deg: tuple[float, float] = (0.1, 0.24)
    friction_asymmetry: float = 0.1
    cam_torque_fraction: float = 0.01
    followers_lifted: bool = False
    releases_per_side: int = 0
    with_edges: bool = False
    bounces: float = 1.5
    bounce_ms: tuple[float, float] = (0.1, 0.5)
    ohm: float = 1000.0
    capacitor_uf: tuple[float, float] = (0.2, 0.2)
    capacitor_stated: bool = True
    eccentricity_um: float = 20.0
    counts_per_turn: int = 10_000
    phase_error_counts: float = 0.11
    pole_spacing_deg: float = 0.25
    #: Of a compensated cam: what each lobe opens later, degrees; the number of lobes is the number of cylinders.
    offsets_deg: tuple[float, ...] = ()
    #: "neutral", "main" (its measured opening), "main.target" or "difference": what the judged angle counts from.
    judged: str = "neutral"
    #: Judge this lobe only; None for one drawn by the seed.
    lobe: int | None = None


@dataclass(frozen=True)
class Unit:
    """What was drawn."""

    family: Family
    #: Error of each neutral's place, the first 0.
    neutrals_deg: tuple[float, ...]
    #: Per breaker, per lobe: degrees past its own neutral (compensated: past the mean place of it).
    opens_deg: tuple[tuple[float, ...], ...]
    cam_fraction: float
    friction_deg: float
    asymmetry: float

    @property
    def spacing_deg(self) -> float:
        """Degrees from neutral to neutral."""
        return 360.0 / self.family.poles

    def neutral_error_deg(self, n: int) -> float:
        """By how much the nth neutral is off its place."""
        return self.neutrals_deg[n % self.family.poles]

    def opening_deg(self, breaker: int, n: int) -> float:
        """Where the nth opening lies on the rotor."""
        lobes = self.opens_deg[breaker]
        # A plain cam was ground with its magnet, lobe by lobe; a geared one knows nothing of the poles.
        off = 0.0 if self.family.offsets_deg else self.neutral_error_deg(n)
        return n * self.spacing_deg + off + lobes[n % len(lobes)]

    def felt_deg(self, side: int, with_cam: bool) -> float:
        """Where a hand that comes from a side (+1: running forward) feels neutral 0: there all torque is balanced."""
        held = math.radians(self.friction_deg) * self.family.poles * (1 + side * self.asymmetry)
        pull = (self.cam_fraction if with_cam else 0.0) - side * held
        return math.degrees(math.asin(pull)) / self.family.poles

    def magnet(self, with_cam: bool) -> Magnet:
        """The rotor let go near neutral 0."""
        p = self.family.poles
        friction = math.radians(self.friction_deg) * p * PEAK_DEG_S2
        return Magnet(
            PEAK_DEG_S2,
            self.spacing_deg - self.neutral_error_deg(-1),
            self.spacing_deg + self.neutral_error_deg(1),
            self.cam_fraction * PEAK_DEG_S2 if with_cam else 0.0,
            friction * (1 + self.asymmetry),
            friction * (1 - self.asymmetry),
            VISCOUS_PER_S,
        )


@dataclass(frozen=True)
class Done:
    """A job carried out: the run and the unit."""

    run: Run
    unit: Unit
    disc: Disc
    rng: np.random.Generator

    @property
    def true_zero_deg(self) -> float:
        """Where neutral 0 lies on the disc, as the run counts: from its anchor, the edge of phase 0."""
        counts = float(self.disc.reading(np.zeros(1))[0]) - self.disc.offsets[0]
        return counts * self.disc.sense * 360.0 / self.disc.counts_per_turn


def drawn(family: Family, rng: np.random.Generator) -> Unit:
    """A unit of the family."""
    lobes = len(family.offsets_deg) or family.poles
    offsets = np.array(family.offsets_deg or (0.0,) * lobes)
    opens = []
    for low, high in family.opens_deg:
        errors = rng.uniform(-family.lobe_error_deg, family.lobe_error_deg, lobes)
        opens.append(tuple((rng.uniform(low, high) + offsets + errors).tolist()))
    spacing = rng.uniform(-family.pole_spacing_deg, family.pole_spacing_deg, family.poles)
    spacing[0] = 0.0
    return Unit(
        family,
        tuple(spacing.tolist()),
        tuple(opens),
        float(rng.uniform(-1, 1)) * family.cam_torque_fraction,
        float(rng.uniform(*family.friction_deg)),
        float(rng.uniform(-1, 1)) * family.friction_asymmetry,
    )


def carry_out(family: Family, seed: int) -> Done:
    """One job by its seed. The run may have failed: look at `run.failure`."""
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=tuple(family.name.encode())))
    unit = drawn(family, rng)
    sense = int(rng.choice((-1, 1)))
    run = Run(read_header(_settings(unit, sense), "families"))
    disc, records = _records(unit, sense, rng)
    for record in records:
        run.feed(record)
        if run.finished:
            break
    return Done(run, unit, disc, rng)


def _settings(unit: Unit, sense: int) -> dict[str, Any]:
    family = unit.family
    names = ("main", "second")[: len(family.opens_deg)]
    breakers = []
    for channel, name in enumerate(names):
        expected = sum(family.opens_deg[channel]) / 2
        counts_from = family.judged if channel and family.judged.startswith("main") else "neutral"
        if counts_from != "neutral":
            expected -= sum(family.opens_deg[0]) / 2
        breakers.append(
            {
                "name": name,
                "channel": channel,
                "opens_at_deg": expected,
                "minus_deg": 4.0,
                "plus_deg": 4.0,
                "from": counts_from,
            }
            | ({"capacitor_uf": sum(family.capacitor_uf) / 2} if family.capacitor_stated else {})
            | ({"offsets_deg": list(family.offsets_deg)} if family.offsets_deg else {})
        )
    cam = {"cam": "compensated", "cylinders": len(family.offsets_deg)} if family.offsets_deg else {}
    job: dict[str, Any] = {
        "unit": {
            "part_number": "DEMO",
            "serial_number": "FAMILY",
            "rotation": "clockwise",
            "poles": family.poles,
            "impulse_coupling": "none",
        }
        | cam,
        "limits": {"reference": "Demonstration manual, invented", "revision": "A"},
        "breaker": breakers,
    }
    if family.judged == "difference":
        job["difference"] = [{"between": list(names), "deg": 0.0, "minus_deg": 4.0, "plus_deg": 4.0}]
    bench: dict[str, Any] = {
        "encoder_sense": "clockwise" if sense > 0 else "counterclockwise",
        "probe": {"ohm": family.ohm},
        "mounting": {"eccentricity_um": family.eccentricity_um, "grating_radius_mm": GRATING_RADIUS_MM},
        "priors": {
            "cam_torque_fraction": family.cam_torque_fraction,
            "pole_spacing_deg": family.pole_spacing_deg,
            "friction_asymmetry": family.friction_asymmetry,
        },
    }
    return header(
        job_file.parse(job, "families"),
        bench_file.parse(bench, "families"),
        family.passes,
        "2026-01-01T00:00:00+00:00",
        "families",
        None,
        family.followers_lifted,
    )


def _records(unit: Unit, sense: int, rng: np.random.Generator) -> tuple[Disc, list[Record]]:
    family = unit.family
    path = Path(-unit.spacing_deg / 2 - 10.0 if family.poles < 8 else -29.0)
    presses: list[float] = []
    path.hold(5)
    if family.offsets_deg:
        path.move(unit.opening_deg(0, 0) - unit.spacing_deg / 2 + 2.0, 90.0)
        presses.append(_pressed(path))
        path.move(-30.0, 120.0)
    let_down_s = None
    if family.followers_lifted:
        presses += _felt(unit, path, rng, with_cam=False)
        path.move(-9.0, 60.0)
        let_down_s = path.now_s + 5 * PERIOD_S
        path.hold(10)
    presses += _felt(unit, path, rng, with_cam=True)
    marked_s = path.now_s
    _passes(unit, path, rng)
    track = path.track()
    disc = Disc(
        family.counts_per_turn,
        sense,
        float(rng.uniform(0, family.counts_per_turn)),
        math.degrees(family.eccentricity_um / 1000 / GRATING_RADIUS_MM),
        float(rng.uniform(0, 360)),
        tuple(rng.uniform(-family.phase_error_counts, family.phase_error_counts, 4).tolist()),
        float(rng.uniform(0, 0.5)),
    )
    encoder = Encoder(disc, track)
    threshold, capacitor_f = rng.uniform(0.3, 0.6), rng.uniform(*family.capacitor_uf) * 1e-6
    delay_s = family.ohm * capacitor_f * math.log(1 / (1 - threshold))
    pins = []
    for breaker in range(len(family.opens_deg)):
        points = Points(
            _opener(unit, breaker),
            family.dwell_deg,
            float(rng.uniform(*family.pass_scatter_deg)),
            family.bounces,
            family.bounce_ms,
            delay_s,
        )
        edges = pin_edges(points, track, math.floor(track.angle_deg[0] / unit.spacing_deg) - 2, rng)
        pins.append(edges if let_down_s is None else lifted(edges, let_down_s))
    board = Board(encoder, track, pins, int(rng.integers(2**32)), float(rng.uniform(-1e-5, 1e-5)))
    edges_until_s = marked_s + 2.0 if family.with_edges else 0.0
    return disc, board.records(presses, int(rng.integers(family.counts_per_turn)), edges_until_s)


def _opener(unit: Unit, breaker: int) -> Callable[[int], float]:
    return lambda n: unit.opening_deg(breaker, n)


def _pressed(path: Path) -> float:
    path.hold(10)
    at = path.now_s
    path.hold(8)
    return at


def _felt(unit: Unit, path: Path, rng: np.random.Generator, with_cam: bool) -> list[float]:
    """Presses from below and above in turn, then releases likewise; ends some degrees below neutral. Gives the presses' times."""
    family = unit.family
    scatter = float(rng.uniform(*family.press_scatter_deg))
    felt = {side: unit.felt_deg(side, with_cam) for side in (1, -1)}
    times = []
    for _ in range(family.presses_per_side):
        for side in (1, -1):
            away = -side * float(rng.uniform(4.5, 6.0)) + felt[side]
            if (path.at_deg - away) * side > 0:
                path.move(away, 30.0)
            path.move(felt[side] + float(rng.normal()) * scatter, 20.0)
            times.append(_pressed(path))
    magnet = unit.magnet(with_cam)
    for _ in range(family.releases_per_side):
        for side in (1, -1):
            path.move(-side * 5.0 + float(rng.normal()) * 0.35, 30.0)
            path.hold(5)
            path.release(magnet, 140)
            path.hold(35)
    path.move(-5.0, 30.0)
    return times


def _passes(unit: Unit, path: Path, rng: np.random.Generator) -> None:
    """Enough turns for every lobe's passes, and one for the index behind them."""
    family = unit.family
    low, high = family.speeds_deg_s
    lobes = len(family.offsets_deg) or family.poles
    turns = math.ceil(family.passes * lobes / family.poles) + 1
    if family.slow_share is not None:
        fast = float(rng.uniform(low, high))
        slow = turns // 2
        speeds = [fast * family.slow_share] * slow + [fast] * (turns - slow)
    else:
        speeds = rng.uniform(low, high, turns).tolist()
    if not family.backs_up:
        path.turn(turns * 360.0, speeds, family.jerkiness, rng)
        return
    # Backs up now and then by more or less than the backlash, which costs no pass unless an opening is crossed.
    gone = 0.0
    while gone < (turns + 1) * 360.0:
        way = float(rng.uniform(100, 400))
        path.turn(way, [float(rng.uniform(low, high)) for _ in range(2)], family.jerkiness, rng)
        path.hold(int(rng.integers(1, 20)))
        back = float(rng.choice((0.5 * BACKLASH_DEG, 2.0, 8.0, 20.0)))
        path.move(path.at_deg - back, 60.0)
        gone += way - back
