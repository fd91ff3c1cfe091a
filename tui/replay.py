"""`breakerbench replay`."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from bench.errors import CaptureError, UsageError
from bench.explain import story
from bench.replay import Replayed, replay
from bench.result import document
from tui import measuring


def run(options: argparse.Namespace) -> int:
    """The result from stored bytes; gives the exit status of the original, compared with another or not."""
    if options.moved is not None and options.against is None:
        raise UsageError("--moved tells what was moved between two captures: name the later one by --against.")
    if options.explain is not None and options.against is not None:
        raise UsageError("--explain tells of one capture, --against of two: use one of them at a time.")
    breaker, colon, lobe = (options.explain or "x:0").rpartition(":")
    if not colon or not (lobe.isascii() and lobe.isdigit()):
        raise UsageError("--explain takes BREAKER:LOBE, for instance main:0.")
    replayed = _replayed(options.capture)
    result = document(replayed.run, options.capture)
    if options.against is not None and result.valid:
        _compare(replayed, options)
        return result.exit_status()
    if options.explain is None or not result.valid:
        measuring.show(result, options.json)
        return result.exit_status()
    lines = story(replayed.run, breaker, int(lobe))
    if options.json:
        print(json.dumps({**json.loads(result.to_json()), "story": lines}, ensure_ascii=False, indent=1))
    else:
        print("\n".join(lines))
    return result.exit_status()


def _replayed(capture: str) -> Replayed:
    replayed = replay(Path(capture))
    if replayed.torn_at is not None:
        print(f"note: {capture}: the tail from byte {replayed.torn_at} is not whole and was left out.", file=sys.stderr)
    return replayed


def _compare(before: Replayed, options: argparse.Namespace) -> None:
    """Print what changed from the one capture to the other, as words or as one document."""
    from bench import comparison_document
    from bench.evaluation import evaluate

    after = _replayed(options.against)
    failure = after.run.failure
    if failure is not None:
        raise CaptureError(
            f"--against: {options.against} holds no valid measurement, so there is nothing to compare with: {failure.text}"
        )
    verdicts = tuple(document(r.run, None).overall().value for r in (before, after))
    found = comparison_document.document(
        before.run, after.run, (verdicts[0], verdicts[1]), evaluate(after.run), options.moved
    )
    print(found.to_json() if options.json else comparison_document.in_words(found))
