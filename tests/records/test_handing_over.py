"""Backups, bundles and tables: what leaves the store is whole, and can be checked and read without this program."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
import threading
import zipfile
from pathlib import Path

import pytest

from bench.records.backup import back_up
from bench.records.bundles import write_bundle
from bench.records.export import COLUMNS, write
from bench.records.model import StoreError
from bench.records.store import Store, open_store
from bench.records.verification import verify
from tests.records.support import AT, record, stoppage, with_journal


@pytest.fixture
def filled(store: Store, data_folder: Path) -> Store:
    """A store with something of every kind, in each database in turn."""
    for number in (1, 2, 3):
        store.add(with_journal(data_folder, number, serial_number=f"SIM-{number}", operator='Ann "A", Lee'))
    store.amend(record(1).id, "B. Head", AT, "misread", [("serial_number", "SIM-9"), ("remark", "Seen")])
    store.stop(stoppage(record(8).id))
    store.close_job(record(8).id, "B. Head", AT, "given up")
    return store


def _check(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """As the page of instructions says: Python and its standard library, nothing else."""
    command = [sys.executable, "-I", "-S", "verify.py", *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=60, check=False)


def test_a_bundle_is_checked_with_nothing_but_pythons_standard_library(
    filled: Store, data_folder: Path, tmp_path: Path
) -> None:
    head = write_bundle(filled, data_folder, tmp_path / "bundle")
    done = _check(tmp_path / "bundle")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.endswith(f"6 entries, 6 contents, 3 journals.\nHead 6:{head.hash}\nWHOLE\n")
    assert head == filled.head()
    assert f"record {record(2).id}, serial number SIM-2, verdict inside" in done.stdout
    assert "by B. Head" in done.stdout


def test_a_bundles_program_imports_the_standard_library_only() -> None:
    import ast

    from bench.records import bundles

    source = (Path(bundles.__file__).parent / "bundle" / "verify.py").read_text("utf-8")
    names = {a.name for n in ast.walk(ast.parse(source)) if isinstance(n, ast.Import) for a in n.names}
    names |= {n.module for n in ast.walk(ast.parse(source)) if isinstance(n, ast.ImportFrom) and n.module}
    assert names <= sys.stdlib_module_names


def test_a_bundle_of_one_record_holds_no_other_content(filled: Store, data_folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "one.zip"
    write_bundle(filled, data_folder, path, {record(1).id})
    with zipfile.ZipFile(path) as archive:
        archive.extractall(tmp_path / "one")
        names = archive.namelist()
        everything = b"".join(archive.read(name) for name in names)
    assert sorted(n for n in names if n.startswith("contents/")) == ["contents/1.json", "contents/4.json"]
    assert len([n for n in names if n.startswith("journals/")]) == 1
    assert b"SIM-2" not in everything
    assert record(2).id.encode() in everything
    done = _check(tmp_path / "one")
    assert (done.returncode, "6 entries, 2 contents, 1 journals" in done.stdout) == (0, True)


def _flips(path: Path, every: int) -> list[tuple[int, int]]:
    return [(offset, mask) for offset in range(0, path.stat().st_size, every) for mask in (0x01, 0x80)]


@pytest.mark.parametrize("name", ["chain.jsonl", "contents/2.json", "contents/4.json", "journals"])
def test_every_changed_byte_of_a_bundle_is_named(tmp_path: Path, name: str) -> None:
    """A sample of the bytes, in one process, by the bundle's own program."""
    with open_store(tmp_path / "x" / "records.sqlite") as store:
        for number in (1, 2, 3):
            store.add(with_journal(tmp_path / "x", number))
        store.amend(record(1).id, "B. Head", AT, "misread", [("remark", "Seen")])
        write_bundle(store, tmp_path / "x", tmp_path / "bundle")
    path = tmp_path / "bundle" / name
    if path.is_dir():
        path = sorted(path.iterdir())[0]
    whole = path.read_bytes()
    flips = _flips(path, 1 + len(whole) // 150)
    script = (
        "import sys, json, contextlib, io; sys.path.insert(0, '.'); import verify\n"
        "path, flips = sys.argv[1], json.loads(sys.argv[2])\n"
        "whole = open(path, 'rb').read(); unseen = []\n"
        "for offset, mask in flips:\n"
        "    data = bytearray(whole); data[offset] ^= mask; open(path, 'wb').write(data)\n"
        "    with contextlib.redirect_stdout(io.StringIO()):\n"
        "        status = verify.check('.', None)\n"
        "    if status == 0: unseen.append(offset)\n"
        "print(len(flips), unseen)\n"
    )
    done = subprocess.run(
        [sys.executable, "-S", "-c", script, str(path), json.dumps(flips)],
        cwd=tmp_path / "bundle",
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.stdout == f"{len(flips)} []\n", done.stderr


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda b: (b / "contents" / "2.json").unlink(), "contents/2.json is missing"),
        (lambda b: sorted((b / "journals").iterdir())[0].unlink(), "is missing"),
        (lambda b: (b / "head.json").unlink(), "missing or not whole"),
        (lambda b: (b / "chain.jsonl").unlink(), "missing or not whole"),
        (lambda b: _without_line(b / "chain.jsonl", 1), "entry 2 is missing or out of order"),
        (lambda b: _without_line(b / "chain.jsonl", 5), "cut off"),
        (lambda b: (b / "chain.jsonl").write_text(""), "cut off"),
    ],
)
def test_what_was_taken_out_of_a_bundle_is_named(
    filled: Store, data_folder: Path, tmp_path: Path, damage: object, words: str
) -> None:
    write_bundle(filled, data_folder, tmp_path / "bundle")
    damage(tmp_path / "bundle")  # type: ignore[operator]
    done = _check(tmp_path / "bundle")
    assert (done.returncode, done.stderr) == (1, "")
    assert words in done.stdout


def _without_line(path: Path, place: int) -> None:
    lines = path.read_text("ascii").splitlines(keepends=True)
    path.write_text("".join(lines[:place] + lines[place + 1 :]), "ascii")


def test_a_bundle_can_be_held_against_a_head_written_down(filled: Store, data_folder: Path, tmp_path: Path) -> None:
    hash_of_two = filled.get(record(2).id).hash
    write_bundle(filled, data_folder, tmp_path / "bundle")
    assert _check(tmp_path / "bundle", "--head", f"2:{hash_of_two}").returncode == 0
    assert _check(tmp_path / "bundle", "--head", f"3:{hash_of_two}").returncode == 1
    assert _check(tmp_path / "bundle", "--head", f"9:{hash_of_two}").returncode == 1
    assert _check(tmp_path / "bundle", "--head", "nonsense").returncode == 2


def test_a_bundle_never_overwrites(filled: Store, data_folder: Path, tmp_path: Path) -> None:
    (tmp_path / "x.zip").write_text("mine")
    (tmp_path / "y").mkdir()
    (tmp_path / "y" / "z").write_text("mine")
    for target in ("x.zip", "y"):
        with pytest.raises(StoreError):
            write_bundle(filled, data_folder, tmp_path / target)
    assert (tmp_path / "x.zip").read_text() == "mine"


def test_a_backup_made_while_records_are_added_is_consistent(filled: Store, data_folder: Path, tmp_path: Path) -> None:
    setting = getattr(filled.database, "_url", None) or filled.place
    stop = threading.Event()
    added: list[str] = []

    def write() -> None:
        with open_store(setting) as store:
            number = 100
            while not stop.is_set():
                added.append(store.add(record(number)).record.id)
                number += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        while not added:
            pass
        for number in range(5):
            made = back_up(filled, data_folder, tmp_path / f"backup-{number}")
            with open_store(made.file, read_only=True) as copy:
                # The writer's records name a journal that is on another computer.
                found = verify(copy, made.file.parent)
                assert (found.whole, found.journals) == (True, 3)
                assert found.head == made.head
    finally:
        stop.set()
        writer.join()
    assert filled.head().count == 6 + len(added)


def test_a_backup_is_one_file_with_its_journals_and_needs_no_place_to_write(
    filled: Store, data_folder: Path, tmp_path: Path
) -> None:
    back_up(filled, data_folder, tmp_path / "b")
    assert sorted(p.name for p in (tmp_path / "b").iterdir()) == ["journals", "records.sqlite"]
    with open_store(tmp_path / "b" / "records.sqlite", read_only=True) as copy:
        assert verify(copy, tmp_path / "b").whole
    assert sorted(p.name for p in (tmp_path / "b").iterdir()) == ["journals", "records.sqlite"]


def test_a_journal_that_is_missing_is_told_by_the_backup(filled: Store, data_folder: Path, tmp_path: Path) -> None:
    (data_folder / "journals" / "run-2.capture").unlink()
    assert back_up(filled, data_folder, tmp_path / "b").missing == ("journals/run-2.capture",)


def test_a_table_holds_every_opening_with_the_units_in_its_dictionary(filled: Store, tmp_path: Path) -> None:
    assert write(tmp_path / "x.csv", filled.all()) == 3
    with (tmp_path / "x.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    assert [(line["serial_number"], line["angle_deg"], line["operator"], line["for_record"]) for line in lines] == [
        ("SIM-9", "10.25", 'Ann "A", Lee', "yes"),
        ("SIM-2", "10.25", 'Ann "A", Lee', "yes"),
        ("SIM-3", "10.25", 'Ann "A", Lee', "yes"),
    ]
    with (tmp_path / "x.dictionary.csv").open(encoding="utf-8", newline="") as file:
        told = {line["name"]: line["unit"] for line in csv.DictReader(file)}
    assert list(told) == list(lines[0])
    assert (told["angle_deg"], told["bounce_ms"], told["service_hours"]) == ("deg", "ms", "h")


# What OWASP's page "CSV Injection" lists: a cell that begins so is worked out by the common spreadsheets.
@pytest.mark.parametrize("begin", ["=", "+", "-", "@", "\t", "\r", "\n", " =", "\uff1d", "\uff0b", "\uff0d", "\uff20"])
def test_no_text_in_a_table_is_worked_out_by_a_spreadsheet(tmp_path: Path, begin: str) -> None:
    hostile = f'{begin}HYPERLINK("x","y")'
    with open_store(tmp_path / "s.sqlite") as store:
        store.add(record(1, operator=hostile, serial_number=hostile))
        kept = list(store.all())
        write(tmp_path / "x.csv", kept)
        write(tmp_path / "x.json", kept)
    with (tmp_path / "x.csv").open(encoding="utf-8", newline="") as file:
        (line,) = csv.DictReader(file)
    assert line["operator"] == line["serial_number"] == f"'{hostile}"
    (opening,) = json.loads((tmp_path / "x.json").read_text("utf-8"))["openings"]
    assert opening["operator"] == opening["serial_number"] == hostile


def test_taking_off_the_apostrophe_that_the_dictionary_tells_of_gives_every_text_back(tmp_path: Path) -> None:
    texts = ("'quoted'", "''", "=1", "'=1", "A. Learner", "3-4", "a=b")
    with open_store(tmp_path / "s.sqlite") as store:
        for number, text in enumerate(texts, 1):
            store.add(record(number, operator=text))
        write(tmp_path / "x.csv", store.all())
    with (tmp_path / "x.csv").open(encoding="utf-8", newline="") as file:
        given = [line["operator"] for line in csv.DictReader(file)]
    assert tuple(text.removeprefix("'") for text in given) == texts
    with (tmp_path / "x.dictionary.csv").open(encoding="utf-8", newline="") as file:
        told = {line["name"]: (line["type"], line["in CSV"]) for line in csv.DictReader(file)}
    assert "apostrophe" in told["operator"][1]
    assert {type_ for type_, rule in told.values() if not rule} == {"number", "whole", "yes/no"}


def test_a_negative_figure_in_a_table_stays_a_figure(tmp_path: Path) -> None:
    made = record(1)
    made.result["breakers"][0]["openings"][0]["angle_deg"] = -10.25
    with open_store(tmp_path / "s.sqlite") as store:
        store.add(made)
        write(tmp_path / "x.csv", store.all())
    with (tmp_path / "x.csv").open(encoding="utf-8", newline="") as file:
        assert [line["angle_deg"] for line in csv.DictReader(file)] == ["-10.25"]


def test_every_column_that_tells_a_unit_in_its_name_has_it_in_the_dictionary() -> None:
    for column in COLUMNS:
        for unit in ("deg", "ms"):
            assert column.name.endswith(f"_{unit}") == (column.unit == unit), column


def test_the_same_rows_come_as_json_and_as_parquet(filled: Store, tmp_path: Path) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    write(tmp_path / "x.json", filled.all())
    write(tmp_path / "x.parquet", filled.all())
    document = json.loads((tmp_path / "x.json").read_text("utf-8"))
    table = pq.read_table(tmp_path / "x.parquet")
    assert table.to_pylist() == document["openings"]
    assert table.schema.field("angle_deg").metadata[b"unit"] == b"deg"
    assert [r["record"]["id"] for r in document["records"]] == [record(n).id for n in (1, 2, 3)]


@pytest.mark.parametrize("name", ["x.xlsx", "x", "there.csv"])
def test_a_table_never_overwrites_and_knows_its_kinds(filled: Store, tmp_path: Path, name: str) -> None:
    (tmp_path / "there.csv").write_text("mine")
    with pytest.raises(StoreError):
        write(tmp_path / name, filled.all())
    assert (tmp_path / "there.csv").read_text() == "mine"


def test_a_backup_folder_is_never_filled_twice(filled: Store, data_folder: Path, tmp_path: Path) -> None:
    back_up(filled, data_folder, tmp_path / "b")
    shutil.copytree(tmp_path / "b", tmp_path / "before")
    with pytest.raises(StoreError, match="not empty"):
        back_up(filled, data_folder, tmp_path / "b")
    for path in (p for p in (tmp_path / "b").rglob("*") if p.is_file()):
        assert path.read_bytes() == (tmp_path / "before" / path.relative_to(tmp_path / "b")).read_bytes()
