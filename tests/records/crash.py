"""Processes killed (SIGKILL) in the middle of everything that the store does; afterwards it must hold all that was acknowledged.

`python -m tests.records.crash --kills 500 [--postgresql]` goes round all crash points, each at least five times, and prints how
often it was at which. The kill takes the process, not the power: what it shows is that nothing is half done, not what a disk does.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from bench.records import points
from bench.records.backup import FILE as BACKUP_FILE
from bench.records.backup import back_up
from bench.records.model import RecordNotFound
from bench.records.sqlite_database import SqliteDatabase
from bench.records.store import Store, is_address, open_store
from bench.records.verification import verify
from tests.records import old_store
from tests.records.support import AT, record, stoppage, with_journal

LEAST_EACH = 5
EACH_GO = 3
_STEPS = ("transaction begun", "entry inserted", "head set", "committed")
RANDOM_MOMENT = "a random moment"


@dataclass(frozen=True)
class Case:
    """What a child does (a key of `WORK`), the crash point that ends it, and at which passing of it."""

    work: str
    point: str
    passing: int


class Bench:
    """A store in a folder, and what was acknowledged of it."""

    def __init__(self, folder: Path, setting: str, new_setting: Callable[[], str]) -> None:
        self.folder = folder
        self.setting = setting
        self.new_setting = new_setting
        self.number = 0
        self.acknowledged: set[str] = set()


def _write(bench: Bench, number: int, acknowledge: Callable[[str], None]) -> None:
    with open_store(bench.setting) as store:
        for at in range(number, number + EACH_GO):
            store.add(with_journal(bench.folder, at))
            acknowledge(f"record {record(at).id}")


def _amend(bench: Bench, number: int, acknowledge: Callable[[str], None]) -> None:
    with open_store(bench.setting) as store:
        target = store.page(limit=1)[0].id
        for at in range(number, number + EACH_GO):
            store.amend(target, "B. Head", AT, "because", [("remark", f"remark {at}")])
            acknowledge(f"remark {target} remark {at}")


def _stop(bench: Bench, number: int, acknowledge: Callable[[str], None]) -> None:
    with open_store(bench.setting) as store:
        for at in range(number, number + EACH_GO):
            store.stop(stoppage(record(at).id))
            acknowledge(f"stoppage {record(at).id}")


def _close(bench: Bench, number: int, acknowledge: Callable[[str], None]) -> None:
    with open_store(bench.setting) as store:
        for at in range(number, number + EACH_GO):
            store.close_job(record(at).id, "B. Head", AT, "given up")
            acknowledge(f"closing {record(at).id}")


def _migrate(bench: Bench, number: int, acknowledge: Callable[[str], None]) -> None:
    with open_store(bench.setting) as store:
        store.add(record(number))
        acknowledge(f"record {record(number).id}")


def _back_up(bench: Bench, number: int, acknowledge: Callable[[str], None]) -> None:
    with open_store(bench.setting) as store:
        back_up(store, bench.folder, bench.folder / f"backup-{number}")
        acknowledge(f"backup {number}")


WORK: dict[str, Callable[[Bench, int, Callable[[str], None]], None]] = {
    "record": _write,
    "amendment": _amend,
    "stoppage": _stop,
    "closing": _close,
    "migration": _migrate,
    "backup": _back_up,
}


def cases(postgresql: bool) -> list[Case]:
    """Every crash point of every kind of work, and random moments of each."""
    found = [
        Case(work, f"{work}: {step}", passing)
        for work in ("record", "amendment", "stoppage", "closing")
        for step in _STEPS
        for passing in (1, 2)
    ]
    for step in ("begun", "statement run", "version set", "committed"):
        found.append(Case("migration", f"migration: {step}", 1))
    found.append(Case("migration", "migration: statement run", 4))
    copied = ("begun", "piece copied", "store copied") if postgresql else ("begun", "store copied")
    for step in (*copied, "journal copied", "journals copied", "named"):
        found.append(Case("backup", f"backup: {step}", 1))
    return found + [Case(work, RANDOM_MOMENT, 1) for work in WORK]


def kill_once(bench: Bench, case: Case, log: Path, chance: random.Random) -> bool:
    """One child that does the work until it is killed; then everything is checked. False: it was done before it was killed."""
    bench.number += 10
    number = bench.number
    setting = bench.setting
    if case.work == "migration":
        # One of its own, as an earlier version made it; the long-lived one has the newest tables already.
        bench = Bench(bench.folder / f"old-{number}", bench.new_setting(), bench.new_setting)
        bench.folder.mkdir()
        _old(bench)
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        _as_child(bench, case, number, writing, log)
    os.close(writing)
    if case.point == RANDOM_MOMENT:
        time.sleep(chance.uniform(0.0, 0.06))
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
    said = b""
    while piece := os.read(reading, 65_536):
        said += piece
    os.close(reading)
    _, status = os.waitpid(child, 0)
    killed = os.WIFSIGNALED(status)
    assert killed or os.WEXITSTATUS(status) == 0, f"{case}: the child failed"
    # A last line without its end was not heard whole, so it counts as not acknowledged.
    bench.acknowledged |= set(said.decode().split("\n")[:-1])
    _check(bench, number, case)
    if case.work == "migration" and not is_address(setting):
        shutil.rmtree(bench.folder)
    return killed


def _old(bench: Bench) -> None:
    if is_address(bench.setting):
        old_store.make(bench.setting, 1)
    else:
        bench.setting = str(bench.folder / "old.sqlite")
        shutil.copyfile(old_store.FILE, bench.setting)
    bench.acknowledged = {f"record {record(n).id}" for n in range(1, old_store.RECORDS + 1)}
    bench.acknowledged.add(f"remark {record(1).id} Seen by two")


def _as_child(bench: Bench, case: Case, number: int, writing: int, log: Path) -> None:
    passed = Counter[str]()

    def observer(point: str) -> None:
        passed[point] += 1
        if point == case.point and passed[point] == case.passing:
            with log.open("a") as file:
                file.write(f"{case.work}\t{point}\t{case.passing}\n")
            os.kill(os.getpid(), signal.SIGKILL)

    def acknowledge(text: str) -> None:
        os.write(writing, text.encode() + b"\n")

    try:
        points.observer = observer
        WORK[case.work](bench, number, acknowledge)
        os._exit(0)
    except BaseException as failure:
        print(f"{case}: {failure!r}", file=sys.stderr)
        os._exit(1)


def _check(bench: Bench, number: int, case: Case) -> None:
    """All that was acknowledged is there, what is there is whole, and the store goes on working."""
    with open_store(bench.setting) as store:
        found = verify(store, bench.folder, journals=case.work in ("record", "backup"))
        assert found.whole, (case, found.problems)
        for text in bench.acknowledged:
            kind, subject, *rest = text.split(" ", 2)
            assert _is_there(store, bench, kind, subject, rest), (case, text)
        for stored in _latest(store):
            assert stored.record.made_at == AT
        store.add(record(number + 9))
        bench.acknowledged.add(f"record {record(number + 9).id}")
    backup = bench.folder / f"backup-{number}" / BACKUP_FILE
    if backup.exists():
        with open_store(backup, read_only=True) as copy:
            found = verify(copy, backup.parent)
            assert found.whole, (case, found.problems)
            assert found.entries > 0
    if backup.parent.exists():
        shutil.rmtree(backup.parent)
        # Looked at, and away to save room.
        bench.acknowledged.discard(f"backup {number}")


def _latest(store: Store) -> Iterator[object]:
    for line in store.page(limit=10):
        yield store.get(line.id)


def _is_there(store: Store, bench: Bench, kind: str, subject: str, rest: list[str]) -> bool:
    try:
        if kind == "record":
            return store.get(subject).record.id == subject
        if kind == "remark":
            return rest[0] in store.get(subject).remarks
    except RecordNotFound:
        return False
    if kind == "stoppage":
        return len(store.stoppages(subject)) == 1
    if kind == "closing":
        return store.done_with(subject) == "closing"
    return (bench.folder / f"backup-{subject}" / BACKUP_FILE).exists()


def run(kills: int, folder: Path, new_setting: Callable[[], str], seed: int = 1) -> Counter[str]:
    """`kills` processes killed; gives how often at which point. Raises AssertionError at the first loss."""
    chance = random.Random(seed)
    log = folder / "crash-points.log"
    setting = new_setting()
    bench = Bench(folder, setting, new_setting)
    with open_store(setting) as store:
        store.add(with_journal(folder, 1))
        bench.acknowledged.add(f"record {record(1).id}")
        every = cases(not isinstance(store.database, SqliteDatabase))
    counted = Counter[str]()
    done = 0
    while sum(counted.values()) < kills:
        case = every[done % len(every)]
        done += 1
        if kill_once(bench, case, log, chance):
            counted[f"{case.work} / {case.point}"] += 1
    logged = Counter("{} / {}".format(*line.split("\t")) for line in log.read_text().splitlines())
    assert logged == Counter({k: n for k, n in counted.items() if not k.endswith(RANDOM_MOMENT)}), (
        "not each kill was logged"
    )
    return counted


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.records.crash", description=__doc__)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--postgresql", action="store_true", help="on a server of its own instead of SQLite")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        new_setting: Callable[[], str] = lambda: str(folder / "records.sqlite")  # noqa: E731
        if options.postgresql:
            from tests.records.postgres import new_server

            server = new_server()
            stack.callback(server.close)
            new_setting = server.new_database
        counted = run(options.kills, folder, new_setting, options.seed)
    for point, count in sorted(counted.items()):
        print(f"{count:5}  {point}")
    least = min((n for point, n in counted.items() if not point.endswith(RANDOM_MOMENT)), default=0)
    print(f"{sum(counted.values()):5}  killed; every acknowledged entry present and verifying, no half record seen")
    if options.kills >= 500 and least < LEAST_EACH:
        print(f"A point was reached only {least} times.")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
