"""A few telling rows of the fault matrix over each line. `python -m tests.faults --peer pty` and `--peer tcp` play all jobs."""

from __future__ import annotations

import os

import pytest

from tests.faults.matrix import ROWS, run
from tests.faults.row import misses

#: The Start that the acquiring process sends after a reset, in a whole job; the run's watch over bad frames; the acquiring process's watch
#: over silence; a fault that ends the job at once. The seeds strike early, so that only the first takes long.
PLAYED = (
    ("pty", "reset at each step", 0),
    ("pty", "bits flipped, 1e-3", 0),
    ("tcp", "bytes of 1.2 s lost", 1),
    ("tcp", "encoder line dead from the start", 0),
)


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals, and the server's waiting for both ends")
@pytest.mark.parametrize(("peer", "name", "seed"), PLAYED)
def test_a_job_over_the_line(peer: str, name: str, seed: int) -> None:
    (row,) = [r for r in ROWS if r.name == name]
    outcome = run(row, seed, peer)
    assert misses(row, outcome) == []
    assert outcome.told
    assert outcome.valid == (row.least_valid == 1.0)
    assert outcome.clock == ("wall" if outcome.failure == "link-silent" else "device")
