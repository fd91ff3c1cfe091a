"""All rows of the fault matrix, and how each is run."""

from __future__ import annotations

from tests.faults import (
    board_faults,
    bytes_faults,
    contact_faults,
    encoder_faults,
    file_faults,
    hand_faults,
    journal_faults,
    over_line,
    pair_faults,
    process_faults,
    regain_faults,
    unit_faults,
)
from tests.faults.row import Outcome, Row
from tests.faults.short_job import run_row

ROWS: tuple[Row, ...] = (
    *bytes_faults.ROWS,
    *board_faults.ROWS,
    *encoder_faults.ROWS,
    *contact_faults.ROWS,
    *hand_faults.ROWS,
    *pair_faults.ROWS,
    *unit_faults.ROWS,
    *journal_faults.ROWS,
    *file_faults.ROWS,
    *process_faults.ROWS,
    *regain_faults.ROWS,
)


_RUNNERS = {
    "journal": journal_faults.run,
    "files": file_faults.run,
    "process": process_faults.run,
    "regain": regain_faults.run,
}


#: What a short job can be played over: the board of `sim` in memory or at the end of a line; or the real firmware, cycle by cycle.
PEERS = ("memory", *over_line.PEERS, "firmware")


def plays(row: Row, peer: str) -> bool:
    """Whether the row can be played over it: every job over a line; others as they say."""
    return row.kind == "job" if peer in over_line.PEERS else peer in row.peers


def run(row: Row, seed: int, peer: str = "memory") -> Outcome:
    """One run of a row; `peer` is for a job."""
    if row.kind != "job":
        return _RUNNERS[row.kind](row, seed)
    return over_line.run_row(row, seed, peer) if peer in over_line.PEERS else run_row(row, seed, peer)
