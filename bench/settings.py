"""What a result depends on besides the board's bytes: the journal's header."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from bench import bench_file, encoder_map, job_file
from bench.bench_file import BenchFile
from bench.encoder_map import EncoderMap
from bench.errors import CaptureError, InputError
from bench.files import cut, printable
from bench.job import Job
from bench.job_file import JobFile

FORMAT = "breakerbench-journal"
VERSION = 1
#: Rises with any change of an estimator: the same bytes give the same document for the same number.
ANALYSIS = 4
DEFAULT_PASSES = 5
LEAST_PASSES = 2
MOST_PASSES = 10_000


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """Which simulated unit stood in for a real one."""

    scenario: str
    seed: int


@dataclass(frozen=True, slots=True)
class Settings:
    """Header of a journal, checked."""

    job_file: JobFile
    job: Job
    bench: BenchFile
    passes: int
    run_date: str
    software: str
    rehearsal: Rehearsal | None
    #: The user states that neutral is taken first with the followers lifted off the cam.
    followers_lifted: bool = False
    #: A person at the screen leads through the whole job: as found, adjust, verify, other checks.
    guided: bool = False
    #: A second verify of a unit that was set before: nothing is adjusted.
    recheck: bool = False
    encoder_map: EncoderMap | None = None


def header(
    job: JobFile,
    bench: BenchFile,
    passes: int,
    run_date: str,
    software: str,
    rehearsal: Rehearsal | None,
    followers_lifted: bool = False,
    guided: bool = False,
    recheck: bool = False,
    encoder_map: dict[str, object] | None = None,
) -> dict[str, Any]:
    """The header's JSON document. `run_date` is ISO 8601 with zone."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "analysis": ANALYSIS,
        "job": job.model_dump(mode="json", by_alias=True),
        "bench": bench.model_dump(mode="json"),
        "passes": passes,
        "run_date": run_date,
        "software": software,
        "rehearsal": None if rehearsal is None else {"scenario": rehearsal.scenario, "seed": rehearsal.seed},
        "followers_lifted": followers_lifted,
        "guided": guided,
        "recheck": recheck,
        "encoder_map": encoder_map,
    }


def read_header(document: dict[str, Any], name: str) -> Settings:
    """A header read back. Raises CaptureError if it is from another version or not whole."""
    if document.get("format") != FORMAT or document.get("version") != VERSION:
        raise CaptureError(f"{name}: the header is not that of a breakerbench journal, version {VERSION}.")
    if document.get("analysis") != ANALYSIS:
        raise CaptureError(
            f"{name}: recorded for analysis {cut(repr(document.get('analysis')), 40)}; this version has analysis {ANALYSIS} and would not "
            "give the same figures. Use the version that wrote it."
        )
    try:
        job = job_file.parse(document.get("job"), f"{name}: job")
        bench = bench_file.parse(document.get("bench"), f"{name}: bench")
        rehearsal = document.get("rehearsal")
        mapped = document["encoder_map"]
        passes = document["passes"]
        if not isinstance(passes, int) or not LEAST_PASSES <= passes <= MOST_PASSES:
            raise ValueError
        return Settings(
            job,
            job_file.to_job(job),
            bench,
            passes,
            printable(str(document["run_date"])),
            printable(str(document["software"])),
            None if rehearsal is None else Rehearsal(printable(str(rehearsal["scenario"])), int(rehearsal["seed"])),
            document["followers_lifted"] is True,
            document["guided"] is True,
            document["recheck"] is True,
            None if mapped is None else encoder_map.parse(mapped, f"{name}: encoder map"),
        )
    except InputError as error:
        raise CaptureError(error.text) from None
    except (KeyError, TypeError, ValueError, OverflowError):
        raise CaptureError(f"{name}: the header is not whole.") from None
