"""The result document (JSON): the record's core. Floats are rounded to 1e-6, unknowns are null, never NaN."""

from __future__ import annotations

import json
import math
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from bench import adjustment, contact_findings, engine
from bench.advice import Advice, advise
from bench.bench_file import BenchFile
from bench.contact_findings import BreakerContacts, LobeContacts
from bench.contact_quality import Spread, StaticDifference
from bench.contact_resistance import NotMeasurable, Resistance
from bench.encoder_map import EncoderMap
from bench.evaluation import (
    Angle,
    BreakerResult,
    DifferenceResult,
    Evaluation,
    OpeningResult,
    evaluate,
    evaluate_as_found,
)
from bench.job import Breaker, Unit
from bench.job_file import JobFile
from bench.run import Failure, Run
from bench.settings import ANALYSIS
from bench.uncertainty import Budget, Term
from bench.verdict import Verdict

FORMAT = "breakerbench-result"
VERSION = 1


def _rounded(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(value, 6) + 0.0


Number = Annotated[float | None, AfterValidator(_rounded)]


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, populate_by_name=True)


class BudgetRow(_Model):
    """One term of a budget. `degrees_of_freedom` null means infinitely many."""

    source: str
    type: str
    distribution: str
    standard_uncertainty: Number
    unit: str
    sensitivity: Number
    contribution_deg: Number
    degrees_of_freedom: Number
    share: Number


class EstimateRow(_Model):
    """One method's neutral, as an offset from the neutral used."""

    method: str
    offset_deg: Number
    standard_uncertainty_deg: Number
    degrees_of_freedom: Number
    band_deg: Number
    approached_forward: int
    approached_backward: int


class NeutralRow(_Model):
    """One neutral. Index 0 is the one first marked."""

    index: int
    standard_uncertainty_deg: Number
    method: str
    band_deg: Number
    estimates: tuple[EstimateRow, ...]


class PairRow(_Model):
    """A compensated cam's lobe past one neutral; they meet anew after lcm(cylinders, poles) / poles turns of the magnet."""

    neutral: int
    passes: int
    from_neutral_deg: Number
    standard_uncertainty_deg: Number
    expanded_uncertainty_deg: Number


class SpreadRow(_Model):
    """Latest lobe less earliest, each past its own neutral and less its stated offset."""

    early_lobe: int
    late_lobe: int
    spread_deg: Number
    standard_uncertainty_deg: Number
    expanded_uncertainty_deg: Number


class CamPullRow(_Model):
    """How far the followers pull neutral in the running direction: felt with them down, less felt with them lifted."""

    angle_deg: Number
    standard_uncertainty_deg: Number
    within_bound: bool


class EncoderRow(_Model):
    """The encoder's map in use, and how it came about; null where the bound on the eccentricity stands in its place."""

    kind: str
    encoder: str
    made_on: str
    due_on: str
    certificate: str | None
    left_deg: Number
    orders: tuple[int, ...]
    orders_not_seen: tuple[int, ...]


class EngineRow(_Model):
    """What the magnet's degrees are on a four-stroke engine."""

    cylinders: int
    magneto_turns_per_crank_turn: Number
    crank_deg_per_magneto_deg: Number
    firing_order: tuple[int, ...] | None


class SpreadOfPassesRow(_Model):
    """Closing angle or dwell of one lobe over its turning passes: mean and scatter with their standard uncertainties."""

    passes: int
    mean_deg: Number
    standard_uncertainty_deg: Number
    deviation_deg: Number
    deviation_standard_uncertainty_deg: Number


class ContactRow(_Model):
    """How the points of one lobe parted: returns to closed before they settled, bounce, spread of closing and dwell."""

    openings: int
    with_returns: int
    mean_returns: Number
    most_returns: int
    median_bounce_ms: Number
    longest_bounce_ms: Number
    longest_return_ms: Number
    merged_edges: int
    closing: SpreadOfPassesRow | None
    dwell: SpreadOfPassesRow | None


class StaticRow(_Model):
    """Static openings (held, crept) less turning ones, with the test that it is nil."""

    static: int
    turning: int
    difference_deg: Number
    standard_uncertainty_deg: Number
    expanded_uncertainty_deg: Number
    coverage_factor: Number
    statistic: Number
    critical: Number
    differs: bool
    budget: tuple[BudgetRow, ...]


class OhmRow(_Model):
    """One source of uncertainty of a resistance. `degrees_of_freedom` null means infinitely many."""

    source: str
    type: str
    standard_uncertainty_ohm: Number
    degrees_of_freedom: Number


class ResistanceRow(_Model):
    """Resistance of closed points; not measurable: why, one step of the reading, and what it is below, where known."""

    measurable: bool
    reason: str | None
    ohm: Number
    standard_uncertainty_ohm: Number
    expanded_uncertainty_ohm: Number
    coverage_factor: Number
    resolution_ohm: Number
    below_ohm: Number
    budget: tuple[OhmRow, ...]


class AdviceRow(_Model):
    """One thing to do, and the expanded uncertainty of the figure that matters most: now, and as predicted once it is done."""

    action: str
    text: str
    expanded_uncertainty_deg: Number
    predicted_expanded_uncertainty_deg: Number


class AdjustRow(_Model):
    """How far a limited opening is from its target, positive if it has to open later; `direction` "later", "earlier" or "none"."""

    move_deg: Number
    direction: str
    text: str


class OpeningRow(_Model):
    """One lobe of one breaker. Angle, uncertainties, target, limits and verdict are relative to the breaker's `from`."""

    lobe: int
    angle_deg: Number
    standard_uncertainty_deg: Number
    expanded_uncertainty_deg: Number
    coverage_factor: Number
    degrees_of_freedom: Number
    from_neutral_deg: Number
    from_neutral_expanded_uncertainty_deg: Number
    passes_used: int
    passes_void: int
    spread_deg: Number
    target_deg: Number
    lower_limit_deg: Number
    upper_limit_deg: Number
    verdict: str
    probability_inside: Number
    budget: tuple[BudgetRow, ...]
    closing_deg: Number
    dwell_deg: Number
    bounce_ms: Number
    offset_deg: Number
    cylinder: int | None
    crank_deg: Number
    crank_expanded_uncertainty_deg: Number
    by_neutral: tuple[PairRow, ...]
    contact: ContactRow | None
    adjust: AdjustRow | None


class BreakerRow(_Model):
    """One set of points."""

    name: str
    channel: int
    from_: str = Field(alias="from")
    openings: tuple[OpeningRow, ...]
    lobe_spread: SpreadRow | None
    static_against_turning: StaticRow | None
    contact_resistance: ResistanceRow | None


class DifferenceRow(_Model):
    """Second breaker's opening minus the first's, per lobe of the first."""

    between: tuple[str, str]
    lobe: int
    angle_deg: Number
    standard_uncertainty_deg: Number
    expanded_uncertainty_deg: Number
    coverage_factor: Number
    target_deg: Number
    lower_limit_deg: Number
    upper_limit_deg: Number
    verdict: str
    probability_inside: Number
    budget: tuple[BudgetRow, ...]


class FoundRow(_Model):
    """What a guided job measured before anything was touched."""

    neutrals: tuple[NeutralRow, ...]
    breakers: tuple[BreakerRow, ...]
    differences: tuple[DifferenceRow, ...]


class LinkRow(_Model):
    """What the line was like, up to the end of the measurement."""

    frames: int
    bad_frames: int
    losses: int


class NoteRow(_Model):
    """Something that the record must tell."""

    code: str
    text: str
    times: int = 1


class ErrorRow(_Model):
    """Why there is no valid result."""

    code: str
    text: str


class ResultDocument(_Model):
    """The whole document."""

    format: str = FORMAT
    version: int = VERSION
    analysis: int = ANALYSIS
    valid: bool
    verdict: str | None = None
    simulated: bool | None
    error: ErrorRow | None = None
    journal: str | None = None
    run_date: str | None = None
    software: str | None = None
    unit: dict[str, Any] | None = None
    limits: dict[str, Any] | None = None
    decision: dict[str, Any] | None = None
    board: dict[str, Any] | None = None
    encoder: EncoderRow | None = None
    engine: EngineRow | None = None
    cam_pull: CamPullRow | None = None
    neutrals: tuple[NeutralRow, ...] = ()
    breakers: tuple[BreakerRow, ...] = ()
    differences: tuple[DifferenceRow, ...] = ()
    advice: tuple[AdviceRow, ...] = ()
    #: In a sentence or two; also where nothing helps, and why.
    advice_text: str | None = None
    as_found: FoundRow | None = None
    entries: tuple[dict[str, Any], ...] = ()
    link: LinkRow | None = None
    notes: tuple[NoteRow, ...] = ()
    truth: dict[str, Any] | None = None

    def exit_status(self) -> int:
        """0 inside, 1 outside, 3 undecided or no limits, 4 no valid measurement, 130 interrupted."""
        if not self.valid:
            return 130 if self.error is not None and self.error.code == "interrupted" else 4
        return {Verdict.INSIDE: 0, Verdict.OUTSIDE: 1}.get(self.overall(), 3)

    def overall(self) -> Verdict:
        """The worst verdict on anything limited: outside, undecided, inside; none if nothing is."""
        found = {o.verdict for b in self.breakers for o in b.openings if o.target_deg is not None} | {
            d.verdict for d in self.differences
        }
        for verdict in (Verdict.OUTSIDE, Verdict.UNDECIDED, Verdict.INSIDE):
            if verdict in found:
                return verdict
        return Verdict.NONE

    def to_json(self) -> str:
        """The document as one line-broken JSON text. Keys that only failures or rehearsals carry are left out elsewhere."""
        document = self.model_dump(mode="json", by_alias=True)
        for key in ("error", "journal", "truth"):
            if document[key] is None and not (key == "journal" and not self.valid):
                del document[key]
        return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)


def document(run: Run, journal: str | None) -> ResultDocument:
    """Result of a run that has finished. `journal` is where its bytes are, None if there is none."""
    failure = run.failure
    evaluation = evaluate(run) if failure is None else None
    contacts = None if evaluation is None else contact_findings.of_run(run, evaluation)
    advised = None if evaluation is None else advise(run, evaluation)
    hello = run.hello
    settings = run.settings
    notes = [NoteRow(code=n.code, text=n.text, times=n.times) for n in run.notes]
    if evaluation is not None:
        notes += [NoteRow(code=c, text=t) for c, t in evaluation.notes]
    if contacts is not None:
        notes += [NoteRow(code=c, text=t) for c, t in contacts.notes]
    result = ResultDocument(
        valid=failure is None,
        simulated=None if hello is None else bool(hello.simulated) or settings.rehearsal is not None,
        error=None if failure is None else ErrorRow(code=failure.code, text=failure.text),
        journal=None if failure is None else journal,
        run_date=settings.run_date,
        software=settings.software,
        unit=settings.job_file.unit.model_dump(mode="json"),
        limits=None if settings.job_file.limits is None else settings.job_file.limits.model_dump(mode="json"),
        decision=settings.bench.decision.model_dump(mode="json"),
        board=None
        if hello is None
        else {
            "board_id": hello.board_id.hex(),
            "boot_counter": hello.boot_counter,
            "firmware": f"{hello.firmware_major}.{hello.firmware_minor}.{hello.firmware_patch}",
            "counts_per_turn": hello.counts_per_turn,
        },
        encoder=_encoder(settings.encoder_map),
        engine=_engine(run.job.unit),
        cam_pull=None if evaluation is None else _cam_pull(evaluation),
        neutrals=() if evaluation is None else _neutrals(run, evaluation),
        breakers=()
        if evaluation is None or contacts is None
        else tuple(_breaker(run.job.unit, b, c) for b, c in zip(evaluation.breakers, contacts.breakers, strict=True)),
        differences=() if evaluation is None else tuple(_difference(d) for d in evaluation.differences),
        advice=_advice(advised),
        advice_text=None if advised is None else advised.text,
        as_found=_as_found(run),
        entries=tuple(run.entries),
        link=LinkRow(
            frames=run.stream.counts.frames, bad_frames=run.stream.counts.bad_frames, losses=run.stream.counts.losses
        ),
        notes=tuple(notes),
    )
    return result if failure is not None else result.model_copy(update={"verdict": result.overall().value})


def failure_document(
    failure: Failure, journal: str | None, job: JobFile | None, bench: BenchFile | None
) -> ResultDocument:
    """Document of a failure before any run began."""
    return ResultDocument(
        valid=False,
        simulated=None,
        error=ErrorRow(code=failure.code, text=failure.text),
        journal=journal,
        unit=None if job is None else job.unit.model_dump(mode="json"),
        limits=None if job is None or job.limits is None else job.limits.model_dump(mode="json"),
        decision=None if bench is None else bench.decision.model_dump(mode="json"),
    )


def budget_row(budget: Budget, term: Term) -> BudgetRow:
    """One term of a budget as the documents tell it."""
    return BudgetRow(
        source=term.source,
        type=term.kind,
        distribution=term.shape.value,
        standard_uncertainty=term.standard_uncertainty,
        unit=term.unit,
        sensitivity=term.sensitivity,
        contribution_deg=term.contribution_deg,
        degrees_of_freedom=term.freedom,
        share=budget.share(term),
    )


def _rows(budget: Budget) -> tuple[BudgetRow, ...]:
    return tuple(budget_row(budget, t) for t in budget.terms)


def _as_found(run: Run) -> FoundRow | None:
    evaluation = evaluate_as_found(run)
    if evaluation is None:
        return None
    return FoundRow(
        neutrals=_neutrals(run, evaluation),
        breakers=tuple(_breaker(run.job.unit, b, None) for b in evaluation.breakers),
        differences=tuple(_difference(d) for d in evaluation.differences),
    )


def _encoder(found: EncoderMap | None) -> EncoderRow | None:
    if found is None:
        return None
    return EncoderRow(
        kind=found.kind,
        encoder=found.encoder,
        made_on=found.made_on.isoformat(),
        due_on=found.due_on.isoformat(),
        certificate=None if found.certificate is None else found.certificate.text,
        left_deg=found.left_deg,
        orders=tuple(h.order for h in found.harmonics),
        orders_not_seen=found.not_seen,
    )


def _engine(unit: Unit) -> EngineRow | None:
    ratio = engine.magneto_turns_per_crank_turn(unit)
    if ratio is None or unit.cylinders is None:
        return None
    return EngineRow(
        cylinders=unit.cylinders,
        magneto_turns_per_crank_turn=float(ratio),
        crank_deg_per_magneto_deg=1 / float(ratio),
        firing_order=engine.firing_order(unit.cylinders),
    )


def _cam_pull(evaluation: Evaluation) -> CamPullRow | None:
    pull = evaluation.cam_pull
    if pull is None:
        return None
    return CamPullRow(
        angle_deg=pull.cam_pull_deg, standard_uncertainty_deg=pull.u_cam_pull_deg, within_bound=pull.within_bound
    )


def _neutrals(run: Run, evaluation: Evaluation) -> tuple[NeutralRow, ...]:
    neutral = evaluation.neutral
    if neutral is None:
        return ()
    estimates = tuple(
        EstimateRow(
            method=e.method,
            offset_deg=e.angle_deg - neutral.angle_deg,
            standard_uncertainty_deg=e.u_deg,
            degrees_of_freedom=e.freedom,
            band_deg=e.band_deg,
            approached_forward=e.from_below,
            approached_backward=e.from_above,
        )
        for e in neutral.estimates
    )
    spacing_u = run.settings.bench.priors.pole_spacing_deg / math.sqrt(3)
    rows = [
        NeutralRow(
            index=0,
            standard_uncertainty_deg=neutral.standard_uncertainty_deg,
            method=neutral.method,
            band_deg=neutral.band_deg,
            estimates=estimates,
        )
    ]
    for index in range(1, run.job.unit.poles):
        rows.append(
            NeutralRow(
                index=index,
                standard_uncertainty_deg=math.hypot(neutral.standard_uncertainty_deg, spacing_u),
                method="pole spacing from neutral 0",
                band_deg=None,
                estimates=(),
            )
        )
    return tuple(rows)


def _value(angle: Angle | None) -> dict[str, float | None]:
    if angle is None:
        return dict.fromkeys(("angle_deg", "standard_uncertainty_deg", "expanded_uncertainty_deg", "coverage_factor"))
    return {
        "angle_deg": angle.value_deg,
        "standard_uncertainty_deg": angle.budget.standard_uncertainty_deg,
        "expanded_uncertainty_deg": angle.budget.expanded_uncertainty_deg,
        "coverage_factor": angle.budget.coverage_factor,
    }


def _spread_of_passes(found: Spread | None) -> SpreadOfPassesRow | None:
    if found is None:
        return None
    return SpreadOfPassesRow(
        passes=found.n,
        mean_deg=found.mean_deg,
        standard_uncertainty_deg=found.u_mean_deg,
        deviation_deg=found.deviation_deg,
        deviation_standard_uncertainty_deg=found.u_deviation_deg,
    )


def _contact(found: LobeContacts, from_neutral: bool) -> ContactRow | None:
    chatter = found.chatter
    if chatter is None:
        return None
    return ContactRow(
        openings=chatter.openings,
        with_returns=chatter.with_returns,
        mean_returns=chatter.mean_returns,
        most_returns=chatter.most_returns,
        median_bounce_ms=chatter.median_bounce_ms,
        longest_bounce_ms=chatter.longest_bounce_ms,
        longest_return_ms=chatter.longest_return_ms,
        merged_edges=chatter.merged,
        closing=_spread_of_passes(found.closing) if from_neutral else None,
        dwell=_spread_of_passes(found.dwell),
    )


def _static(found: StaticDifference | None) -> StaticRow | None:
    if found is None:
        return None
    return StaticRow(
        static=found.static,
        turning=found.turning,
        difference_deg=found.difference_deg,
        standard_uncertainty_deg=found.budget.standard_uncertainty_deg,
        expanded_uncertainty_deg=found.budget.expanded_uncertainty_deg,
        coverage_factor=found.budget.coverage_factor,
        statistic=found.statistic,
        critical=found.critical,
        differs=found.differs,
        budget=_rows(found.budget),
    )


def _resistance(found: Resistance | NotMeasurable) -> ResistanceRow:
    known = found if isinstance(found, Resistance) else None
    return ResistanceRow(
        measurable=known is not None,
        reason=found.reason if isinstance(found, NotMeasurable) else None,
        ohm=None if known is None else known.ohm,
        standard_uncertainty_ohm=None if known is None else known.u_ohm,
        expanded_uncertainty_ohm=None if known is None else known.expanded_ohm,
        coverage_factor=None if known is None else known.coverage_factor,
        resolution_ohm=found.resolution_ohm,
        below_ohm=found.below_ohm if isinstance(found, NotMeasurable) else None,
        budget=()
        if known is None
        else tuple(
            OhmRow(source=t.source, type=t.kind, standard_uncertainty_ohm=t.u_ohm, degrees_of_freedom=t.freedom)
            for t in known.terms
        ),
    )


def _breaker(unit: Unit, result: BreakerResult, contacts: BreakerContacts | None) -> BreakerRow:
    reference = result.breaker.reference
    spread = result.spread
    return BreakerRow(
        name=result.breaker.name,
        channel=result.breaker.channel,
        from_=str(reference),
        openings=tuple(
            _opening(unit, result.breaker, o, c)
            for o, c in zip(
                result.openings, [None] * len(result.openings) if contacts is None else contacts.lobes, strict=True
            )
        ),
        static_against_turning=None if contacts is None else _static(contacts.static),
        contact_resistance=None if contacts is None else _resistance(contacts.resistance),
        lobe_spread=None
        if spread is None
        else SpreadRow(
            early_lobe=spread.early_lobe,
            late_lobe=spread.late_lobe,
            spread_deg=spread.angle.value_deg,
            standard_uncertainty_deg=spread.angle.budget.standard_uncertainty_deg,
            expanded_uncertainty_deg=spread.angle.budget.expanded_uncertainty_deg,
        ),
    )


def _opening(unit: Unit, breaker: Breaker, opening: OpeningResult, contacts: LobeContacts | None) -> OpeningRow:
    mean, tolerance, neutral, angle = opening.mean, opening.tolerance, opening.from_neutral, opening.angle
    return OpeningRow(
        lobe=mean.lobe,
        **_value(opening.angle),
        degrees_of_freedom=None if opening.angle is None else opening.angle.budget.freedom,
        from_neutral_deg=None if neutral is None else neutral.value_deg,
        from_neutral_expanded_uncertainty_deg=None if neutral is None else neutral.budget.expanded_uncertainty_deg,
        passes_used=len(mean.passes),
        passes_void=mean.void,
        spread_deg=mean.scatter_deg,
        target_deg=None if tolerance is None else tolerance.target_deg,
        lower_limit_deg=None if tolerance is None else tolerance.lower_deg,
        upper_limit_deg=None if tolerance is None else tolerance.upper_deg,
        verdict=opening.verdict.value,
        probability_inside=opening.probability,
        budget=() if opening.angle is None else _rows(opening.angle.budget),
        closing_deg=mean.closing_deg if neutral is not None else None,
        dwell_deg=mean.dwell_deg,
        bounce_ms=mean.bounce_ms,
        contact=None if contacts is None else _contact(contacts, neutral is not None),
        offset_deg=breaker.offset_deg(mean.lobe) if breaker.offsets_deg else None,
        cylinder=engine.cylinder_of(unit, mean.lobe),
        crank_deg=None if angle is None else engine.crank_deg(unit, angle.value_deg),
        crank_expanded_uncertainty_deg=None
        if angle is None
        else engine.crank_deg(unit, angle.budget.expanded_uncertainty_deg),
        by_neutral=tuple(
            PairRow(
                neutral=p.neutral,
                passes=p.passes,
                from_neutral_deg=p.angle.value_deg,
                standard_uncertainty_deg=p.angle.budget.standard_uncertainty_deg,
                expanded_uncertainty_deg=p.angle.budget.expanded_uncertainty_deg,
            )
            for p in opening.pairs
        ),
        adjust=_adjust(breaker, opening),
    )


def _adjust(breaker: Breaker, opening: OpeningResult) -> AdjustRow | None:
    angle, tolerance = opening.angle, opening.tolerance
    if angle is None or tolerance is None:
        return None
    name = f"{breaker.name} lobe {opening.mean.lobe}"
    told = adjustment.adjust(name, angle.value_deg, angle.budget.expanded_uncertainty_deg, tolerance)
    return AdjustRow(move_deg=told.move_deg, direction=told.direction, text=told.text)


def _advice(found: Advice | None) -> tuple[AdviceRow, ...]:
    return tuple(
        AdviceRow(
            action=a.action,
            text=a.text,
            expanded_uncertainty_deg=a.expanded_uncertainty_deg,
            predicted_expanded_uncertainty_deg=a.predicted_deg,
        )
        for a in (() if found is None else found.actions)
    )


def _difference(result: DifferenceResult) -> DifferenceRow:
    tolerance = result.difference.tolerance
    return DifferenceRow(
        between=(result.difference.first, result.difference.second),
        lobe=result.lobe,
        **_value(result.angle),
        target_deg=tolerance.target_deg,
        lower_limit_deg=tolerance.lower_deg,
        upper_limit_deg=tolerance.upper_deg,
        verdict=result.verdict.value,
        probability_inside=result.probability,
        budget=_rows(result.angle.budget),
    )
