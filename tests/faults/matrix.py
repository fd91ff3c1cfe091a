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
    process_faults,
    regain_faults,
)
from tests.faults.row import Outcome, Row
from tests.faults.short_job import run_row

ROWS: tuple[Row, ...] = (
    *bytes_faults.ROWS,
    *board_faults.ROWS,
    *encoder_faults.ROWS,
    *contact_faults.ROWS,
    *hand_faults.ROWS,
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


def run(row: Row, seed: int, peer: str = "memory") -> Outcome:
    """One run of a row; `peer` is the board of a job in this process."""
    return run_row(row, seed, peer) if row.kind == "job" else _RUNNERS[row.kind](row, seed)
