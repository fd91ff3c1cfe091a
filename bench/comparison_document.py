"""The comparison document (JSON), and what an adjustment between the two captures tells."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict

from bench import comparison as comparing
from bench.adjustment import Adjust, NeededMove, NotKnown, Sensitivity, adjust, needed_move, sensitivity
from bench.comparison import Change, Comparison
from bench.errors import UsageError
from bench.evaluation import Evaluation
from bench.files import printable
from bench.job import Job
from bench.result import BudgetRow, Number, budget_row
from bench.run import Run
from bench.settings import ANALYSIS

FORMAT = "breakerbench-comparison"
VERSION = 1
_MOVED = re.compile(
    r"\s*(?:(?P<name>[^:]+):)?\s*(?P<amount>[+-]?\d+(?:\.\d+)?(?:/\d+)?)\s*(?P<unit>[^\d\s][^\d]{0,30}?)\s*"
)
_UNIT = AfterValidator(lambda text: printable(text))


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True)


class TermRow(BudgetRow):
    """One term of a change, and how it was treated: independent, or common to both captures."""

    treatment: str


class ChangeRow(_Model):
    """One opening, after less before, positive where it opens later."""

    breaker: str
    lobe_before: int
    lobe_after: int
    before_deg: Number
    after_deg: Number
    change_deg: Number
    standard_uncertainty_deg: Number
    expanded_uncertainty_deg: Number
    coverage_factor: Number
    larger_than_uncertainty: bool
    text: str
    budget: tuple[TermRow, ...]


class MoveRow(_Model):
    """What one limited opening still needs. The last three are in the user's unit, null where nothing can be predicted."""

    lobe: int
    move_deg: Number
    direction: str
    text: str
    move: Number
    move_low: Number
    move_high: Number


class SensitivityRow(_Model):
    """Degrees later per unit moved, as the two captures tell it."""

    breaker: str
    moved: Number
    unit: Annotated[str, _UNIT]
    deg_per_unit: Number
    standard_uncertainty_deg_per_unit: Number
    expanded_uncertainty_deg_per_unit: Number
    known: bool
    text: str
    openings: tuple[MoveRow, ...]


class CaptureRow(_Model):
    """One of the two captures."""

    run_date: str
    software: str
    simulated: bool
    verdict: str | None


class ComparisonDocument(_Model):
    """The whole document."""

    format: str = FORMAT
    version: int = VERSION
    analysis: int = ANALYSIS
    valid: bool = True
    part_number: str
    serial_number: str
    before: CaptureRow
    after: CaptureRow
    same_clamping: bool | None
    neutral_moved_poles: int
    changes: tuple[ChangeRow, ...]
    sensitivity: SensitivityRow | None
    notes: tuple[str, ...]

    def to_json(self) -> str:
        """The document as one line-broken JSON text."""
        return json.dumps(self.model_dump(mode="json"), ensure_ascii=False, allow_nan=False, indent=1)


@dataclass(frozen=True, slots=True)
class Moved:
    """What the user states that he moved between the two captures."""

    breaker: str
    amount: float
    unit: str


def parse_moved(text: str, job: Job) -> Moved:
    """`[BREAKER:] AMOUNT UNIT`, as in "0.05 mm" or "main: -1/8 turn". Raises UsageError."""
    found = _MOVED.fullmatch(text)
    names = [b.name for b in job.breakers]
    if found is None:
        raise UsageError('--moved takes an amount and its unit, for instance "0.05 mm" or "main: -1/8 turn".')
    name = (found["name"] or "").strip() or (names[0] if len(names) == 1 else "")
    if name not in names:
        raise UsageError(
            f'--moved: name the breaker that was moved, for instance "{names[0]}: 0.05 mm"; there are {", ".join(names)}.'
        )
    whole, _, part = found["amount"].partition("/")
    if part and int(part) == 0:
        raise UsageError("--moved: the amount divides by nothing.")
    amount = float(Fraction(whole) / int(part or "1"))
    if amount == 0:
        raise UsageError("--moved: an amount other than 0 was expected, else nothing tells how much the angle follows.")
    return Moved(name, amount, found["unit"])


def document(
    before: Run, after: Run, verdicts: tuple[str | None, str | None], evaluation: Evaluation, moved: str | None = None
) -> ComparisonDocument:
    """Both runs have ended validly; `evaluation` is the later one's. Raises UsageError where they cannot be compared."""
    told = None if moved is None else parse_moved(moved, after.job)
    compared = comparing.compare(before, after)
    confidence = before.settings.bench.decision.confidence
    return ComparisonDocument(
        part_number=after.job.unit.part_number,
        serial_number=after.job.unit.serial_number,
        before=_capture(before, verdicts[0]),
        after=_capture(after, verdicts[1]),
        same_clamping=compared.same_clamping,
        neutral_moved_poles=compared.neutral_moved,
        changes=tuple(_change(c) for c in compared.changes),
        sensitivity=None if told is None else _sensitivity(compared, evaluation, told, confidence),
        notes=compared.notes,
    )


def in_words(found: ComparisonDocument) -> str:
    """The document for a terminal and for ears."""
    lines = [
        f"Unit {found.part_number}, serial {found.serial_number}: change from {found.before.run_date} to {found.after.run_date}",
        "",
    ]
    if found.before.simulated or found.after.simulated:
        lines[:0] = ["SIMULATED UNIT: a rehearsal, not for record.", ""]
    for change in found.changes:
        lines.append(change.text)
        for row in change.budget:
            lines.append(f"    {row.source:<52}{row.contribution_deg or 0.0:>9.4f}°  {row.treatment}")
        lines.append("")
    if found.sensitivity is not None:
        told = found.sensitivity
        lines.append(f"Sensitivity of {told.breaker}: {told.text}.")
        lines += [f"  {opening.text}" for opening in told.openings]
        lines.append("")
    return "\n".join([*lines, "Notes:", *(f"  {note}" for note in found.notes)])


def _capture(run: Run, verdict: str | None) -> CaptureRow:
    settings = run.settings
    simulated = settings.rehearsal is not None or (run.hello is not None and bool(run.hello.simulated))
    return CaptureRow(run_date=settings.run_date, software=settings.software, simulated=simulated, verdict=verdict)


def _change(change: Change) -> ChangeRow:
    budget = change.angle.budget
    return ChangeRow(
        breaker=change.breaker,
        lobe_before=change.lobe_before,
        lobe_after=change.lobe_after,
        before_deg=change.before_deg,
        after_deg=change.after_deg,
        change_deg=change.angle.value_deg,
        standard_uncertainty_deg=budget.standard_uncertainty_deg,
        expanded_uncertainty_deg=budget.expanded_uncertainty_deg,
        coverage_factor=budget.coverage_factor,
        larger_than_uncertainty=change.larger,
        text=change.text,
        budget=tuple(TermRow(**budget_row(budget, r.term).model_dump(), treatment=r.treatment) for r in change.rows),
    )


def _sensitivity(
    compared: Comparison, evaluation: Evaluation, moved: Moved, confidence: float
) -> SensitivityRow | None:
    pair = comparing.adjustment(compared, moved.breaker, moved.amount)
    learnt = NotKnown("") if pair is None else sensitivity([pair], moved.unit)
    if isinstance(learnt, NotKnown):
        return None
    return SensitivityRow(
        breaker=moved.breaker,
        moved=moved.amount,
        unit=moved.unit,
        deg_per_unit=learnt.deg_per_unit,
        standard_uncertainty_deg_per_unit=learnt.u_deg_per_unit,
        expanded_uncertainty_deg_per_unit=learnt.expanded(confidence),
        known=learnt.known(confidence),
        text=learnt.text(confidence),
        openings=tuple(_moves(evaluation, moved, learnt, confidence)),
    )


def _moves(evaluation: Evaluation, moved: Moved, learnt: Sensitivity, confidence: float) -> list[MoveRow]:
    found = []
    for result in evaluation.breakers:
        for opening in result.openings:
            if result.breaker.name != moved.breaker or opening.angle is None or opening.tolerance is None:
                continue
            budget = opening.angle.budget
            name = f"{moved.breaker} lobe {opening.mean.lobe}"
            wanted = adjust(name, opening.angle.value_deg, budget.expanded_uncertainty_deg, opening.tolerance)
            told = needed_move(learnt, wanted.move_deg, budget.standard_uncertainty_deg, budget.freedom, confidence)
            found.append(_move(opening.mean.lobe, wanted, told))
    return found


def _move(lobe: int, wanted: Adjust, told: NeededMove | NotKnown) -> MoveRow:
    figures = (told.move, told.low, told.high) if isinstance(told, NeededMove) else (None, None, None)
    text = wanted.text
    if isinstance(told, NeededMove) and wanted.direction != "none":
        text += f" By this unit's own adjustment: {told.text}."
    return MoveRow(
        lobe=lobe,
        move_deg=wanted.move_deg,
        direction=wanted.direction,
        text=text,
        move=figures[0],
        move_low=figures[1],
        move_high=figures[2],
    )
