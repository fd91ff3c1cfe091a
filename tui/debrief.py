"""After a rehearsal: what was wrong, what was found of it, measured angles against true ones, and the order of steps and acts.

Told only when the rehearsal is over, from what the simulator knows to be true. Nothing of it can become a record.
"""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from bench.job import Job, Reference, ReferenceKind
from bench.procedure import Step
from bench.result import BreakerRow, ResultDocument
from tui.job_screen import words

BANNER = "REHEARSAL – not for record"
WIDTH = 79
#: What on the screen, or else where, told of each fault.
LESSONS: Mapping[str, str] = {
    "worn-points": "A note that points opened twice or chattered, or a spread far above that of the other points: look at the faces "
    "before anything is set.",
    "wrong-clearance": "All lobes of one set open early by about the same, the others open right. Clearance first, the screw of the "
    "points only then.",
    "coil-lead-on": "The points never open, or one set drags the others along: the primary is a short across them. Lead off before the "
    "clip goes on.",
    "impulse-fitted": "The rotor stopped and snapped forward. Such a coupling comes off, or is secured, before anything is timed.",
    "reversed-sense": "The first turn was refused as the wrong direction although the hand went the right way: then the bench file is "
    "wrong, or the encoder is mounted the other way round.",
    "slipping-coupling": "The same lobe opened earlier from turn to turn. Points do not wander one way; what carries the encoder does.",
    "off-centre-encoder": "Opposite lobes differ the opposite way, for every set alike, although each repeats well: that is the encoder, "
    "not the cam.",
    "retard-reference": "One angle was off by about the whole distance between two references. Before points are moved by degrees, read "
    "what the angle counts from.",
    "wrong-tooth": "No angle does. The distributor's mark and finger are looked at on every unit, before the job ends.",
}
#: Acts after which the points open elsewhere, as the simulator words them.
_CHANGING = ("moved the ", "tightened the ")
#: Presses that belong to a step were made at most so long before the screen went on, seconds.
_LATE_S = 0.5


@dataclass(frozen=True, slots=True)
class StepTaken:
    """When the job came to a step: seconds since the unit's clock began; sessions count from 1."""

    at_s: float
    session: int
    step: Step


def debrief(
    truth: Mapping[str, Any], sessions: Sequence[ResultDocument], job: Job, steps: Sequence[StepTaken] = ()
) -> str:
    """The debrief in lines of text.

    `truth` is the simulator's last line, `sessions` the results in order, `job` that of the last session.
    """
    exercise = truth.get("exercise")
    lines = [f"{BANNER}. Debrief" + (f" of the exercise “{exercise['title']}”" if exercise else "")]
    if exercise:
        lines += ["", *_wrong(exercise), "", *_found(exercise)]
    lines += ["", *_angles(truth, sessions, job, steps), "", *_order(truth, sessions, steps), "", f"{BANNER}."]
    return "\n".join(part for line in lines for part in _wrapped(line))


def _wrapped(line: str) -> list[str]:
    """To the width of a terminal; what follows is indented like its beginning, and a little more."""
    indent = len(line) - len(line.lstrip())
    return textwrap.wrap(line, WIDTH, subsequent_indent=" " * (indent + 2), break_on_hyphens=False) or [""]


# --- what was wrong, what was found -----------------------------------------------------------------------------------


def _wrong(exercise: Mapping[str, Any]) -> list[str]:
    faults = exercise["faults"]
    lines = [f"What was wrong: {len(faults)} fault{'' if len(faults) == 1 else 's'}"]
    for number, fault in enumerate(faults, 1):
        lines.append(f"  {number}. {fault['title']}: {_fate(fault)}")
        lines.append(f"     {fault['text']}")
        if lesson := LESSONS.get(fault["key"]):
            lines.append(f"     What tells of it: {lesson}")
    return lines


def _fate(fault: Mapping[str, Any]) -> str:
    return f"put right at {_clock(fault['mended_at_s'])}" if fault["mended"] else "NOT put right"


def _found(exercise: Mapping[str, Any]) -> list[str]:
    from sim.exercises import BY_KEY, BY_PLACE

    faults = exercise["faults"]
    mended = [f for f in faults if f["mended"]]
    lines = [f"What you found: {len(mended)} of {len(faults)}"]
    lines += [f"  {f['title']}, put right at {_clock(f['mended_at_s'])}" for f in mended]
    if exercise["needless"]:
        titles = "; ".join(BY_KEY[key].mend_title for key in exercise["needless"])
        lines.append(f"  done without need: {titles}")
    there = {BY_KEY[f["key"]].place for f in faults}
    in_vain: list[str] = [p["at"] for p in exercise["looked"] if p["at"] not in there]
    if in_vain:
        titles = "; ".join(BY_PLACE[place].place_title for place in dict.fromkeys(in_vain))
        lines.append(f"  looked at in vain, as all was well there: {titles}")
    missed = [BY_KEY[f["key"]] for f in faults if not f["mended"]]
    lines += [f"  not found: {fault.title}. It is seen at: {fault.place_title}" for fault in missed]
    return lines


# --- angles against truth ---------------------------------------------------------------------------------------------


def _angles(
    truth: Mapping[str, Any], sessions: Sequence[ResultDocument], job: Job, steps: Sequence[StepTaken]
) -> list[str]:
    lines = ["Your angles against truth, degrees"]
    first = next((n for n, s in enumerate(sessions) if s.as_found is not None), None)
    if first is not None:
        found = sessions[first].as_found
        assert found is not None
        reached = _first_at(steps, first + 1, Step.ADJUST)
        lines.append("  as found")
        if steps and reached is not None and _changes(truth, 0.0, reached):
            lines.append(
                "    (the unit was worked on before or meanwhile, so there is no one true figure beside these)"
            )
            lines += _compared(found.breakers, {}, "    ")
        else:
            openings = truth.get("openings_as_found", truth["openings"])
            lines += _compared(found.breakers, _true(truth, openings, found.breakers, job, steps, first + 1), "    ")
    last = sessions[-1] if sessions else None
    if last is None or not last.valid or not last.breakers:
        return [*lines, "  There is no valid result" + _why(last)]
    lines.append("  as left")
    number = len(sessions)
    ended = _first_at(steps, number, Step.DONE)
    if ended is not None and _changes(truth, ended, float("inf")):
        lines.append("    (the unit was worked on after this result; true figures are those of now)")
    lines += _compared(last.breakers, _true(truth, truth["openings"], last.breakers, job, steps, number), "    ")
    lines.append(f"  the result as a whole: {words.VERDICTS[last.overall()]}")
    lines.append(
        "  (± is meant to hold the true angle 95 times out of 100; lobes share most of an error, above all that of neutral)"
    )
    return lines


def _why(last: ResultDocument | None) -> str:
    return "." if last is None or last.error is None else f": {last.error.text}"


def _compared(breakers: Iterable[BreakerRow], true: Mapping[tuple[str, int], float], indent: str) -> list[str]:
    lines = []
    for breaker in breakers:
        lines.append(f"{indent}{breaker.name}, {words.counts_from_words(breaker.from_)}")
        for opening in breaker.openings:
            if opening.angle_deg is None or opening.expanded_uncertainty_deg is None:
                lines.append(f"{indent}  lobe {opening.lobe}  no angle")
                continue
            u = opening.expanded_uncertainty_deg
            line = f"{indent}  lobe {opening.lobe}  {opening.angle_deg:6.2f} ± {u:.2f}"
            known = true.get((breaker.name, opening.lobe))
            if known is not None:
                error = opening.angle_deg - known
                inside = "inside ±" if abs(error) <= u else "BEYOND ±"
                line += f"   true {known:6.2f}   error {error:+.2f}   {inside}"
            lines.append(line)
    return lines


def _true(
    truth: Mapping[str, Any],
    openings: Sequence[Mapping[str, Any]],
    breakers: Sequence[BreakerRow],
    job: Job,
    steps: Sequence[StepTaken],
    session: int,
) -> dict[tuple[str, int], float]:
    """True angles by breaker and lobe, counted from what these results count from, lobes named from the neutral that was pressed."""
    from tui.rehearse import told_truth

    counted = replace(job, breakers=tuple(replace(b, reference=_reference(breakers, b.name)) for b in job.breakers))
    told = told_truth({**truth, "openings": openings}, counted)["openings"]
    lobes = job.unit.lobes
    pressed = _pressed_neutral(truth, steps, session)
    return {(o["breaker"], (o["lobe"] - pressed) % lobes): o["angle_deg"] for o in told if o["angle_deg"] is not None}


def _reference(breakers: Sequence[BreakerRow], name: str) -> Reference:
    given = next((b.from_ for b in breakers if b.name == name), "neutral")
    if given in (ReferenceKind.NEUTRAL.value, ReferenceKind.MARK.value):
        return Reference(ReferenceKind(given))
    other, dot, _ = given.partition(".target")
    return Reference(ReferenceKind.TARGET if dot else ReferenceKind.OPENING, other)


def _pressed_neutral(truth: Mapping[str, Any], steps: Sequence[StepTaken], session: int) -> int:
    """Index of the neutral that the lobes of a session are counted from; 0 is the timing mark's."""
    began = [s.at_s for s in steps if s.session == session and s.step is Step.NEUTRAL]
    presses = truth.get("presses", ())
    if not began:
        return 0
    after = [p for p in presses if p.get("at_s") is not None and p["at_s"] >= began[-1] - _LATE_S]
    return int(after[0]["neutral"]) if after else 0


def _changes(truth: Mapping[str, Any], begin_s: float, end_s: float) -> bool:
    """Whether the openings were changed between two moments."""
    from sim.exercises import BY_KEY

    def within(at_s: float | None) -> bool:
        return at_s is not None and begin_s <= at_s < end_s

    if any(within(a["at_s"]) and a["do"].startswith(_CHANGING) for a in truth.get("acts", ())):
        return True
    faults = (truth.get("exercise") or {}).get("faults", ())
    return any(
        within(f["mended_at_s"]) and BY_KEY[f["key"]].voids == "angles" and BY_KEY[f["key"]].use is None for f in faults
    )


# --- time and order ---------------------------------------------------------------------------------------------------


def _first_at(steps: Sequence[StepTaken], session: int, step: Step) -> float | None:
    return next((s.at_s for s in steps if s.session == session and s.step is step), None)


def _order(truth: Mapping[str, Any], sessions: Sequence[ResultDocument], steps: Sequence[StepTaken]) -> list[str]:
    happened: list[tuple[float, str]] = []
    session = 1
    for taken in steps:
        if taken.session != session:
            session = taken.session
            happened.append((taken.at_s, f"— the job begins anew ({_ended(sessions, session - 1)}) —"))
        happened.append((taken.at_s, f"STEP {words.STEP_OF[taken.step]}"))
    happened += [(a["at_s"], _act(a["do"])) for a in truth.get("acts", ())]
    lines = ["Time and order of steps and acts"]
    # Stable: a step stands before what was done in it.
    for what, same in itertools.groupby(sorted(happened, key=lambda h: h[0]), key=lambda h: h[1]):
        times = [at_s for at_s, _ in same]
        more = "" if len(times) == 1 else f" ({len(times)} times, until {_clock(times[-1])})"
        lines.append(f"  {_clock(times[0]):>5}  {what}{more}")
    return lines if happened else [*lines, "  nothing was done"]


def _act(text: str) -> str:
    """An act as the simulator words it, with a place's key in the trade's words."""
    from sim.exercises import BY_PLACE

    looked, _, place = text.partition(": ")
    return f"{looked}: {BY_PLACE[place].place_title}" if place in BY_PLACE else text


def _ended(sessions: Sequence[ResultDocument], number: int) -> str:
    if number > len(sessions) or sessions[number - 1].error is None:
        return "as a recheck"
    error = sessions[number - 1].error
    assert error is not None
    return f"before: {error.code}"


def _clock(at_s: float) -> str:
    return f"{int(at_s) // 60}:{int(at_s) % 60:02d}"
