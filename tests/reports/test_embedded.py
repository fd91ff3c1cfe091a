"""The one file carries its evidence: it replays to the same document, and whatever is changed in it shows."""

from __future__ import annotations

import json
import random
import re
from pathlib import Path

import pytest

from bench.errors import CaptureError
from bench.records.chain import Entry
from bench.replay import replay
from bench.reports import embedded, html_file, verification
from bench.reports.layout import Report
from bench.result import document
from tests.reports.support import Kept


def test_what_the_file_carries_is_what_was_recorded(kept: Kept, page: Path) -> None:
    inside = embedded.read(page)
    with kept.store() as store:
        entry = store.entry_of(kept.record.id)
    assert inside.whole
    assert inside.entry == entry
    assert inside.journal == kept.journal.read_bytes()
    assert json.loads(inside.result) == json.loads(kept.record.document.to_json())


def test_the_embedded_journal_replays_to_the_identical_document(kept: Kept, page: Path) -> None:
    from_report = document(replay(page).run, None).to_json()
    assert from_report == document(replay(kept.journal).run, None).to_json()
    # The record's own writing sorts the keys of a few tables; what they say is the same.
    assert json.loads(from_report) == json.loads(embedded.read(page).result)


def test_a_report_verifies(page: Path, kept: Kept) -> None:
    found = verification.verify(page)
    assert found.whole, found.problems
    assert found.replayed
    assert (found.record_id, found.unchecked) == (kept.record.id, ())


def test_no_flipped_byte_of_the_file_goes_unnoticed(page: Path, tmp_path: Path) -> None:
    data = page.read_bytes()
    chosen = random.Random(7)
    places = [*range(200), *(chosen.randrange(len(data)) for _ in range(300))]
    unnoticed = []
    for place in places:
        changed = tmp_path / "changed.html"
        changed.write_bytes(data[:place] + bytes((data[place] ^ 1 << chosen.randrange(8),)) + data[place + 1 :])
        try:
            if embedded.read(changed).whole:
                unnoticed.append(place)
        except CaptureError:
            pass
    assert unnoticed == []


def _sealed_anew(page: Path, path: Path, old: bytes, new: bytes) -> Path:
    """The report with something changed, and its own hash made right again, as a forger who knows how would."""
    data = page.read_bytes()
    assert data.count(old) >= 1
    data = re.sub(rb'(breakerbench-sha256" content=")[0-9a-f]{64}', rb"\g<1>" + b"0" * 64, data.replace(old, new))
    path.write_bytes(embedded.sealed(data))
    return path


def _block(page: Path, name: str) -> bytes:
    match = re.search(rb'id="breakerbench-' + name.encode() + rb'">\n(.*?)\n</script>', page.read_bytes(), re.DOTALL)
    assert match is not None
    return match[1]


def test_a_changed_result_is_found_even_when_the_file_is_sealed_anew(page: Path, tmp_path: Path) -> None:
    result = embedded.read(page).result
    forged = embedded.block("result", result.replace(b'"verdict": "inside"', b'"verdict": "outside"')).text.encode()
    path = _sealed_anew(page, tmp_path / "forged.html", _block(page, "result"), forged)
    assert embedded.read(path).whole
    assert verification.verify(path).problems == (
        "The result inside is not the record's.",
        "Replayed, the journal inside does not give the result beside it.",
    )


def test_a_changed_record_is_found_even_when_the_file_is_sealed_anew(page: Path, tmp_path: Path) -> None:
    entry = embedded.read(page).entry
    assert entry is not None
    fields = {name: getattr(entry, name) for name in Entry.__slots__}
    forged = Entry(**{**fields, "content": entry.content.replace(b"A. Learner", b"B. Learner")})
    path = _sealed_anew(
        page, tmp_path / "forged.html", _block(page, "record"), embedded.entry_block(forged).text.encode()
    )
    assert verification.verify(path).problems == ("The record's content was changed.",)


def test_another_journal_is_found_even_when_the_file_is_sealed_anew(page: Path, tmp_path: Path) -> None:
    journal = embedded.read(page).journal
    assert journal is not None
    forged = embedded.block("journal", journal[:-50]).text.encode()
    path = _sealed_anew(page, tmp_path / "forged.html", _block(page, "journal"), forged)
    assert "The journal inside is not the one that the record was made from." in verification.verify(path).problems


@pytest.mark.parametrize("name", ["result", "journal", "record"])
def test_a_block_that_is_not_whole_is_told(page: Path, tmp_path: Path, name: str) -> None:
    block = _block(page, name)
    path = _sealed_anew(page, tmp_path / "cut.html", block, block[: len(block) // 2 // 4 * 4].rstrip(b"\n"))
    with pytest.raises(CaptureError, match=f"the {name} that the report carries is not whole"):
        embedded.read(path)


def test_a_block_twice_is_refused(page: Path, tmp_path: Path) -> None:
    whole = (
        b'<script type="application/x-breakerbench" id="breakerbench-result">\n'
        + _block(page, "result")
        + b"\n</script>"
    )
    path = _sealed_anew(page, tmp_path / "twice.html", whole, whole + whole)
    with pytest.raises(CaptureError, match="more than once"):
        embedded.read(path)


def test_a_page_that_is_no_report_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "other.html"
    path.write_text("<!DOCTYPE html>\n<html></html>\n", "utf-8")
    with pytest.raises(CaptureError, match="not a report"):
        embedded.read(path)
    with pytest.raises(CaptureError, match="not a capture"):
        replay(path)


def test_the_same_report_gives_the_same_bytes(kept: Kept, shown: Report, page: Path) -> None:
    assert html_file.write(shown, kept.source()) == page.read_bytes()


def test_a_report_without_the_journal_says_so_and_has_none_inside(kept: Kept, tmp_path: Path) -> None:
    from bench.reports import contents
    from tests.reports.support import AT, SOFTWARE

    with kept.store() as store:
        stored, entry = store.get(kept.record.id), store.entry_of(kept.record.id)
    source = contents.of_record(stored, entry, None)
    path = tmp_path / "report.html"
    path.write_bytes(html_file.write(contents.report(source, AT, SOFTWARE), source))
    assert "is not on this computer" in path.read_text("utf-8")
    assert embedded.read(path).journal is None
    with pytest.raises(CaptureError, match="carries no journal"):
        replay(path)
    assert verification.verify(path).whole


def test_a_journal_that_was_changed_is_not_shown(kept: Kept, tmp_path: Path) -> None:
    from bench.reports import contents

    data = bytearray(kept.journal.read_bytes())
    data[len(data) // 2] ^= 1
    changed = tmp_path / "changed.capture"
    changed.write_bytes(data)
    with kept.store() as store:
        stored, entry = store.get(kept.record.id), store.entry_of(kept.record.id)
    source = contents.of_record(stored, entry, changed)
    assert source.journal is None
    assert "not what the record was made from" in source.no_journal
