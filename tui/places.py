"""Where this user's data lies, and what this program is called."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from bench import bench_file
from bench.bench_file import BenchFile
from bench.job_file import file_stem


def home() -> Path:
    """Folder of all data: BREAKERBENCH_HOME, or the system's usual place."""
    named = os.environ.get("BREAKERBENCH_HOME")
    if named:
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_data_dir("breakerbench", appauthor=False))


def bench_settings() -> BenchFile:
    """This bench's bench.toml, or defaults where there is none. Raises BenchFileError."""
    path = home() / "bench.toml"
    return bench_file.load(path) if path.exists() else BenchFile()


def store_setting(bench: BenchFile) -> str | Path:
    """Where records are kept: BREAKERBENCH_DATABASE, the bench file's [records] database, or a file in the data folder."""
    named = os.environ.get("BREAKERBENCH_DATABASE") or bench.records.database
    if named is None:
        return home() / "records.sqlite"
    return named if "://" in named else home() / named


def new_journal(serial_number: str) -> Path:
    """A journal's path that does not exist yet."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    folder = home() / "journals"
    stem = f"{stamp}-{file_stem(serial_number)}"
    path = folder / f"{stem}.capture"
    more = 2
    while path.exists():
        path = folder / f"{stem}-{more}.capture"
        more += 1
    return path


def now() -> str:
    """Time of day with zone, ISO 8601."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def software() -> str:
    """Name and version of this program."""
    try:
        return f"breakerbench {version('breakerbench')}"
    except PackageNotFoundError:
        return "breakerbench (not installed)"
