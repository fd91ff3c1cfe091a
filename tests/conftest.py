"""How the suite is spread over processes (pytest-xdist): `-n auto --dist loadfile`, as in the README."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

#: Files of a few long tests, many of which wait for real time. They come first, so that no process is left alone with one at the end.
LONG_FIRST = (
    "test_job_tmux.py",
    "test_coverage.py",
    "test_plain.py",
    "test_whole_run.py",
    "test_crash.py",
    "test_against.py",
    "test_jobs.py",
    "test_qualify_encoder.py",
    "test_serve_browser.py",
)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One process more than there are cores: many tests wait, for a terminal, a port or a clock."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return cores + 1


def pytest_configure(config: pytest.Config) -> None:
    """The order below instead of xdist's own, which is by the number of tests in a file."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long files first, all else as collected."""
    rank = {name: place for place, name in enumerate(LONG_FIRST)}
    items.sort(key=lambda item: rank.get(Path(item.path).name, len(rank)))
