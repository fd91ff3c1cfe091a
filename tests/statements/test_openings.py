"""Statements about what counts as an opening, and where it is."""

from dataclasses import replace

import pytest

from bench.result import ResultDocument, document
from bench.run import Run
from tests.support.scripted import MARKING, MARKING_PRESSES, Script, job, measure, reversed_encoder, turning

#: The script's encoder reads this much more than the rotor's angle; presses are read to half a count of 0.18°.
READS_MORE = 0.01234
EXACT = 0.003


def result(run: Run) -> ResultDocument:
    assert run.failure is None, run.failure
    return document(run, "none")


def angles(run: Run) -> list[float]:
    return [o.angle_deg - READS_MORE for o in result(run).breakers[0].openings]


def test_each_lobe_is_read_against_its_own_neutral() -> None:
    uneven = replace(turning(6.5), open_over=(((10.0, 80.0), (191.5, 260.0)),))
    assert angles(measure(uneven)) == pytest.approx([10.0, 11.5], abs=EXACT)


def test_lobe_0_is_the_first_opening_after_the_first_marked_neutral() -> None:
    marked_elsewhere = Script(
        tuple((t, a + 180) for t, a in turning(6.5).path),
        open_over=(((10.0, 80.0), (191.5, 260.0)),),
    )
    assert angles(measure(marked_elsewhere)) == pytest.approx([11.5, 10.0], abs=EXACT)


@pytest.mark.parametrize("speed", [8.0, 60.0, 350.0])
def test_speed_does_not_move_the_angle(speed: float) -> None:
    assert angles(measure(turning(6.5, speed))) == pytest.approx([10.0, 10.0], abs=EXACT)


def test_a_clockwise_unit_on_a_reversed_encoder_reads_the_same() -> None:
    script = turning(6.5)
    plain = result(measure(script))
    reverse = result(measure(reversed_encoder(script), bench={"encoder_sense": "counterclockwise"}))
    for one, other in zip(plain.breakers[0].openings, reverse.breakers[0].openings, strict=True):
        assert one.angle_deg == pytest.approx(other.angle_deg, abs=1e-4)
        assert one.standard_uncertainty_deg == pytest.approx(other.standard_uncertainty_deg, abs=1e-4)
        # Propagated by draws, whose interval scatters by 0.25 % (stated in monte_carlo).
        assert one.expanded_uncertainty_deg == pytest.approx(other.expanded_uncertainty_deg, rel=0.01)


def test_an_unknown_sense_is_learnt_and_noted() -> None:
    run = measure(reversed_encoder(turning(6.5)), bench={"encoder_sense": "unknown"})
    assert angles_of_reversed(run) == pytest.approx([10.0, 10.0], abs=EXACT)
    assert [n.code for n in run.notes] == ["sense-unchecked"]


def angles_of_reversed(run: Run) -> list[float]:
    return [o.angle_deg - READS_MORE for o in result(run).breakers[0].openings]


def test_turning_the_wrong_way_ends_with_the_two_directions_named() -> None:
    run = measure(reversed_encoder(turning(6.5)))
    assert run.failure is not None
    assert run.failure.code == "wrong-direction"
    assert "counterclockwise" in run.failure.text
    assert "clockwise" in run.failure.text


def test_a_backwards_crossing_is_not_counted() -> None:
    seconds, degrees = MARKING[-1]
    back_and_forth = [(seconds + 1, degrees + 60)]
    for _ in range(8):
        t, a = back_and_forth[-1]
        back_and_forth += [(t + 1, a - 50), (t + 2, a - 49.5), (t + 3, a - 50)]
    # Comes back through the opening at 10° again and again without ever crossing it forwards by more than half a degree.
    path = (*MARKING, *back_and_forth[:4])
    run = measure(Script(path))
    assert run.lobe_counts() == {"main": [1, 0]}


def test_backing_up_and_crossing_again_counts_once_each_time_forwards() -> None:
    t, a = MARKING[-1]
    path = (*MARKING, (t + 1, a + 40), (t + 2, a), (t + 3, a + 40), (t + 4, a), (t + 5, a + 40), (t + 6, a + 41))
    run = measure(Script(path))
    assert run.lobe_counts() == {"main": [3, 0]}


def test_an_opening_approached_over_too_short_a_way_is_not_counted() -> None:
    t, _ = MARKING[-1]
    # Half a degree of approach leaves backlash in doubt.
    path = (*MARKING, (t + 1, 30.0), (t + 2, 9.5), (t + 3, 30.0), (t + 4, 31.0))
    assert measure(Script(path)).lobe_counts() == {"main": [1, 0]}


def test_holding_at_the_opening_and_falling_back_is_no_opening() -> None:
    t, _ = MARKING[-1]
    path = (*MARKING, (t + 1, 10.1), (t + 2, 10.1), (t + 3, 9.9), (t + 4, 10.1), (t + 5, 5.0), (t + 6, 5.5))
    assert measure(Script(path)).lobe_counts() == {"main": [0, 0]}


def test_bounce_does_not_move_the_opening_and_is_reported() -> None:
    bouncing = replace(turning(6.5), open_over=(((10.0, 10.012), (10.02, 10.03), (10.05, 80.0), (190.0, 260.0)),))
    run = measure(bouncing)
    assert angles(run) == pytest.approx([10.0, 10.0], abs=EXACT)
    first, second = result(run).breakers[0].openings
    # From first departure to last return: 0.05° at 60°/s.
    assert first.bounce_ms == pytest.approx(0.05 / 60 * 1000, abs=0.01)
    assert second.bounce_ms == 0


def test_a_flicker_a_degree_before_is_not_the_opening() -> None:
    dirty = replace(turning(6.5), open_over=(((9.0, 9.02), (10.0, 80.0), (190.0, 260.0)),))
    assert angles(measure(dirty)) == pytest.approx([10.0, 10.0], abs=EXACT)


def test_dwell_and_closing_come_with_each_lobe() -> None:
    uneven = replace(turning(6.5), open_over=(((10.0, 80.0), (190.0, 250.0)),))
    first, second = result(measure(uneven)).breakers[0].openings
    assert first.closing_deg == pytest.approx(80.0, abs=0.05)
    assert second.closing_deg == pytest.approx(70.0, abs=0.05)
    # Closed from 250° to 370°, and from 80° to 190°.
    assert first.dwell_deg == pytest.approx(120.0, abs=EXACT)
    assert second.dwell_deg == pytest.approx(110.0, abs=EXACT)


def test_any_split_of_the_bytes_gives_the_same_document() -> None:
    from bench.journal import Kind, Record
    from tests.support.scripted import new_run, play, records, wire

    script = replace(turning(5.6), counts_per_turn=400)
    whole = records(script, wire(play(script)))
    expected = measure(script)
    assert expected.failure is None
    for size in (1, 7, 100_000):
        run = new_run()
        run.feed(whole[0])
        run.feed(whole[1])
        data = b"".join(r.payload for r in whole[2:])
        for at in range(0, len(data), size):
            run.feed(Record(Kind.FROM_BOARD, data[at : at + size], 0))
        assert document(run, "x").to_json() == document(expected, "x").to_json()


def test_neutral_pressed_once_from_a_side_is_not_enough() -> None:
    run = measure(replace(turning(6.5), presses=MARKING_PRESSES[:3]))
    assert run.failure is None
    assert not run.finished
    assert run.procedure is not None
    assert run.procedure.missing(run.lobe_counts()) == "1 more press at neutral coming back to it"


def test_a_minute_without_progress_ends_the_run_and_says_what_was_missing() -> None:
    script = turning(3.2)
    t, a = script.path[-1]
    run = measure(replace(script, path=(*script.path, (t + 70, a))))
    assert run.failure is not None
    assert run.failure.code == "incomplete"
    assert "passes of main lobe 0: 1, main lobe 1: 2" in run.failure.text


def test_a_press_during_the_passes_is_kept_and_noted_but_moves_nothing() -> None:
    script = turning(6.5)
    run = measure(replace(script, presses=(*MARKING_PRESSES, 12.0)))
    assert angles(run) == pytest.approx([10.0, 10.0], abs=EXACT)
    assert [n.code for n in run.notes] == ["press-unused"]


def test_a_bouncing_pedal_is_one_press() -> None:
    bouncing = tuple(p + d for p in MARKING_PRESSES for d in (0.0, 0.01, 0.05))
    run = measure(replace(turning(6.5), presses=bouncing))
    assert run.procedure is not None
    assert run.procedure.presses_per_side == (2, 2)


@pytest.mark.parametrize(
    ("open_over", "code", "word"),
    [
        ((), "no-opening", "coil lead is still on the points"),
        (((0.0, 360.0),), "no-closing", "clip is off"),
    ],
)
def test_points_that_never_change_end_the_run_with_the_likely_causes(
    open_over: tuple[tuple[float, float], ...], code: str, word: str
) -> None:
    run = measure(replace(turning(3), open_over=(open_over,)))
    assert run.failure is not None
    assert run.failure.code == code
    assert word in run.failure.text


def test_a_rotor_that_stalls_and_snaps_has_an_impulse_coupling() -> None:
    t, a = MARKING[-1]
    snap = (*MARKING, (t + 0.5, a + 5), (t + 1.0, a + 5), (t + 1.004, a + 30), (t + 2, a + 31))
    run = measure(Script(snap))
    assert run.failure is not None
    assert run.failure.code == "impulse-coupling"
    assert "secure its flyweights" in run.failure.text


def test_a_brisk_start_from_rest_is_no_impulse_coupling() -> None:
    t, a = MARKING[-1]
    # 0 to 360°/s at once; a hand is slower than this.
    run = measure(Script((*MARKING, (t + 1, a), (t + 8, a + 7 * 360), (t + 9, a + 7 * 360))))
    assert run.failure is None
    assert run.finished


# --- what an angle counts from ---------------------------------------------------------------------------------------

TWO = (((10.0, 80.0), (190.0, 260.0)), ((38.0, 100.0), (218.0, 280.0)))


def two_breakers(reference: str, target: float) -> Run:
    tables = job(breakers=2)
    tables["breaker"][1] |= {"from": reference, "opens_at_deg": target}
    return measure(replace(turning(6.5), open_over=TWO), tables=tables)


@pytest.mark.parametrize(
    ("reference", "target", "expected"),
    [
        ("neutral", 38.0, 38.0 + READS_MORE),
        ("main", 28.0, 28.0),
        # The target of main is 10°.
        ("main.target", 28.0, 28.0 + READS_MORE),
    ],
)
def test_a_second_breaker_counts_from_what_the_job_says(reference: str, target: float, expected: float) -> None:
    second = result(two_breakers(reference, target)).breakers[1]
    assert second.from_ == reference
    for opening in second.openings:
        assert opening.angle_deg == pytest.approx(expected, abs=EXACT)
        assert opening.from_neutral_deg == pytest.approx(38.0 + READS_MORE, abs=EXACT)


def test_neutral_cancels_where_an_angle_counts_from_another_opening() -> None:
    opening = result(two_breakers("main", 28.0)).breakers[1].openings[0]
    assert not [row.source for row in opening.budget if row.source.startswith("neutral")]
    assert opening.expanded_uncertainty_deg is not None
    assert opening.from_neutral_expanded_uncertainty_deg is not None
    assert opening.expanded_uncertainty_deg < opening.from_neutral_expanded_uncertainty_deg / 4


def test_main_after_second_is_the_nearest_before_in_the_running_direction() -> None:
    tables = job(breakers=2)
    tables["breaker"][0] |= {"from": "second1", "opens_at_deg": 152.0}
    tables["breaker"][1] |= {"opens_at_deg": 38.0}
    run = measure(replace(turning(6.5), open_over=TWO), tables=tables)
    for opening in result(run).breakers[0].openings:
        assert opening.angle_deg == pytest.approx(152.0, abs=EXACT)


def test_an_angle_from_the_mark_counts_from_the_first_press() -> None:
    tables = job(**{"from": "mark", "opens_at_deg": 12.0})
    t, a = MARKING[-1]
    # One press at the manual's mark, 2° before neutral; neutral is not needed then.
    path = ((0.0, -40.0), (1.0, -2.0), (2.0, -2.0), (3.0, a), (3.0 + t, a + 6.5 * 360), (4.0 + t, a + 6.5 * 360))
    run = measure(Script(path, presses=(1.5,)), tables=tables)
    opening = result(run).breakers[0].openings[0]
    assert opening.angle_deg == pytest.approx(12.0, abs=0.09)
    assert opening.from_neutral_deg is None


def test_two_main_breakers_are_compared_with_their_sign() -> None:
    tables = job(breakers=2)
    tables["breaker"][1] |= {"opens_at_deg": 10.0}
    tables["difference"] = [{"between": ["main", "second1"], "deg": 0.0, "minus_deg": 1.0, "plus_deg": 1.0}]
    open_over = (((10.0, 80.0), (190.0, 260.0)), ((9.4, 80.0), (190.5, 260.0)))
    run = measure(replace(turning(6.5), open_over=open_over), tables=tables)
    first, second = result(run).differences
    assert first.angle_deg == pytest.approx(-0.6, abs=EXACT)
    assert second.angle_deg == pytest.approx(0.5, abs=EXACT)


def test_without_targets_everything_is_measured_and_nothing_judged() -> None:
    tables = job()
    del tables["limits"]
    for key in ("opens_at_deg", "minus_deg", "plus_deg", "from"):
        del tables["breaker"][0][key]
    # Marked before the first opening: nothing refers to neutral, but it is measured all the same.
    short = ((0.0, -40.0), (0.5, -40.0), *MARKING[2:])
    found = result(measure(turning(6.5, after=short), tables=tables))
    assert [o.verdict for o in found.breakers[0].openings] == ["none", "none"]
    assert found.breakers[0].openings[0].from_neutral_deg == pytest.approx(10.0 + READS_MORE, abs=EXACT)
    assert found.exit_status() == 3


def test_a_neutral_band_wider_than_the_tolerance_leaves_it_undecided() -> None:
    wide = tuple((t, a * 12 if abs(a) == 0.2 else a) for t, a in MARKING)
    run = measure(turning(6.5, after=wide), tables=job(minus_deg=2.0, plus_deg=2.0))
    found = result(run)
    assert found.neutrals[0].band_deg == pytest.approx(4.8, abs=0.1)
    assert [o.verdict for o in found.breakers[0].openings] == ["undecided", "undecided"]
    assert [n.code for n in found.notes] == ["neutral-band-wide"]
    assert found.exit_status() == 3


def test_an_opening_off_by_degrees_is_outside() -> None:
    run = measure(replace(turning(6.5), open_over=(((15.0, 80.0), (195.0, 260.0)),)))
    assert [o.verdict for o in result(run).breakers[0].openings] == ["outside", "outside"]
    assert result(run).exit_status() == 1
