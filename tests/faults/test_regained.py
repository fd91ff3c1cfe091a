"""A guided job whose board is unplugged and plugged in again. `python -m tests.faults` does so at each step."""

from __future__ import annotations

import os

import pytest

from tests.faults.regain_faults import ROWS, run
from tests.faults.row import misses


@pytest.mark.skipif(os.name != "posix", reason="the board's process is killed")
@pytest.mark.parametrize("seed", [1, 2])
def test_a_guided_job_goes_on_when_the_board_is_back(seed: int) -> None:
    (row,) = ROWS
    assert misses(row, run(row, seed)) == []
