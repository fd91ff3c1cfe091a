"""`breakerbench history`."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from bench.errors import UsageError
from bench.files import printable
from bench.records.model import RecordNotFound, Stored
from bench.records.store import Store
from bench.reports import history as histories
from bench.reports.history import History, Reading, Trend, Visit, per
from bench.reports.layout import DASH, figure, general
from tui import places
from tui.columns import columns

FORMAT = "breakerbench-history"
VERSION = 1


def run(options: argparse.Namespace) -> int:
    """Tell the history of one unit, of several, or of all; gives the exit status."""
    from tui.records_keeping import open_records

    if bool(options.serial) == options.shop:
        raise UsageError("history takes one serial number or several, or --shop for every unit of the store.")
    if options.plot is not None:
        if not options.plot.lower().endswith(".svg"):
            raise UsageError(f"--plot: a file that ends in .svg was expected, not {printable(options.plot)}.")
        if os.path.lexists(options.plot):
            raise UsageError(f"--plot: {printable(options.plot)} exists already; name another file.")
    with open_records(places.bench_settings()) as store:
        units = (
            _all(store)
            if options.shop
            else {serial: list(store.find(serial)) for serial in dict.fromkeys(options.serial)}
        )
    unknown = [serial for serial, stored in units.items() if not stored]
    if unknown:
        raise RecordNotFound(
            f"There is no record of serial number {printable(unknown[0])}. List them: breakerbench records list."
        )
    found = [histories.history(serial, stored, options.over, options.rehearsals) for serial, stored in units.items()]
    if options.plot is not None:
        from bench.reports.history_pictures import history_svg
        from tui.report import write_new

        write_new(Path(options.plot), history_svg(found))
    if options.json:
        document = {"format": FORMAT, "version": VERSION, "valid": True, "units": [_document(one) for one in found]}
        print(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1))
    else:
        print(_shop(found) if options.shop else "\n\n".join(_words(one) for one in found))
    return 0


def _all(store: Store) -> dict[str, list[Stored]]:
    units: dict[str, list[Stored]] = {}
    for stored in store.all():
        units.setdefault(stored.serial_number, []).append(stored)
    return units


# --- in words --------------------------------------------------------------------------------------------------------


def _words(found: History) -> str:
    lines = [
        f"Serial number {printable(found.serial_number)}, part number {printable(found.part_number)}: {found.records} records, "
        f"over {'service hours' if found.over == histories.HOURS else 'date'}"
    ]
    if found.left_out:
        lines.append(f"{found.left_out} records left out: rehearsals, or without service hours.")
    lines += [f"Record {record} cannot be read by this version." for record in found.unreadable]
    for trend in found.trends:
        lines += ["", *_trend(trend, found.over)]
    return "\n".join(lines)


def _trend(trend: Trend, over: str) -> list[str]:
    limits = f" (target {general(trend.target)}{trend.unit}" if trend.target is not None else ""
    if trend.lower_limit is not None and trend.upper_limit is not None:
        limits += (", " if limits else " (") + f"limits {general(trend.lower_limit)} to {general(trend.upper_limit)}"
    lines = [f"{printable(trend.name)}, {printable(trend.unit)}{limits}{')' if limits else ''}"]
    cells: list[Sequence[str]] = [("  record", "measured", "hours", "as found", "as left", "lobes", "verdict", "")]
    for visit in trend.visits:
        cells.append(_visit(visit))
    lines.append(columns(cells))
    lines.append("  " + drift_words(trend, over))
    return lines


def _visit(visit: Visit) -> Sequence[str]:
    left = visit.left
    lobes = (
        DASH
        if left is None or left.least == left.greatest
        else f"{figure(left.least, 2)} to {figure(left.greatest, 2)}"
    )
    return (
        f"  {visit.record_id}",
        visit.began_at[:10],
        general(visit.service_hours),
        _reading(visit.found),
        _reading(left),
        lobes,
        visit.verdict,
        "" if visit.for_record else "NOT FOR RECORD",
    )


def _reading(reading: Reading | None) -> str:
    if reading is None:
        return DASH
    return figure(reading.value, 2) + ("" if reading.expanded is None else f" ± {figure(reading.expanded, 2)}")


def drift_words(trend: Trend, over: str) -> str:
    """What the drift is, or why it cannot be told."""
    drift, (_, unit) = trend.drift, per(over)
    how = (
        "between visits, what was found less what was left before"
        if drift.method == "in service"
        else "line through all"
    )
    if drift.rate is None or drift.expanded_uncertainty is None:
        return f"Drift: cannot be told; {drift.why_not}."
    of = trend.unit if trend.unit == "°" else f" {printable(trend.unit)}".rstrip()
    figures = f"{figure(drift.rate, 3, sign=True)} ± {figure(drift.expanded_uncertainty, 3)}{of} per {unit}"
    warning = (
        ""
        if drift.method == "in service"
        else " Nothing was measured before adjusting, so that adjusting counts as drift."
    )
    if not drift.told:
        return f"Drift: none that can be told; {drift.why_not} ({figures}; {how}).{warning}"
    return f"Drift: {figures} ({how}; {drift.points} used).{warning}"


def _shop(found: Iterable[History]) -> str:
    cells: list[Sequence[str]] = [
        ("serial number", "part number", "records", "last", "verdict", "figure", "as left", "drift")
    ]
    for one in found:
        for trend in one.trends:
            if trend.kind != histories.ANGLE or not trend.visits:
                continue
            last = trend.visits[-1]
            drift, (_, unit) = trend.drift, per(one.over)
            rate = (
                f"{figure(drift.rate, 3, sign=True)} ± {figure(drift.expanded_uncertainty, 3)}° per {unit}"
                if drift.told
                else "none told"
            )
            cells.append(
                (
                    *(
                        printable(one.serial_number),
                        printable(one.part_number),
                        str(one.records),
                        last.began_at[:10],
                        last.verdict,
                    ),
                    *(printable(trend.name), _reading(last.left), rate),
                )
            )
    return columns(cells) if len(cells) > 1 else "There is no record."


# --- as a document ---------------------------------------------------------------------------------------------------


def _document(found: History) -> dict[str, Any]:
    """Plain figures; a drift's unit is told beside it."""
    _, unit = per(found.over)
    document = asdict(found)
    for trend in document["trends"]:
        trend["drift"]["per"] = unit
        for visit in trend["visits"]:
            # The place is service hours, or days since 1970: told by the keys beside it.
            del visit["at"]
    return document
