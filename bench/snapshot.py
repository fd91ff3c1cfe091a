"""What a screen needs to know at one moment, frozen."""

from __future__ import annotations

from dataclasses import dataclass

from bench import cautions
from bench.adjusting import BEFORE, PointsAdjusting, folded, points_adjusting
from bench.advice import advise
from bench.evaluation import Evaluation, LivePlaces, evaluate, evaluate_as_found
from bench.procedure import Step
from bench.run import Failure, Note, Run

#: Steps in which neutral and marks are known, so that angles count from them as the result's will.
PLACED = frozenset({Step.PASSES, Step.AS_FOUND, Step.ADJUST, Step.VERIFY, Step.CHECKS, Step.DONE})


@dataclass(frozen=True, slots=True)
class PointsState:
    """One set of points now: open or not, and its passes per lobe."""

    name: str
    channel: int
    is_open: bool
    passes: tuple[int, ...]
    last_opening_deg: float | None


@dataclass(frozen=True, slots=True)
class NoteState:
    """Something that the record will tell, and how often it happened."""

    code: str
    text: str
    times: int

    @classmethod
    def of(cls, note: Note) -> NoteState:
        """As it is now."""
        return cls(note.code, note.text, note.times)

    def __str__(self) -> str:
        return self.text + (f" ({self.times} times)" if self.times > 1 else "")


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The job at one moment. `angle_deg` counts from `angle_from`, in the running direction: "neutral", "mark", "lobe mark" or "start".

    From neutral it is the angle past the neutral whose lobe is nearest ahead or just passed; `angle_place` is that neutral's
    index.
    """

    step: Step
    instruction: str
    caution: str
    connected: bool
    simulated: bool
    guided: bool
    angle_deg: float | None
    angle_from: str
    angle_place: int
    speed_deg_s: float
    points: tuple[PointsState, ...]
    presses: tuple[int, int]
    rests: int
    passes_wanted: int
    losses: int
    notes: tuple[NoteState, ...]
    failure: Failure | None
    evaluation: Evaluation | None
    #: What would help most, once there is a result.
    advice: str | None
    #: What the step still needs, in words.
    needed: str = ""
    link_lost: bool = False
    #: Of a guided job: every set of points while it is set, what was found before, how often the rotor was held and how far it crept.
    adjusting: tuple[PointsAdjusting, ...] = ()
    as_found: Evaluation | None = None
    held: bool = False
    crept_deg: float = 0.0
    followers_lifted: bool = False

    @property
    def live(self) -> bool:
        """True while what is shown of rotor and points is what they do now."""
        return self.connected and self.failure is None and not self.link_lost


def snapshot(run: Run) -> Snapshot:
    """The present state of `run`. Evaluates only once the run is done."""
    steps = run.procedure
    zero = run.zero_counts()
    lobe_counts = run.lobe_counts()
    position = run.count * run.sense * 360.0 / run.counts_per_turn if run.counts_per_turn and run.sense else None
    spacing = run.job.unit.lobe_spacing_deg
    zero_deg = None if zero is None or not run.counts_per_turn else zero * 360.0 / run.counts_per_turn
    angle_from = "start"
    angle = None
    place: float = 0
    places = _places(run)
    if position is not None:
        if zero_deg is not None and steps is not None and run.presses_taken:
            neutral_pressed = bool(steps.presses or steps.lifted_presses)
            angle_from = "neutral" if neutral_pressed else "lobe mark" if steps.mark is None else "mark"
            past = position - zero_deg
            if places is not None:
                from_deg = (
                    places.rotor_deg(steps.mark.count) if angle_from == "mark" and steps.mark is not None else 0.0
                )
                past = places.rotor_deg(run.count) - from_deg
            place = int((past + spacing * BEFORE) // spacing) % run.job.unit.poles
            angle = folded(past, spacing)
        else:
            angle = position - run.start_deg
    final, advice = _final(run)
    points = []
    for trace in run.epoch.traces:
        last = None
        if trace.passes and places is not None:
            last = folded(places.opening_deg(trace.breaker, trace.passes[-1].opening), spacing)
        points.append(
            PointsState(
                trace.breaker.name,
                trace.breaker.channel,
                bool(run.levels >> trace.breaker.channel & 1),
                tuple(lobe_counts[trace.breaker.name]),
                last,
            )
        )
    return Snapshot(
        step=run.step,
        instruction=_instruction(run),
        caution=cautions.BY_STEP.get(run.step, ""),
        connected=run.hello is not None,
        simulated=run.settings.rehearsal is not None or (run.hello is not None and bool(run.hello.simulated)),
        guided=run.settings.guided,
        angle_deg=angle,
        angle_from=angle_from,
        angle_place=int(place),
        speed_deg_s=run.speed_deg_s,
        points=tuple(points),
        presses=(0, 0) if steps is None else steps.presses_per_side,
        rests=len(run.epoch.rests),
        passes_wanted=run.settings.passes,
        losses=run.stream.counts.losses,
        notes=tuple(NoteState.of(n) for n in run.notes),
        failure=run.failure,
        evaluation=final,
        advice=advice,
        needed="" if steps is None or run.finished else run.missing(),
        link_lost=run.link_lost,
        adjusting=points_adjusting(run, places) if run.settings.guided and places is not None else (),
        as_found=_as_found(run),
        held=run.holding is not None and run.holding.at_count is not None,
        crept_deg=0.0 if run.holding is None else run.deg(run.holding.crept_counts),
        followers_lifted=steps is not None and steps.followers_lifted,
    )


def _final(run: Run) -> tuple[Evaluation | None, str | None]:
    """Evaluation and advice of a finished run, worked out once: a finished run does not change any more."""
    if run.step is not Step.DONE or run.failure is not None:
        return None, None
    known: tuple[Evaluation, str | None] | None = run.derived.get("final")
    if known is None:
        evaluation = evaluate(run)
        advised = advise(run, evaluation)
        known = run.derived["final"] = evaluation, None if advised is None else advised.text
    return known


def _as_found(run: Run) -> Evaluation | None:
    """Worked out once: what was found before anything was touched does not change any more."""
    known: Evaluation | None = run.derived.get("as found")
    if known is None and run.as_found is not None:
        known = run.derived["as found"] = evaluate_as_found(run)
    return known


def _places(run: Run) -> LivePlaces | None:
    """Places by the zero as it is known; worked out anew only when a zero begins."""
    steps = run.procedure
    if steps is None or run.step not in PLACED or not run.counts_per_turn:
        return None
    epoch = run.epoch
    key = (id(epoch), run.presses_taken, epoch.last_index_count is None, not any(t.passes for t in epoch.traces))
    known: tuple[object, LivePlaces] | None = run.derived.get("places")
    if known is None or known[0] != key:
        known = run.derived["places"] = key, LivePlaces(run)
    return known[1]


def _instruction(run: Run) -> str:
    steps = run.procedure
    if steps is None:
        return "Waiting for the board."
    missing = run.missing()
    return {
        Step.SENSE: f"Turn the rotor in its running direction ({run.job.unit.rotation}, seen from the drive end).",
        Step.MARKS: "Bring up the No. 1 lobe's mark in the running direction, stop some degrees before its points open, and press the "
        "pedal."
        if steps.lobe_mark_wanted
        else "Set the rotor to the manual's angle mark and press the pedal.",
        Step.NEUTRAL: "With the followers lifted off the cam: find neutral from both sides and press the pedal each time, at least "
        "twice from each side. Then let the followers down."
        if steps.followers_lifted
        else "Find neutral from both sides and press the pedal each time; let the rotor go from either side and leave it to rest. "
        "Then turn on through the first opening."
        if run.job.needs_neutral or steps.presses
        else "Turn on in the running direction through the openings. (No angle of this job counts from neutral.)",
        Step.PASSES: f"Keep turning in the running direction. Still to come: {missing}.",
        Step.AS_FOUND: f"As found: turn in the running direction before anything is touched. Still to come: {missing}.",
        Step.ADJUST: "Hold the rotor at the target and move the points until they just open; tighten, then press the pedal.",
        Step.VERIFY: f"Verify after the final torque: keep turning in the running direction. Still to come: {missing}.",
        Step.CHECKS: "Carry out the other checks that the manual asks for.",
        Step.DONE: "Done. Press q to leave; the result is then printed, too.",
    }[steps.step]
