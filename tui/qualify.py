"""`breakerbench qualify`: studies that tell how good readings are. A study states figures and gives no verdict."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from bench.errors import BenchError, UsageError
from bench.files import printable
from bench.result import ErrorRow
from tui import qualify_agreement, qualify_encoder, qualify_gauge
from tui.qualify_document import StudyDocument, Told

STUDIES: dict[str, Callable[[argparse.Namespace], Told]] = {
    "gauge": qualify_gauge.tell,
    "agreement": qualify_agreement.tell,
    "encoder": qualify_encoder.tell,
}


def run(options: argparse.Namespace) -> int:
    """One study; gives the exit status. Raises BenchError, unless a JSON document tells the failure."""
    try:
        plot = _plot_path(options.plot)
        told = STUDIES[options.study](options)
        if plot is not None:
            _write(plot, told.draw())
        told.finish()
    except BenchError as error:
        if not options.json:
            raise
        failure = StudyDocument(study=options.study, valid=False, error=ErrorRow(code=error.code, text=error.text))
        print(failure.to_json())
        print(f"breakerbench: {error.text}", file=sys.stderr)
        return error.exit_status
    print(told.document.to_json() if options.json else "\n".join([*told.tables, *_closing(told)]))
    return 0


def _plot_path(text: str | None) -> Path | None:
    """Where to draw to; told before any work is done."""
    if text is None:
        return None
    if not text.lower().endswith(".svg"):
        raise UsageError(f"--plot takes a file name that ends in .svg, not {printable(text)}.")
    return Path(text)


def _write(path: Path, picture: bytes) -> None:
    try:
        path.write_bytes(picture)
    except OSError as failure:
        raise UsageError(
            f"{printable(str(path))}: the picture cannot be written ({failure.strerror or failure})."
        ) from None


def _closing(told: Told) -> list[str]:
    document = told.document
    lines = ["", "In plain words:", *(f"  {text}" for text in document.conclusion)]
    if document.notes:
        lines += ["", "Notes:", *(f"  {note.text}" for note in document.notes)]
    lines += ["", document.caution]
    return lines + [f"Readings: {source.name}, SHA-256 {source.sha256}" for source in told.sources]
