"""Questions and answers line by line: other checks, entries while the points are set. Each is a generator: it yields what to say and
to ask, is sent the answers, and returns what came of it. Whoever carries it on may close it at any question; then nothing is entered.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any, TypeVar

from bench import check_list as lists
from bench import entries
from bench.check_list import CheckList, CheckTable
from bench.records.model import Check, Tool
from tui.intake_fields import number

_T = TypeVar("_T")
Asking = Generator[str, str, _T]
Entry = dict[str, Any]

VERDICTS = {
    entries.INSIDE: "inside the limits",
    entries.OUTSIDE: "NOT as it should be",
    entries.DONE: "done, as it should be",
    entries.NOT_DONE: "not done",
}
YES, NO = ("y", "yes"), ("n", "no")
_GOOD, _BAD = ("", *YES, "good", "done"), (*NO, "bad", "outside")


def yes_or_no(question: str) -> Asking[bool]:
    """Y or n, nothing else."""
    answer = yield f"{question} Answer y or n."
    while answer.lower() not in (*YES, *NO):
        answer = yield "Answer y for yes, or n for no."
    return answer.lower() in YES


def choice(question: str, choices: Sequence[str], default: str | None = None) -> Asking[str]:
    """One of `choices`, by its word, an unmistakable beginning or its number from 1; figures only by themselves. Enter: `default`."""
    figures = all(name.isdigit() for name in choices)
    listed = ", ".join(choices) if figures else ", ".join(f"{n} {name}" for n, name in enumerate(choices, 1))
    asked = f"{question} Type {'one of' if figures else 'a number or the word'}: {listed}."
    asked += f" Enter: {default}." if default else ""
    answer = yield asked
    while True:
        if not answer and default is not None:
            return default
        found = [name for name in choices if name == answer]
        if not found and not figures and answer:
            numbered = {str(n): name for n, name in enumerate(choices, 1)}
            begun = [name for name in choices if name.startswith(answer.lower())]
            found = [numbered[answer]] if answer in numbered else begun
        if len(found) == 1:
            return found[0]
        answer = yield f"That is none of them. {asked}"


def figure(question: str, default: str = "") -> Asking[float | None]:
    """A figure; Enter: none (`default` says what that means)."""
    answer = yield f"{question} Enter: {default or 'none'}."
    while answer:
        found = number(answer)
        if not isinstance(found, str) and abs(found) <= entries.MOST_FIGURE:
            return float(found)
        answer = yield "A figure was expected, such as 0.35."
    return None


def text(question: str, most: int = entries.MOST_NAME, needed: bool = False) -> Asking[str]:
    """Some words of at most `most` letters; Enter: nothing, unless they are `needed`."""
    answer = yield f"{question}{'' if needed else ' Enter: nothing.'}"
    while len(answer) > most or (needed and not answer):
        answer = yield f"At most {most} letters were expected." if answer else f"This is needed. {question}"
    return answer


def _day(question: str) -> Asking[str | None]:
    answer = yield f"{question} Such as 2026-03-01. Enter: not known."
    while answer:
        try:
            return date.fromisoformat(answer).isoformat()
        except ValueError:
            answer = yield "A day was expected, written 2026-03-01 (year, month, day)."
    return None


def _tool(tools: Sequence[Tool], needed: bool, today: date) -> Asking[Tool | None]:
    known = list(dict.fromkeys(tools))
    listed = "".join(
        f" {n}: {t.name}{f' {t.serial_number}' if t.serial_number else ''}." for n, t in enumerate(known, 1)
    )
    question = f"Which tool was used?{listed} Type {'a number, or ' if known else ''}the name of another."
    answer = yield from text(question, needed=needed)
    if not answer:
        return None
    if answer.isascii() and answer.isdigit() and 0 < int(answer) <= len(known):
        tool = known[int(answer) - 1]
    else:
        serial = yield from text("Its serial number?")
        due = yield from _day("When is its calibration due?")
        tool = Tool(answer, serial or None, due)
    if tool.calibration_due is not None and date.fromisoformat(tool.calibration_due) < today:
        warning = f"The calibration of {tool.name} was due on {tool.calibration_due}: the record will be NOT FOR RECORD. Use it?"
        if not (yield from yes_or_no(warning)):
            return (yield from _tool(tools, needed, today))
    return tool


def _limits(check: Check) -> Asking[Check]:
    """Limits of the user's manual, for a figure that has none yet."""
    if check.lower_limit is not None or check.upper_limit is not None:
        return check
    lower = yield from figure("At least, by your manual?", "no lower limit")
    upper = yield from figure("At most, by your manual?", "no upper limit")
    while lower is not None and upper is not None and lower > upper:
        upper = yield from figure("The higher limit lies below the lower one. At most?", "no upper limit")
    return replace(check, lower_limit=lower, upper_limit=upper)


# --- other checks -----------------------------------------------------------------------------------------------------


def line_words(check: Check) -> str:
    """One check as it stands."""
    unit = f" {check.unit}" if check.unit else ""
    said = f"{check.name}: {VERDICTS[check.verdict or entries.NOT_DONE]}"
    if check.value is not None:
        said += f", {check.value:g}{unit}"
    if limits := entries.limits_text(check.lower_limit, check.upper_limit):
        said += f", limits {limits}{unit}"
    if check.stops_job and check.verdict in (entries.NOT_DONE, entries.OUTSIDE):
        said += "; it STOPS the job"
    return f"{said}."


def checks(
    check_list: CheckList,
    entered: Callable[[], Sequence[Mapping[str, Any]]],
    enter: Callable[[Entry], None],
    today: date,
) -> Asking[None]:
    """The list of other checks, one after the other, until Enter leaves it. `entered` gives the journal's entries; `enter` adds one."""
    so_far: list[Mapping[str, Any]] = list(entered())

    def keep(entry: Entry) -> None:
        so_far.append(entry)
        enter(entry)

    for entry in lists.first_entries(check_list, so_far):
        keep(entry)
    tables = {line.name: line for line in check_list.check}
    said = ""
    listing = True
    while True:
        state = lists.state(check_list, so_far)
        if listing:
            said += "".join(f"{n}. {line_words(check)}\n" for n, check in enumerate(state, 1))
        answer = yield f"{said}Type the number of a check, list, add for one more check, or Enter to go back to the job."
        listing, said = False, ""
        if not answer:
            return
        if answer.lower() == "list":
            listing = True
            continue
        if answer.lower() == "add":
            name = yield from text("What is the check called?", needed=True)
            stops = yield from yes_or_no("Does it stop the job until it is as it should be?")
            check, line = Check(name, verdict=entries.NOT_DONE, stops_job=stops), None
        elif answer.isascii() and answer.isdigit() and 0 < int(answer) <= len(state):
            check = state[int(answer) - 1]
            line = tables.get(check.name)
        else:
            said = f"There is no check {answer}.\n"
            continue
        tools = (*check_list.tools, *entries.of_journal(so_far).tools)
        entry = yield from one_check(check, line, tools, today)
        keep(entry)
        said = f"Entered. {entries.sentence(entry)}.\n"


def one_check(check: Check, line: CheckTable | None, tools: Sequence[Tool], today: date) -> Asking[Entry]:
    """Figure, limits, result, tool and note of one check, as an entry; `line` is that of the list, if it has one."""
    if line is not None and check.verdict == entries.NOT_DONE:
        # One that was never filled has the list's unit and limits.
        check = lists.not_done(line)
    hint = "" if line is None or line.hint is None else f" {line.hint}"
    stops = " It stops the job until it is as it should be." if check.stops_job else ""
    said = f"{check.name}.{stops}{hint}"
    unit = f" in {check.unit}" if check.unit else ""
    value = None
    if line is None or line.unit is not None:
        value = yield from figure(f"{said} Its figure{unit}?", "no figure")
        said = check.name
    if value is not None and check.unit is None:
        check = replace(check, unit=(yield from text("The figure's unit? 1 for a plain number.", 20, needed=True)))
    check = replace(check, value=value)
    if value is not None:
        check = yield from _limits(check)
    answer = yield f"{said if said.endswith('.') else f'{said}.'} Is it as it should be? Enter or y: yes. n: no. Or type not done."
    while answer.lower() not in (*_GOOD, *_BAD, entries.NOT_DONE):
        answer = yield "Answer y, n, or not done."
    claimed = entries.DONE if answer.lower() in _GOOD else entries.OUTSIDE
    if answer.lower() == entries.NOT_DONE:
        claimed = entries.NOT_DONE
    found = entries.verdict(check.value, check.lower_limit, check.upper_limit, claimed)
    needs_tool = line is not None and line.needs_tool and found != entries.NOT_DONE
    tool = check.tool
    if found != entries.NOT_DONE and (needs_tool or value is not None):
        tool = yield from _tool(tools, needs_tool, today)
    note = yield from text("A note?", entries.MOST_NOTE)
    return entries.check_entry(replace(check, verdict=found, tool=tool, note=note or None))


# --- while the points are set -----------------------------------------------------------------------------------------


def adjustment(
    what: str, breakers: Sequence[str], given: Sequence[str], tools: Sequence[Tool], today: date
) -> Asking[Entry]:
    """A clearance, tension, torque or another change of one set of points, as an entry.

    `given` is what was typed behind the word: a set of points, a figure and its unit; with a figure and unit nothing else is asked.
    """
    words = list(given)
    breaker = words.pop(0) if words and words[0] in breakers else None
    if breaker is None:
        breaker = breakers[0] if len(breakers) == 1 else (yield from choice("Which set of points?", breakers))
    check = Check(what)
    value: float | str | None = number(words[0]) if words else None
    if isinstance(value, str):
        value = None
    if value is not None and abs(value) <= entries.MOST_FIGURE and len(words) == 2:
        return entries.adjustment_entry(breaker, what, replace(check, value=float(value), unit=words[1][:20]))
    wants_figure = what in entries.WITH_FIGURE
    value = yield from figure(f"{breaker}: the {what}{' as it is now' if wants_figure else ', as a figure'}?")
    while wants_figure and value is None:
        value = yield from figure(f"A figure is needed for {what}; type stop to enter nothing.")
    if value is not None:
        unit = yield from text("Its unit? Such as mm, N, N·m; 1 for a plain number.", 20, needed=True)
        check = yield from _limits(replace(check, value=value, unit=unit))
    tool = yield from _tool(tools, False, today)
    note = yield from text(
        "A note?" if what != "other" else "Say what it was.", entries.MOST_NOTE, needed=what == "other"
    )
    return entries.adjustment_entry(breaker, what, replace(check, tool=tool, note=note or None))
