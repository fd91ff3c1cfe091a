"""Which of the job's keys do something now. Only those stand in the key line."""

from __future__ import annotations

from dataclasses import dataclass

from bench.procedure import Step

#: Steps in which a press means something; in any other it would only be noted as not used.
PRESSED = frozenset({Step.MARKS, Step.NEUTRAL, Step.ADJUST})
#: Steps in which one can be led back to another.
LED_FROM = {
    Step.ADJUST.value: frozenset({Step.VERIFY, Step.CHECKS}),
    Step.NEUTRAL.value: frozenset({Step.NEUTRAL, Step.AS_FOUND, Step.ADJUST, Step.VERIFY}),
}
ENTERED_IN = frozenset({Step.ADJUST, Step.VERIFY, Step.CHECKS})


@dataclass(frozen=True, slots=True)
class Now:
    """What it depends on. `over`: the session has ended, `concluded`: and its record is kept or refused; `simulated`: there is a simulated
    unit, `acting`: a person's hand acts on it, `can_look`: it has places to look at; `overflows`: not all that the step shows has room;
    `link_lost`: the board is looked for.
    """

    step: Step
    connected: bool
    over: bool
    failed: bool
    concluded: bool
    simulated: bool = False
    acting: bool = False
    can_look: bool = False
    overflows: bool = False
    link_lost: bool = False


def offered(now: Now, action: str, to: str = "") -> bool:
    """Whether `action` can be done now; `to` is the step that "lead" leads to."""
    hand_free = not now.acting or now.over
    return {
        "press": not now.over and not now.link_lost and now.step in PRESSED and (now.acting or not now.simulated),
        "lead": not now.over and not now.link_lost and now.step in LED_FROM.get(to, ()),
        "adjustment": not now.over and now.step in ENTERED_IN,
        "checks": not now.over and now.connected,
        "end": not now.over and now.step is Step.CHECKS,
        "again": now.over and now.failed,
        "recheck": now.concluded and not now.failed,
        "act": now.acting,
        "mend": now.acting and now.can_look,
        "debrief": now.concluded and now.simulated,
        "page": now.overflows and hand_free,
    }.get(action, True)
