"""A stored capture through the very same run."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bench.journal import JournalReader
from bench.reports import embedded
from bench.run import Failure, Run
from bench.settings import read_header


@dataclass(frozen=True, slots=True)
class Replayed:
    """A run fed with everything that the capture holds; `torn_at` is where its tail is not whole, if so."""

    run: Run
    torn_at: int | None


def replay(path: Path) -> Replayed:
    """Of a journal, or of a report in HTML that carries one. Raises CaptureError when the file is missing, is neither, or has no
    whole header.
    """
    with embedded.capture(path) as journal, JournalReader(journal) as reader:
        run = Run(read_header(reader.header(), str(path)))
        for record in reader.records():
            run.feed(record)
            if run.finished:
                break
        if not run.finished:
            run.failure = Failure(
                "incomplete-recording", "The recording breaks off before the measurement was complete."
            )
        return Replayed(run, reader.torn_at)
