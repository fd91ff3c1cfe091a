"""Statements about compensated cams: lobes named by the No. 1 mark and an unbroken count, each past the neutral that it met."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from bench.result import document
from bench.run import Run
from firmware_protocol.framing import Framer
from firmware_protocol.messages import Trouble, TroubleCode
from tests.support.scripted import MARKING, MARKING_PRESSES, Script, job, measure, new_run, play, records, wire

READS_MORE = 0.01234
OFFSETS = (0.0, 0.8, -0.6, 1.4, 0.3, -1.1, 0.5)
CYLINDERS, POLES = 7, 4
SPACING = 360.0 / POLES
CAM_TURN = CYLINDERS * SPACING
#: Degrees past its neutral at which lobe 0 opens, and over which the points stay open.
E_GAP, OPEN = 11.0, 40.0
#: Openings between the neutral that is marked (0°) and lobe No. 1: the mark lies where nobody would guess it from neutral.
FIRST = 2


def geared(
    presses: tuple[float, ...] = MARKING_PRESSES, mark_deg: float = FIRST * SPACING, turns: float = 9.2
) -> Script:
    """The No. 1 mark pressed, neutral marked, then so many turns on."""
    path: list[tuple[float, float]] = [(0.0, -400.0), (2.0, mark_deg), (3.0, mark_deg), (5.0, -400.0)]
    path += [(t + 5.0, a) for t, a in MARKING[1:]]
    t, a = path[-1]
    path += [(t + turns * 6, a + turns * 360), (t + turns * 6 + 1, a + turns * 360)]
    opens = sorted(((FIRST + lobe) * SPACING + E_GAP + offset) % CAM_TURN for lobe, offset in enumerate(OFFSETS))
    return Script(
        tuple(path),
        presses=(2.5, *(p + 5.0 for p in presses)),
        open_over=(tuple((o, o + OPEN) for o in opens),),
        cam_turn_deg=CAM_TURN,
    )


def tables(**changes: Any) -> dict[str, Any]:
    found = job(poles=POLES, **({"opens_at_deg": E_GAP, "offsets_deg": list(OFFSETS)} | changes))
    found["unit"] |= {"cam": "compensated", "cylinders": CYLINDERS}
    return found


def measured(script: Script | None = None, **changes: Any) -> Run:
    return measure(script or geared(), tables=tables(**changes))


def test_every_lobe_is_named_from_the_mark_and_counts_from_its_own_neutral() -> None:
    run = measured()
    assert run.failure is None
    found = document(run, "x").breakers[0].openings
    assert [o.lobe for o in found] == list(range(CYLINDERS))
    for lobe, opening in enumerate(found):
        assert opening.angle_deg == pytest.approx(E_GAP + OFFSETS[lobe] + READS_MORE, abs=0.004)
        assert opening.target_deg == pytest.approx(E_GAP + OFFSETS[lobe])
        assert opening.verdict == "inside"


def test_an_offset_stated_wrongly_shows_in_that_lobe_alone() -> None:
    wrong = [*OFFSETS]
    wrong[3] += 5.0
    found = document(measured(offsets_deg=wrong), "x").breakers[0].openings
    assert [o.verdict for o in found] == ["inside"] * 3 + ["outside"] + ["inside"] * 3


def test_only_the_limited_lobe_is_judged() -> None:
    changed = tables(lobes=[0])
    del changed["breaker"][0]["offsets_deg"]
    found = document(measure(geared(), tables=changed), "x").breakers[0].openings
    assert [o.verdict for o in found] == ["inside"] + ["none"] * 6
    assert all(o.angle_deg is not None for o in found)


def test_a_lobe_meets_another_neutral_in_every_turn_of_the_cam() -> None:
    # 7 lobes and 4 poles pair up again after 7 turns of the magnet, 4 of the cam (arithmetic).
    opening = document(measured(), "x").breakers[0].openings[0]
    assert sorted(p.neutral for p in opening.by_neutral) == [0, 1, 2, 3]
    assert sum(p.passes for p in opening.by_neutral) == opening.passes_used
    for pair in opening.by_neutral:
        assert pair.from_neutral_deg == pytest.approx(E_GAP + READS_MORE, abs=0.006)
    marked, *others = sorted(opening.by_neutral, key=lambda p: p.neutral)
    assert all((o.standard_uncertainty_deg or 0) > (marked.standard_uncertainty_deg or 9) for o in others)
    rows = [r for r in opening.budget if r.source.startswith("pole spacing")]
    assert sum(r.sensitivity or 0 for r in rows) == pytest.approx(
        sum(o.passes for o in others) / opening.passes_used, abs=1e-5
    )


def test_the_spread_of_the_lobes_leaves_the_stated_offsets_out() -> None:
    spread = document(measured(), "x").breakers[0].lobe_spread
    assert spread is not None
    assert spread.spread_deg == pytest.approx(0.0, abs=0.01)
    wrong = [*OFFSETS]
    wrong[3] += 1.0
    spread = document(measured(offsets_deg=wrong), "x").breakers[0].lobe_spread
    assert spread is not None
    assert (spread.early_lobe, spread.spread_deg) == (3, pytest.approx(1.0, abs=0.01))


def test_without_the_mark_there_is_no_angle() -> None:
    script = geared()
    run = measure(replace(script, presses=()), tables=tables())
    assert run.failure is not None
    assert run.failure.code in ("ended", "incomplete")
    assert "No. 1 lobe" in run.failure.text


@pytest.mark.parametrize("off", [-2.0, 0.5, 1.5])
def test_a_mark_at_the_very_opening_is_refused(off: float) -> None:
    # Within 3° of an opening, before or behind it, nobody can say which one is the first after the mark.
    run = measured(geared(mark_deg=FIRST * SPACING + E_GAP + off))
    assert run.failure is not None
    assert run.failure.code == "lobe-mark-unclear"


@pytest.mark.parametrize("off", [-4.0, 4.0])
def test_a_mark_clear_of_the_opening_is_taken(off: float) -> None:
    run = measured(geared(mark_deg=FIRST * SPACING + E_GAP + off))
    assert run.failure is None
    # Behind lobe 0's opening, the first one after the mark is the next: the names move on by one.
    by_lobe = [o.from_neutral_deg for o in document(run, "x").breakers[0].openings]
    turned = OFFSETS if off < 0 else OFFSETS[1:] + OFFSETS[:1]
    assert by_lobe == pytest.approx([E_GAP + o + READS_MORE for o in turned], abs=0.004)


def test_a_lost_count_loses_the_lobes_names() -> None:
    script = geared()
    frames = wire(play(script))
    run = new_run(tables())
    half = len(frames) * 3 // 4
    framer = Framer()
    trouble = framer.encode(Trouble(0, TroubleCode.ILLEGAL_TRANSITION, 255, 1, 0), 1, half & 0xFFFF)
    for record in records(script, [*frames[:half], trouble]):
        run.feed(record)
    assert run.procedure is not None
    assert run.procedure.lobe_mark is None
    assert run.procedure.lobe_mark_wanted
    assert "No. 1 lobe" in run.missing()
