"""Of a large corpus the few inputs that the repository keeps: each reaches lines that the smaller ones before it did not."""

from __future__ import annotations

import contextlib
import hashlib
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from tests.fuzz.target import CORPUS, SUFFIX, Target

ROOT = Path(__file__).parents[2]
ROOMS = tuple(str(ROOT / room) for room in ("bench", "firmware_protocol", "sim"))
#: Cases are named by people and stay; all others begin so, and may be replaced.
PREFIX = "reaches-"
MOST_BYTES = 24_000
#: Inputs looked at, the smallest first.
MOST_TRIED = 3_000


def reached(check: Callable[[bytes], None], data: bytes) -> set[tuple[str, int, int]]:
    """Steps from line to line of the program's own code that an input leads to."""
    steps: set[tuple[str, int, int]] = set()

    def in_frame(frame: FrameType, event: str, _: Any) -> Any:
        if event == "call" and not frame.f_code.co_filename.startswith(ROOMS):
            return None
        last = -1

        def step(frame: FrameType, event: str, _: Any) -> Any:
            nonlocal last
            if event == "line":
                steps.add((frame.f_code.co_filename, last, frame.f_lineno))
                last = frame.f_lineno
            return step

        return step

    before = sys.gettrace()
    sys.settrace(in_frame)
    try:
        with contextlib.suppress(Exception):
            check(data)
    finally:
        sys.settrace(before)
    return steps


def keep(target: Target, folder: Path) -> int:
    """Put the chosen inputs of a corpus in the place of those kept before, up to MOST_BYTES; gives their number."""
    kept = CORPUS / target.name
    kept.mkdir(parents=True, exist_ok=True)
    cases = [path.read_bytes() for path in kept.glob("*" + SUFFIX) if not path.name.startswith(PREFIX)]
    known: set[tuple[str, int, int]] = set()
    for data in [*target.seeds(), *cases]:
        known |= reached(target.check, data)
    chosen: list[bytes] = []
    tried = sorted((path.read_bytes() for path in folder.iterdir()), key=lambda data: (len(data), data))
    for data in tried[:MOST_TRIED]:
        if sum(map(len, chosen)) + len(data) > MOST_BYTES:
            continue
        new = reached(target.check, data) - known
        if new:
            known |= new
            chosen.append(data)
    for path in kept.glob(PREFIX + "*"):
        path.unlink()
    for data in chosen:
        (kept / f"{PREFIX}{hashlib.sha1(data).hexdigest()[:12]}{SUFFIX}").write_bytes(data)
    return len(chosen)
