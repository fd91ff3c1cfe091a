"""The guided job as plain lines: what is said and when, whole jobs by typed words, and the real commands over pipes."""

from __future__ import annotations

import argparse
import json
import queue
import re
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bench import cautions, check_list, job_file
from bench.check_list import CheckList
from bench.journal import JournalReader, Kind, Record
from bench.procedure import Step
from bench.run import Failure, Run
from bench.session import Session
from sim import scenario as scenarios
from tests.end_to_end.acted_unit import ActedUnit, acted
from tests.end_to_end.commands import COMMAND, JOB, breakerbench
from tests.rehearsal.screen import DeskHere
from tests.rehearsal.unit import SimulatorHere
from tests.statements.test_guided import guided_run, job_script
from tests.support.scripted import MARKING, MARKING_PRESSES, Script, job, play, records, wire
from tui.intake import IntakeResult
from tui.job_plain import Beginning, PlainJob, Voice
from tui.job_plain_words import worded
from tui.job_screen.help import OF_STEP
from tui.job_screen.simulated_unit import SimulatedUnit

#: Shapes, box characters and what steers a terminal: none of these may be in a plain line.
SHAPES = re.compile(r"[\u2190-\u21ff\u2300-\u23ff\u2500-\u27bf\u2800-\u28ff»›·…\x00-\x1f\x7f]")


# --- a scripted run ----------------------------------------------------------------------------------------------------


class ScriptedSession:
    """Stands where a session does: hands the run what the script's board has sent up to now."""

    recorded = False
    hello = None

    def __init__(self, run: Run, script: Script, clock: Callable[[], float]) -> None:
        self.run = run
        self._clock = clock
        self._sent = [s.at_s for s in play(script)]
        # The greeting and Start come first, then each message by itself.
        self._records = records(script, [])[:2] + [Record(Kind.FROM_BOARD, f, 0) for f in wire(play(script))]
        self._next = 0
        self.entered: list[dict[str, Any]] = []
        self.pressed = 0

    def start(self) -> None:
        """Nothing is to be started."""

    @property
    def over(self) -> bool:
        return self.run.finished

    def poll(self, wait_s: float) -> None:  # noqa: ARG002
        while self._next < len(self._records) and (self._next < 2 or self._sent[self._next - 2] <= self._clock()):
            self.run.feed(self._records[self._next])
            self._next += 1

    def press(self) -> None:
        self.pressed += 1

    def enter(self, entry: dict[str, Any]) -> None:
        self.entered.append(entry)
        self.run.feed(Record(Kind.ENTRY, json.dumps(entry).encode(), 0))

    def lead(self, step: Step) -> None:
        self.enter({"kind": "step", "to": step.value})

    def interrupt(self) -> None:
        if not self.run.finished:
            self.run.failure = Failure("interrupted", "Stopped by the user before the measurement was complete.")

    def end(self) -> None:
        """Nothing is to be ended."""


class ScriptedDesk:
    """A desk of a measurement whose board is a script."""

    title = "measurement"
    unit = None

    def __init__(self, script: Script, clock: Callable[[], float], tables: dict[str, Any] | None = None) -> None:
        self.check_list: CheckList = check_list.DEFAULT
        self.sessions: list[ScriptedSession] = []
        self.began: list[tuple[IntakeResult | None, str | None]] = []
        self.waiting: tuple[tuple[str, str], ...] = ()
        self._make = lambda: ScriptedSession(guided_run(tables), script, clock)

    def interrupted(self) -> tuple[tuple[str, str], ...]:
        return self.waiting

    def intake(self) -> None:
        return None

    def begin(self, intake: IntakeResult | None, resume_id: str | None = None) -> Session:
        self.began.append((intake, resume_id))
        return self.again()

    def again(self, recheck: bool = False) -> Session:  # noqa: ARG002
        self.sessions.append(self._make())
        return self.sessions[-1]  # type: ignore[return-value]

    def end(self, session: Session) -> str:  # noqa: ARG002
        return "Record R-1 is kept."

    def debrief(self) -> str:
        return ""


class Scripted:
    """A job in plain lines on a script; `wait` lets its time pass, `said` are the lines so far."""

    def __init__(
        self, script: Script, tables: dict[str, Any] | None = None, beginning: Beginning | None = None
    ) -> None:
        self.now_s = 0.0
        self.said: list[str] = []
        self.desk = ScriptedDesk(script, lambda: self.now_s, tables)
        self.job = PlainJob(self.desk, self._say, beginning or Beginning(), lambda: self.now_s)

    def _say(self, text: str) -> None:
        self.said += [worded(line) for line in text.splitlines()]

    def begin(self) -> Scripted:
        self.job.begin()
        for _ in cautions.ACKNOWLEDGED:
            self.job.typed("")
        return self

    def wait(self, seconds: float) -> list[str]:
        """The lines that came meanwhile."""
        before = len(self.said)
        pull_s = 1 / 15 if seconds < 2 else 0.25
        for _ in range(max(round(seconds / pull_s), 1)):
            self.now_s += pull_s
            self.job.round()
        return self.said[before:]

    def type(self, *lines: str) -> list[str]:
        before = len(self.said)
        for line in lines:
            self.job.typed(line)
            self.job.round()
        return self.said[before:]

    @property
    def session(self) -> ScriptedSession:
        return self.desk.sessions[-1]


def whole(presses: int = 1) -> Scripted:
    """The whole guided job, up to its end."""
    script = job_script(moved_deg=1.5, presses=presses)
    found = Scripted(script).begin()
    found.wait(script.path[-1][0] + 1)
    return found


def test_before_anything_the_cautions_are_said_once_and_entered_once_they_are_acknowledged() -> None:
    plain = Scripted(job_script())
    plain.job.begin()
    for number, caution in enumerate(cautions.ACKNOWLEDGED, 1):
        assert plain.said[-1] == f"Caution {number} of 3. {caution} Enter: read."
        assert not plain.desk.sessions
        plain.type("")
    assert plain.session.entered == [{"kind": "caution", "text": text} for text in cautions.ACKNOWLEDGED]
    plain.wait(200)
    for caution in cautions.ACKNOWLEDGED:
        assert sum(caution in line for line in plain.said) == 1


def test_a_caution_is_not_read_by_typing_something_else() -> None:
    plain = Scripted(job_script())
    plain.job.begin()
    assert plain.type("yes, yes") == ["Press Enter alone once you have read the caution; type stop to leave."]


def test_each_step_is_named_once_with_what_to_do() -> None:
    said = whole().said
    named = [line for line in said if "Step " in line]
    assert named == [
        "Not for record. Step 2 of 8: instrument check.",
        "Not for record. Step 3 of 8: neutral.",
        "Not for record. Step 4 of 8: as found.",
        "Not for record. Step 5 of 8: adjust.",
        "Not for record. Step 6 of 8: verify.",
        "Not for record. Step 7 of 8: other checks.",
    ]
    assert said.count("As found: turn on through the openings, before anything is touched.") == 1
    assert any("Turn the rotor at least one whole turn in its running direction (clockwise" in line for line in said)


def test_each_press_is_told_with_its_side() -> None:
    presses = [line for line in whole().said if line.startswith("Press taken")]
    assert presses == [
        "Press taken at neutral, turning up to it: 1 from that side.",
        "Press taken at neutral, coming back to it: 1 from that side.",
        "Press taken at neutral, turning up to it: 2 from that side.",
        "Press taken at neutral, coming back to it: 2 from that side.",
        "Press taken: the points are set and tightened.",
    ]


def test_each_opening_is_told_with_its_lobe_its_angle_and_the_distance_to_the_target() -> None:
    plain = whole()
    passes = [line for line in plain.said if line.startswith("main, lobe") and "pass" in line]
    run = plain.session.run
    assert run.as_found is not None
    assert run.as_left is not None
    assert len(passes) == sum(len(found.traces[0].passes) for found in (run.as_found, run.as_left))
    # The opening that ends marking neutral is a pass, too.
    assert passes[0] == "main, lobe 0: opened at 10.01° past neutral, 0.01° later than its target, pass 1 of 5."
    assert plain.said.index(passes[0]) > plain.said.index("Not for record. Step 4 of 8: as found.")
    late = [line for line in passes if "11.51°" in line]
    assert late[0] == "main, lobe 0: opened at 11.51° past neutral, 1.51° later than its target, pass 1 of 5."
    told = [line for line in plain.said if re.match(r"main, lobe \d: opened", line)]
    # All others were seen while the points were set; each of those followed is told once.
    assert len(told) == len(run.epoch.traces[0].recent)


def test_what_the_adjustment_changed_is_told_with_the_first_opening_after_it() -> None:
    said = whole().said
    moved = [n for n, line in enumerate(said) if "since the rotor was last held" in line]
    assert len(moved) == 1
    assert said[moved[0]] == "main: since the rotor was last held it opens 1.50° later than before."


def test_beyond_the_limits_is_said_in_words_while_the_points_are_set() -> None:
    tables = job(opens_at_deg=10.0, minus_deg=1.0, plus_deg=1.0)
    script = job_script(moved_deg=1.5, presses=0)
    plain = Scripted(script, tables).begin()
    plain.wait(script.path[-1][0] + 1)
    beyond = [line for line in plain.said if "and BEYOND its limits" in line]
    assert beyond
    assert beyond[0].endswith("11.51° past neutral, 1.51° later than its target and BEYOND its limits.")


def test_the_running_judgement_comes_at_most_every_five_seconds() -> None:
    script = job_script()
    plain = Scripted(script).begin()
    at = []
    for _ in range(round(script.path[-1][0])):
        at += [plain.now_s] * any(re.match(r"So far main|Still needed: \d+ pass", line) for line in plain.wait(1.0))
    assert len(at) >= 2
    assert min(b - a for a, b in zip(at, at[1:], strict=False)) >= 4.0
    assert any(
        re.fullmatch(r"So far main: 10\.01° past neutral, at most ± \d\.\d\d°; lobes 0, 1: .*\.", line)
        for line in plain.said
    )


def test_as_found_and_as_verified_each_lobe_is_told_once_with_its_verdict() -> None:
    said = whole().said
    for beginning, angle in (("As found. main, lobe", "10.01°"), ("As verified. main, lobe", "11.51°")):
        lines = [line for line in said if line.startswith(beginning)]
        assert len(lines) == 2
        assert all(
            angle in line and line.endswith(("INSIDE the limits.", "UNDECIDED, the uncertainty reaches over a limit."))
            for line in lines
        )


def test_nothing_is_said_twice_in_a_row_and_every_line_is_a_sentence_without_shapes() -> None:
    plain = whole()
    plain.type("where", "passes", "help", "cautions", "checks", "list", "", "end", "y")
    plain.wait(1)
    for one, two in zip(plain.said, plain.said[1:], strict=False):
        assert one != two
    for line in plain.said:
        assert not SHAPES.search(line), line
        assert line.endswith((".", "?", "!")), line


@pytest.mark.parametrize("step", list(OF_STEP))
def test_help_names_no_keys_of_the_screen(step: Step) -> None:
    plain = Scripted(job_script()).begin()
    plain.wait(0.2)
    assert plain.session.run.procedure is not None
    plain.session.run.procedure.step = step
    lines = plain.type("help")
    text = " ".join(lines)
    assert not re.search(r"\([A-Z](, [A-Z])*\)|\b[VKNREC] begins|■", text), text
    for word in ("where", "clearance", "checks", "end", "again", "recheck", "leave"):
        assert re.search(rf"\b{word}\b", text)


def test_the_live_angle_comes_only_when_asked_for() -> None:
    plain = Scripted(job_script()).begin()
    plain.wait(MARKING[-1][0] - 0.2)
    assert not any(line.startswith("The rotor stands") for line in plain.said)
    lines = plain.type("where")
    assert re.fullmatch(r"The rotor stands, at 0\.\d\d° past neutral 0\.", lines[0])
    assert lines[1] == "The main points are closed."


def test_where_tells_the_distance_to_the_target_while_the_points_are_set() -> None:
    plain = whole(presses=0)
    lines = plain.type("where")
    # The script's rotor ends 0.2° past neutral.
    assert re.fullmatch(r"The rotor is 9\.\d\d° before main's target: turn on by that\.", lines[2])
    assert (
        lines[3]
        == "main opens at 11.51° past neutral, 1.51° later than its target of 10.00°, within its limits of 8.00° to 12.00°."
    )


def test_enter_is_a_press_only_where_one_is_needed() -> None:
    plain = Scripted(job_script()).begin()
    plain.wait(0.3)
    assert plain.session.run.step is Step.SENSE
    assert plain.type("")[0].startswith("A press is not needed now. Turn the rotor")
    assert plain.session.pressed == 0
    plain.wait(4.0)
    assert plain.session.run.step is Step.NEUTRAL
    assert plain.type("") == []
    assert plain.session.pressed == 1


def test_going_back_says_what_it_voids_and_asks_for_y() -> None:
    plain = whole()
    asked = plain.type("adjust")
    assert asked == [
        "Back to adjusting: what was verified since the last press is void, as found stays. Go back? Answer y or n."
    ]
    assert plain.type("perhaps") == ["Answer y for yes, or n for no."]
    plain.type("n")
    assert plain.session.run.step is Step.CHECKS
    plain.type("adjust", "y")
    assert plain.session.run.step is Step.ADJUST
    asked = plain.type("neutral")
    assert "neutral, marks and the passes of this step are void" in asked[0]
    plain.type("y")
    assert plain.session.run.step is Step.NEUTRAL


def test_a_question_does_not_stop_the_job_but_openings_are_passed_over_meanwhile() -> None:
    script = job_script()
    plain = Scripted(script).begin()
    plain.wait(10.0)
    plain.type("leave")
    lines = plain.wait(script.path[-1][0])
    assert plain.session.run.step is Step.CHECKS
    assert not any("opened at" in line for line in lines)
    assert "Not for record. Step 7 of 8: other checks." in lines
    assert not plain.job.left


def test_a_note_is_told_once_when_it_comes() -> None:
    plain = Scripted(job_script()).begin()
    plain.wait(5.0)
    plain.session.run.note("count-doubtful", "The zero and all passes are void; mark neutral again.")
    assert plain.wait(0.2) == ["Note: The zero and all passes are void; mark neutral again."]
    assert "Note: The zero and all passes are void; mark neutral again." not in plain.wait(0.5)
    plain.session.run.note("count-doubtful", "The zero and all passes are void; mark neutral again.")
    assert not any("Note" in line for line in plain.wait(1.0))
    assert "Note again: The zero and all passes are void; mark neutral again. (2 times)" in [
        line.removesuffix(".") for line in plain.wait(12.0)
    ]


def test_a_lost_link_says_what_it_voided_and_what_to_do() -> None:
    plain = Scripted(job_script()).begin()
    plain.wait(10.0)
    plain.session.run.feed(Record(Kind.ENTRY, json.dumps({"kind": "link", "text": "The port went away."}).encode(), 0))
    lines = [line for line in plain.wait(0.2) if line.startswith("FAULT")]
    assert lines == [
        "FAULT. The board does not answer. What was found before is kept; neutral is marked anew once it is back. Check the board's "
        "plug and power: it is looked for until it answers. Nothing is lost."
    ]


def test_a_failure_is_one_sentence_with_what_to_do_and_again_begins_again() -> None:
    plain = Scripted(job_script()).begin()
    plain.wait(3.0)
    plain.session.run.failure = Failure("no-opening", "main (channel 0) never opened over two whole lobe spacings.")
    lines = plain.wait(0.2)
    assert lines[0] == (
        "FAULT. It cannot go on. main (channel 0) never opened over two whole lobe spacings. Put it right, then type again to begin "
        "again, or leave."
    )
    lines = plain.type("again")
    assert "The job begins anew." in lines
    assert len(plain.desk.sessions) == 2
    assert plain.session.run.failure is None


def test_creep_while_the_rotor_is_held_is_told_in_tenths() -> None:
    t, a = MARKING[-1]
    found = t + 7 * 6.0
    at = a + 7 * 360 + 9.0
    path = (
        *MARKING,
        (found, at - 9.0),
        (found + 1.0, at),
        (found + 6.0, at),
        (found + 7.0, at + 0.8),
        (found + 14.0, at + 0.8),
    )
    plain = Scripted(Script(path, MARKING_PRESSES)).begin()
    plain.wait(path[-1][0])
    assert plain.session.run.step is Step.ADJUST
    crept = [line for line in plain.said if "while you held it" in line]
    # Four counts of the script's coarse encoder; told as it begins and again when it has come to rest, not at each count.
    assert crept[-1] == "The rotor moved 0.7° on while you held it."
    assert len(crept) == 2


def test_points_that_open_while_the_rotor_is_held_are_told_with_their_angle() -> None:
    t, a = MARKING[-1]
    found = t + 7 * 6.0
    path = (*MARKING, (found, a + 7 * 360), (found + 1.0, a + 7 * 360 + 9.0), (found + 6.0, a + 7 * 360 + 9.0))
    plain = Scripted(Script(path, MARKING_PRESSES)).begin()
    plain.wait(path[-1][0] - 1)
    run = plain.session.run
    stood = re.fullmatch(r"The rotor is (\d\.\d\d)° before main's target: turn on by that\.", plain.said[-1])
    assert stood is not None
    # 9.2° past neutral, half a count of the script's coarse encoder either way.
    assert float(stood[1]) == pytest.approx(0.8, abs=0.1)
    assert run.holding is not None
    run.holding.edge(0, run.tick, run.count, True)
    (opened,) = plain.wait(0.1)
    at = re.fullmatch(r"main: OPENED while the rotor stood at (\d\.\d\d)°: the points moved\.", opened)
    assert at is not None
    assert float(at[1]) == pytest.approx(9.2, abs=0.1)


def test_an_entry_on_one_line_is_taken_as_it_stands() -> None:
    plain = whole(presses=0)
    assert plain.type("clearance main 0.35 mm") == ["Entered. Adjustment, main, point clearance: 0.35 mm."]
    (entry,) = [e for e in plain.session.run.entries if e["kind"] == "adjustment"]
    assert (entry["breaker"], entry["what"], entry["value"], entry["unit"]) == ("main", "point clearance", 0.35, "mm")


def test_an_entry_without_its_figure_is_asked_for_limits_tool_and_due_day() -> None:
    plain = whole(presses=0)
    plain.type("torque", "2,5", "N·m", "3", "2", "4", "torque wrench", "TW-1", "2999-12-31", "after the second turn")
    (entry,) = [e for e in plain.session.run.entries if e["kind"] == "adjustment"]
    assert (entry["what"], entry["value"], entry["unit"]) == ("screw torque", 2.5, "N·m")
    # An upper limit below the lower one is asked for again.
    assert (entry["lower_limit"], entry["upper_limit"]) == (3.0, 4.0)
    assert entry["tool"] == {"name": "torque wrench", "serial_number": "TW-1", "calibration_due": "2999-12-31"}
    assert entry["note"] == "after the second turn"
    assert plain.said[-1].startswith("Entered. Adjustment, main, screw torque: 2.5 N·m (limits 3 to 4 N·m); outside")


def test_a_change_after_the_verification_voids_it() -> None:
    plain = whole()
    plain.type("clearance 0.35 mm")
    assert "A change after the final press: what was verified is void. Verify again." in plain.said
    assert plain.session.run.step is Step.ADJUST


def test_stop_leaves_a_question_and_enters_nothing() -> None:
    plain = whole(presses=0)
    before = len(plain.session.entered)
    plain.type("clearance", "0.35", "stop")
    assert plain.said[-1] == "Left. Nothing more was entered."
    assert len(plain.session.entered) == before


def test_checks_are_asked_line_by_line_and_say_what_stops_the_job() -> None:
    plain = whole()
    lines = plain.type("checks")
    assert "11. distributor timing: not done; it STOPS the job." in lines
    assert "1. end play and bearings: not done." in lines
    # The record knows of these from now on, whatever happens next.
    opened = [(e["name"], e["verdict"]) for e in plain.session.run.entries if e["kind"] == "check"]
    assert opened == [("distributor timing", "not done"), ("timing mark in window at closing", "not done")]
    # End play, with a figure beyond the manual's limits, by a tool whose calibration is over.
    plain.type("1", "0.3", "0.1", "0.2", "", "dial gauge", "", str(date(2001, 1, 1)))
    assert plain.said[-1].startswith(
        "The calibration of dial gauge was due on 2001-01-01: the record will be NOT FOR RECORD."
    )
    plain.type("y", "")
    (check,) = [e for e in plain.session.run.entries if e["kind"] == "check" and e["name"] == "end play and bearings"]
    assert (check["value"], check["unit"], check["verdict"]) == (0.3, "mm", "outside")
    plain.type("11", "n", "finger a tooth off")
    assert "distributor timing: NOT as it should be; it STOPS the job." in " ".join(plain.type("list"))
    plain.type("11", "", "", "12", "", "", "")
    assert (
        plain.said[-1]
        == "Everything that stops the job is done: type end to end it and keep its record, or checks for the list."
    )


def test_a_check_that_needs_a_tool_is_not_entered_without_one() -> None:
    plain = whole()
    plain.type("checks", "4", "")
    assert plain.type("") == ["This is needed. Which tool was used? Type the name of another."]


def test_the_job_ends_only_when_nothing_stops_it_or_after_a_question() -> None:
    plain = whole()
    asked = plain.type("end")
    assert "distributor timing: not done yet, and the job cannot end without it." in asked[0]
    assert "not for record" in asked[0]
    plain.type("n")
    assert plain.session.run.step is Step.CHECKS
    plain.type("checks", "11", "", "", "12", "", "", "", "end")
    plain.wait(0.5)
    assert plain.session.run.step is Step.DONE
    assert "Record R-1 is kept." in plain.said
    assert sum(line.startswith("As left. main, lobe") for line in plain.said) == 2
    plain.type("leave")
    assert plain.job.left


def test_recheck_begins_a_second_verify_only_once_the_job_is_done() -> None:
    plain = whole()
    assert plain.type("recheck") == ["recheck is for a job that is done."]
    plain.type("end", "y")
    plain.wait(0.5)
    plain.type("recheck")
    assert len(plain.desk.sessions) == 2


def test_leaving_asks_first_and_keeps_what_was_read() -> None:
    plain = Scripted(job_script()).begin()
    plain.wait(5.0)
    assert plain.type("leave") == [
        "Leave now? What was read so far is kept, and the job can be resumed. Leave? Answer y or n."
    ]
    plain.type("n")
    assert not plain.job.left
    plain.type("leave", "y")
    assert plain.job.left
    plain.job.leave()
    assert plain.said[-2:] == ["Stopped by the user before the measurement was complete.", "Record R-1 is kept."]


def test_a_word_that_is_none_says_so_and_acts_of_a_hand_belong_to_a_rehearsal() -> None:
    plain = Scripted(job_script()).begin()
    plain.wait(0.2)
    assert plain.type("frobnicate") == ["frobnicate is none of the words. Type help for them."]
    assert plain.type("turn 15") == ["Here is no simulated unit: turn the unit on the bench."]


# --- intake ------------------------------------------------------------------------------------------------------------


def options(**given: Any) -> argparse.Namespace:
    return argparse.Namespace(**{"job": None, "operator": None, "hours": None, "recheck_of": None, **given})


def test_interrupted_jobs_are_offered_and_one_is_resumed_by_its_number() -> None:
    plain = Scripted(job_script(), beginning=Beginning(options()))
    plain.desk.waiting = (("ID-7", "SIM-0004, begun yesterday"),)
    plain.job.begin()
    assert plain.said[1:] == [
        "Interrupted jobs:",
        "1. SIM-0004, begun yesterday.",
        "Type the number of the one to go on with. Enter: none of them, a new job.",
    ]
    plain.type("1", "", "", "")
    assert plain.desk.began == [(None, "ID-7")]
    assert plain.session.entered == [{"kind": "caution", "text": text} for text in cautions.ACKNOWLEDGED]


def test_with_a_job_file_only_who_works_and_the_state_as_received_are_asked() -> None:
    file = job_file.load(JOB)
    plain = Scripted(job_script(), beginning=Beginning(options(job=str(JOB)), file))
    plain.job.begin()
    assert "main on probe channel 0: target 10° from neutral, 2° earlier and 2° later at most." in " ".join(plain.said)
    plain.type("A. Person", "120,5", "oil on the flange", "", "", "")
    ((intake, resumed),) = plain.desk.began
    assert resumed is None
    assert intake is not None
    assert (intake.job, intake.operator, intake.service_hours) == (file, "A. Person", 120.5)
    assert (intake.findings, intake.cautions, intake.started_from) == (
        ("oil on the flange",),
        cautions.ACKNOWLEDGED,
        str(JOB),
    )


def test_without_a_job_file_the_job_is_asked_key_by_key_and_wrong_answers_are_asked_again(data_folder: Path) -> None:
    plain = Scripted(job_script(), beginning=Beginning(options(operator="A. Person", hours=1.0)))
    plain.job.begin()
    plain.type("DEMO", "", "SCRIPT-1", "clockwise", "5", "4", "", "")
    assert plain.said[-1].startswith("Impulse coupling?")
    assert "This is needed. Serial number?" in plain.said
    fitted = plain.type("fitted")
    assert "at hand speed it stops the magnet" in fitted[-1]
    plain.type("none", "", "", "ten", "10", "2", "2", "neutral", "0.2")
    # A second set that counts from the first one's opening, with a name that is taken already.
    plain.type("y", "main", "retard", "", "25", "2", "2", "main", "", "n", "n")
    plain.type("Demonstration manual, invented", "A")
    assert plain.said[-1].startswith("State as received")
    plain.type("", "", "", "")
    ((intake, _),) = plain.desk.began
    assert intake is not None
    job = intake.job
    assert (job.unit.poles, job.unit.impulse_coupling, job.unit.cam) == (4, "none", "plain")
    assert [(b.name, b.channel, b.opens_at_deg, b.from_) for b in job.breaker] == [
        ("main", 0, 10, "neutral"),
        ("retard", 1, 25, "main"),
    ]
    assert intake.saved_as is not None
    assert intake.saved_as.parent == data_folder / "jobs"
    assert job_file.load(intake.saved_as) == job


# --- whole jobs acted by typed words, in the simulator's own time ------------------------------------------------------


class Acted:
    """A rehearsal in this process. `type` and `wait`; all that is known of the unit is in the lines."""

    def __init__(self, scenario: str, seed: int) -> None:
        self._simulator = SimulatorHere(scenario, seed)
        clock = lambda: self._simulator.now_s  # noqa: E731
        names = tuple(b.name for b in self._simulator.scenario.breaker)
        unit = SimulatedUnit(self._simulator, names, watched=False, clock=clock)  # type: ignore[arg-type]
        given = argparse.Namespace(scenario=scenario, seed=seed, capture=None, record=False)
        self.desk = DeskHere(self._simulator, unit, given)
        self.said: list[str] = []
        self._typed_at = 0
        self._job = PlainJob(self.desk, self._say, Beginning(), clock)
        self._job.begin()
        self.type("", "", "")

    def _say(self, text: str) -> None:
        self.said += [worded(line) for line in text.splitlines()]

    def type(self, *lines: str) -> list[str]:
        """Type lines, and give what is said at once."""
        before = self._typed_at = len(self.said)
        for line in lines:
            self._job.typed(line)
        self.wait(0.2)
        return self.said[before:]

    def wait(self, seconds: float) -> list[str]:
        before = len(self.said)
        for _ in range(max(round(seconds * 10), 1)):
            self._simulator.advance(0.1)
            self._job.round()
        return self.said[before:]

    def until(self, pattern: str, seconds: float = 90.0) -> re.Match[str]:
        """Wait for a line that was not said before the last line was typed."""
        for _ in range(round(seconds * 10)):
            for line in self.said[self._typed_at :]:
                if found := re.search(pattern, line):
                    return found
            self.wait(0.1)
        raise AssertionError(f"{pattern!r} was not said:\n" + "\n".join(self.said[-30:]))

    def hand(self, line: str) -> int:
        """An act of the hand, and the pull in hundredths once it is done, forward positive."""
        before = self._typed_at = len(self.said)
        self._job.typed(line)
        for _ in range(300):
            self.wait(0.1)
            for said in self.said[before:]:
                if said == "No pull is felt.":
                    return 0
                if found := re.fullmatch(r"The magnet pulls (on|back), (\d+) percent\.", said):
                    return int(found[2]) * (1 if found[1] == "on" else -1)
        raise AssertionError("nothing is felt:\n" + "\n".join(self.said[-30:]))

    def mark_neutral(self) -> None:
        """With the mark in its window, from both sides by feel, until no more presses are asked for."""
        for _ in range(200):
            self.hand("turn 4")
            if [line for line in self.said if "timing mark" in line][-1:] == ["The timing mark is in its window."]:
                break
        for _ in range(60):
            doing = [line for line in self.said if line.startswith(("Feel for", "Turn past neutral", "Neutral is"))][-1]
            if doing.startswith("Neutral is marked"):
                return
            up = doing.startswith("Feel for")
            self.hand("back 8" if up else "turn 8")
            way = 1 if up else -1
            while (pull := self.hand(f"{'turn' if up else 'back'} {1 if abs(self.pull) > 12 else 0.1}") * way) > 0:
                assert pull <= 100
            told = [*self.type(""), *self.wait(0.5)]
            assert any(line.startswith(("Press taken at neutral", "Note")) for line in told), told
        raise AssertionError("neutral is not to be marked:\n" + "\n".join(self.said[-30:]))

    @property
    def pull(self) -> int:
        """The pull that was told last."""
        for said in reversed(self.said):
            if said == "No pull is felt.":
                return 0
            if found := re.fullmatch(r"The magnet pulls (on|back), (\d+) percent\.", said):
                return int(found[2]) * (1 if found[1] == "on" else -1)
        return 0


def test_a_whole_job_is_acted_by_typed_words_following_what_the_lines_say(data_folder: Path) -> None:  # noqa: ARG001
    unit = Acted("outside", 3)
    unit.hand("turn 400")
    unit.mark_neutral()
    unit.type("keep")
    unit.until(r"Step 5 of 8: adjust")
    unit.hand("hold")
    off = re.search(
        r"opens at .* (\d+\.\d\d)° (later|earlier) than its target .*BEYOND its limits", " ".join(unit.type("where"))
    )
    assert off is not None, unit.said[-10:]
    # The rotor is held for a while, so that openings from then on are another setting's.
    unit.wait(2.5)
    unit.type("loosen", f"move {off[1]} {'earlier' if off[2] == 'later' else 'later'}", "tighten", "keep")
    assert [line for line in unit.said if line.startswith("The screws")] == [
        "The screws are loose.",
        "The screws are tight.",
    ]
    moved = unit.until(r"^main: since the rotor was last held it opens (\d\.\d\d)° (later|earlier) than before\.$")
    # Tightening moves them by up to 0.4°.
    assert float(moved[1]) == pytest.approx(float(off[1]), abs=0.5)
    assert moved[2] != off[2]
    unit.wait(4.0)
    unit.hand("hold")
    unit.type("")
    unit.until(r"^Press taken: the points are set")
    unit.type("keep")
    unit.until(r"Step 7 of 8: other checks")
    unit.type("checks", "11", "", "", "12", "", "", "", "end")
    unit.wait(1.0)
    assert "Rehearsal: no record is kept." in unit.said
    left = [line for line in unit.said if line.startswith("As left.")]
    assert len(left) == 4
    assert all(line.endswith("INSIDE the limits.") for line in left)
    assert all(line.startswith("Rehearsal, not for record. ") for line in unit.said if "Step " in line)
    for line in unit.said:
        assert not SHAPES.search(line), line


def test_an_exercise_is_looked_over_and_mended_by_words(data_folder: Path) -> None:  # noqa: ARG001
    unit = Acted("exercise-coil-lead-on", 3)
    assert any(line.startswith("This is an exercise") for line in unit.said)
    assert any("Clearance of all points" in line for line in unit.type("sheet"))
    unit.type("keep")
    fault = unit.until(r"^FAULT\. It cannot go on\. (.*)")
    assert "coil lead is still on the points" in fault[0]
    unit.type("hold")
    assert "coil-lead, " in unit.type("look")[0]
    assert unit.type("look coil-lead")[-1] == unit.type("look coil-lead")[-1]
    assert "lead" in unit.said[-1]
    unit.type("mend coil-lead-on")
    lines = unit.type("again")
    assert "The job begins anew." in lines
    assert not any(line.startswith("FAULT") for line in unit.type("turn 300") + unit.wait(6))


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("turn", "By how many degrees? For instance: turn 15, or turn 0.1."),
        ("turn nan", "By how many degrees? For instance: turn 15, or turn 0.1."),
        ("back -3", "By how many degrees? For instance: back 15, or back 0.1."),
        (
            "move 0.3",
            "By how many degrees, and which way? For instance: move main 0.3 later, or move main 0.3 earlier.",
        ),
        ("look coil-lead", "This rehearsal is no exercise: there is nothing to look at."),
        ("move main 0.3 later", "The main points are screwed tight; loosen them first."),
        ("loosen", "The screws are loose."),
    ],
)
def test_an_act_that_cannot_be_done_says_why(line: str, answer: str, data_folder: Path) -> None:  # noqa: ARG001
    assert Acted("outside", 3).type(line)[-1] == answer


# --- lines in and out --------------------------------------------------------------------------------------------------


def test_where_only_ascii_can_be_written_signs_become_words(tmp_path: Path) -> None:
    path = tmp_path / "said.txt"
    with path.open("w", encoding="ascii") as stream:
        Voice(stream)("main: 10.01° ± 0.31° – “inside” ✓")
    assert path.read_text("ascii") == 'main: 10.01 degrees plus or minus 0.31 degrees, "inside" \n'


# --- the real commands over pipes --------------------------------------------------------------------------------------


class Piped:
    """A command with pipes for its input and output, in real time."""

    def __init__(self, *arguments: str | Path, stderr_too: bool = False) -> None:
        self.process = subprocess.Popen(
            [*COMMAND, *map(str, arguments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT if stderr_too else subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )
        self.said: list[str] = []
        self._lines: queue.Queue[str | None] = queue.Queue()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(line.rstrip("\n"))
        self._lines.put(None)

    def type(self, *lines: str) -> None:
        assert self.process.stdin is not None
        for line in lines:
            self.process.stdin.write(f"{line}\n")
        self.process.stdin.flush()

    def until(self, pattern: str, seconds: float = 60.0) -> re.Match[str]:
        deadline = time.monotonic() + seconds
        while (left := deadline - time.monotonic()) > 0:
            try:
                line = self._lines.get(timeout=left)
            except queue.Empty:
                break
            if line is None:
                break
            self.said.append(line)
            if found := re.search(pattern, line):
                return found
        raise AssertionError(f"{pattern!r} was not said:\n" + "\n".join(self.said[-30:]))

    def end(self) -> int:
        """Close its input and wait for its end."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        status = self.process.wait(30)
        while (line := self._lines.get(timeout=10)) is not None:
            self.said.append(line)
        return status


@contextmanager
def piped(*arguments: str | Path, stderr_too: bool = False) -> Iterator[Piped]:
    found = Piped(*arguments, stderr_too=stderr_too)
    try:
        yield found
    finally:
        found.process.kill()
        found.process.wait()
        for pipe in (found.process.stdin, found.process.stdout, found.process.stderr):
            if pipe is not None and not pipe.closed:
                pipe.close()


@pytest.fixture
def bench(data_folder: Path) -> Path:
    """The simulated bench's file in the data folder; gives the job's file."""
    found = scenarios.load("outside")
    assert found.bench_path is not None
    assert found.job_path is not None
    data_folder.mkdir(parents=True)
    shutil.copy(found.bench_path, data_folder / "bench.toml")
    return found.job_path


def begin_measuring(plain: Piped, unit: ActedUnit) -> None:
    """Who works, hours, state as received, three cautions; then one whole turn, and neutral by Enter."""
    plain.until("Who works")
    plain.type("A. Person", "", "as from service", "", "", "")
    plain.until("Step 2 of 8: instrument check")
    unit.go(do="turn", by_deg=400, speed_deg_s=120)
    plain.until("Step 3 of 8: neutral")
    for side in ("below", "above", "below", "above"):
        unit.go(**{"do": "seek", "from": side})
        plain.type("")
        plain.until("Press taken at neutral")


def journals(home: Path) -> list[dict[str, Any]]:
    """Entries of the only journal."""
    (path,) = (home / "journals").iterdir()
    with JournalReader(path) as reader:
        reader.header()
        return [r.document() for r in reader.records() if r.kind is Kind.ENTRY]


def test_a_whole_job_by_plain_lines_from_intake_to_record(data_folder: Path, bench: Path) -> None:
    with acted("outside") as unit, piped("measure", bench, "--plain", "--port", unit.port, "--passes", "2") as plain:
        begin_measuring(plain, unit)
        unit.do(do="keep_turning", speed_deg_s=200)
        plain.until(r"^As found\. main, lobe 0: .*OUTSIDE the limits\.$")
        plain.until("Step 5 of 8: adjust")
        unit.go(do="hold")
        unit.do(do="loosen", breaker="main")
        unit.do(do="points", breaker="main", by_deg=-4.0)
        unit.do(do="tighten", breaker="main")
        plain.until("^The rotor is .* main's target")
        unit.do(do="keep_turning", speed_deg_s=60)
        plain.until("^main: since the rotor was last held it opens .* earlier than before")
        unit.go(do="hold")
        plain.type("")
        plain.until("^Press taken: the points are set")
        unit.do(do="keep_turning", speed_deg_s=200)
        plain.until("Step 7 of 8: other checks")
        plain.type("end")
        plain.until("End all the same")
        plain.type("y")
        plain.until(r"^As left\. main, lobe 0: .*INSIDE the limits\.$")
        plain.until("NOT FOR RECORD")
        plain.type("leave")
        assert plain.end() == 0
    for line in plain.said:
        assert not SHAPES.search(line), line
    kinds = [(e.get("kind"), e.get("what")) for e in journals(data_folder)]
    assert kinds[:4] == [("caution", None)] * 3 + [("operator", "finding")]
    kept = breakerbench("records", "list", "--json")
    assert len(json.loads(kept.out)["records"]) == 1


def test_the_end_of_standard_input_leaves_the_job_open_and_it_can_be_resumed(data_folder: Path, bench: Path) -> None:
    with acted("outside") as unit:
        with piped("measure", bench, "--plain", "--port", unit.port) as plain:
            begin_measuring(plain, unit)
            assert plain.end() == 130
        assert "What was read so far is kept" in plain.said[-2]
        told = re.search(r"The job is open: breakerbench measure --resume ([\w-]+)", plain.said[-1])
        assert told is not None, plain.said[-1]
        with piped("measure", "--plain", "--port", unit.port, "--resume", told[1]) as again:
            again.until("neutral, marks and passes begin anew")
            again.type("", "", "")
            again.until("Step 2 of 8: instrument check")
            assert again.end() == 130
    assert len(list((data_folder / "journals").iterdir())) == 2


def test_a_killed_job_is_offered_and_resumed_by_its_number(bench: Path) -> None:
    with acted("outside") as unit:
        with piped("measure", bench, "--plain", "--port", unit.port) as plain:
            plain.type("A. Person", "", "", "", "", "")
            plain.until("Step 2 of 8: instrument check")
            plain.process.kill()
            plain.process.wait()
        with piped("measure", "--plain", "--port", unit.port) as again:
            again.until(r"^1\. SIM-0004, \d{4}-")
            again.type("1", "", "", "")
            again.until("Step 2 of 8: instrument check")
            assert again.end() == 130


def test_control_c_keeps_what_was_read(bench: Path) -> None:
    with acted("outside") as unit, piped("measure", bench, "--plain", "--port", unit.port, "--json") as plain:
        # With --json the lines go to standard error, the document alone to standard output.
        assert plain.process.stderr is not None
        plain.type("", "", "", "", "", "")
        while "Step 2 of 8" not in (line := plain.process.stderr.readline()):
            assert line
        plain.process.send_signal(signal.SIGINT)
        assert plain.process.wait(30) == 130
        plain.until("^{", 5)
        rest = []
        while (line := plain._lines.get(timeout=5)) is not None:  # type: ignore[assignment]
            rest.append(line)
    document = json.loads("\n".join([*plain.said, *rest]))
    assert document["error"]["code"] == "interrupted"


def test_a_rehearsal_by_plain_lines_is_acted_by_words() -> None:
    with piped("rehearse", "--plain", "--scenario", "outside", "--seed", "3") as plain:
        plain.until("^breakerbench, REHEARSAL on a simulated unit, not for record")
        plain.type("act", "", "", "")
        plain.until("^Rehearsal, not for record. Step 2 of 8: instrument check")
        plain.type("turn 30")
        plain.until("^Rehearsal, not for record. Step 3 of 8: neutral")
        plain.until("^The magnet pulls|^No pull")
        plain.type("where")
        plain.until(r"^The rotor stands, at \d+\.\d\d° from where it started\.$")
        assert plain.end() == 130


def test_watched_it_does_the_whole_job_by_itself(data_folder: Path) -> None:  # noqa: ARG001
    with piped("rehearse", "--plain", "--scenario", "outside", "--seed", "3") as plain:
        plain.until("watch the whole job being done, or act it yourself")
        plain.type("watch", "", "", "")
        plain.until("Step 3 of 8: neutral")
        plain.type("", "turn 5")
        plain.until("^You are watching: the presses are made for you.")
        plain.until("^You are watching: the unit is turned for you.")
        assert plain.end() == 130


def test_without_anybody_who_reads_the_cautions_nothing_begins(bench: Path) -> None:
    done = breakerbench("measure", bench, "--plain")
    assert done.status == 130
    assert "Who works" in done.out


@pytest.mark.parametrize("command", [["measure", str(JOB)], ["rehearse"]])
def test_plain_and_headless_contradict_each_other(command: list[str]) -> None:
    done = breakerbench(*command, "--plain", "--headless")
    assert done.status == 2
    assert "--plain and --headless exclude each other" in done.err
