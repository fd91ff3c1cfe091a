"""Statements about a run with a map of its encoder: every place on the disc is put right by it, or the map is refused."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from bench import encoder_map
from bench.encoder_map import EncoderMap, Harmonic
from bench.evaluation import evaluate
from bench.result import OpeningRow, document
from bench.run import Run
from bench.settings import header, read_header
from tests.support.scripted import Script, new_run, play, records, reversed_encoder, turning, wire

#: cos ψ and sin ψ parts, degrees; far above what any disc errs by, so that nothing else hides them.
COS_DEG, SIN_DEG = 0.3, 0.4
#: The scripted board's index lies at this count.
INDEX = 123
READS_MORE = 0.01234


def a_map(**changes: Any) -> EncoderMap:
    stated: dict[str, Any] = {
        "kind": "calibration",
        "made_on": date(2025, 7, 1),
        "due_on": date(2026, 7, 1),
        "encoder": "E-1",
        "board_id": b"scripted".hex(),
        "counts_per_turn": 2_000,
        "index": "the encoder's only index",
        "positions": 1,
        "features": 12,
        "harmonics": (Harmonic(1, COS_DEG, SIN_DEG),),
        "covariance_deg2": ((1e-6, 0.0), (0.0, 1e-6)),
        "freedom": 20.0,
        "left_deg": 0.0,
        "left_freedom": 20.0,
        "not_seen": (),
        "unseen_deg": 0.0,
        "unseen_source": "none",
        "certificate": encoder_map.Certificate("invented", 0.001),
    }
    return EncoderMap(**(stated | changes))


def measured(found: EncoderMap | None, script: Script) -> Run:
    rises = "clockwise" if script.sense > 0 else "counterclockwise"
    plain = new_run(bench={"encoder_sense": rises}).settings
    kept = None if found is None else encoder_map.dump(found)
    head = header(plain.job_file, plain.bench, 5, plain.run_date, plain.software, None, encoder_map=kept)
    run = Run(read_header(head, "test"))
    for record in records(script, wire(play(script))):
        run.feed(record)
    return run


def error_deg(place_deg: float, sense: int = 1) -> float:
    """What the map says is read too much at a place of the rotor, in the running direction."""
    at = math.radians(sense * place_deg - INDEX * 0.18)
    return sense * (COS_DEG * math.cos(at) + SIN_DEG * math.sin(at))


def openings(run: Run) -> tuple[OpeningRow, ...]:
    assert run.failure is None
    return document(run, "x").breakers[0].openings


@pytest.mark.parametrize("script", [turning(7.5), reversed_encoder(turning(7.5))], ids=["counts up", "counts down"])
def test_neutral_and_openings_are_both_put_right(script: Script) -> None:
    plain, mapped = openings(measured(None, script)), openings(measured(a_map(), script))
    # Neutral at 0°, openings at 10° and 190° (two poles).
    for lobe, place in enumerate((10.0, 190.0)):
        moved = (mapped[lobe].angle_deg or 0.0) - (plain[lobe].angle_deg or 0.0)
        expected = error_deg(0.0, script.sense) - error_deg(place, script.sense)
        assert moved == pytest.approx(expected, abs=0.003)


def test_closing_and_dwell_are_put_right_like_the_opening() -> None:
    # Closed again at 80° and 260°, closed before from 260° on: 110° of dwell.
    for opening, place in zip(openings(measured(a_map(), turning(7.5))), (10.0, 190.0), strict=True):
        assert opening.contact is not None
        assert opening.contact.closing is not None
        assert opening.contact.dwell is not None
        closing = 80.0 + READS_MORE + error_deg(0.0) - error_deg(place + 70.0)
        assert opening.contact.closing.mean_deg == pytest.approx(closing, abs=0.003)
        assert opening.closing_deg == opening.contact.closing.mean_deg
        dwell = 110.0 - error_deg(place) + error_deg(place - 110.0)
        assert opening.contact.dwell.mean_deg == pytest.approx(dwell, abs=0.003)
        assert opening.dwell_deg == opening.contact.dwell.mean_deg


def test_the_maps_own_terms_stand_in_place_of_the_bound() -> None:
    # A map that fits: the scripted disc does not err, so that one which erred by much would show in how the lobes differ.
    fits = a_map(harmonics=(Harmonic(1, 0.003, 0.004),))
    sources = {r.source for r in openings(measured(fits, turning(7.5)))[0].budget}
    assert "encoder off-centre" not in sources
    assert {"encoder map, its readings", "encoder map, its reference"} <= sources


def test_without_an_index_the_bound_stays_and_a_note_says_so() -> None:
    run = measured(a_map(), replace(turning(7.5), with_index=False))
    assert "encoder-map-unused" in [code for code, _ in evaluate(run).notes]
    assert "encoder off-centre" in {r.source for r in openings(run)[0].budget}


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"due_on": date(2025, 12, 31)}, "encoder-map-overdue"),
        ({"board_id": b"another1".hex()}, "encoder-map-foreign"),
        ({"counts_per_turn": 10_000}, "encoder-map-foreign"),
    ],
)
def test_a_map_that_does_not_hold_here_is_refused(changes: dict[str, Any], code: str) -> None:
    # The scripted run is of 2026-01-01.
    run = measured(a_map(**changes), turning(7.5))
    assert run.failure is not None
    assert run.failure.code == code
