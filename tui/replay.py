"""`breakerbench replay`."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from bench.errors import UsageError
from bench.explain import story
from bench.replay import replay
from bench.result import document
from tui import measuring


def run(options: argparse.Namespace) -> int:
    """The result from stored bytes; gives the exit status of the original."""
    breaker, colon, lobe = (options.explain or "x:0").rpartition(":")
    if not colon or not (lobe.isascii() and lobe.isdigit()):
        raise UsageError("--explain takes BREAKER:LOBE, for instance main:0.")
    replayed = replay(Path(options.capture))
    result = document(replayed.run, options.capture)
    if replayed.torn_at is not None:
        print(f"note: the capture's tail from byte {replayed.torn_at} is not whole and was left out.", file=sys.stderr)
    if options.explain is None or not result.valid:
        measuring.show(result, options.json)
        return result.exit_status()
    lines = story(replayed.run, breaker, int(lobe))
    if options.json:
        print(json.dumps({**json.loads(result.to_json()), "story": lines}, ensure_ascii=False, indent=1))
    else:
        print("\n".join(lines))
    return result.exit_status()
