"""Every step and every fault of the guided job as frozen states, each made by a real run, with what the screen must then say.

Rehearsals are acted on the simulated unit in device time; all others are runs of the scripted board.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from bench import check_list
from bench.check_list import not_done
from bench.entries import DONE, check_entry
from firmware_protocol.messages import Contact, Position, Trouble, TroubleCode
from tests.rehearsal.screen import ScreenHere
from tests.screen.scripted_desk import ScriptedDesk, ScriptedSession, guided_run
from tests.statements.test_compensated import geared
from tests.statements.test_compensated import tables as compensated
from tests.statements.test_guided import job_script
from tests.statements.test_lifted import lifted_first
from tests.support.scripted import MARKING, MARKING_PRESSES, Script, Sent, job, play
from tui.job_screen.conduct import Conduct
from tui.job_screen.state import JobState

LINK_LOST = {"kind": "link", "state": "lost", "text": "The port went away."}
END = {"kind": "step", "to": "done"}
#: As found in seven turns, two seconds at rest in which the points are moved, a press, seven turns more.
BEYOND = job_script(moved_deg=2.6, presses=0)
WITHIN = job_script(moved_deg=0.5, presses=0)
WHOLE = job_script()
#: Seconds of those scripts: neutral pressed once; passes as found under way; adjusted and turned on; verifying.
ONE_PRESS, ON_THE_WAY, SET, VERIFYING = 2.5, 21.0, 61.5, 80.0
#: A second set of points that counts from the first one's own opening.
RETARD = job(breakers=2)
RETARD["breaker"][1] |= {"name": "retard", "from": "main", "opens_at_deg": 28.0, "minus_deg": 1.0, "plus_deg": 1.0}
RETARD_OPEN = (((10.0, 80.0), (190.0, 260.0)), ((36.4, 100.0), (216.4, 280.0)))
#: 5 µs at the 400°/s of the script's first turn.
BRIEFLY = 0.002


@dataclass(frozen=True)
class Shown:
    """A state, and the sentences that the screen must then say, wholly visible."""

    make: Callable[[], JobState]
    says: tuple[str, ...]


def state_of(session: ScriptedSession, **more: Any) -> JobState:
    """The screen of a session as it stands, by the code that conducts it; the passes so far are judged."""
    conduct = Conduct(ScriptedDesk(session, **more))  # type: ignore[arg-type]
    conduct.begin(None)
    conduct.pull()
    state = conduct.pull()
    assert state is not None
    return state


def session(
    script: Script,
    seconds: float | None = None,
    *entries: dict[str, Any],
    tables: dict[str, Any] | None = None,
    bench: dict[str, Any] | None = None,
    recheck: bool = False,
    lifted: bool = False,
    **more: Any,
) -> ScriptedSession:
    """A session of `script` after so many seconds, or at its end; then `entries` are made."""
    found = ScriptedSession(guided_run(tables, recheck=recheck, bench=bench, followers_lifted=lifted), script, **more)
    found.greet()
    if seconds is None:
        found.end_of_script()
    else:
        found.until(seconds)
    for entry in entries:
        found.enter(entry)
    return found


def _of(script: Script, seconds: float | None = None, *entries: dict[str, Any], **more: Any) -> Callable[[], JobState]:
    return cache(lambda: state_of(session(script, seconds, *entries, **more)))


# --- steps -----------------------------------------------------------------------------------------------------------


@cache
def connecting() -> JobState:
    """Nobody has answered yet."""
    return state_of(ScriptedSession(guided_run(), WHOLE))


def all_checked() -> tuple[dict[str, Any], ...]:
    """Entries by which nothing stops the job any more."""
    return tuple(
        check_entry(replace(not_done(line), verdict=DONE)) for line in check_list.DEFAULT.check if line.stops_job
    )


@cache
def rechecked() -> JobState:
    """A second verify: no as found, nothing is adjusted."""
    return state_of(session(WHOLE, 30.0, recheck=True))


# --- faults ----------------------------------------------------------------------------------------------------------


@cache
def link_regained() -> JobState:
    """The link was lost while adjusting, and the same board answers again."""
    lost = session(BEYOND, SET, LINK_LOST)
    again = ScriptedSession(lost.run, replace(BEYOND, path=((0.0, 0.0), (0.6, 0.0)), presses=()))
    again.greet(number=2)
    return state_of(again.end_of_script())


@cache
def board_reset() -> JobState:
    """The board started anew while passes were taken as found."""
    before = session(WHOLE, ON_THE_WAY)
    again = ScriptedSession(before.run, replace(WHOLE, path=((0.0, 0.0), (0.6, 0.0)), presses=()))
    again.greet(number=2, boot_counter=8)
    return state_of(again.end_of_script())


@cache
def opening_lost() -> JobState:
    """What told the third opening was lost on the line, and some frames before it."""
    openings = [
        s for s in play(WHOLE) if isinstance(s.message, Contact) and s.message.opened and s.at_s > MARKING[-1][0]
    ]
    at_s = openings[2].at_s
    return state_of(session(WHOLE, at_s + 8.0, lost=lambda s: at_s - 0.02 < s.at_s <= at_s))


@cache
def count_doubtful() -> JobState:
    """The board tells that it missed counts."""
    at_s = ON_THE_WAY - 0.5
    sent = [
        replace(s, message=replace(s.message, troubles=1)) if s.at_s > at_s and isinstance(s.message, Position) else s
        for s in play(WHOLE)
    ]
    sent.append(Sent(at_s, Trouble(0, TroubleCode.ILLEGAL_TRANSITION, 3, 1, 0)))
    sent.sort(key=lambda s: s.at_s)
    return state_of(session(WHOLE, ON_THE_WAY, sent=sent))


@cache
def slipped() -> JobState:
    """Something slipped while verifying: passes of one lobe lie far apart."""
    script = replace(WHOLE, wild=(*((turn, 1.5) for turn in range(7, 11)), *((turn, 5.0) for turn in range(11, 30))))
    return state_of(session(script, VERIFYING))


@cache
def wild() -> JobState:
    """One pass while verifying lies where none of the others do."""
    late = dict.fromkeys(range(7, 21), 0.5) | {10: 1.4}
    return state_of(session(replace(WHOLE, wild=tuple(late.items())), VERIFYING + 4.0))


@cache
def wide_band() -> JobState:
    """Friction holds the rotor anywhere within more than the tolerance."""
    path = tuple(
        (t, a - 2.6 if n in (2, 3, 8, 9) else a + 2.6 if n in (5, 6, 11, 12) else a) for n, (t, a) in enumerate(MARKING)
    )
    path = tuple((t, -8.0 if a == -5.0 else 8.0 if a == 5.0 else a) for t, a in path)
    shift = 2.8 - MARKING[-1][1]
    rest = tuple((t, a + shift) for t, a in WHOLE.path[len(MARKING) :])
    return state_of(session(replace(WHOLE, path=(*path, *rest)), VERIFYING))


def snapping() -> Script:
    """The rotor stalls, then snaps forward by 40° within 10 ms."""
    return Script((*MARKING, (7.9, 8.0), (9.0, 8.0), (9.01, 48.0), (9.6, 48.0)), MARKING_PRESSES)


def backwards() -> Script:
    """The rotor is turned the wrong way round."""
    return Script(((0.0, 0.0), (0.5, 0.0), (1.5, -30.0)), ())


def never_open(open_over: Sequence[tuple[float, float]] = ()) -> Script:
    """The points never open for good."""
    return replace(WHOLE, open_over=(tuple(open_over),))


# --- rehearsals ------------------------------------------------------------------------------------------------------


@cache
def acting() -> JobState:
    """A person holds the rotor at the target and moves the loosened points."""
    screen = _rehearsing("outside")
    _rehearse_until(screen, "[adjust]")
    screen.key("h")
    screen.wait(3.0)
    screen.key("l")
    screen.wait(0.3)
    for _ in range(3):
        screen.key("down")
    screen.wait(0.5)
    return _last(screen)


@cache
def watching() -> JobState:
    """The demonstrator feels for neutral."""
    screen = _rehearsing("outside")
    screen._unit.watch()
    _wait_for(screen, "●")
    return _last(screen)


@cache
def exercising() -> JobState:
    """In an exercise somebody looked at the points' faces."""
    screen = _rehearsing("exercise-worn-points")
    screen.key("m")
    screen.choose("look at: faces of the points")
    screen.wait(0.5)
    return _last(screen)


def _rehearsing(scenario: str) -> ScreenHere:
    screen = ScreenHere(scenario, 3)
    app = screen._app

    def pull() -> None:
        # The application spares drawing by the clock on the wall, which stands still here.
        app._at_once = None
        app._pull()

    app.pull = pull  # type: ignore[method-assign]
    return screen


def _rehearse_until(screen: ScreenHere, words: str) -> None:
    """The demonstrator does it until the screen says `words`; then it is a person's turn."""
    screen._unit.watch()
    _wait_for(screen, words)
    screen._unit._demonstrator = None


def _wait_for(screen: ScreenHere, words: str, most_s: float = 120.0) -> None:
    end = screen.seconds + most_s
    while words not in screen.text():
        assert screen.seconds < end, screen.text()
        screen.wait(0.5)


def _last(screen: ScreenHere) -> JobState:
    state = screen._app.shown.state
    assert state is not None
    return state


STEPS: dict[str, Shown] = {
    "connecting": Shown(connecting, ("Connecting to the board …",)),
    "instrument-check": Shown(
        _of(replace(Script(((0.0, 0.0), (1.0, 5.0))), presses=())),
        ("Turn the rotor at least one whole turn in its running direction (clockwise, seen from the drive end)",),
    ),
    "mark-of-lobe-1": Shown(
        _of(geared(), 2.3, tables=compensated()),
        ("Bring up the No. 1 lobe's mark in the running direction, stop some degrees before its points open",),
    ),
    "mark-of-the-manual": Shown(
        _of(WHOLE, 1.6, tables=job(**{"from": "mark"})),
        ("Set the rotor to the manual's angle mark and press the pedal.",),
    ),
    "neutral-lifted": Shown(
        _of(lifted_first(), 3.0, lifted=True), ("With the followers lifted off the cam: find neutral from both sides",)
    ),
    "neutral-from-below": Shown(
        _of(WHOLE, 1.6), ("Feel for neutral turning up to it in the running direction", "2 more press")
    ),
    "neutral-from-above": Shown(
        _of(WHOLE, ONE_PRESS),
        ("Turn past neutral and come back to it against the running direction", "turning up to it ●○ 1 (at least 2)"),
    ),
    "neutral-marked": Shown(_of(WHOLE, 6.9), ("Neutral is marked.", "the first opening in the running direction")),
    "as-found": Shown(_of(WHOLE, ON_THE_WAY), ("As found: turn on through the openings, before anything is touched.",)),
    "adjust-beyond": Shown(
        _of(BEYOND),
        ("Hold the rotor at main's target, loosen, move the points until they just open", "✗ BEYOND LIMITS"),
    ),
    "adjust-within": Shown(_of(WITHIN), ("All openings lie within their limits.", "0.50° later than before")),
    "adjust-two-sets": Shown(
        _of(replace(BEYOND, open_over=RETARD_OPEN), tables=RETARD),
        ("Hold the rotor at main's target", "retard: target 28.00° (27.00 to 29.00) after main's own opening"),
    ),
    "verify": Shown(
        _of(WHOLE, VERIFYING - 14), ("Verify after the final torque", "still needed: passes of main lobe 0")
    ),
    "other-checks": Shown(
        _of(WHOLE), ("Carry out the other checks that the manual asks for: C opens the list.", "distributor timing")
    ),
    "other-checks-done": Shown(_of(WHOLE, None, *all_checked()), ("Everything that stops the job is done: E ends it",)),
    "record": Shown(_of(WHOLE, None, *all_checked(), END), ("Done. Q leaves", "AS FOUND", "AS LEFT", "✓ INSIDE")),
    "recheck": Shown(rechecked, ("Verify after the final torque",)),
    "rehearsal-acting": Shown(acting, ("REHEARSAL on a simulated unit – not for record", "loose: main")),
    "rehearsal-watched": Shown(watching, ("REHEARSAL on a simulated unit – not for record",)),
    "rehearsal-exercise": Shown(exercising, ("REHEARSAL on a simulated unit – not for record", "» ")),
}

FAULTS: dict[str, Shown] = {
    "link-lost": Shown(
        _of(BEYOND, SET, LINK_LOST), ("it is looked for until it answers", "What was found before is kept")
    ),
    "link-regained": Shown(link_regained, ("The port went away.", "mark neutral again")),
    "board-reset": Shown(board_reset, ("The board started anew in the middle of the session.", "mark neutral again.")),
    "data-loss": Shown(opening_lost, ("Frames were lost on the line; the passes that they touch are void.",)),
    "count-doubtful": Shown(count_doubtful, ("The zero and all passes are void; mark neutral again.",)),
    "index-missing": Shown(
        _of(replace(WHOLE, with_index=False), ON_THE_WAY),
        ("No index signal came over more than a turn, so that the count could not be checked.",),
    ),
    "wild-pass": Shown(wild, ("main lobe 0, pass 4 of 6 is left out: 0.9000° above the mean of the others.",)),
    "slipped": Shown(slipped, ("Passes of main lobe", "mark neutral and measure again.")),
    "neutral-band-wide": Shown(wide_band, ("Friction holds the rotor anywhere within",)),
    "sense-unchecked": Shown(
        _of(WHOLE, 1.6, bench={"encoder_sense": "unknown"}), ("all angles are wrong: state encoder_sense.",)
    ),
    "wrong-direction": Shown(
        _of(backwards()),
        ("The rotor was turned counterclockwise as seen from the drive end, but this unit runs clockwise.",),
    ),
    "impulse-coupling": Shown(
        _of(snapping()), ("The rotor stopped and then snapped forward: an impulse coupling is still at work.",)
    ),
    "no-opening": Shown(
        _of(never_open()), ("main (channel 0) never opened over two whole lobe spacings.", "(1) the coil")
    ),
    "coil-attached": Shown(
        _of(never_open(((10.0, 10.0 + BRIEFLY), (190.0, 190.0 + BRIEFLY)))),
        ("main (channel 0) never opened over two whole lobe spacings.", "(1) the coil lead is still on the points"),
    ),
    "barely-open": Shown(
        _of(never_open(((10.0, 10.3), (190.0, 190.3)))), ("(1) the points only just part: far too small a clearance",)
    ),
    "no-closing": Shown(
        _of(never_open(((0.0, 360.0),))), ("main (channel 0) never closed over two whole lobe spacings.",)
    ),
}
EVERY = STEPS | FAULTS
