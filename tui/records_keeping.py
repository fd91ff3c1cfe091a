"""How a measurement gets its record: noted at its beginning, kept at its end, never lost to a store that fails."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.bench_file import BenchFile
from bench.errors import BenchError, UsageError
from bench.files import printable
from bench.records import open_jobs
from bench.records.making import journal_link, make_record, read_header
from bench.records.model import JournalLink, OpenJob, Stoppage, StoreError
from bench.records.open_jobs import Begun
from bench.records.store import Store, new_id, open_store
from bench.result import ResultDocument
from tui import places

CUT_OFF = "The program ended without a word: power cut, or killed."
OR_NOT_KEPT = "Or its record could not be kept: see records add."
#: Code and text of a job that is not open at all.
UNDER_WAY, MEASURED_NOW = "under-way", "It is being measured now, by another breakerbench on this computer."


@dataclass(frozen=True, slots=True)
class Resumed:
    """An interrupted job that goes on: its id, what it was to measure, and the journals so far."""

    id: str
    job: dict[str, Any]
    passes: int
    followers_lifted: bool
    operator: str | None
    service_hours: float | None
    recheck_of: str | None
    earlier_journals: tuple[JournalLink, ...]


class Keeping:
    """One measurement's way into the store. `begin`, then `end` with the result."""

    def __init__(self, bench: BenchFile, begun: Begun, only_valid: bool = False) -> None:
        self._bench = bench
        self._begun = begun
        self._only_valid = only_valid

    @property
    def id(self) -> str:
        """What the record will be called."""
        return self._begun.id

    def begin(self) -> None:
        """Before the first byte: what is cut off from now on is listed as open. Raises JournalError."""
        if self._begun.recheck_of is not None:
            # Told now, while it can still be put right.
            with open_records(self._bench) as store:
                store.entry_of(self._begun.recheck_of)
        if not self._only_valid:
            open_jobs.note(places.home(), self._begun)

    def end(self, result: ResultDocument, measured: bool, as_json: bool) -> int:
        """Keep the record or the stoppage, and print what came of it; gives the exit status. See `keep`."""
        status, text = self.keep(result, measured)
        if text:
            failed = status == StoreError.exit_status
            out = sys.stderr if as_json or failed or not result.valid else sys.stdout
            print(f"breakerbench: {text}" if failed else text, file=out)
        return status

    def keep(self, result: ResultDocument, measured: bool) -> tuple[int, str]:
        """Keep record or stoppage; gives the exit status and what to tell. `measured`: a board was found, and there is a journal."""
        status = result.exit_status()
        if not measured or (self._only_valid and not result.valid):
            open_jobs.forget(places.home(), self.id)
            return status, ""
        # Whatever comes of it, nothing is measured any more.
        open_jobs.release(places.home(), self.id)
        try:
            with open_records(self._bench) as store:
                if result.valid:
                    text = keep(store, self._begun, result)
                else:
                    stop(store, self._begun, result)
                    text = f"The job is open: breakerbench measure --resume {self.id}, or breakerbench records close {self.id}."
        except BenchError as failure:
            text = f"{failure.text} {_later(self._begun, result)}"
            return (StoreError.exit_status if result.valid else status), text
        open_jobs.forget(places.home(), self.id)
        return status, text


def _later(begun: Begun, result: ResultDocument) -> str:
    kept = f"The measurement is kept in its journal {begun.journal}."
    if not result.valid:
        return kept
    return f"{kept} Add its record later: breakerbench records add {begun.journal}"


def open_records(bench: BenchFile) -> Store:
    """This bench's store. Raises StoreError."""
    return open_store(places.store_setting(bench))


def begin(
    bench: BenchFile,
    header: dict[str, Any],
    journal: Path,
    options: Any,
    resumed: Resumed | None,
    only_valid: bool = False,
) -> Keeping:
    """Note that a job begins; `options` of the command line tell operator, hours and recheck, or the resumed job does."""
    at = str(header["run_date"])
    operator: str | None = getattr(options, "operator", None)
    hours: float | None = getattr(options, "hours", None)
    recheck_of: str | None = getattr(options, "recheck_of", None)
    if resumed is not None:
        operator = operator or resumed.operator
        hours = resumed.service_hours if hours is None else hours
        recheck_of = recheck_of or resumed.recheck_of
    begun = Begun(
        id=new_id(at) if resumed is None else resumed.id,
        at=at,
        journal=str(journal.absolute()),
        header=header,
        operator=operator,
        service_hours=hours,
        recheck_of=None if recheck_of is None else recheck_of.strip().upper(),
        earlier_journals=() if resumed is None else resumed.earlier_journals,
    )
    keeping = Keeping(bench, begun, only_valid)
    keeping.begin()
    return keeping


def keep(store: Store, begun: Begun, result: ResultDocument) -> str:
    """Add the record; gives a sentence that says so. Raises StoreError, RecordNotFound, CaptureError."""
    journal = journal_link(Path(begun.journal), places.home())
    recheck_of = None if begun.recheck_of is None else store.entry_of(begun.recheck_of).keys.subject
    record = make_record(
        begun.id,
        read_header(Path(begun.journal)),
        result,
        journal,
        places.now(),
        operator=begun.operator,
        service_hours=begun.service_hours,
        recheck_of=recheck_of,
        earlier_journals=begun.earlier_journals,
    )
    store.add(record)
    if record.not_for_record:
        return f"Record {record.id}, NOT FOR RECORD: {' '.join(record.not_for_record)}"
    return f"Record {record.id}"


def stop(store: Store, begun: Begun, result: ResultDocument | None) -> JournalLink:
    """Add a stoppage; without a result, that of a job that was cut off. Raises StoreError, CaptureError."""
    journal = journal_link(Path(begun.journal), places.home())
    header = read_header(Path(begun.journal))
    error = None if result is None else result.error
    at = places.now()
    store.stop(
        Stoppage(
            id=new_id(at),
            job_id=begun.id,
            at=at,
            code="cut-off" if error is None else error.code,
            text=CUT_OFF if error is None else error.text,
            operator=begun.operator,
            service_hours=begun.service_hours,
            recheck_of=begun.recheck_of,
            result={}
            if result is None
            else result.model_copy(update={"truth": None}).model_dump(mode="json", by_alias=True),
            job=header["job"],
            bench=header["bench"],
            passes=int(header["passes"]),
            followers_lifted=bool(header["followers_lifted"]),
            journal=journal,
            simulated=result is not None and result.simulated is True,
        )
    )
    return journal


def resume(bench: BenchFile, job_id: str) -> Resumed:
    """An open job by its id. What was cut off is kept as a stoppage first, so that its journal is in the chain.

    Raises UsageError if there is no such open job, or if it is being measured now; StoreError.
    """
    job_id = job_id.strip().upper()
    home = places.home()
    open_jobs.refuse_under_way(home, job_id)
    with open_records(bench) as store:
        if store.done_with(job_id) is not None:
            raise UsageError(
                f"{printable(job_id)} is no open job: it was recorded or closed. See breakerbench records list."
            )
        begun = open_jobs.find(home, job_id)
        if begun is not None:
            if Path(begun.journal).exists():
                stop(store, begun, None)
            open_jobs.forget(home, job_id)
        stoppages = store.stoppages(job_id)
        if stoppages:
            last = stoppages[-1]
            return Resumed(
                *(
                    job_id,
                    last.job,
                    last.passes,
                    last.followers_lifted,
                    last.operator,
                    last.service_hours,
                    last.recheck_of,
                ),
                tuple(s.journal for s in stoppages),
            )
        if begun is None:
            raise UsageError(f"There is no open job {printable(job_id)}. List them: breakerbench records list --open.")
        header = begun.header
        return Resumed(
            *(job_id, header["job"], int(header["passes"]), bool(header["followers_lifted"])),
            *(begun.operator, begun.service_hours, begun.recheck_of, begun.earlier_journals),
        )


def open_now(bench: BenchFile) -> list[OpenJob]:
    """Jobs neither recorded nor closed, latest first: those that the store knows, and those that only a note tells of.

    Raises StoreError.
    """
    home = places.home()
    with open_records(bench) as store:
        found = {job.id: job for job in store.open_jobs()}
        for begun in open_jobs.begun(home):
            if store.done_with(begun.id) is None:
                under_way = open_jobs.under_way(home, begun.id)
                code, text = (UNDER_WAY, MEASURED_NOW) if under_way else ("cut-off", f"{CUT_OFF} {OR_NOT_KEPT}")
                found[begun.id] = OpenJob(
                    begun.id, begun.serial_number, begun.at, code, text, begun.journal, begun.id in found
                )
    return sorted(found.values(), key=lambda job: job.at, reverse=True)


def what_is_void(resumed: Resumed) -> str:
    """What a resumed job keeps, and what it does not."""
    names = ", ".join(journal.name for journal in resumed.earlier_journals) or "nothing"
    return (
        f"Resuming job {resumed.id}. Job, passes wanted and particulars are kept, and so is what was read before ({names}), as evidence. "
        "But nobody counted between the sessions: neutral, marks and all passes before are void and begin anew."
    )
