"""What `breakerbench records` takes."""

from __future__ import annotations

import argparse

RECORDS = (
    "The record store: what was measured, append-only and verifiable. It is a file in the data folder, or a PostgreSQL server for several "
    "benches: [records] database in the bench file, or the environment variable BREAKERBENCH_DATABASE."
)
STATUS = "Exit status: 0 done, 2 bad input, 5 the store cannot be used, or does not verify."
VERIFY = (
    "Recomputes the whole chain of hashes and those of the journals, and names the first broken link. The head that it tells is worth "
    "writing down elsewhere: named later by --head, it also shows entries that were cut off together with the store's own head."
)
IMPORT = (
    "Writes one job file for each row of a table. Columns are named as the job file's keys: unit.serial_number, limits.reference, "
    "breaker.0.opens_at_deg and so on; --like names a job file for all that the table does not tell."
)


def add(records: argparse.ArgumentParser) -> None:
    """Fill the parser of `records`."""
    commands = records.add_subparsers(dest="action", metavar="ACTION", required=True)

    listing = commands.add_parser("list", help="the records, latest first", epilog=STATUS)
    listing.add_argument("--open", action="store_true", help="jobs that were interrupted instead: resume or close them")
    listing.add_argument("--serial", metavar="SERIAL", help="of one unit")
    listing.add_argument("--limit", type=_limit, default=50, metavar="N", help="at most so many (default: %(default)s)")
    listing.add_argument("--before", type=_number, metavar="NUMBER", help="those before this entry number")
    _json(listing)

    show = commands.add_parser("show", help="one record with its story", epilog=STATUS)
    show.add_argument("id", metavar="ID", help="a record's id, or its beginning")
    _json(show)

    amend = commands.add_parser("amend", help="add a statement to a record; nothing is overwritten", epilog=STATUS)
    amend.add_argument("id", metavar="ID", help="a record's id, or its beginning")
    amend.add_argument(
        "changes",
        nargs="+",
        metavar="FIELD=TEXT",
        help="operator, serial_number, part_number, service_hours: to be read instead; finding, remark: added",
    )
    _who_why(amend)
    _json(amend)

    verify = commands.add_parser(
        "verify", help="whether anything was changed, removed, moved or cut off", description=VERIFY, epilog=STATUS
    )
    verify.add_argument(
        "report_or_backup",
        nargs="?",
        metavar="FILE.html|DIR",
        help="a report instead: what is inside it, and whether the store has it; or a backup's folder",
    )
    verify.add_argument("--store", metavar="FILE", help="another store's file")
    verify.add_argument("--head", type=_head, metavar="NUMBER:HASH", help="a head written down earlier")
    verify.add_argument("--without-journals", action="store_true", help="the store alone")
    verify.add_argument(
        "--bytes", action="store_true", help="list which bytes of the store's file hold nothing committed (SQLite)"
    )
    _json(verify)

    export = commands.add_parser(
        "export", help="a table for other programs, or a bundle for a third party", epilog=STATUS
    )
    where = export.add_mutually_exclusive_group(required=True)
    where.add_argument("file", nargs="?", metavar="FILE.csv|.json|.parquet", help="one row for each opening")
    where.add_argument(
        "--bundle", metavar="DIR|FILE.zip", help="to be verified with nothing but Python's standard library"
    )
    export.add_argument("--serial", metavar="SERIAL", help="of one unit")
    export.add_argument("--id", action="append", metavar="ID", help="this record (may be given several times)")
    _json(export)

    backup = commands.add_parser("backup", help="a consistent copy, journals included", epilog=STATUS)
    backup.add_argument("folder", metavar="DIR", help="a new folder")
    _json(backup)

    close = commands.add_parser("close", help="give up an interrupted job", epilog=STATUS)
    close.add_argument("id", metavar="ID", help="as records list --open shows it")
    _who_why(close)
    _json(close)

    late = commands.add_parser(
        "add", help="make the record of a measurement that could not be kept then", epilog=STATUS
    )
    late.add_argument("capture", metavar="CAPTURE", help="the journal that was kept")
    particulars(late)
    _json(late)

    jobs = commands.add_parser(
        "import-jobs", help="job files for a batch of units from a table", description=IMPORT, epilog=STATUS
    )
    jobs.add_argument("file", metavar="FILE.csv", help="one row for each unit")
    jobs.add_argument("--like", metavar="JOB.toml", help="a job file for all that the table does not tell")
    jobs.add_argument("-o", "--output", required=True, metavar="DIR", help="folder for the job files")
    _json(jobs)


def particulars(parser: argparse.ArgumentParser) -> None:
    """What a record holds that no measurement tells; also for `measure`."""
    parser.add_argument("--operator", type=_text, metavar="NAME", help="who works, for the record")
    parser.add_argument("--hours", type=_hours, metavar="H", help="service hours of the unit, for the record")
    parser.add_argument("--recheck-of", metavar="ID", help="the record of the first verify, if this is a recheck")


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def _who_why(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", required=True, type=_text, metavar="NAME", help="who says so")
    parser.add_argument("--why", required=True, type=_text, metavar="TEXT", help="the reason")


def _whole(text: str, low: int, high: int) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 20 and low <= int(text) <= high):
        raise argparse.ArgumentTypeError(f"a whole number from {low} to {high} was expected, not {text!r}")
    return int(text)


def _limit(text: str) -> int:
    return _whole(text, 1, 100_000)


def _number(text: str) -> int:
    return _whole(text, 1, 10**15)


def _hours(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e6:
        raise argparse.ArgumentTypeError(f"hours from 0 were expected, not {text!r}")
    return value


def _text(text: str) -> str:
    if not text.strip() or len(text) > 2000 or not text.isprintable():
        raise argparse.ArgumentTypeError("a text of 1 to 2000 characters without control characters was expected")
    return text


def _head(text: str) -> tuple[int, str]:
    number, colon, digest = text.strip().partition(":")
    if not colon or len(digest) != 64 or set(digest) - set("0123456789abcdef"):
        raise argparse.ArgumentTypeError("NUMBER:HASH was expected, as records verify tells it")
    return _whole(number, 0, 10**15), digest
