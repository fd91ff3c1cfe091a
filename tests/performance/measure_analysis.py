"""How long the analysis of a finished job takes: its evaluation, and its replay against the job's device time."""

from __future__ import annotations

from collections.abc import Iterator

from bench.evaluation import evaluate
from bench.run import Run
from bench.settings import read_header
from tests.performance.figures import Figure, best_of
from tests.support.simulated import carry_out


def measure() -> Iterator[Figure]:
    """Figures of one job with two breakers of four lobes each."""
    job = carry_out("with-retard", 3)
    device_s = job.run.tick / job.run.tick_hz

    def again() -> None:
        run = Run(read_header(job.document, "replay"))
        for record in job.records:
            run.feed(record)

    replay_s = best_of(3, again)
    yield Figure("replay of a whole job", replay_s, "s", note=f"{device_s:.0f} s of device time")
    yield Figure("device time / replay time", device_s / replay_s, "times", least=20)
    yield Figure("evaluation of eight openings", best_of(3, lambda: evaluate(job.run)), "s", most=2)
