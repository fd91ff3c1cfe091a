"""Records as tables for other programs: one row for each opening, with a data dictionary that tells every column's unit."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from bench.files import printable
from bench.records.model import Stored, StoreError

FORMAT = "breakerbench-export"
VERSION = 1
#: A text that begins so, also after spaces, is worked out as a formula by spreadsheets that open a CSV file.
_FORMULA = (
    *("=", "+", "-", "@", "\t", "\r", "\n"),
    *("\N{FULLWIDTH EQUALS SIGN}", "\N{FULLWIDTH PLUS SIGN}"),
    *("\N{FULLWIDTH HYPHEN-MINUS}", "\N{FULLWIDTH COMMERCIAL AT}"),
)
#: Put before such a text, and before one that begins with itself, so that taking off one always gives the text.
_GUARD = "'"
_GUARDED = (
    "a text that begins with = + - @ (also full-width, or after spaces), tab or line end has an apostrophe before it, so that no "
    "spreadsheet works it out as a formula; one that begins with an apostrophe has a second; take off the first to have the text"
)


@dataclass(frozen=True, slots=True)
class Column:
    """A column: type "text", "number", "whole" or "yes/no"; unit empty if it has none."""

    name: str
    type: str
    unit: str
    meaning: str


COLUMNS = (
    Column("record_id", "text", "", "id of the record"),
    Column("entry_number", "whole", "", "place of the record's entry in the chain"),
    Column("entry_hash", "text", "", "SHA-256 of the record's entry, hexadecimal"),
    Column("began_at", "text", "ISO 8601 with zone", "begin of the measurement"),
    Column("made_at", "text", "ISO 8601 with zone", "when the record was written"),
    Column("part_number", "text", "", "of the unit, as last amended"),
    Column("serial_number", "text", "", "of the unit, as last amended"),
    Column("service_hours", "number", "h", "of the unit, as typed; empty: not stated"),
    Column("operator", "text", "", "as typed or last amended"),
    Column("for_record", "yes/no", "", "no: see not_for_record"),
    Column("not_for_record", "text", "", "reasons, in sentences"),
    Column("recheck_of", "text", "", "id of the record of the first verify, if this is a recheck"),
    Column("amendments", "whole", "", "number of amendments"),
    Column("limits_reference", "text", "", "manual that the limits are from"),
    Column("limits_revision", "text", "", "its revision"),
    Column("record_verdict", "text", "", "worst verdict of the record"),
    Column("state", "text", "", "as left, or as found"),
    Column("breaker", "text", "", "name of the set of points"),
    Column("lobe", "whole", "", "number of the lobe, from 0"),
    Column("from", "text", "", "what angle_deg counts from"),
    Column("angle_deg", "number", "deg", "rotor angle at which the points open, running direction"),
    Column("expanded_uncertainty_deg", "number", "deg", "of angle_deg"),
    Column("coverage_factor", "number", "", "expanded over standard uncertainty"),
    Column("from_neutral_deg", "number", "deg", "the same opening past neutral"),
    Column("target_deg", "number", "deg", "of the limits; empty: not limited"),
    Column("lower_limit_deg", "number", "deg", "empty: not limited"),
    Column("upper_limit_deg", "number", "deg", "empty: not limited"),
    Column("verdict", "text", "", "inside, outside, undecided or none"),
    Column("probability_inside", "number", "", "that the angle lies within its limits"),
    Column("passes_used", "whole", "", "openings that the angle is the mean of"),
    Column("dwell_deg", "number", "deg", "angle over which the points stay closed"),
    Column("bounce_ms", "number", "ms", "time from first departure to settled"),
    Column("software", "text", "", "program and version that measured"),
    Column("board_id", "text", "", "of the measuring board"),
    Column("firmware", "text", "", "of the measuring board"),
    Column("journal_sha256", "text", "", "of the journal that the record rests on"),
)


def rows(records: Iterable[Stored]) -> Iterator[dict[str, Any]]:
    """One row for each opening; None where something is not known."""
    for stored in records:
        record, result = stored.record, stored.record.result
        limits = result.get("limits") or {}
        shared = {
            "record_id": record.id,
            "entry_number": stored.sequence,
            "entry_hash": stored.hash,
            "began_at": record.began_at,
            "made_at": record.made_at,
            "part_number": stored.part_number,
            "serial_number": stored.serial_number,
            "service_hours": stored.service_hours,
            "operator": stored.operator,
            "for_record": not record.not_for_record,
            "not_for_record": " ".join(record.not_for_record),
            "recheck_of": record.recheck_of,
            "amendments": len(stored.amendments),
            "limits_reference": limits.get("reference"),
            "limits_revision": limits.get("revision"),
            "record_verdict": record.verdict,
            "software": record.instrument.software,
            "board_id": record.instrument.board_id,
            "firmware": record.instrument.firmware,
            "journal_sha256": record.journal.sha256,
        }
        states = (("as found", result.get("as_found") or {}), ("as left", result))
        for state, part in states:
            for breaker in part.get("breakers", ()):
                for opening in breaker["openings"]:
                    own = {"state": state, "breaker": breaker["name"], "from": breaker["from"]}
                    yield {c.name: {**opening, **own, **shared}.get(c.name) for c in COLUMNS}


def write(path: Path, records: Iterable[Stored]) -> int:
    """Write a new file, its kind by its ending: .csv (with NAME.dictionary.csv beside), .json or .parquet; gives the number of rows.

    Raises StoreError when it exists, cannot be written, or its kind is not known.
    """
    kinds = {".csv": _csv, ".json": _json, ".parquet": _parquet}
    kind = kinds.get(path.suffix.lower())
    shown = printable(str(path))
    if kind is None:
        raise StoreError(f"{shown}: a name that ends in .csv, .json or .parquet was expected.")
    held = list(records)
    found = list(rows(held))
    try:
        for name, data in kind(path, found, held):
            with name.open("xb") as file:
                file.write(data)
    except FileExistsError:
        raise StoreError(f"{shown} or its dictionary exists already; name a new file.") from None
    except OSError as failure:
        raise StoreError(f"{shown} cannot be written ({failure.strerror or failure}).") from None
    return len(found)


def _csv(path: Path, found: list[dict[str, Any]], _: list[Stored]) -> list[tuple[Path, bytes]]:
    return [
        (path, _table([c.name for c in COLUMNS], [[_cell(row[c.name]) for c in COLUMNS] for row in found])),
        (
            path.with_name(f"{path.stem}.dictionary.csv"),
            _table(["name", "type", "unit", "meaning", "in CSV"], [_explained(c) for c in COLUMNS]),
        ),
    ]


def _explained(column: Column) -> list[str]:
    return [*asdict(column).values(), _GUARDED if column.type == "text" else ""]


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and (value.startswith(_GUARD) or value.lstrip(" ").startswith(_FORMULA)):
        return _GUARD + value
    return value


def _table(names: list[str], lines: list[list[Any]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(names)
    writer.writerows(lines)
    return text.getvalue().encode("utf-8")


def _json(path: Path, found: list[dict[str, Any]], held: list[Stored]) -> list[tuple[Path, bytes]]:
    document = {
        "format": FORMAT,
        "version": VERSION,
        "dictionary": [asdict(c) for c in COLUMNS],
        "openings": found,
        "records": [asdict(stored) for stored in held],
    }
    return [(path, json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1).encode("utf-8") + b"\n")]


def _parquet(path: Path, found: list[dict[str, Any]], _: list[Stored]) -> list[tuple[Path, bytes]]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise StoreError(
            "Parquet needs the extra: pip install 'breakerbench[parquet]'. CSV and JSON need nothing."
        ) from None
    kinds = {"text": pa.string(), "number": pa.float64(), "whole": pa.int64(), "yes/no": pa.bool_()}
    schema = pa.schema(
        [pa.field(c.name, kinds[c.type], metadata={"unit": c.unit, "meaning": c.meaning}) for c in COLUMNS],
        metadata={"format": FORMAT, "version": str(VERSION)},
    )
    table = pa.Table.from_pylist(found, schema=schema)
    buffer = io.BytesIO()
    pq.write_table(table, buffer)
    return [(path, buffer.getvalue())]
