"""A job that is being measured now is not one that was cut off: no second process takes it up."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.errors import UsageError
from bench.records import open_jobs
from bench.records.open_jobs import Begun
from tests.end_to_end.commands import JOB, breakerbench, running, simulator


@pytest.fixture
def slow_port() -> Iterator[str]:
    with simulator(rate="1") as port:
        yield port


def test_while_it_is_measured_it_is_neither_resumed_nor_closed_and_afterwards_it_is(slow_port: str) -> None:
    with running("measure", JOB, "--port", slow_port, "--headless") as process:
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith("step:"):
                break
        (job,) = breakerbench("records", "list", "--open", "--json").document["open_jobs"]
        assert job["code"] == "under-way"
        again = breakerbench("measure", "--resume", job["id"], "--headless", "--port", slow_port)
        assert (again.status, "being measured now" in again.err) == (2, True)
        closed = breakerbench("records", "close", job["id"], "--by", "B. Head", "--why", "by mistake")
        assert (closed.status, "being measured now" in closed.err) == (2, True)
        process.send_signal(signal.SIGKILL)
        process.wait(30)
    (job,) = breakerbench("records", "list", "--open", "--json").document["open_jobs"]
    assert job["code"] == "cut-off"
    assert breakerbench("records", "close", job["id"], "--by", "B. Head", "--why", "was killed").status == 0
    assert breakerbench("records", "list", "--open", "--json").document["open_jobs"] == []


def test_a_note_and_its_lock_go_together(tmp_path: Path) -> None:
    begun = Begun("20260301-0000", "2026-03-01T00:00:00+00:00", str(tmp_path / "journal"), {"job": {}})
    open_jobs.note(tmp_path, begun)
    assert open_jobs.under_way(tmp_path, begun.id)
    open_jobs.release(tmp_path, begun.id)
    assert not open_jobs.under_way(tmp_path, begun.id)
    assert [b.id for b in open_jobs.begun(tmp_path)] == [begun.id]
    open_jobs.forget(tmp_path, begun.id)
    assert list((tmp_path / open_jobs.FOLDER).iterdir()) == []


def test_a_note_that_another_process_holds_is_not_written_over(tmp_path: Path) -> None:
    from filelock import FileLock

    begun = Begun("20260301-0000", "2026-03-01T00:00:00+00:00", str(tmp_path / "journal"), {"job": {}})
    (tmp_path / open_jobs.FOLDER).mkdir()
    with FileLock(tmp_path / open_jobs.FOLDER / f"{begun.id}.lock"), pytest.raises(UsageError, match="measured now"):
        open_jobs.note(tmp_path, begun)
    assert list(open_jobs.begun(tmp_path)) == []
