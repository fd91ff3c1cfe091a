"""Readings of the encoder from captures: the same unit measured once in each clamping, its openings the features."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bench.encoder_fit import EncoderStudyError, Reading
from bench.errors import CaptureError
from bench.evaluation import evaluate
from bench.files import printable
from bench.journal import JournalReader
from bench.run import Run
from bench.settings import read_header
from bench.study_files import Source


@dataclass(frozen=True, slots=True)
class CapturedReadings:
    """All readings, and the board and encoder that they are of. Positions are named by their captures."""

    readings: tuple[Reading, ...]
    board_id: str
    counts_per_turn: int
    simulated: bool
    sources: tuple[Source, ...]


def load(paths: Sequence[Path]) -> CapturedReadings:
    """One capture for each clamping. Raises CaptureError, or EncoderStudyError if they do not belong together."""
    sources = tuple(Source(printable(path.name), _digest(path)) for path in paths)
    for number, source in enumerate(sources):
        if source.sha256 in {s.sha256 for s in sources[:number]}:
            raise EncoderStudyError(f"{source.name}: the same capture was given before; each clamping needs its own.")
    readings: list[Reading] = []
    first: tuple[str, int, str] | None = None
    simulated = False
    for number, (path, source) in enumerate(zip(paths, sources, strict=True), 1):
        run = _measured(path)
        readings += of_run(run, f"{number}", source.name)
        simulated |= run.settings.rehearsal is not None
        board = "" if run.hello is None else run.hello.board_id.hex()
        found = (board, run.counts_per_turn, printable(run.job.unit.serial_number))
        first = first or found
        if found != first:
            raise EncoderStudyError(
                f"{source.name} is of unit {found[2]} on board {found[0]} with {found[1]} counts per turn, {sources[0].name} of unit "
                f"{first[2]} on board {first[0]} with {first[1]}. One unit must be read by the same encoder and board in all clampings."
            )
    if first is None:
        raise EncoderStudyError("No captures were named.")
    return CapturedReadings(tuple(readings), first[0], first[1], simulated, sources)


def of_run(run: Run, position: str, name: str) -> list[Reading]:
    """Every opening of a finished run, counted from the encoder's index. `name` is what errors are told with."""
    if run.failure is not None:
        raise EncoderStudyError(f"{name}: no complete measurement ({run.failure.text})")
    index = run.measured().index_count
    if index is None:
        raise EncoderStudyError(f"{name}: no index signal was seen, so that places on the disc are not known.")
    from_index_deg = index * 360.0 / run.counts_per_turn
    return [
        Reading(
            position,
            f"{breaker.breaker.name} {opening.mean.lobe}",
            (taken.angle_deg * run.sense - from_index_deg) % 360.0,
        )
        for breaker in evaluate(run).breakers
        for opening in breaker.openings
        for taken in opening.mean.passes
    ]


def _measured(path: Path) -> Run:
    with JournalReader(path) as reader:
        header = reader.header()
        # The encoder's own readings are wanted, not those that an earlier map has put right.
        if "encoder_map" in header:
            header["encoder_map"] = None
        run = Run(read_header(header, str(path)))
        for record in reader.records():
            run.feed(record)
            if run.finished:
                return run
    raise EncoderStudyError(f"{printable(path.name)}: the capture breaks off before the measurement was complete.")


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as failure:
        raise CaptureError(f"{printable(str(path))}: capture cannot be read ({failure.strerror or failure}).") from None
