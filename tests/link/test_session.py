"""The parent's side of a live measurement, when the disk fails behind a finished run."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bench import bench_file, job_file
from bench.session import Session
from bench.settings import Rehearsal, header
from sim import scenario as scenarios
from tests.contract.peers import pty_port

#: Put in front of the acquiring process's modules: an operating system whose disk fails after so many syncs.
FAILING_DISK = """
import os, sys
_sync, _left = os.fsync, [{left}]
def fsync(fd):
    _left[0] -= 1
    if _left[0] < 0:
        raise OSError(5, "Input/output error")
    _sync(fd)
os.fsync = fsync
"""


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_a_result_whose_journal_cannot_be_secured_is_no_result(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sitecustomize.py").write_text(FAILING_DISK.format(left=8), "utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    scenario = scenarios.load("plain-single")
    assert scenario.job_path is not None
    assert scenario.bench_path is not None
    document = header(
        job_file.load(scenario.job_path),
        bench_file.load(scenario.bench_path),
        2,
        "2026-01-01T00:00:00+00:00",
        "test",
        Rehearsal("plain-single", 3),
    )
    with pty_port() as port:
        session = Session(document, tmp_path / "run.capture", port, 500_000, 5.0)
        session.start()
        while not session.over:
            session.poll(0.02)
        session.close()
    assert session.run.failure is not None
    assert session.run.failure.code == "journal"
