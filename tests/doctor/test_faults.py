"""A board that does as PROTOCOL.md says passes; each fault of a builder's board is found under its own name, and no other."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from bench.conformance import Conformance, document, exit_status, header
from bench.conformance_evidence import Evidence, Seen
from bench.conformance_finding import Finding, Status
from bench.conformance_steps import index_spacings
from bench.journal import Kind, Record
from firmware_protocol.messages import Index, TroubleCode
from tests.doctor.bench_board import HELLO, Faults
from tests.doctor.conduct import Conduct, conduct, idle

FAIL, ATTENTION, NOT_TRIED = Status.FAIL, Status.ATTENTION, Status.NOT_TRIED


def not_passed(run: Conduct) -> dict[str, Status]:
    """Every finding but those that passed."""
    return {f.code: f.status for f in run.conformance.findings() if f.status is not Status.PASS}


def finding(run: Conduct, code: str) -> Finding:
    return next(f for f in run.conformance.findings() if f.code == code)


def figure(found: Finding, name: str) -> float | int | str | None:
    return next(f.value for f in found.figures if f.name == name)


def test_a_good_board_passes_everything() -> None:
    run = conduct(Faults())
    assert not_passed(run) == {}
    assert exit_status(run.conformance.findings()) == 0
    assert {f.code for f in run.conformance.findings()} == {
        "line",
        "identity",
        "fingerprint",
        "resets",
        "position-rate",
        "tick-rate",
        "latency",
        "troubles",
        "turning",
        "index",
        "illegal-transitions",
        "edges",
        "probe-0",
        "probe-1",
        "probe-order",
        "shared-ground",
        "levels",
        "pedal",
    }


#: What is wrong, and all that is said of it.
SINGLE_FAULTS = {
    "four counts short of a turn between indexes": (Faults(index_spacing=9_996), {"index": FAIL}),
    "counts per turn stated as lines": (Faults(hello=replace(HELLO, counts_per_turn=2_500)), {"index": FAIL}),
    "index wire off": (Faults(index_dead=True), {"index": FAIL}),
    "index gone after two": (Faults(index_times=2), {"index": FAIL}),
    "no index, and says so": (Faults(hello=replace(HELLO, capabilities=0x1E)), {"index": ATTENTION}),
    "lead of probe 1 broken": (Faults(dead_leads=frozenset({1})), {"probe-1": FAIL, "probe-order": NOT_TRIED}),
    "leads swapped": (Faults(leads=(1, 0)), {"probe-order": FAIL}),
    "no ground clip: probes find ground through each other": (Faults(no_common_ground=True), {"shared-ground": FAIL}),
    "resistance in the shared ground": (Faults(ground_resistance_mv=1_500), {"shared-ground": ATTENTION}),
    "closed reads three volts": (Faults(closed_mv=3_000), {"levels": FAIL}),
    "no level readings": (Faults(levels_missing=True), {"levels": FAIL}),
    "noise on the encoder": (Faults(illegal_every_counts=4_001), {"illegal-transitions": FAIL}),
    "supply dips": (Faults(trouble=TroubleCode.SUPPLY_DIP), {"troubles": FAIL}),
    "rejects a good command": (Faults(trouble=TroubleCode.REJECTED_COMMAND), {"troubles": FAIL}),
    "counts a Trouble and does not send it": (
        Faults(trouble=TroubleCode.SUPPLY_DIP, trouble_untold=True),
        {"troubles": FAIL},
    ),
    "Position at half the rate": (Faults(position_every=2), {"position-rate": FAIL}),
    "every tenth Position late": (Faults(position_late_every=10), {"position-rate": FAIL}),
    "one Position in 200 late": (Faults(position_late_every=200), {"position-rate": ATTENTION}),
    "clock three per cent fast": (Faults(clock=1.03), {"tick-rate": FAIL}),
    "clock at half its rate": (Faults(clock=0.5), {"tick-rate": FAIL}),
    "pedal's wire off": (Faults(pedal_dead=True), {"pedal": FAIL}),
    "pedal upside down in Position": (Faults(pedal_upside_down=True), {"pedal": FAIL}),
    "pedal never let go": (Faults(pedal_never_up=True), {"pedal": FAIL}),
    "requests unanswered": (Faults(requests_unanswered=3), {"latency": FAIL}),
    "answers late": (Faults(answer_after_s=0.3), {"latency": ATTENTION}),
    "one encoder signal missing": (
        Faults(encoder_b_dead=True),
        {"turning": FAIL, "index": NOT_TRIED, "illegal-transitions": NOT_TRIED},
    ),
    "encoder dead": (
        Faults(encoder_dead=True),
        {"turning": FAIL, "index": NOT_TRIED, "illegal-transitions": NOT_TRIED, "edges": NOT_TRIED},
    ),
    "Edges begin at a wrong count": (Faults(edges_wrong_count=True), {"edges": FAIL}),
    "Edges promised and not sent": (Faults(edges_missing=True), {"edges": FAIL}),
    "Contacts counted and not sent": (
        Faults(contacts_untold=frozenset({1})),
        {"probe-1": FAIL, "probe-order": NOT_TRIED},
    ),
    "Contacts sent and not counted": (Faults(contacts_uncounted=frozenset({1})), {"probe-1": FAIL}),
    "open and closed the wrong way round in Position": (
        Faults(level_bits_inverted=True),
        # The readings are compared with Position.
        {"probe-0": FAIL, "probe-1": FAIL, "levels": FAIL},
    ),
    "Stop without Hello": (Faults(stop_unanswered=True), {"identity": FAIL}),
    "levels promised, none stated": (
        Faults(hello=replace(HELLO, level_channels=0)),
        {"identity": FAIL, "levels": NOT_TRIED},
    ),
    "ticks of ten microseconds": (Faults(hello=replace(HELLO, tick_hz=100_000)), {"identity": ATTENTION}),
    "board id left empty": (Faults(hello=replace(HELLO, board_id=bytes(8))), {"identity": ATTENTION}),
    "a damaged frame in 500": (Faults(damage_every=500), {"line": FAIL}),
    "a frame lost in 500": (Faults(lose_every=500), {"line": FAIL}),
    "Troubles lost on the way, not on the board": (
        Faults(lose_every=23, illegal_every_counts=101),
        {"line": FAIL, "illegal-transitions": FAIL, "latency": ATTENTION},
    ),
    "starts again in the middle": (Faults(reset_at_s=3.0), {"resets": FAIL}),
}


@pytest.mark.parametrize(("faults", "expected"), SINGLE_FAULTS.values(), ids=SINGLE_FAULTS)
def test_a_fault_is_found_and_none_else(faults: Faults, expected: dict[str, Status]) -> None:
    run = conduct(faults)
    assert not_passed(run) == expected
    for found in run.conformance.findings():
        assert found.seen
        assert (found.advice == "") == (found.status is Status.PASS) or found.status is NOT_TRIED


def test_of_the_index_the_spacing_is_told() -> None:
    found = finding(conduct(Faults(index_spacing=9_996)), "index")
    assert "9,996" in found.seen
    assert figure(found, "least_apart_counts") == 9_996


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        (2_500, "counts_per_turn is too small"),
        (5_000, "counts_per_turn is too small"),
        (20_000, "2 times what was counted"),
    ],
)
def test_lines_mistaken_for_counts_are_guessed_at(stated: int, words: str) -> None:
    assert words in finding(conduct(Faults(hello=replace(HELLO, counts_per_turn=stated))), "index").advice


def test_no_more_turning_is_asked_for_than_two_indexes_need() -> None:
    # From count 500 the index lies at 3,000 and 13,000: a turn and a quarter, then a turn back past both.
    found = finding(conduct(Faults()), "turning")
    assert figure(found, "up_turns") == pytest.approx(1.25, abs=0.01)
    assert figure(found, "down_turns") == pytest.approx(1.0, abs=0.01)


def test_an_index_lost_on_the_line_is_no_wrong_spacing_and_one_missed_by_the_board_is() -> None:
    first, third = Index(0, 3_000, 1), Index(0, 23_000, 1)
    evidence = Evidence()
    evidence.indexes = [Seen(0, 1, 0, first), Seen(1, 2, 0, third)]
    assert index_spacings(evidence, 10_000) == [0]
    evidence.indexes = [Seen(0, 1, 0, first), Seen(1, 1, 0, third)]
    assert index_spacings(evidence, 10_000) == [20_000]


@pytest.mark.parametrize("off", [-1, 1])
def test_an_index_within_one_count_of_its_place_passes(off: int) -> None:
    # PROTOCOL.md, INDEX_OFF: zero or a full turn, give or take one.
    assert not_passed(conduct(Faults(index_spacing=10_000 + off))) == {}


@pytest.mark.parametrize("off", [-2, 2])
def test_an_index_two_counts_off_fails(off: int) -> None:
    assert not_passed(conduct(Faults(index_spacing=10_000 + off))) == {"index": FAIL}


@pytest.mark.parametrize("clock", [0.985, 0.995, 1.005, 1.015])
def test_the_tick_rate_is_measured_within_its_stated_bound(clock: float) -> None:
    found = finding(conduct(Faults(clock=clock)), "tick-rate")
    deviation, bound = figure(found, "deviation_percent"), figure(found, "bound_percent")
    assert isinstance(deviation, float)
    assert isinstance(bound, float)
    assert abs(deviation - (clock - 1) * 100) <= bound
    assert found.status is (Status.PASS if abs(clock - 1) < 0.01 else FAIL)


def test_a_simulated_board_need_not_keep_real_time() -> None:
    assert not_passed(conduct(Faults(clock=3.0, hello=replace(HELLO, simulated=1)))) == {"tick-rate": NOT_TRIED}


def test_the_smallest_board_that_one_can_measure_with_passes() -> None:
    # PROTOCOL.md, section 9: one channel, capabilities 0, no levels.
    hello = replace(HELLO, contact_channels=1, level_channels=0, capabilities=0)
    run = conduct(Faults(hello=hello, edges_missing=True, pedal_dead=True))
    assert not_passed(run) == {"index": ATTENTION}
    assert exit_status(run.conformance.findings()) == 0


def test_a_change_lost_on_the_board_is_not_called_a_dead_lead() -> None:
    lost = finding(conduct(Faults(contacts_untold=frozenset({1}))), "probe-1")
    assert "Position counts" in lost.seen
    dead = finding(conduct(Faults(dead_leads=frozenset({1}))), "probe-1")
    assert "Position counts" not in dead.seen
    assert "broken lead" in dead.advice


def test_two_leads_on_one_set_of_points_change_together_while_it_turns() -> None:
    assert not_passed(conduct(Faults(cam=True, bridged=True))) == {"shared-ground": FAIL, "probe-order": NOT_TRIED}


def test_two_sets_of_points_a_tenth_of_a_degree_apart_do_not() -> None:
    assert not_passed(conduct(Faults(cam=True))) == {"probe-order": NOT_TRIED}


def test_bounce_is_no_change_of_its_own() -> None:
    # Touched once and lifted once, with two bounces each.
    found = finding(conduct(Faults()), "shared-ground")
    assert (figure(found, "changes_0"), figure(found, "changes_1")) == (2, 2)


def test_swapped_leads_are_named() -> None:
    found = finding(conduct(Faults(leads=(1, 0))), "probe-order")
    assert "Asked for 0, 1 changed" in found.seen
    assert "asked for 1, 0 changed" in found.seen


def failed(run: Conduct) -> set[str]:
    return {code for code, status in not_passed(run).items() if status is FAIL}


def test_other_firmware_is_said_to_be_other_firmware_and_not_noise() -> None:
    run = conduct(Faults(hello=replace(HELLO, fingerprint=0x1234_5678)))
    assert failed(run) == {"fingerprint"}
    assert "12345678" in finding(run, "fingerprint").seen
    assert finding(run, "identity").status is Status.PASS
    assert exit_status(run.conformance.findings()) == 4


@pytest.mark.parametrize(
    ("faults", "words"), [(Faults(deaf=True), "power"), (Faults(rubbish=True), "baud rate")], ids=["silent", "rubbish"]
)
def test_what_does_not_greet_fails_at_the_line_alone(faults: Faults, words: str) -> None:
    run = conduct(faults)
    assert failed(run) == {"line"}
    assert words in finding(run, "line").advice


def test_a_board_that_falls_silent_is_judged_by_what_came() -> None:
    run = conduct(Faults(silent_at_s=9.0))
    assert failed(run) == {"line"}
    assert "silent" in finding(run, "line").seen
    assert finding(run, "position-rate").status is Status.PASS
    assert finding(run, "pedal").status is NOT_TRIED


def test_a_boot_counter_that_stays_is_told_with_the_reset() -> None:
    run = conduct(Faults(reset_at_s=3.0))
    assert "boot counter must" not in finding(run, "resets").advice
    stuck = conduct(Faults(reset_at_s=3.0, boot_counter_stuck=True))
    assert failed(stuck) == {"resets"}
    assert "boot counter must" in finding(stuck, "resets").advice


def test_a_reset_while_turning_is_not_taken_for_a_turn_back_or_a_wrong_index() -> None:
    # At count 12,000 or so; the count begins anew at 0.
    run = conduct(Faults(reset_at_s=10.3))
    assert not_passed(run) == {"resets": FAIL}
    found = finding(run, "turning")
    assert figure(found, "up_turns") == pytest.approx(1.2, abs=0.15)
    assert figure(found, "down_turns") == pytest.approx(1.05, abs=0.1)


def test_with_nobody_there_nothing_is_called_wrong_that_was_not_seen() -> None:
    run = conduct(Faults(), attended=False, person=idle)
    assert failed(run) == set()
    assert exit_status(run.conformance.findings()) == 3
    assert {"turning", "index", "probe-0", "probe-1", "pedal", "levels"} <= set(not_passed(run))


def test_what_was_asked_of_a_person_and_did_not_show_fails() -> None:
    run = conduct(Faults(), attended=True, person=idle)
    assert failed(run) == {"turning", "probe-0", "probe-1", "pedal"}


def test_what_a_person_skips_is_not_tried() -> None:
    run = conduct(Faults(), attended=True, person=idle, skipping=True)
    assert failed(run) == set()
    assert exit_status(run.conformance.findings()) == 3


@pytest.mark.parametrize("piece", [1, 7])
def test_the_findings_do_not_depend_on_how_the_bytes_are_cut(piece: int) -> None:
    run = conduct(Faults(leads=(1, 0), illegal_every_counts=4_001))
    again = Conformance()
    for record in run.records:
        pieces = (
            [record.payload]
            if record.kind is Kind.ENTRY
            else [record.payload[n : n + piece] for n in range(0, len(record.payload), piece)]
        )
        for payload in pieces:
            again.feed(Record(record.kind, payload, 0))
    assert again.findings() == run.conformance.findings()


@pytest.mark.parametrize("faults", [Faults(), Faults(deaf=True), Faults(silent_at_s=2.0)])
def test_the_document_is_json_without_nan(faults: Faults) -> None:
    run = conduct(faults)
    head = header("loop://", 500_000, "2026-01-01T00:00:00+00:00", "test")
    told = json.loads(document(run.conformance, head, None).to_json(), parse_constant=pytest.fail)
    assert told["format"] == "breakerbench-conformance"
    assert [f["code"] for f in told["findings"]] == [f.code for f in run.conformance.findings()]
    assert told["valid"] == (told["error"] is None) == (faults == Faults())
