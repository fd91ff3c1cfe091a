"""Exercises: faults that a person has to find on the unit, on the bench or on paper, and to mend.

Each fault changes the scenario's physics, or, if it lies in a file of the host's, nothing but what is told of that file. Each shows at
one place that one can look at; the places are the same nine in every exercise, so that the list gives nothing away. Clearances and
what they do to the angle are invented.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sim.figures import Draws, Figure, fixed, uniform
from sim.scenario import BreakerTable, FaultKey, ImpulseTable, Scenario

Voids = Literal["nothing", "angles", "zero"]
Paper = Literal["job_right", "bench_right"]
_Figures = Mapping[str, float]
_Change = Callable[[Scenario, Draws, _Figures], Scenario]

#: Clearance that the points have, mm, and how much earlier they open for each millimetre more, degrees (invented).
CLEARANCE_MM = 0.35
EARLIER_DEG_PER_MM = 20.0


def _unchanged(scenario: Scenario, draws: Draws, figures: _Figures) -> Scenario:  # noqa: ARG001
    return scenario


def _first_breaker(scenario: Scenario, **changes: object) -> Scenario:
    first: BreakerTable = scenario.breaker[0].model_copy(update=changes)
    return scenario.model_copy(update={"breaker": (first, *scenario.breaker[1:])})


def _worn(scenario: Scenario, draws: Draws, figures: _Figures) -> Scenario:  # noqa: ARG001
    return _first_breaker(
        scenario,
        film_ohm=fixed(figures["film_ohm"]),
        film_ms=fixed(250.0),
        scatter_deg=fixed(figures["scatter_deg"]),
        bounces=3.0,
        bounce_opening_ms=(4.0, 12.0),
    )


def _wide(scenario: Scenario, draws: Draws, figures: _Figures) -> Scenario:
    """Points that stand wider apart open sooner and close later."""
    first = scenario.breaker[0]
    earlier = (figures["wide_mm"] - CLEARANCE_MM) * EARLIER_DEG_PER_MM
    opens = draws.take(f"breaker.{first.name}.opens_deg", first.opens_deg)
    dwell = draws.take(f"breaker.{first.name}.dwell_deg", first.dwell_deg)
    return _first_breaker(scenario, opens_deg=fixed(opens - earlier), dwell_deg=fixed(dwell - 2.0 * earlier))


def _coil(scenario: Scenario, draws: Draws, figures: _Figures) -> Scenario:  # noqa: ARG001
    return scenario.model_copy(update={"fault": scenario.fault.model_copy(update={"coil_lead_on": True})})


def _impulse(scenario: Scenario, draws: Draws, figures: _Figures) -> Scenario:  # noqa: ARG001
    return scenario.model_copy(update={"impulse": ImpulseTable(catch_deg=fixed(figures["catch_deg"]))})


def _slipping(scenario: Scenario, draws: Draws, figures: _Figures) -> Scenario:  # noqa: ARG001
    slip = fixed(round(figures["slip_counts"]))
    return scenario.model_copy(update={"encoder": scenario.encoder.model_copy(update={"slip_counts": slip})})


def _off_centre(scenario: Scenario, draws: Draws, figures: _Figures) -> Scenario:  # noqa: ARG001
    # A dial shows twice the eccentricity as the shaft goes round.
    off = fixed(figures["runout_mm"] * 500.0)
    return scenario.model_copy(update={"encoder": scenario.encoder.model_copy(update={"eccentricity_um": off})})


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. `seen` and `not_seen` are what one finds at `place`; they and `mended` may name the figures drawn and `{first}`."""

    key: FaultKey
    title: str
    text: str
    place: str
    place_title: str
    seen: str
    not_seen: str
    mend_title: str
    mended: str
    voids: Voids
    use: Paper | None = None
    figures: tuple[tuple[str, Figure], ...] = ()
    change: _Change = _unchanged


FAULTS: tuple[Fault, ...] = (
    Fault(
        key="worn-points",
        title="points worn",
        text="The faces of the {first} points were pitted and dirty: they closed badly and parted with long chatter.",
        place="points-faces",
        place_title="faces of the points",
        seen="The faces of the {first} points are pitted and grey, with a film on them.",
        not_seen="The faces of all points are bright and meet squarely.",
        mend_title="dress and clean the points",
        mended="The faces of the {first} points are dressed, cleaned and dry.",
        voids="angles",
        figures=(("film_ohm", uniform(40.0, 80.0)), ("scatter_deg", uniform(0.15, 0.25))),
        change=_worn,
    ),
    Fault(
        key="wrong-clearance",
        title="wrong clearance",
        text="The {first} points stood {wide_mm:.2f} mm apart instead of 0.35 mm, so that they opened early and closed late.",
        place="point-clearance",
        place_title="clearance of the points, by feeler gauge",
        seen="At their widest the {first} points stand {wide_mm:.2f} mm apart by feeler gauge; the manual extract tells what they should.",
        not_seen="At their widest all points stand 0.35 mm apart by feeler gauge.",
        mend_title="set the clearance",
        mended="The clearance of the {first} points is set to 0.35 mm.",
        voids="angles",
        figures=(("wide_mm", uniform(0.48, 0.52)),),
        change=_wide,
    ),
    Fault(
        key="coil-lead-on",
        title="coil lead left on",
        text="The coil's lead was still on the points, so that every probe read closed through the primary.",
        place="coil-lead",
        place_title="coil lead",
        seen="The coil's lead is still screwed to the points' terminal.",
        not_seen="The coil's lead is off the points, its end insulated.",
        mend_title="take the coil lead off",
        mended="The coil's lead is off the points, its end insulated.",
        voids="nothing",
        change=_coil,
    ),
    Fault(
        key="impulse-fitted",
        title="impulse coupling fitted",
        text="An impulse coupling was still on the shaft: it held the magnet back and then snapped it forward.",
        place="shaft-coupling",
        place_title="drive end of the shaft",
        seen="An impulse coupling sits on the drive shaft, its flyweights free.",
        not_seen="The drive shaft is bare but for the encoder and the handwheel.",
        mend_title="take the impulse coupling off",
        mended="The impulse coupling is off the shaft.",
        voids="zero",
        figures=(("catch_deg", uniform(25.0, 35.0)),),
        change=_impulse,
    ),
    Fault(
        key="reversed-sense",
        title="sense of the encoder reversed",
        text="The bench file stated the sense of the encoder the wrong way round.",
        place="encoder-sense",
        place_title="sense of the encoder, against the bench file",
        seen="Turned clockwise, seen from the drive end, the count {rises}; the bench file says the opposite.",
        not_seen="Turned clockwise, seen from the drive end, the count {rises}; the bench file says the same.",
        mend_title="correct the sense in the bench file",
        mended="The bench file now states the encoder's sense as it is.",
        voids="zero",
        use="bench_right",
    ),
    Fault(
        key="slipping-coupling",
        title="encoder coupling slipping",
        text="The encoder's coupling slipped by about {slip_counts:.0f} counts in each turn.",
        place="encoder-coupling",
        place_title="coupling between shaft and encoder",
        seen="The paint line across the encoder's coupling has come apart; its screw is loose.",
        not_seen="The paint line across the encoder's coupling is whole; its screw is tight.",
        mend_title="tighten the encoder's coupling",
        mended="The screw of the encoder's coupling is tight.",
        voids="zero",
        figures=(("slip_counts", uniform(6.0, 12.0)),),
        change=_slipping,
    ),
    Fault(
        key="off-centre-encoder",
        title="encoder off centre",
        text="The encoder was clamped off centre; a dial showed {runout_mm:.2f} mm of run-out.",
        place="encoder-centring",
        place_title="centring of the encoder, by dial gauge",
        seen="On the encoder's hub the dial gauge moves by {runout_mm:.2f} mm in a turn.",
        not_seen="On the encoder's hub the dial gauge moves by less than 0.05 mm in a turn.",
        mend_title="centre the encoder",
        mended="The encoder is clamped anew; the dial gauge moves by less than 0.05 mm in a turn.",
        voids="zero",
        figures=(("runout_mm", uniform(0.5, 0.7)),),
        change=_off_centre,
    ),
    Fault(
        key="retard-reference",
        title="retard reference mixed up",
        text="The job sheet counted the retard angle from another reference than the manual extract.",
        place="retard-reference",
        place_title="job sheet against manual extract: what the retard angle counts from",
        seen="The job sheet and the manual extract count the retard angle from different references.",
        not_seen="The job sheet counts every angle from what the manual extract counts it from.",
        mend_title="correct the reference in the job sheet",
        mended="The job sheet now counts the retard angle from what the manual extract counts it from.",
        voids="angles",
        use="job_right",
    ),
    Fault(
        key="wrong-tooth",
        title="distributor a tooth off",
        text="The distributor gear was one tooth off, so that its finger missed No. 1 although the points were timed.",
        place="distributor-timing",
        place_title="distributor gear mark and finger at No. 1",
        seen="With the timing mark in its window, the distributor gear's mark stands one tooth off and the finger misses No. 1.",
        not_seen="With the timing mark in its window, the distributor gear's mark is in line and the finger stands at No. 1.",
        mend_title="mesh the distributor gear by its mark",
        mended="The distributor gear is meshed by its mark; the finger stands at No. 1.",
        voids="nothing",
    ),
)
BY_KEY: Mapping[str, Fault] = {fault.key: fault for fault in FAULTS}
BY_PLACE: Mapping[str, Fault] = {fault.place: fault for fault in FAULTS}


class Exercise:
    """The faults of one seed, and what was mended of them. `scenario` is the unit with what is not yet mended."""

    def __init__(self, given: Scenario, seed: int) -> None:
        table = given.exercise
        if table is None:
            raise ValueError("a scenario with an exercise was expected")
        self.title = table.title
        self.sheet = table.sheet
        self._given = given
        self._seed = seed
        self._draws = Draws(seed)
        self.faults: tuple[Fault, ...] = tuple(fault for fault in FAULTS if fault.key in self._keys())
        self._mended: set[FaultKey] = set()
        names = {"first": given.breaker[0].name, "rises": "rises" if given.encoder.sense == "clockwise" else "falls"}
        self._values = {
            fault.key: {name: self._draws.take(f"exercise.{fault.key}.{name}", f) for name, f in fault.figures}
            for fault in FAULTS
        }
        self._words: dict[FaultKey, dict[str, object]] = {f.key: {**names, **self._values[f.key]} for f in FAULTS}

    def _keys(self) -> Sequence[FaultKey]:
        table = self._given.exercise
        assert table is not None
        if table.faults:
            return table.faults
        rng = self._draws.stream("exercise.faults")
        number = int(rng.integers(table.number[0], table.number[1] + 1))
        chosen = rng.choice(len(table.any_of), size=number, replace=False).tolist()
        return [table.any_of[k] for k in chosen]

    @property
    def scenario(self) -> Scenario:
        """The unit as it is now."""
        found = self._given
        for fault in self.faults:
            if fault.key not in self._mended:
                found = fault.change(found, Draws(self._seed), self._values[fault.key])
        return found

    def is_there(self, fault: Fault) -> bool:
        """True if it is among the faults and was not mended."""
        return fault in self.faults and fault.key not in self._mended

    def seen(self, place: str) -> str | None:
        """What one finds at a place; None if there is no such place."""
        fault = BY_PLACE.get(place)
        if fault is None:
            return None
        return self._said(fault, fault.seen if self.is_there(fault) else fault.not_seen)

    def mend(self, fault: Fault) -> str:
        """Put a fault right; what was done."""
        if not self.is_there(fault):
            return f"Nothing was to be done there. {self._said(fault, fault.not_seen)}"
        self._mended.add(fault.key)
        return self._said(fault, fault.mended)

    def told(self, fault: Fault) -> str:
        """What was wrong."""
        return self._said(fault, fault.text)

    def _said(self, fault: Fault, text: str) -> str:
        return text.format_map(self._words[fault.key])

    def document(self) -> dict[str, object]:
        """What a person is shown before the exercise; it gives nothing away."""
        return {
            "title": self.title,
            "sheet": list(self.sheet),
            "places": [{"key": fault.place, "title": fault.place_title} for fault in FAULTS],
            "mends": [{"key": fault.key, "title": fault.mend_title} for fault in FAULTS],
        }


def exercise_of(scenario: Scenario, seed: int) -> Exercise | None:
    """The scenario's exercise as this seed draws it; None if it has none."""
    return None if scenario.exercise is None else Exercise(scenario, seed)


def papers(scenario: Scenario, exercise: Exercise | None) -> dict[str, Path | None]:
    """Files that go with the scenario: as given to the person, and put right."""
    given: dict[str, Path | None] = {"job": scenario.job_path, "bench": scenario.bench_path}
    right = {"job_right": scenario.job_path, "bench_right": scenario.bench_path}
    table = scenario.exercise
    if exercise is not None and table is not None:
        if exercise.is_there(BY_KEY["retard-reference"]):
            given["job"] = scenario.beside(table.job_as_given)
        if exercise.is_there(BY_KEY["reversed-sense"]):
            given["bench"] = scenario.beside(table.bench_as_given)
    return {**given, **right}
