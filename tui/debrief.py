"""After an exercise: what was wrong, what was found, measured angles against true ones, and the order of steps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bench.job import Job
from bench.result import ResultDocument


def debrief(truth: dict[str, Any], sessions: Sequence[ResultDocument], job: Job) -> str:  # noqa: ARG001
    """The debrief in lines of text."""
    exercise = truth.get("exercise") or {}
    lines = [f"DEBRIEF of the rehearsal “{exercise.get('title', '')}” – not for record", "", "What was wrong:"]
    for fault in exercise.get("faults", ()):
        found = f"put right after {fault['mended_at_s']:.0f} s" if fault["mended"] else "NOT put right"
        lines.append(f"  {fault['title']} ({found}). {fault['text']}")
    return "\n".join(lines)
