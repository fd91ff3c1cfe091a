"""Each part of the screen as text, drawn from one frozen state."""

from __future__ import annotations

import re
import textwrap

from rich.text import Text

from bench.adjusting import PointsAdjusting
from bench.evaluation import BreakerResult, Evaluation
from bench.neutral import LEAST_PER_SIDE
from bench.procedure import Step
from bench.snapshot import PointsState, Snapshot
from tui.character_pictures.passes import LobePasses, PassSeries, angle_against_pass
from tui.character_pictures.ring import ring
from tui.character_pictures.scale import strip
from tui.character_pictures.state import RingState
from tui.job_screen import words
from tui.job_screen.large_digits import large
from tui.job_screen.result_drawing import result_text, verdict_text
from tui.job_screen.state import Felt, JobState

#: Notes shown at once, and the lines that they may take unless one alone takes more; the record holds all.
NOTES_SHOWN, NOTES_LINES = 2, 4
PULL_CELLS = 12
#: The keys that move a simulated unit, on one line.
HAND_KEYS = "←→ 1° ,. 0.1° PgUp/PgDn 15° · T turn · H hold · G let go · L screws · ↑↓ points"
#: Below this share of the magnet's greatest pull nothing is felt.
NO_PULL = 0.01


def title(state: JobState) -> Text:
    """The first line: what this is; a rehearsal says so."""
    text = state.title
    if state.snap.simulated and "not for record" not in text:
        text += " on a SIMULATED board – not for record"
    return Text(text, "bold")


def steps(state: JobState, width: int) -> Text:
    """Which step the job is in: done ones ticked, the present one in brackets."""
    names = words.STEP_NAMES
    at = names.index(words.STEP_OF[state.step])
    line = Text()
    short = width < 112
    for place, name in enumerate(names):
        if place:
            line.append(" " if short else "  ›  ", "dim")
        if place < at:
            line.append(f"✓{'' if short else ' '}{_shortened(name, short)}", "dim")
        elif place == at:
            line.append(f"[{name}]", "bold reverse")
        else:
            line.append(f"{'·' if short else ''}{_shortened(name, short)}", "dim")
    return line


def _shortened(name: str, short: bool) -> str:
    return {"instrument check": "instrument", "other checks": "checks"}.get(name, name) if short else name


def do(state: JobState) -> Text:
    """What to do, what is needed, why it cannot go on."""
    text = Text()
    text.append(" DO ", "bold reverse")
    text.append(f" {words.do(state)}", "bold")
    blocked = words.blocked(state)
    needed = words.needed(state)
    for sentence in blocked[:3]:
        text.append(f"\n✗ cannot go on: {_causes_listed(sentence)}", "bold red")
    if needed and not blocked:
        text.append(f"\nstill needed: {needed}")
    return text


def _causes_listed(sentence: str) -> str:
    """Numbered causes, one on a line."""
    return re.sub(r" \((\d)\) ", r"\n  (\1) ", sentence)


def figure(state: JobState, scale: int = 1) -> Text:
    """The live angle in large digits."""
    snap = state.snap
    if not snap.live or snap.angle_deg is None:
        return Text(large("---", scale, "#" if state.ascii_only else "█"))
    return Text(large(f"{snap.angle_deg:.2f}°", scale, "#" if state.ascii_only else "█"))


def beside(state: JobState) -> Text:
    """What the live angle counts from, how the rotor moves, and each set of points."""
    snap = state.snap
    if not snap.live:
        return Text("not connected" if not snap.connected or snap.link_lost else "ended", "dim")
    text = Text(words.place_words(snap))
    speed = snap.speed_deg_s
    moving = "standing" if abs(speed) < 0.5 else f"turning {'on' if speed > 0 else 'BACK'} {abs(speed):.0f}°/s"
    text.append(f"\n{moving}")
    for points in snap.points[:3]:
        text.append("\n")
        text.append_text(_points_state(points))
    return text


def _points_state(points: PointsState) -> Text:
    state, style = ("◇ OPEN", "bold yellow") if points.is_open else ("◆ CLOSED", "bold cyan")
    text = Text(f"{points.name[:12]} ")
    text.append(state, style)
    return text


def panel(state: JobState, width: int, height: int) -> Text:
    """What the step itself shows."""
    snap = state.snap
    if snap.step is Step.DONE and snap.evaluation is not None:
        return _result(state, snap.evaluation)
    if snap.failure is not None:
        return Text("The journal up to here is kept.")
    if snap.link_lost:
        return _kept(state)
    if snap.step is Step.SENSE:
        return _instrument(state)
    if snap.step is Step.MARKS:
        return Text(
            "A press says: this mark lines up here, now. Hold still while you press. A mark that was missed is taken anew with N.",
            "dim",
        )
    if snap.step is Step.NEUTRAL:
        return _neutral(state)
    if snap.step is Step.ADJUST:
        return _adjust(state, width, height)
    if snap.step is Step.CHECKS:
        return _verified(state, width, height)
    return _passes(state, width, height)


def _instrument(state: JobState) -> Text:
    """What is looked at while the rotor is turned for the first time."""
    snap = state.snap
    found = "✓ found" if snap.connected else "· not yet found"
    text = Text(f"board    {found}\n")
    text.append("encoder  · counts up in the running direction, or the job stops and says so\n")
    for points in snap.points[:3]:
        text.append(f"{points.name[:8]:<8} · is to open and close as the rotor turns\n")
    text.append(
        "A probe that never changes over two lobe spacings stops the job, with what may be the cause: such as the coil lead "
        "still on the points, or a clip that is off.",
        "dim",
    )
    return text


def _kept(state: JobState) -> Text:
    """What a lost link leaves."""
    found = state.snap.as_found
    if found is None:
        return Text("Nothing of this unit was complete yet when the link was lost; the journal up to here is kept.")
    text = Text()
    text.append("Kept as found\n", "bold underline")
    text.append_text(result_text(found))
    return text


def _neutral(state: JobState) -> Text:
    snap = state.snap
    text = Text()
    if snap.presses == (0, 0):
        text.append("First finish the whole turn: the encoder's index then confirms the count.\n")
    for n, how in zip(snap.presses, ("turning up to it", "coming back to it"), strict=True):
        shapes = "●" * min(n, 10) + "○" * max(LEAST_PER_SIDE - n, 0)
        text.append(f"presses {how:<17} {shapes} {n} (at least {LEAST_PER_SIDE})\n")
    text.append(f"rests after letting go      {snap.rests}   (they make neutral surer; not needed)\n", "dim")
    text.append(
        "Neutral: where the magnet is drawn in and holds; a little to either side it pulls away. The timing mark in its window tells "
        "which neutral.",
        "dim",
    )
    return text


def _adjust(state: JobState, width: int, height: int) -> Text:
    snap = state.snap
    # What the last adjustment changed is left out where the screen is too low for all sets of points with it.
    text = _sets(snap, True)
    if len(text.plain.splitlines()) > height:
        text = _sets(snap, False)
    lines = len(text.plain.splitlines())
    if (picture := _ring_state(state)) is not None:
        room = height - lines - 1
        if room >= 9 and width >= 60:
            text.append_text(ring(min(width, 100), min(room, 20), picture, ascii_only=state.ascii_only))
        elif room >= 3:
            text.append_text(strip(width, picture, ascii_only=state.ascii_only))
        elif room >= 1:
            text.append_text(strip(width, picture, lines=1, ascii_only=state.ascii_only))
    text.rstrip()
    return text


def _sets(snap: Snapshot, moved: bool) -> Text:
    """Each set of points: target, how the rotor stands to it, how the openings do, and what the last adjustment changed."""
    text = Text()
    for points in snap.adjusting:
        limits = (
            ""
            if points.target_deg is None
            else f"target {points.target_deg:.2f}° ({points.lower_deg:.2f} to {points.upper_deg:.2f}) "
        )
        text.append(f"{points.name}: {limits}{words.counts_from_words(points.counts_from)}\n", "bold")
        text.append(f"  rotor   {words.rotor_words(points)}\n")
        text.append(f"  points  {words.points_words(points)}\n")
        for line in (words.moved_words(points) if moved else "", words.held_words(points)):
            if line:
                text.append(f"          {line}\n")
    crept = words.crept_words(snap)
    if crept:
        text.append(f"! {crept}\n", "bold yellow")
    return text


def _ring_state(state: JobState) -> RingState | None:
    snap = state.snap
    if not snap.adjusting:
        return None
    work = _at_work(snap)
    angle = None
    if work.distance_deg is not None and work.target_deg is not None:
        angle = work.target_deg - work.distance_deg
    return RingState(
        angle_deg=angle if snap.live else None,
        counts_from=words.counts_from_words(work.counts_from),
        span_deg=state.span_deg,
        neutrals=tuple(k * 360.0 / state.poles for k in range(state.poles)) if work.counts_from == "neutral" else (),
        target_deg=work.target_deg,
        lower_deg=work.lower_deg,
        upper_deg=work.upper_deg,
        openings=tuple(
            (p.name, o.lobe, o.angle_deg) for p in snap.adjusting if p.counts_from == work.counts_from for o in p.latest
        ),
        place=snap.angle_place,
        breakers=tuple(p.name for p in snap.adjusting),
        at_work=work.name,
    )


def _at_work(snap: Snapshot) -> PointsAdjusting:
    """The set of points to be set now: the first that opens beyond its limits, else the first."""
    beyond = (
        p
        for p in snap.adjusting
        if p.mean_deg is not None
        and p.lower_deg is not None
        and p.upper_deg is not None
        and not p.lower_deg <= p.mean_deg <= p.upper_deg
    )
    return next(beyond, snap.adjusting[0])


def _passes(state: JobState, width: int, height: int) -> Text:
    snap = state.snap
    text = Text()
    if state.running is None or all(not o.mean.passes for b in state.running.breakers for o in b.openings):
        for points in snap.points:
            done = " ".join(f"{min(n, 999)}/{snap.passes_wanted}" for n in points.passes[:16])
            last = "" if points.last_opening_deg is None else f"  last {points.last_opening_deg:.2f}°"
            text.append(f"{points.name[:12]:<12} passes per lobe {done}{last}\n")
        text.rstrip()
        return text
    for result in state.running.breakers:
        text.append(
            f"{result.breaker.name}, degrees {words.counts_from_words(str(result.breaker.reference))}\n", "bold"
        )
        for line in words.passes_words(state, result):
            text.append(f"  {line}\n")
    if further := words.further_passes(state):
        text.append(f"→ {further}\n")
    _append_pass_pictures(text, state, state.running, width, height)
    text.rstrip()
    return text


def _append_pass_pictures(text: Text, state: JobState, running: Evaluation, width: int, height: int) -> None:
    room = height - len(text.plain.splitlines())
    each = min(room // max(len(running.breakers), 1), 14)
    if each < 9 or width < 40:
        return
    for result in running.breakers:
        lobes = tuple(
            LobePasses(
                o.mean.lobe, tuple(p.angle_deg - running.zero_deg for p in o.mean.passes) if o.mean.passes else ()
            )
            for o in result.openings[:8]
        )
        spacing = state.span_deg / len(result.openings)
        folded = tuple(
            LobePasses(
                one.lobe,
                tuple(
                    None if a is None else (a + spacing / 4) % spacing - spacing / 4 - _reference(result, one.lobe)
                    for a in one.angles_deg
                ),
            )
            for one in lobes
        )
        expected = result.breaker.tolerance
        text.append_text(
            angle_against_pass(
                min(width, 100),
                each,
                PassSeries(
                    result.breaker.name,
                    words.counts_from_words(str(result.breaker.reference)),
                    None if expected is None else expected.target_deg,
                    None if expected is None else expected.lower_deg,
                    None if expected is None else expected.upper_deg,
                    folded,
                ),
                ascii_only=state.ascii_only,
            )
        )
        text.append("\n")


def _reference(result: BreakerResult, lobe: int) -> float:
    """How far past neutral the figure of `lobe` counts from: what turns an angle past neutral into the stated one."""
    opening = next(o for o in result.openings if o.mean.lobe == lobe)
    if opening.angle is None or opening.from_neutral is None:
        return 0.0
    return opening.from_neutral.value_deg - opening.angle.value_deg


def _verified(state: JobState, width: int, height: int) -> Text:
    text = Text()
    text.append(f"other checks: {state.checks_done} of {state.checks_all} done\n", "bold")
    if state.running is not None:
        for result in state.running.breakers:
            text.append(
                f"{result.breaker.name} as verified, degrees {words.counts_from_words(str(result.breaker.reference))}\n"
            )
            for line in words.passes_words(state, result):
                text.append(f"  {line}\n")
        _append_pass_pictures(text, state, state.running, width, height)
    text.rstrip()
    return text


def _result(state: JobState, evaluation: Evaluation) -> Text:
    text = Text()
    if state.record_text:
        text.append(f"{state.record_text}\n", "bold")
    if state.snap.as_found is not None:
        text.append("AS FOUND\n", "bold underline")
        for result in state.snap.as_found.breakers:
            for opening in result.openings:
                if opening.angle is None:
                    continue
                text.append(
                    f"  {result.breaker.name} lobe {opening.mean.lobe}  {opening.angle.value_deg:.2f}° ± "
                    f"{opening.angle.budget.expanded_uncertainty_deg:.2f}°  "
                )
                text.append_text(verdict_text(opening.verdict)).append("\n")
        text.append("AS LEFT\n", "bold underline")
    text.append_text(result_text(evaluation))
    if state.snap.advice is not None:
        text.append(f"\n→ {state.snap.advice}")
    return text


def alarm(state: JobState, width: int = 80, low: bool = False) -> Text:
    """What went wrong last, and the step's caution; on a simulated unit, where nothing can be hurt, it gives way if the screen is `low`."""
    snap = state.snap
    text = Text()
    if state.said:
        text.append(f"› {state.said}\n", "bold")
    doubts = words.doubts(state)
    shown = list(doubts[-NOTES_SHOWN:])
    while len(shown) > 1 and sum(len(textwrap.wrap(f"! {note}", width)) for note in shown) > NOTES_LINES:
        del shown[0]
    if len(doubts) > len(shown):
        text.append("!", "bold reverse")
        text.append(f" and {len(doubts) - len(shown)} more, all in the record\n")
    for note in shown:
        text.append("!", "bold reverse")
        text.append(f" {note}\n")
    if snap.caution and snap.failure is None and not snap.link_lost and not (low and state.rehearsal is not None):
        text.append(f"▲ Caution. {snap.caution}\n")
    text.rstrip()
    return text


def felt(state: JobState) -> Text:
    """What the hand feels of a simulated unit: the pull as a bar and in words, the mark, loose screws, and what was last told."""
    rehearsal = state.rehearsal
    if rehearsal is None:
        return Text()
    pull = rehearsal.felt
    text = Text()
    if rehearsal.acting and state.snap.evaluation is None:
        text.append(f"{HAND_KEYS}\n")
    text.append("hand ")
    text.append(_pull_bar(pull))
    text.append(f" {_pull_words(pull)}")
    text.append(f" · timing mark {'IN' if pull.mark_in_window else 'not in'} its window")
    if pull.busy and not state.snap.live:
        # Nothing else on the screen tells it then, and nothing can be mended on a turning rotor.
        text.append(" · still turning: H holds", "bold")
    if pull.loose:
        text.append(f" · loose: {', '.join(pull.loose)}", "bold")
    if rehearsal.told:
        text.append(f"\n» {rehearsal.told}", "bold")
    return text


def _pull_bar(pull: Felt) -> str:
    half = PULL_CELLS // 2
    cells = min(round(abs(pull.share) * half + 0.49), half) if abs(pull.share) >= NO_PULL else 0
    left = ("◀" * cells if pull.share < 0 else "").rjust(half, "·")
    right = ("▶" * cells if pull.share > 0 else "").ljust(half, "·")
    return f"{left}┃{right}"


def _pull_words(pull: Felt) -> str:
    if pull.snapped:
        return "it SNAPPED"
    if not pull.held:
        return "let go"
    if abs(pull.share) < NO_PULL:
        return "no pull"
    return f"pulls {'on' if pull.share > 0 else 'back'} {abs(pull.share) * 100:.0f} %"
