"""Checks a verification bundle with nothing but Python's standard library. README.txt tells the rule.

Usage: python3 -I -S verify.py [--head NUMBER:HASH]
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from typing import Any

NOTHING = "0" * 64


class Bundle:
    """The folder, and what was found in it so far."""

    def __init__(self, folder: str) -> None:
        self.folder = folder
        self.problems: list[str] = []
        self.hashes = [NOTHING]
        self.contents: list[int] = []
        self.journals: list[tuple[int, str]] = []

    def path(self, *names: str) -> str:
        """A file of the bundle."""
        return os.path.join(self.folder, *names)

    def broken(self, text: str) -> None:
        """Note a broken link."""
        self.problems.append(text)


def sha256_of(path: str) -> str:
    """SHA-256 of a file, hexadecimal."""
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        for piece in iter(lambda: file.read(1 << 20), b""):
            digest.update(piece)
    return digest.hexdigest()


def as_json(parts: Any) -> str:
    """JSON as it is hashed."""
    return json.dumps(parts, separators=(",", ":"))


def printable(text: object) -> str:
    """Nothing that could steer a terminal."""
    return "".join(c if c.isprintable() else "?" for c in str(text))


def told(document: dict[str, Any]) -> str:
    """A content in one line, for the reader."""
    kind = document["format"]
    if kind == "breakerbench-record":
        unit = document["result"].get("unit") or {}
        reasons = document["not_for_record"]
        for_record = "not for record: " + " ".join(reasons) if reasons else "for record"
        return (
            f"record {document['id']}, serial number {unit.get('serial_number')}, "
            f"verdict {document['result'].get('verdict')}, {document['made_at']}, {for_record}"
        )
    if kind == "breakerbench-amendment":
        said = "; ".join(f"{field} = {text}" for field, text in document["changes"])
        return f"amendment of {document['record_id']} by {document['by']}, {document['at']}: {said} ({document['why']})"
    return f"{kind.split('-')[-1]} of job {document['job_id']}"


def check_line(bundle: Bundle, line: str) -> None:
    """One entry of the chain, with its content if that is here."""
    number = len(bundle.hashes)
    header, stated = json.loads(line)
    tag, at, kind, _entry_id, _time, _keys, content_hash, journal_hash, before = header
    if tag != "breakerbench-chain-1" or at != number:
        bundle.broken(f"entry {number} is missing or out of order ({printable(at)} stands there)")
    if before != bundle.hashes[-1]:
        bundle.broken(f"entry {number} does not follow the entry before it")
    if (
        hashlib.sha256(as_json(header).encode("ascii")).hexdigest() != stated
        or as_json([header, stated]) + "\n" != line
    ):
        bundle.broken(f"entry {number}: its line was changed")
    path = bundle.path("contents", f"{number}.json")
    if os.path.exists(path):
        bundle.contents.append(number)
        if sha256_of(path) != content_hash:
            bundle.broken(f"entry {number}: contents/{number}.json was changed")
        else:
            with open(path, encoding="utf-8") as file:
                document = json.load(file)
            print(f"{number:6}  {printable(told(document))}")
            if kind == "amendment" and document["amends_hash"] not in bundle.hashes:
                bundle.broken(f"entry {number} amends an entry that is not before it in the chain")
        if journal_hash:
            bundle.journals.append((number, journal_hash))
    bundle.hashes.append(stated)


def check_head(bundle: Bundle, written_down: tuple[int, str] | None) -> list[str]:
    """The end of the chain; gives the hashes of journals that were not at hand when the bundle was made."""
    with open(bundle.path("head.json"), encoding="utf-8") as file:
        head = json.load(file)
    last = len(bundle.hashes) - 1
    if (head["count"], head["hash"]) != (last, bundle.hashes[-1]):
        bundle.broken(f"the chain ends at entry {last}, the head tells of another end: entries were cut off or added")
    for number in head["contents"]:
        if number not in bundle.contents:
            bundle.broken(f"contents/{number}.json is missing")
    if written_down is not None:
        number, digest = written_down
        if number > last:
            bundle.broken(f"the chain ends before entry {number}, which was written down")
        elif bundle.hashes[number] != digest:
            bundle.broken(f"entry {number} has not the hash that was written down")
    return [str(digest) for digest in head["journals_absent"]]


def check_journals(bundle: Bundle, absent: list[str]) -> None:
    """Every journal that an entry with its content here commits to."""
    for number, digest in bundle.journals:
        path = bundle.path("journals", f"{digest}.capture")
        if not os.path.exists(path):
            if digest not in absent:
                bundle.broken(f"entry {number}: its journal {digest} is missing")
        elif sha256_of(path) != digest:
            bundle.broken(f"entry {number}: its journal {digest} was changed")


def check(folder: str, written_down: tuple[int, str] | None) -> int:
    """Check everything; gives the exit status."""
    bundle = Bundle(folder)
    absent: list[str] = []
    try:
        with open(bundle.path("chain.jsonl"), encoding="ascii", newline="\n") as chain:
            for line in chain:
                check_line(bundle, line)
        absent = check_head(bundle, written_down)
        check_journals(bundle, absent)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as failure:
        bundle.broken(f"after entry {len(bundle.hashes) - 1}: a file is missing or not whole ({printable(failure)})")
    print()
    for digest in absent:
        print(f"Not at hand when this bundle was made: journal {printable(digest)}")
    for problem in bundle.problems:
        print(f"BROKEN: {problem}")
    last = len(bundle.hashes) - 1
    print(f"{last} entries, {len(bundle.contents)} contents, {len(bundle.journals)} journals.")
    print(f"Head {last}:{printable(bundle.hashes[-1])}")
    print("BROKEN" if bundle.problems else "WHOLE")
    return 1 if bundle.problems else 0


def main(arguments: list[str]) -> int:
    """Command line; gives the exit status."""
    written_down = None
    if arguments:
        number, colon, digest = arguments[-1].partition(":")
        if len(arguments) != 2 or arguments[0] != "--head" or not colon or not number.isdigit():
            print(__doc__)
            return 2
        written_down = (int(number), digest)
    return check(os.path.dirname(os.path.abspath(__file__)), written_down)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
