"""Job files for a batch of units from a table: one row a unit, columns named as the job file's keys."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

from bench.errors import InputError, JobFileError
from bench.files import printable, read_bytes, read_toml
from bench.job_file import JobFile, file_stem, parse

MOST_ROWS = 1_000
#: Keys whose cell is a text as it stands, whatever it looks like: a serial number 0012 stays 0012.
_TEXTS = {
    "part_number",
    "serial_number",
    "rotation",
    "cam",
    "impulse_coupling",
    "reference",
    "revision",
    "name",
    "from",
}
_TABLES = ("unit", "limits")
_LISTS = ("breaker", "difference")


class JobTableError(InputError):
    """The table of jobs is missing, unreadable, or a row of it is no job."""

    code = "job-table"


def read_jobs(path: Path, like: Path | None) -> list[JobFile]:
    """The jobs of a CSV file. `like` names a job file for all that the table does not tell.

    Columns: unit.serial_number, unit.part_number, …, limits.reference, breaker.0.opens_at_deg, …, as in a job file; an
    empty cell says nothing. Raises JobTableError naming file, row and key; JobFileError for `like`.
    """
    shown = printable(str(path))
    template = {} if like is None else read_toml(like, "job file", JobFileError)
    found: list[JobFile] = []
    serials: dict[str, int] = {}
    for number, row in _rows(path, shown):
        tables = json.loads(json.dumps(template))
        where = f"{shown}: row {number}"
        for column, cell in row.items():
            if cell.strip():
                _put(tables, column, cell.strip(), where)
        try:
            job = parse(tables, where)
        except JobFileError as failure:
            raise JobTableError(failure.text) from None
        stem = file_stem(job.unit.serial_number)
        if stem in serials:
            raise JobTableError(
                f"{where}: unit.serial_number: {job.unit.serial_number} gives the same file name as row {serials[stem]}."
            )
        serials[stem] = number
        found.append(job)
    if not found:
        raise JobTableError(f"{shown}: no row; a line of column names and one line for each unit were expected.")
    return found


def write_jobs(jobs: list[JobFile], folder: Path) -> list[Path]:
    """One job file for each unit, named by its serial number; none if any of them exists. Raises JobTableError."""
    import tomlkit

    paths = [folder / f"{file_stem(job.unit.serial_number)}.job.toml" for job in jobs]
    for path in paths:
        if path.exists():
            raise JobTableError(f"{printable(str(path))} exists already; name another folder. Nothing was written.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for job, path in zip(jobs, paths, strict=True):
            tables = job.model_dump(mode="json", by_alias=True, exclude_none=True, exclude_defaults=True)
            with path.open("x", encoding="utf-8") as file:
                file.write(tomlkit.dumps(tables))
    except OSError as failure:
        raise JobTableError(f"{printable(str(folder))} cannot be written ({failure.strerror or failure}).") from None
    return paths


def _rows(path: Path, shown: str) -> list[tuple[int, dict[str, str]]]:
    raw = read_bytes(path, "table of jobs", JobTableError)
    try:
        # utf-8-sig: spreadsheets put a mark before the first name.
        lines = list(csv.reader(io.StringIO(raw.decode("utf-8-sig"), newline=""), strict=True))
    except UnicodeDecodeError:
        raise JobTableError(f"{shown}: not a text file in UTF-8; save the table as CSV in UTF-8.") from None
    except csv.Error as failure:
        raise JobTableError(f"{shown}: no CSV ({printable(str(failure))}).") from None
    names = [name.strip() for name in lines[0]] if lines else []
    for name in names:
        if names.count(name) > 1:
            raise JobTableError(f"{shown}: the column {printable(name)} is there twice.")
    found = []
    for number, cells in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(names):
            raise JobTableError(f"{shown}: row {number}: {len(cells)} cells, but there are {len(names)} columns.")
        found.append((number, dict(zip(names, cells, strict=True))))
    if len(found) > MOST_ROWS:
        raise JobTableError(f"{shown}: {len(found)} rows; at most {MOST_ROWS} were expected.")
    return found


def _put(tables: dict[str, Any], column: str, cell: str, where: str) -> None:
    """Set one key from a cell."""
    parts = column.split(".")
    known = "; unit.KEY, limits.KEY, breaker.N.KEY or difference.N.KEY were expected"
    if len(parts) == 2 and parts[0] in _TABLES:
        at = tables.setdefault(parts[0], {})
    elif len(parts) == 3 and parts[0] in _LISTS and parts[1].isascii() and parts[1].isdigit() and len(parts[1]) == 1:
        items = tables.setdefault(parts[0], [])
        index = int(parts[1])
        if index > len(items):
            raise JobTableError(f"{where}: {printable(column)}: {parts[0]} {index - 1} comes first.")
        if index == len(items):
            items.append({})
        at = items[index]
    else:
        raise JobTableError(f"{where}: the column {printable(column)} is not known{known}.")
    at[parts[-1]] = cell if parts[-1] in _TEXTS else _value(cell)


def _value(cell: str) -> Any:
    """A number, or a list of numbers or texts with spaces between, or the text; whether it fits is the job file's to say."""
    pieces = cell.split()
    values = [_number(piece) for piece in pieces]
    return values if len(values) > 1 else values[0]


def _number(text: str) -> Any:
    try:
        return int(text)
    except ValueError:
        pass
    try:
        return float(text)
    except ValueError:
        return text
