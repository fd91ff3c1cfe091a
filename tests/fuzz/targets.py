"""All targets by name."""

from __future__ import annotations

from tests.fuzz import command_target, file_targets, journal_target, stream_target
from tests.fuzz.target import Target

TARGETS: dict[str, Target] = {
    target.name: target
    for target in (
        stream_target.TARGET,
        journal_target.FILE,
        journal_target.REPLAY,
        file_targets.JOB,
        file_targets.BENCH,
        file_targets.CHECKS,
        file_targets.SCENARIO,
        command_target.TARGET,
    )
}
