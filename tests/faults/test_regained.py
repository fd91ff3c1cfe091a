"""A guided job whose board is lost and comes back. `python -m tests.faults` does so at each step, and in other ways."""

from __future__ import annotations

import os

import pytest

from tests.faults.regain_faults import PLACES, ROWS, Place, run
from tests.faults.row import misses

REPLUGGED, *_ = ROWS
VERIFY = PLACES.index(Place.VERIFY)


@pytest.mark.skipif(os.name != "posix", reason="the board's process is killed")
def test_a_guided_job_goes_on_when_the_board_is_back() -> None:
    outcome = run(REPLUGGED, VERIFY)
    assert misses(REPLUGGED, outcome) == []
    assert outcome.valid
