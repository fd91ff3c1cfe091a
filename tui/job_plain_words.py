"""The guided job in whole sentences without shapes, for ears, logs and terminals that know nothing but lines."""

from __future__ import annotations

from collections.abc import Sequence

from bench.adjusting import PointsAdjusting, SeenOpening
from bench.evaluation import BreakerResult, Evaluation, OpeningResult
from bench.job import Breaker, ReferenceKind
from bench.procedure import Step
from bench.snapshot import Snapshot
from bench.verdict import Verdict
from tui.job_screen import words
from tui.job_screen.state import Felt, JobState

#: Below this share of the magnet's greatest pull nothing is felt.
NO_PULL = 0.01
VERDICTS = {
    Verdict.INSIDE: "INSIDE the limits",
    Verdict.OUTSIDE: "OUTSIDE the limits",
    Verdict.UNDECIDED: "UNDECIDED, the uncertainty reaches over a limit",
    Verdict.NONE: "no limits",
}
PRESSED = ("turning up to it", "coming back to it")
#: What texts shared with the screen may hold, and how it reads in plain lines; where not even letters beyond ASCII can be written, more.
SHAPES = {" – ": ", ", " · ": ", ", " → ": " to ", " …": ".", "…": "..."} | {
    shape: "" for mark in "▶◀■✓✗●○◆◇▲»›→" for shape in (f"{mark} ", mark)
}
LETTERS = {"°": " degrees", "±": "plus or minus", "“": '"', "”": '"', "–": "-", "Ω": "ohm", "µ": "u", "′": "'"}


def worded(text: str, ascii_only: bool = False) -> str:
    """`text` without shapes; `ascii_only`: with words for signs, too."""
    for shape, word in {**SHAPES, **(LETTERS if ascii_only else {})}.items():
        text = text.replace(shape, word)
    return text


def do(state: JobState) -> str:
    """What to do, in one sentence that names the words to type."""
    snap = state.snap
    if snap.failure is not None:
        return "Put it right, then type again to begin again, or leave."
    if snap.step is Step.DONE:
        return "The job is done: type leave, or recheck for a second verify linked to this record."
    if snap.step is Step.CHECKS and not snap.link_lost:
        if state.stop_lines:
            return "Carry out the other checks that the manual asks for: type checks for the list."
        return "Everything that stops the job is done: type end to end it and keep its record, or checks for the list."
    if snap.step is Step.PASSES and not snap.link_lost:
        return "Keep turning in the running direction, through the openings."
    return words.do(state).replace(" …", ".")


def angle_words(angle_deg: float, snap: Snapshot) -> str:
    """The live angle with what it counts from."""
    place = f" {snap.angle_place}" if snap.angle_from == "neutral" else ""
    return f"{_two(angle_deg)}° {words.SPELLED[snap.angle_from]}{place}"


def where(state: JobState) -> list[str]:
    """Angle, points and distances, as asked for."""
    snap = state.snap
    if not snap.live:
        return ["The board is not connected, so that no angle is known."]
    speed = snap.speed_deg_s
    moving = "stands" if abs(speed) < 0.5 else f"turns {'on' if speed > 0 else 'BACK'} at {abs(speed):.0f}° a second"
    at = "its angle is not known yet" if snap.angle_deg is None else f"at {angle_words(snap.angle_deg, snap)}"
    lines = [f"The rotor {moving}, {at}."]
    lines += [f"The {p.name} points are {'open' if p.is_open else 'closed'}." for p in snap.points]
    for points in snap.adjusting:
        lines += [rotor_sentence(points), points_sentence(points)]
    if state.rehearsal is not None:
        lines += felt_sentences(state.rehearsal.felt)
    return lines


def rotor_sentence(points: PointsAdjusting) -> str:
    """How the rotor stands to a target."""
    distance = points.distance_deg
    if distance is None:
        return f"The rotor's distance to {points.name}'s target is not known."
    if abs(distance) <= words.AT_TARGET_DEG:
        return f"The rotor is at {points.name}'s target."
    if distance > 0:
        return f"The rotor is {distance:.2f}° before {points.name}'s target: turn on by that."
    return f"The rotor is {-distance:.2f}° past {points.name}'s target: turn back beyond it, then come up again."


def points_sentence(points: PointsAdjusting) -> str:
    """How a set of points opens, against its target and limits."""
    if points.mean_deg is None:
        return f"No opening of {points.name} was seen yet: turn on through one."
    opens = f"{points.name} opens at {_two(points.mean_deg)}° {words.counts_from_words(points.counts_from)}"
    if points.off_deg is None or points.lower_deg is None or points.upper_deg is None:
        return f"{opens}, and no target is given."
    within = points.lower_deg <= points.mean_deg <= points.upper_deg
    return (
        f"{opens}, {_off(points.off_deg)} of {_two(points.target_deg or 0.0)}°, {'within' if within else 'BEYOND'} its limits of "
        f"{_two(points.lower_deg)}° to {_two(points.upper_deg)}°."
    )


def felt_sentences(felt: Felt) -> list[str]:
    """What the hand feels and the eye sees of a simulated unit."""
    lines = [
        pull_words(felt),
        f"The timing mark is {'in' if felt.mark_in_window else 'not in'} its window.",
    ]
    if felt.loose:
        lines.append(f"The screws are loose at: {', '.join(felt.loose)}.")
    return lines


def pull_words(felt: Felt) -> str:
    """The magnet's pull on the hand."""
    if not felt.held:
        return "The hand has let go of the rotor."
    if abs(felt.share) < NO_PULL:
        return "No pull is felt."
    return f"The magnet pulls {'on' if felt.share > 0 else 'back'}, {abs(felt.share) * 100:.0f} percent."


def press_sentence(snap: Snapshot, side: int) -> str:
    """That a press at neutral was taken, from side 0 (in the running direction) or 1."""
    lifted = ", with the followers lifted" if snap.followers_lifted else ""
    number = snap.presses[side]
    return f"Press taken at neutral{lifted}, {PRESSED[side]}: {number} from that side."


def opening_sentence(breaker: Breaker, seen: SeenOpening, passed: str, setting: bool) -> str:
    """One opening: its lobe, its angle and what that counts from, how far from the target; `passed` is put at the end.

    While the points are set (`setting`) it says whether that is beyond the limits; a verdict it is not.
    """
    said = f"{breaker.name}, lobe {seen.lobe}: opened at {_two(seen.angle_deg)}° {words.counts_from_words(str(breaker.reference))}"
    expected = breaker.expected(seen.lobe)
    if expected is not None:
        said += f", {_off(seen.angle_deg - expected.target_deg)}"
        if setting and not expected.lower_deg <= seen.angle_deg <= expected.upper_deg:
            said += " and BEYOND its limits"
    return f"{said}{passed}."


def first_opening_sentence(breaker: Breaker, lobe: int, past_neutral_deg: float | None, passed: str) -> str:
    """The opening that ends marking neutral: only its place past neutral is known."""
    if past_neutral_deg is None:
        return f"{breaker.name}, lobe {lobe}: opened{passed}."
    if breaker.reference.kind is ReferenceKind.NEUTRAL:
        return opening_sentence(breaker, SeenOpening(lobe, past_neutral_deg), passed, False)
    return f"{breaker.name}, lobe {lobe}: opened at {_two(past_neutral_deg)}° past neutral{passed}."


def result_sentences(evaluation: Evaluation) -> list[str]:
    """A sentence for each opening, and for each difference."""
    lines = [line for result in evaluation.breakers for line in lobe_sentences(result)]
    for row in evaluation.differences:
        one, two = row.difference.first, row.difference.second
        lines.append(
            f"{two} after {one}, lobe {row.lobe}: {_two(row.angle.value_deg)}° ± {row.angle.budget.expanded_uncertainty_deg:.2f}°, "
            f"{VERDICTS[row.verdict]}."
        )
    return lines


def lobe_sentences(result: BreakerResult, wanted: int | None = None) -> list[str]:
    """A sentence for each lobe of one breaker; `wanted` passes, if they are still being taken."""
    counted = words.counts_from_words(str(result.breaker.reference))
    lines = []
    for opening in result.openings:
        mean, angle, tolerance = opening.mean, opening.angle, opening.tolerance
        said = f"{result.breaker.name}, lobe {mean.lobe}: "
        if not mean.passes:
            lines.append(f"{said}no pass yet.")
            continue
        if angle is None:
            lines.append(f"{said}there is nothing to count its angle from.")
            continue
        said += f"{_two(angle.value_deg)}° ± {angle.budget.expanded_uncertainty_deg:.2f}° {counted}"
        if mean.scatter_deg is not None:
            said += f", spread {mean.scatter_deg:.3f}°"
        if wanted is not None:
            said += f", {len(mean.passes)} of {wanted} passes"
        if tolerance is not None:
            said += (
                f", target {tolerance.target_deg:g}° with limits {tolerance.lower_deg:g}° to {tolerance.upper_deg:g}°"
            )
        lines.append(f"{said}: {VERDICTS[opening.verdict]}.")
    return lines


def so_far_sentences(state: JobState) -> list[str]:
    """What the passes so far say, a sentence for each breaker, and whether more of them help."""
    running = state.running
    if running is None:
        return []
    lines = []
    for result in running.breakers:
        known = [o for o in result.openings if o.angle is not None]
        if not known:
            continue
        angles = [o.angle.value_deg for o in known if o.angle is not None]
        expanded = max(o.angle.budget.expanded_uncertainty_deg for o in known if o.angle is not None)
        low, high = _two(min(angles)), _two(max(angles))
        spread = low if low == high else f"{low}° to {high}"
        said = [f"{_lobes([o.mean.lobe for o in known if o.verdict is v])}: {VERDICTS[v]}" for v in _verdicts(known)]
        lines.append(
            f"So far {result.breaker.name}: {spread}° {words.counts_from_words(str(result.breaker.reference))}, at most ± {expanded:.2f}°; "
            f"{'; '.join(said)}."
        )
    left = sum(max(state.snap.passes_wanted - n, 0) for p in state.snap.points for n in p.passes)
    if left:
        lines.append(f"Still needed: {left} {'pass' if left == 1 else 'passes'} in all.")
    return lines


def _verdicts(openings: Sequence[OpeningResult]) -> list[Verdict]:
    return list(dict.fromkeys(o.verdict for o in openings))


def _lobes(lobes: list[int]) -> str:
    return f"lobe {lobes[0]}" if len(lobes) == 1 else f"lobes {', '.join(map(str, lobes))}"


def _off(off_deg: float) -> str:
    if abs(off_deg) < 0.005:
        return "at its target"
    return f"{abs(off_deg):.2f}° {'later' if off_deg > 0 else 'earlier'} than its target"


def _two(value: float) -> str:
    text = f"{value:.2f}"
    return "0.00" if text == "-0.00" else text
