"""Job files for a batch, from a table."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench import job_file
from tests.end_to_end.commands import JOB, breakerbench

TABLE = """unit.serial_number,unit.part_number,breaker.0.opens_at_deg,breaker.0.minus_deg,breaker.0.plus_deg
0012,DEMO-7,9.5,1,2
A/3,DEMO-8,11,0.5,0.5
"""
WHOLE = """unit.part_number,unit.serial_number,unit.rotation,unit.poles,unit.impulse_coupling,limits.reference,limits.revision,\
breaker.0.name,breaker.0.channel,breaker.0.opens_at_deg,breaker.0.minus_deg,breaker.0.plus_deg,breaker.0.from,breaker.0.lobes,\
breaker.1.name,breaker.1.channel
DEMO,1,clockwise,4,none,"Manual, invented",B,main,0,10,1,1,neutral,0 2,retard,1
DEMO,2,counterclockwise,2,removed,"Manual, invented",B,main,0,10,1,1,neutral,all,,
"""


def test_each_row_becomes_a_job_file_like_the_one_named(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(TABLE, "utf-8")
    done = breakerbench("records", "import-jobs", tmp_path / "t.csv", "--like", JOB, "-o", tmp_path / "jobs", "--json")
    assert done.status == 0, done.err
    assert [Path(name).name for name in done.document["job_files"]] == ["0012.job.toml", "A-3.job.toml"]
    like, made = job_file.load(JOB), job_file.load(tmp_path / "jobs" / "0012.job.toml")
    assert (made.unit.serial_number, made.unit.part_number) == ("0012", "DEMO-7")
    assert (made.breaker[0].opens_at_deg, made.breaker[0].plus_deg) == (9.5, 2)
    assert (made.limits, made.unit.rotation, made.breaker[0].from_) == (like.limits, like.unit.rotation, "neutral")


def test_a_table_may_tell_everything_itself(tmp_path: Path) -> None:
    # A spreadsheet's mark before the first name.
    (tmp_path / "t.csv").write_text(WHOLE, "utf-8-sig")
    done = breakerbench("records", "import-jobs", tmp_path / "t.csv", "-o", tmp_path)
    assert done.status == 0, done.err
    first, second = (job_file.load(tmp_path / f"{n}.job.toml") for n in (1, 2))
    assert (first.breaker[0].lobes, first.breaker[1].name, len(second.breaker)) == ((0, 2), "retard", 1)
    assert first.limits is not None
    assert first.limits.reference == "Manual, invented"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("0012,DEMO-7,9.5", "0012,DEMO-7,95", "row 2: file: breaker[0].opens_at_deg"),
        ("A/3,DEMO-8,11", "A/3,DEMO-8,ten", "row 3: breaker[0].opens_at_deg"),
        ("A/3", "", "row 3"),
        ("A/3", "0012", "same file name as row 2"),
        ("11,0.5,0.5", "11,0.5", "row 3: 4 cells"),
        ("unit.part_number", "unit.partnumber", "partnumber"),
        ("unit.part_number", "colour", "colour"),
        ("unit.part_number", "breaker.1.name", "row 2"),
        ("unit.part_number", "breaker.9.name", "breaker 8 comes first"),
        ("unit.part_number", "unit.serial_number", "twice"),
        ("DEMO-7", '"DEMO-7', "CSV"),
    ],
)
def test_a_row_that_is_no_job_is_named_and_nothing_is_written(tmp_path: Path, old: str, new: str, words: str) -> None:
    text = TABLE.replace(old, new, 1)
    if not new:
        # Without a serial number of its own it would take that of the job file named, unless that has none.
        text = WHOLE.replace("DEMO,2,", "DEMO,,")
    (tmp_path / "t.csv").write_text(text, "utf-8")
    like = () if not new else ("--like", JOB)
    done = breakerbench("records", "import-jobs", tmp_path / "t.csv", *like, "-o", tmp_path / "jobs")
    assert done.status == 2
    assert words in done.err
    assert not (tmp_path / "jobs").exists()


def test_a_job_file_that_exists_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(TABLE, "utf-8")
    (tmp_path / "A-3.job.toml").write_text("mine")
    done = breakerbench("records", "import-jobs", tmp_path / "t.csv", "--like", JOB, "-o", tmp_path)
    assert (done.status, "exists already" in done.err) == (2, True)
    assert sorted(p.name for p in tmp_path.glob("*.toml")) == ["A-3.job.toml"]


@pytest.mark.parametrize(
    "content",
    [b"", b"\xff\xfe\x00", b"unit.serial_number\n", b"x" * 1_000_001],
    ids=["empty", "not UTF-8", "no row", "too large"],
)
def test_what_is_no_table_is_told(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "t.csv").write_bytes(content)
    done = breakerbench("records", "import-jobs", tmp_path / "t.csv", "-o", tmp_path / "jobs")
    assert (done.status, done.err.count("\n")) == (2, 1)
