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

#: Put in front of the acquiring process's modules: an operating system whose disk fails once the journal ends.
FAILING_DISK = """
import os
_sync = os.fsync
def fsync(fd):
    path = os.readlink(f"/proc/self/fd/{fd}")
    if os.path.isfile(path):
        with open(path, "rb") as file:
            if b'{"kind": "end"}' in file.read()[-60:]:
                raise OSError(5, "Input/output error")
    _sync(fd)
os.fsync = fsync
"""


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="needs to see its own open files")
def test_a_result_whose_journal_cannot_be_secured_is_no_result(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sitecustomize.py").write_text(FAILING_DISK, "utf-8")
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
        assert session.run.failure is None
        session.close()
    assert session.run.failure is not None
    assert session.run.failure.code == "journal"
