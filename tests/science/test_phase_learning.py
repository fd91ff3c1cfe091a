"""Phases are learnt from many edges together; how they come in pieces, and who asks meanwhile, changes nothing."""

from __future__ import annotations

import random

import numpy as np
import pytest

from bench.encoder import PhaseTable
from tests.science.test_encoder import turned

EDGES = 10_000


@pytest.fixture(scope="module")
def edges() -> tuple[np.ndarray, np.ndarray]:
    return turned(EDGES, 1, random.Random(5))


def learnt(edges: tuple[np.ndarray, np.ndarray], piece: int, asking: bool = False) -> PhaseTable:
    table = PhaseTable()
    for at in range(0, EDGES, piece):
        table.learn(edges[0][at : at + piece], edges[1][at : at + piece])
        if asking:
            table.offsets()
    return table


def test_asking_meanwhile_changes_no_bit(edges: tuple[np.ndarray, np.ndarray]) -> None:
    # A screen asks several times a second, a replay once at the end.
    assert learnt(edges, 100, asking=True).offsets() == learnt(edges, 100).offsets()


@pytest.mark.parametrize("piece", [1, 7, 100, 2_999, EDGES])
def test_no_edge_is_learnt_twice_or_passed_over_where_pieces_meet(
    edges: tuple[np.ndarray, np.ndarray], piece: int
) -> None:
    table = learnt(edges, piece)
    # Each line but the last two begins two whole lines, each with two edges of every other phase.
    assert table.lines == 2 * (EDGES // 4 - 2)
    assert table.offsets() == pytest.approx(learnt(edges, EDGES).offsets(), abs=1e-12)


def test_what_was_learnt_before_a_break_is_kept_and_nothing_is_learnt_across_it(
    edges: tuple[np.ndarray, np.ndarray],
) -> None:
    table = PhaseTable()
    table.learn(edges[0][:400], edges[1][:400])
    before = table.lines
    table.forget_run()
    assert table.lines == before > 0
    table.learn(edges[0][400:408], edges[1][400:408])
    assert table.lines == before
