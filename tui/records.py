"""`breakerbench records`."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from bench.bench_file import BenchFile
from bench.errors import UsageError
from bench.files import printable
from bench.records import open_jobs
from bench.records.model import Head, Stored, StoreError
from bench.records.store import is_address, open_store
from tui import places, records_words
from tui.records_keeping import keep, open_now, open_records, stop

FORMAT = "breakerbench-records"
VERSION = 1


def run(options: argparse.Namespace) -> int:
    """One action on the store; gives the exit status."""
    return _ACTIONS[options.action](options, places.bench_settings())


def _tell(options: argparse.Namespace, document: dict[str, Any], words: str) -> None:
    if options.json:
        whole = {"format": FORMAT, "version": VERSION, "valid": True, **document}
        print(json.dumps(whole, ensure_ascii=False, allow_nan=False, indent=1))
    elif words:
        print(words)


def _list(options: argparse.Namespace, bench: BenchFile) -> int:
    if options.open:
        jobs = open_now(bench)
        _tell(options, {"open_jobs": [asdict(job) for job in jobs]}, records_words.open_jobs(jobs))
        return 0
    with open_records(bench) as store:
        page = store.page(options.before, options.limit, options.serial)
    _tell(options, {"records": [asdict(line) for line in page]}, records_words.page(page, options.limit))
    return 0


def _show(options: argparse.Namespace, bench: BenchFile) -> int:
    with open_records(bench) as store:
        stored = store.get(options.id)
    _tell(options, {"record": asdict(stored)}, records_words.story(stored, bench.records.keep_years))
    return 0


def _amend(options: argparse.Namespace, bench: BenchFile) -> int:
    changes = []
    for text in options.changes:
        field, equals, value = text.partition("=")
        if not equals:
            raise UsageError(f"FIELD=TEXT was expected, not {printable(text)}.")
        changes.append((field.strip(), value.strip()))
    with open_records(bench) as store:
        amendment = store.amend(options.id, options.by, places.now(), options.why, changes)
    _tell(options, {"amendment": asdict(amendment)}, f"Record {amendment.record_id}: amendment {amendment.id} added.")
    return 0


def _verify(options: argparse.Namespace, bench: BenchFile) -> int:
    given = options.report_or_backup
    if given is not None and not Path(given).is_dir():
        return _verify_report(Path(given), options, bench)
    from bench.records.verification import unreadable, verify

    if given is not None:
        if options.store is not None:
            raise UsageError("Name the backup's folder or --store, not both.")
        options.store = _backed_up(Path(given))
    setting = Path(options.store) if options.store else places.store_setting(bench)
    address = is_address(setting)
    if options.bytes and address:
        raise UsageError(
            "--bytes lists those of an SQLite file; PostgreSQL has none of its own to list. Take a backup."
        )
    base = places.home() if options.store is None else Path(options.store).resolve().parent
    expected = None if options.head is None else Head(*options.head)
    try:
        with open_store(setting, read_only=True) as store:
            found = verify(
                store, base, not options.without_journals, expected, Path(setting) if options.bytes else None
            )
    except StoreError as failure:
        if address or not Path(setting).is_file():
            raise
        found = unreadable(printable(str(setting)), failure)
    _tell(options, {"verification": {**asdict(found), "whole": found.whole}}, records_words.verification(found))
    if found.whole:
        return 0
    print(f"breakerbench: The store does not verify. First: {found.problems[0].text}", file=sys.stderr)
    return StoreError.exit_status


def _backed_up(folder: Path) -> Path:
    """The store in a backup's folder."""
    from bench.records.backup import FILE

    if not (folder / FILE).is_file():
        raise UsageError(
            f"{printable(str(folder))}: no backup; it holds no {FILE}. (A bundle is checked by the verify.py inside it.)"
        )
    return folder / FILE


def _verify_report(path: Path, options: argparse.Namespace, bench: BenchFile) -> int:
    """A report by itself, and its record's hash against the store, if that has the record."""
    from bench.reports.verification import verify

    found = verify(path)
    problems, unchecked = list(found.problems), list(found.unchecked)
    if found.record_id is not None:
        try:
            setting = Path(options.store) if options.store else places.store_setting(bench)
            with open_store(setting, read_only=True) as store:
                if store.get(found.record_id).hash != found.record_hash:
                    problems.append(f"The store has another record under the id {found.record_id}.")
        except StoreError as failure:
            unchecked.append(f"Whether a store has this record: {failure.text}")
    document = {**asdict(found), "problems": problems, "unchecked": unchecked, "whole": not problems}
    _tell(options, {"report": document}, records_words.report(found.record_id, found.record_hash, problems, unchecked))
    return StoreError.exit_status if problems else 0


def _export(options: argparse.Namespace, bench: BenchFile) -> int:
    with open_records(bench) as store:
        chosen: list[Stored] | None = None
        if options.id is not None or options.serial is not None:
            chosen = [store.get(name) for name in options.id or ()]
            chosen += store.find(options.serial) if options.serial is not None else ()
            chosen = list({stored.record.id: stored for stored in chosen}.values())
        if options.bundle is not None:
            from bench.records.bundles import write_bundle

            subjects = None if chosen is None else {stored.record.id for stored in chosen}
            head = write_bundle(store, places.home(), Path(options.bundle), subjects)
            words = f"Bundle {options.bundle} written; head {head.count}:{head.hash}"
            _tell(options, {"bundle": options.bundle, "head": asdict(head)}, words)
            return 0
        from bench.records.export import write

        rows = write(Path(options.file), store.all() if chosen is None else chosen)
    _tell(options, {"file": options.file, "rows": rows}, f"{options.file}: {rows} openings.")
    return 0


def _backup(options: argparse.Namespace, bench: BenchFile) -> int:
    from bench.records.backup import back_up

    with open_records(bench) as store:
        made = back_up(store, places.home(), Path(options.folder))
    document = {
        "backup": {
            "file": str(made.file),
            "head": asdict(made.head),
            "journals": made.journals,
            "missing_journals": list(made.missing),
        }
    }
    _tell(options, document, records_words.backup(made))
    return 0


def _close(options: argparse.Namespace, bench: BenchFile) -> int:
    job_id = options.id.strip().upper()
    home = places.home()
    open_jobs.refuse_under_way(home, job_id)
    begun = open_jobs.find(home, job_id)
    with open_records(bench) as store:
        if begun is None and not store.stoppages(job_id):
            raise UsageError(f"There is no open job {printable(job_id)}. List them: breakerbench records list --open.")
        if begun is not None and store.done_with(job_id) is None and Path(begun.journal).exists():
            stop(store, begun, None)
        closing = store.close_job(job_id, options.by, places.now(), options.why)
    open_jobs.forget(home, job_id)
    _tell(options, {"closing": asdict(closing)}, f"Job {job_id} is closed. Its journal is kept.")
    return 0


def _add(options: argparse.Namespace, bench: BenchFile) -> int:
    from bench.records.making import journal_link, read_header
    from bench.records.open_jobs import Begun
    from bench.records.store import new_id
    from bench.replay import replay
    from bench.result import document

    capture = Path(options.capture)
    result = document(replay(capture).run, options.capture)
    if not result.valid:
        reason = "" if result.error is None else result.error.text
        raise UsageError(
            f"{printable(options.capture)} holds no valid measurement, so there is no record to make: {reason}"
        )
    home = places.home()
    header = read_header(capture)
    noted = open_jobs.of_journal(home, capture)
    begun = noted or Begun(new_id(str(header["run_date"])), str(header["run_date"]), str(capture.absolute()), header)
    if options.operator is not None:
        begun = replace(begun, operator=options.operator)
    if options.hours is not None:
        begun = replace(begun, service_hours=options.hours)
    if options.recheck_of is not None:
        begun = replace(begun, recheck_of=options.recheck_of)
    with open_records(bench) as store:
        known = store.of_journal(journal_link(capture, home).sha256)
        words = keep(store, begun, result) if known is None else f"Record {known} was made of this journal already."
        record_id = known or begun.id
    if noted is not None:
        open_jobs.forget(home, noted.id)
    _tell(options, {"record_id": record_id, "added": known is None}, words)
    return 0


def _import_jobs(options: argparse.Namespace, _: BenchFile) -> int:
    from bench.records.job_import import read_jobs, write_jobs

    jobs = read_jobs(Path(options.file), None if options.like is None else Path(options.like))
    paths = write_jobs(jobs, Path(options.output))
    _tell(options, {"job_files": [str(path) for path in paths]}, "\n".join(map(str, paths)))
    return 0


_ACTIONS: dict[str, Callable[[argparse.Namespace, BenchFile], int]] = {
    "list": _list,
    "show": _show,
    "amend": _amend,
    "verify": _verify,
    "export": _export,
    "backup": _backup,
    "close": _close,
    "add": _add,
    "import-jobs": _import_jobs,
}
