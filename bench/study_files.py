"""Readings of the studies as the user writes them (CSV), checked, every mistake named with line and column."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bench.agreement_study import FEWEST_UNITS, PairedReadings
from bench.encoder_fit import Reading
from bench.encoder_study import ReferenceReading
from bench.errors import InputError
from bench.files import MOST_BYTES, printable
from bench.gauge_study import FEWEST, GaugeReadings

GAUGE_COLUMNS = ("operator", "unit", "trial", "angle_deg")
AGREEMENT_COLUMNS = ("unit", "hand_deg", "tool_deg")
ENCODER_COLUMNS = ("position", "feature", "angle_deg")
REFERENCE_COLUMNS = ("reference_deg", "angle_deg")
TRIAL = "trial"
#: Ten turns: a cam's lobes come round again after at most nine, so that more is a slip of the pen.
MOST_DEG = 3600.0
MOST_TRIALS = 1000
MOST_CHARACTERS = 40

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_WHOLE = re.compile(r"\d{1,4}", re.ASCII)


class StudyFileError(InputError):
    """A file of readings is missing, unreadable, or holds something that cannot be evaluated."""

    code = "study-file"


@dataclass(frozen=True, slots=True)
class Source:
    """Which file the readings came from: its name and the SHA-256 of its bytes."""

    name: str
    sha256: str


def load_gauge(path: Path) -> tuple[GaugeReadings, Source]:
    """Readings of a gauge study: columns operator, unit, trial, angle_deg in any order, every operator every unit every trial once.

    Operators and units keep the order in which they first appear. Raises StudyFileError.
    """
    table = _Table(path, GAUGE_COLUMNS, ())
    readings: dict[tuple[str, str, int], float] = {}
    for row in table.rows():
        key = (row.name("operator"), row.name("unit"), row.trial())
        if key in readings:
            raise row.error(TRIAL, f"operator {key[0]}, unit {key[1]}, trial {key[2]} stands in the file twice")
        readings[key] = row.degrees("angle_deg")
    operators = tuple(dict.fromkeys(operator for operator, _, _ in readings))
    units = tuple(dict.fromkeys(unit for _, unit, _ in readings))
    trials = tuple(sorted({trial for _, _, trial in readings}))
    for found, column in ((operators, "operator"), (units, "unit"), (trials, TRIAL)):
        if len(found) < FEWEST:
            raise table.error(f"column {column}: at least {FEWEST} different ones were expected, not {len(found)}")
    for operator in operators:
        for unit in units:
            for trial in trials:
                if (operator, unit, trial) not in readings:
                    raise table.error(
                        f"column {TRIAL}: operator {operator}, unit {unit}, trial {trial} is missing; every operator was expected to "
                        "measure every unit in every trial"
                    )
    angle_deg = np.array([[[readings[o, u, t] for t in trials] for u in units] for o in operators])
    return GaugeReadings(operators, units, angle_deg), table.source


def load_agreement(path: Path) -> tuple[PairedReadings, Source]:
    """Pairs of readings: columns unit, hand_deg, tool_deg and, where units are read repeatedly, trial. Raises StudyFileError."""
    table = _Table(path, AGREEMENT_COLUMNS, (TRIAL,))
    pairs: dict[tuple[str, int], tuple[float, float]] = {}
    for row in table.rows():
        key = (row.name("unit"), row.trial() if TRIAL in table.header else 1)
        if key in pairs:
            if TRIAL in table.header:
                raise row.error(TRIAL, f"unit {key[0]}, trial {key[1]} stands in the file twice")
            raise row.error(
                "unit", f'unit {key[0]} stands in the file twice; repeated readings need a column "{TRIAL}"'
            )
        pairs[key] = (row.degrees("hand_deg"), row.degrees("tool_deg"))
    units = {unit for unit, _ in pairs}
    if len(units) < FEWEST_UNITS:
        raise table.error(f"column unit: at least {FEWEST_UNITS} different ones were expected, not {len(units)}")
    hand_deg, tool_deg = np.array(list(pairs.values())).T
    return PairedReadings(tuple(unit for unit, _ in pairs), hand_deg, tool_deg), table.source


def load_encoder(path: Path) -> tuple[tuple[Reading, ...], Source]:
    """Readings of the encoder in several clampings: columns position, feature, angle_deg and, where readings are repeated, trial.

    `position` names the clamping, `feature` what was read (a lobe's opening), `angle_deg` counts from the encoder's index in the
    direction in which the count rises. Raises StudyFileError.
    """
    table = _Table(path, ENCODER_COLUMNS, (TRIAL,))
    readings: dict[tuple[str, str, int], Reading] = {}
    for row in table.rows():
        key = (row.name("position"), row.name("feature"), row.trial() if TRIAL in table.header else 1)
        if key in readings:
            repeated = "" if TRIAL in table.header else f'; repeated readings need a column "{TRIAL}"'
            raise row.error("feature", f"position {key[0]}, feature {key[1]} stands in the file twice{repeated}")
        readings[key] = Reading(key[0], key[1], row.degrees("angle_deg"))
    if not readings:
        raise table.error("no readings; rows below the header were expected")
    return tuple(readings.values()), table.source


def load_encoder_reference(path: Path) -> tuple[tuple[ReferenceReading, ...], Source]:
    """Readings of the encoder at known angles: columns reference_deg, angle_deg and, where readings are repeated, trial.

    Both count in the direction in which the count rises, `angle_deg` from the encoder's index. Raises StudyFileError.
    """
    table = _Table(path, REFERENCE_COLUMNS, (TRIAL,))
    readings: dict[tuple[float, int], ReferenceReading] = {}
    for row in table.rows():
        key = (row.degrees("reference_deg"), row.trial() if TRIAL in table.header else 1)
        if key in readings:
            repeated = "" if TRIAL in table.header else f'; repeated readings need a column "{TRIAL}"'
            raise row.error("reference_deg", f"{key[0]:g}° stands in the file twice{repeated}")
        readings[key] = ReferenceReading(key[0], row.degrees("angle_deg"))
    if not readings:
        raise table.error("no readings; rows below the header were expected")
    return tuple(readings.values()), table.source


class _Table:
    """A CSV file with a known header."""

    def __init__(self, path: Path, needed: Sequence[str], optional: Sequence[str]) -> None:
        self.shown = printable(str(path))
        raw = self._read(path)
        self.source = Source(printable(path.name), hashlib.sha256(raw).hexdigest())
        self._lines = self._split(self._decoded(raw))
        self.header = self._header(needed, optional)

    def error(self, text: str, line: int | None = None) -> StudyFileError:
        """The error to raise: file, line and what was expected."""
        where = self.shown if line is None else f"{self.shown}: line {line}"
        return StudyFileError(printable(f"{where}: {text}."))

    def rows(self) -> Iterator[_Row]:
        """All rows of readings; empty ones, as spreadsheets leave them at the end, are passed over."""
        for line, fields in self._lines:
            if not any(fields):
                continue
            if len(fields) != len(self.header):
                raise self.error(
                    f"{len(self.header)} columns ({', '.join(self.header)}) were expected, not {len(fields)}", line
                )
            yield _Row(self, line, dict(zip(self.header, fields, strict=True)))

    def _read(self, path: Path) -> bytes:
        try:
            with path.open("rb") as file:
                raw = file.read(MOST_BYTES + 1)
        except OSError as failure:
            raise self.error(f"the readings cannot be read ({failure.strerror or failure})") from None
        if len(raw) > MOST_BYTES:
            raise self.error(f"more than {MOST_BYTES} bytes, which is no table of readings")
        return raw

    def _decoded(self, raw: bytes) -> str:
        try:
            # With or without the mark that spreadsheets put in front.
            return raw.decode("utf-8-sig")
        except UnicodeDecodeError as failure:
            line = raw.count(b"\n", 0, failure.start) + 1
            raise self.error("not text in UTF-8; a table of readings as CSV was expected", line) from None

    def _split(self, text: str) -> Iterator[tuple[int, list[str]]]:
        """(line on which the row begins, stripped fields)."""
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        while True:
            line = reader.line_num + 1
            try:
                fields = next(reader, None)
            except csv.Error as failure:
                raise self.error(f"not valid CSV ({failure})", line) from None
            if fields is None:
                return
            yield line, [field.strip() for field in fields]

    def _header(self, needed: Sequence[str], optional: Sequence[str]) -> tuple[str, ...]:
        expected = ",".join(needed) + "".join(f"[,{name}]" for name in optional)
        line, header = next(self._lines, (1, []))
        if not any(header):
            raise self.error(f"the header {expected} was expected, but the line is empty", line)
        if len(header) == 1 and re.search("[;\t]", header[0]):
            raise self.error(f"commas between the columns and points in the figures were expected ({expected})", line)
        for name in header:
            if name not in (*needed, *optional):
                raise self.error(f"column {_shown(name)} is not known; the header {expected} was expected", line)
            if header.count(name) > 1:
                raise self.error(f"column {name} stands in the header twice", line)
        for name in needed:
            if name not in header:
                raise self.error(f"column {name} is missing; the header {expected} was expected", line)
        return tuple(header)


@dataclass(frozen=True, slots=True)
class _Row:
    """One row of readings."""

    table: _Table
    line: int
    fields: dict[str, str]

    def error(self, column: str, text: str) -> StudyFileError:
        return self.table.error(f"column {column}: {text}", self.line)

    def name(self, column: str) -> str:
        """A name: 1 to MOST_CHARACTERS characters, none of which steers a terminal."""
        text = self.fields[column]
        if not 1 <= len(text) <= MOST_CHARACTERS:
            raise self.error(column, f"a name of 1 to {MOST_CHARACTERS} characters was expected, not {_shown(text)}")
        if printable(text) != text:
            raise self.error(column, "a name without line breaks and control characters was expected")
        return text

    def trial(self) -> int:
        """The trial's number, 1 to MOST_TRIALS."""
        text = self.fields[TRIAL]
        if not _WHOLE.fullmatch(text) or not 1 <= int(text) <= MOST_TRIALS:
            raise self.error(TRIAL, f"a whole number from 1 to {MOST_TRIALS} was expected, not {_shown(text)}")
        return int(text)

    def degrees(self, column: str) -> float:
        """An angle, degrees, within ±MOST_DEG."""
        text = self.fields[column]
        if not _NUMBER.fullmatch(text):
            hint = " with a decimal point" if "," in text else ""
            raise self.error(column, f"a number of degrees{hint} was expected, not {_shown(text)}")
        value = float(text)
        if not abs(value) <= MOST_DEG:
            raise self.error(column, f"degrees from {-MOST_DEG:g} to {MOST_DEG:g} were expected, not {_shown(text)}")
        return value


def _shown(text: str) -> str:
    """A field as an error may show it."""
    if not text:
        return "an empty field"
    return f'"{text}"' if len(text) <= MOST_CHARACTERS else f'"{text[:MOST_CHARACTERS]}…"'
