"""Whether a report in HTML is what was written: the file, the record and the journal inside, and that they give the same figures."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from bench.errors import CaptureError
from bench.records.chain import header, header_hash, sha256
from bench.records.content import canonical, decode
from bench.records.model import Record, StoreError
from bench.reports import embedded
from bench.reports.embedded import Embedded
from bench.settings import ANALYSIS


@dataclass(frozen=True, slots=True)
class ReportVerification:
    """What was checked, and what is wrong, in words. `record_id` and `record_hash` are None where no record is inside.

    A file that was changed and sealed anew by someone who knows how looks whole by itself: only the record's hash, compared with the
    store or with what was written down, tells.
    """

    file: str
    record_id: str | None
    record_hash: str | None
    journal_bytes: int | None
    replayed: bool
    problems: tuple[str, ...]
    unchecked: tuple[str, ...]

    @property
    def whole(self) -> bool:
        """Nothing is wrong."""
        return not self.problems


def verify(path: Path) -> ReportVerification:
    """Check the report at `path`. Raises CaptureError when it is none, or what it carries cannot be read."""
    inside = embedded.read(path)
    problems = [] if inside.whole else ["The file was changed after it was written."]
    unchecked: list[str] = []
    record = _record(inside, problems)
    if inside.journal is None:
        unchecked.append("No journal is inside, so that the figures cannot be worked out again")
    replayed = inside.journal is not None and _replayed(path, inside, problems, unchecked)
    return ReportVerification(
        str(path),
        None if record is None else record.id,
        None if inside.entry is None else inside.entry.hash,
        None if inside.journal is None else len(inside.journal),
        replayed,
        tuple(problems),
        tuple(unchecked),
    )


def _record(inside: Embedded, problems: list[str]) -> Record | None:
    at = inside.entry
    if at is None:
        return None
    content = sha256(at.content)
    parts = header(at.sequence, at.kind, at.entry_id, at.made_at, at.keys, at.journal_sha256, content, at.previous_hash)
    if content != at.content_sha256:
        problems.append("The record's content was changed.")
    elif header_hash(parts) != at.hash:
        problems.append("The record's number, keys or hashes were changed.")
    try:
        record = decode(Record, at.content)
    except StoreError:
        problems.append("The record inside is none.")
        return None
    if canonical(json.loads(record.document.to_json())) != canonical(json.loads(inside.result)):
        problems.append("The result inside is not the record's.")
    journal = inside.journal
    if journal is not None and (len(journal), sha256(journal)) != (record.journal.size_bytes, record.journal.sha256):
        problems.append("The journal inside is not the one that the record was made from.")
    return record


def _replayed(path: Path, inside: Embedded, problems: list[str], unchecked: list[str]) -> bool:
    """Whether the journal gives the result that stands beside it."""
    from bench.replay import replay
    from bench.result import document

    stated = json.loads(inside.result)
    if stated.get("analysis") != ANALYSIS:
        unchecked.append(f"The result was worked out by analysis {stated.get('analysis')}, this version has {ANALYSIS}")
        return False
    try:
        again = document(replay(path).run, None)
    except CaptureError as failure:
        problems.append(f"The journal inside cannot be replayed: {failure.text}")
        return False
    if canonical(json.loads(again.to_json())) != canonical(stated):
        problems.append("Replayed, the journal inside does not give the result beside it.")
    return True
