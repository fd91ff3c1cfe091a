"""What the guided job says, in sentences: what to do, what is needed, why it cannot go on. Screen and plain text share them."""

from __future__ import annotations

from bench.adjusting import PointsAdjusting
from bench.evaluation import BreakerResult, Evaluation
from bench.neutral import LEAST_PER_SIDE
from bench.procedure import Step
from bench.snapshot import Snapshot
from bench.verdict import Verdict
from tui.job_screen.state import JobState

#: The guided job as the person goes through it: intake and record are the screen's own, the others the procedure's.
INTAKE, RECORD = "intake", "record"
STEP_NAMES = (
    INTAKE,
    "instrument check",
    "neutral",
    "as found",
    "adjust",
    "verify",
    "other checks",
    RECORD,
)
STEP_OF = {
    Step.SENSE: "instrument check",
    Step.MARKS: "neutral",
    Step.NEUTRAL: "neutral",
    Step.PASSES: "verify",
    Step.AS_FOUND: "as found",
    Step.ADJUST: "adjust",
    Step.VERIFY: "verify",
    Step.CHECKS: "other checks",
    Step.DONE: RECORD,
}
#: Nearer than this the rotor stands at the target, degrees: what a hand can hold.
AT_TARGET_DEG = 0.1
#: Further passes are worth it while they could shrink the interval by more than this share.
WORTH_A_PASS = 0.03
PASS_SOURCES = ("repeatability of passes", "zero-speed angle")
VERDICTS = {
    Verdict.INSIDE: "✓ INSIDE",
    Verdict.OUTSIDE: "✗ OUTSIDE",
    Verdict.UNDECIDED: "? UNDECIDED",
    Verdict.NONE: "– no limits",
}
#: What the angles count from, spelled out.
SPELLED = {
    "neutral": "past neutral",
    "mark": "past the manual's angle mark",
    "lobe mark": "past the No. 1 lobe's mark",
    "start": "from where it started",
}


def counts_from_words(reference: str) -> str:
    """A job file's `from` as words after "degrees": past neutral, after main's target, after main's own opening."""
    if reference in SPELLED:
        return SPELLED[reference]
    name, dot, _ = reference.partition(".target")
    return f"after {name}'s target" if dot else f"after {name}'s own opening"


def do(state: JobState) -> str:
    """What to do, in one sentence."""
    snap = state.snap
    if snap.failure is not None:
        if not state.can_begin_again:
            return "Leave with Q."
        if state.rehearsal is not None and state.rehearsal.can_look:
            return (
                "Hold the rotor (H), look at the unit and put right what is wrong (M), whatever the likely causes below; then begin again "
                "(R)."
            )
        return "Put right what is said below, then begin again (R)."
    if not snap.connected:
        return "Connecting to the board …"
    if snap.link_lost:
        return "Check the board's plug and power: it is looked for until it answers. Nothing is lost."
    if snap.step is Step.ADJUST:
        return _adjust_do(snap) + _look_round(state)
    if snap.step is Step.SENSE:
        return (
            f"Turn the rotor at least one whole turn in its running direction ({state.rotation}, seen from the drive end), so that "
            "index and every probe show themselves."
        )
    if snap.step is Step.NEUTRAL and not snap.followers_lifted:
        return _neutral_do(snap)
    if snap.step is Step.AS_FOUND:
        return "As found: turn on through the openings, before anything is touched."
    if snap.step is Step.VERIFY:
        return "Verify after the final torque: turn on through the openings, some turns slowly, some faster."
    if snap.step is Step.CHECKS:
        if state.stop_lines:
            return "Carry out the other checks that the manual asks for: C opens the list." + _look_round(state)
        return (
            "Everything that stops the job is done: E ends it and keeps the record. C opens the list of other checks."
        )
    if snap.step is Step.DONE:
        truth = "" if state.rehearsal is None else "D compares it with the truth. "
        return f"Done. {truth}Q leaves; the result is then printed, too."
    return snap.instruction


def _look_round(state: JobState) -> str:
    """An exercise's own sentence."""
    if state.rehearsal is None or not state.rehearsal.can_look:
        return ""
    return " In this exercise something is wrong with unit, bench or papers: look round (M)."


def _neutral_do(snap: Snapshot) -> str:
    below, above = snap.presses
    if below < LEAST_PER_SIDE or above < LEAST_PER_SIDE:
        if below <= above:
            return "Feel for neutral turning up to it in the running direction; hold where the pull vanishes and press."
        return "Turn past neutral and come back to it against the running direction; hold where the pull vanishes and press."
    return "Neutral is marked. Press from both sides again if you like, or turn on through the first opening."


def _adjust_do(snap: Snapshot) -> str:
    worst = next((p for p in snap.adjusting if p.off_deg is not None and not _within(p)), None)
    if worst is not None:
        return (
            f"Hold the rotor at {worst.name}'s target, loosen, move the points until they just open, tighten, then turn through an "
            "opening to see where it is now."
        )
    if any(p.off_deg is not None for p in snap.adjusting):
        return "All openings lie within their limits. If points are set and tightened to the final torque, press to verify."
    return "Press when the points are set and tightened: the verification then begins."


def _within(points: PointsAdjusting) -> bool:
    if points.mean_deg is None or points.lower_deg is None or points.upper_deg is None:
        return True
    return points.lower_deg <= points.mean_deg <= points.upper_deg


def needed(state: JobState) -> str:
    """What is still needed, or nothing."""
    snap = state.snap
    if snap.failure is not None or not snap.connected or snap.link_lost:
        return ""
    if snap.step is Step.CHECKS:
        return "" if not state.stop_lines else f"{state.checks_done} of {state.checks_all} checks done"
    return snap.needed if snap.step is not Step.DONE else ""


def blocked(state: JobState) -> tuple[str, ...]:
    """Why it cannot go on; empty if it can."""
    snap = state.snap
    if snap.failure is not None:
        return (snap.failure.text,)
    if snap.link_lost:
        return ("The board does not answer. What was found before is kept; neutral is marked anew once it is back.",)
    if snap.step is Step.CHECKS:
        return state.stop_lines
    return ()


def place_words(snap: Snapshot) -> str:
    """What the live angle counts from, and of which neutral."""
    spelled = SPELLED[snap.angle_from]
    if snap.angle_from != "neutral":
        return spelled
    which = {0: ", the marked one", 1: ", the next one"}.get(snap.angle_place, "")
    return f"{spelled} {snap.angle_place}{which}"


def going_back(step: str) -> str:
    """What leading the job back makes void, as a question."""
    if step == Step.ADJUST.value:
        return "Back to adjusting: what was verified since the last press is void, as found stays. Go back?"
    return "Neutral anew: neutral, marks and the passes of this step are void, as found stays. Mark neutral anew?"


def rotor_words(points: PointsAdjusting) -> str:
    """How the rotor stands to the target."""
    distance = points.distance_deg
    if distance is None:
        return "· target not known from here"
    if abs(distance) <= AT_TARGET_DEG:
        return "■ AT THE TARGET"
    if distance > 0:
        return f"▶ turn on {distance:.2f}°"
    return f"◀ past it by {-distance:.2f}°: turn back beyond it, then come up again"


def points_words(points: PointsAdjusting) -> str:
    """How the openings stand to the target."""
    if points.mean_deg is None:
        return "no opening seen yet: turn on through one"
    opens = f"opens at {points.mean_deg:.2f}°"
    off = points.off_deg
    if off is None:
        return f"{opens} (no target given)"
    if _within(points):
        return f"✓ within limits · {opens}, {abs(off):.2f}° {'late' if off > 0 else 'early'}"
    way = "LATE: is to open earlier" if off > 0 else "EARLY: is to open later"
    return f"✗ BEYOND LIMITS · {opens}, {abs(off):.2f}° {way}"


def moved_words(points: PointsAdjusting) -> str:
    """What the last adjustment changed; empty if there is nothing to compare."""
    if points.moved_deg is None:
        return ""
    way = "later" if points.moved_deg > 0 else "earlier"
    return f"since the rotor was last held it opens {abs(points.moved_deg):.2f}° {way} than before"


def held_words(points: PointsAdjusting) -> str:
    """What the points did while the rotor was held; empty if nothing."""
    if points.held is None:
        return ""
    word = "OPENED" if points.held.opened else "CLOSED"
    return f"{word} while the rotor stood at {points.held.angle_deg:.2f}°: the points moved"


def crept_words(snap: Snapshot) -> str:
    """How far the rotor crept while it was held; empty if it did not."""
    if not snap.held or abs(snap.crept_deg) < 0.05:
        return ""
    way = "on" if snap.crept_deg > 0 else "back"
    return f"The rotor moved {abs(snap.crept_deg):.1f}° {way} while you held it."


def passes_words(state: JobState, result: BreakerResult) -> list[str]:
    """One line for each lobe of a breaker that has passes: mean, spread, running uncertainty, whether more passes help."""
    lines = []
    for opening in result.openings:
        mean = opening.mean
        if not mean.passes:
            lines.append(f"lobe {mean.lobe}  no pass yet")
            continue
        line = f"lobe {mean.lobe}  {len(mean.passes)}/{state.snap.passes_wanted}"
        if opening.angle is None:
            lines.append(f"{line}  no reference to count from")
            continue
        line += f"  {opening.angle.value_deg:7.2f}° ± {opening.angle.budget.expanded_uncertainty_deg:.2f}°"
        if mean.scatter_deg is not None:
            line += f"  spread {mean.scatter_deg:.3f}°"
        line += f"  {VERDICTS[opening.verdict]}"
        lines.append(line)
    return lines


def more_passes_help(evaluation: Evaluation) -> bool | None:
    """Whether further passes could still make any angle noticeably surer; None while nothing can be said."""
    shares = []
    for result in evaluation.breakers:
        for opening in result.openings:
            if opening.angle is None or len(opening.mean.passes) < 2:
                return None
            budget = opening.angle.budget
            own = sum(budget.share(t) for t in budget.terms if t.source in PASS_SOURCES)
            shares.append(1 - (1 - own) ** 0.5)
    return max(shares) > WORTH_A_PASS if shares else None


def further_passes(state: JobState) -> str:
    """What more passes would bring, in a sentence; empty while nothing can be said."""
    helps = None if state.running is None else more_passes_help(state.running)
    if helps is None:
        return ""
    if helps:
        return "Each further pass still makes ± smaller."
    if any(n < state.snap.passes_wanted for p in state.snap.points for n in p.passes):
        return "Further passes hardly make ± smaller; those still needed show that every lobe repeats."
    return "Further passes no longer help: what is left of ± comes from neutral and the instrument."


def doubts(state: JobState) -> tuple[str, ...]:
    """What the passes so far show to be doubtful; then what went wrong and goes into the record, the latest last."""
    judged = () if state.running is None or state.snap.evaluation is not None else state.running.notes
    # By which test a wild pass was found is left to the record.
    shown = (f"{text.partition(';')[0].rstrip('.')}." if code == "wild-pass" else text for code, text in judged)
    return (*shown, *(str(note) for note in state.snap.notes))
