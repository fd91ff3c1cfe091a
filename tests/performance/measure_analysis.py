"""How long the analysis of a finished job takes: its evaluation, and its replay against the job's device time."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from dataclasses import replace

from bench.evaluation import evaluate
from bench.run import Run
from bench.settings import read_header
from tests.performance.figures import Figure, best_of, seconds
from tests.support import scripted
from tests.support.simulated import carry_out

#: Openings of each of eight lobes: 10,000 passes.
PASSES = 1_250


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
    yield from _many_passes()


def _many_passes() -> Iterator[Figure]:
    """A job of 10,000 passes: eight poles, 1,250 turns and a few."""
    open_over = (tuple((10.0 + 45 * k, 30.0 + 45 * k) for k in range(8)),)
    script = replace(scripted.turning(PASSES + 1.5, 360.0), open_over=open_over, counts_per_turn=720, with_edges=False)
    records = scripted.records(script, scripted.wire(scripted.play(script)))
    device_s = script.path[-1][0]

    def fed() -> Run:
        run = scripted.new_run(scripted.job(poles=8), passes=PASSES)
        for record in records:
            run.feed(record)
        return run

    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    run = fed()
    held = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    passes = sum(len(t.passes) for t in run.epoch.traces)
    yield Figure("memory held by a run of 10,000 passes", held / 1e6, "MB", note=f"{passes} passes")
    yield Figure(
        "replay of 10,000 passes", seconds(fed), "s", note=f"{device_s:.0f} s of device time, 720 counts, no Edges"
    )
    yield Figure("evaluation of 10,000 passes", best_of(3, lambda: evaluate(run)), "s", most=2)
