"""Contents of entries as canonical JSON: keys sorted, no spaces, UTF-8, no NaN. What is stored is what was hashed."""

from __future__ import annotations

import json
from dataclasses import asdict, is_dataclass
from functools import cache
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from bench.records.model import FORMAT, VERSION, Amendment, Closing, Record, Stoppage, StoreError
from bench.result import ResultDocument

_Content = TypeVar("_Content", Record, Amendment, Stoppage, Closing)
_FORMATS: dict[type[Any], str] = {
    Record: FORMAT,
    Amendment: "breakerbench-amendment",
    Stoppage: "breakerbench-stoppage",
    Closing: "breakerbench-closing",
}
#: More keys than any result document has; so many at most are filled in for an old record.
_MOST_UNKNOWN = 100_000


def canonical(document: Any) -> bytes:
    """`document` (of dicts, lists, texts, numbers) as canonical JSON bytes. Raises ValueError for NaN."""
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode(
        "utf-8"
    )


def encode(content: Record | Amendment | Stoppage | Closing) -> bytes:
    """A content's bytes."""
    assert is_dataclass(content)
    return canonical({"format": _FORMATS[type(content)], "version": VERSION, **asdict(content)})


@cache
def _adapter(kind: str) -> TypeAdapter[Any]:
    return TypeAdapter(next(k for k in _FORMATS if k.__name__ == kind))


def decode(kind: type[_Content], data: bytes) -> _Content:
    """A content read back; keys from later versions are ignored. Raises StoreError if it is none of `kind`."""
    try:
        document = json.loads(data)
        if document["format"] != _FORMATS[kind] or document["version"] != VERSION:
            raise ValueError
        found: _Content = _adapter(kind.__name__).validate_python(document)
    except (ValueError, TypeError, KeyError, RecursionError):
        raise StoreError(
            f"An entry of the store is not a {_FORMATS[kind]} of version {VERSION}. Run breakerbench records verify."
        ) from None
    return found


def result_document(document: dict[str, Any]) -> ResultDocument:
    """A stored result as a ResultDocument; keys that came into being after it was written are null. Raises StoreError."""
    document = json.loads(json.dumps(document))
    for _ in range(_MOST_UNKNOWN):
        try:
            return ResultDocument.model_validate(document)
        except ValidationError as failure:
            missing = [e["loc"] for e in failure.errors(include_url=False) if e["type"] == "missing"]
            if not missing or not all(_fill(document, location) for location in missing):
                break
    raise StoreError("The result in this record cannot be read by this version. The record itself is kept as it is.")


def _fill(document: Any, location: tuple[int | str, ...]) -> bool:
    """Put null at `location`; false if that changes nothing."""
    at = document
    for part in location[:-1]:
        at = at[part]
    if not isinstance(at, dict) or location[-1] in at:
        return False
    # A list that did not exist was empty.
    at[location[-1]] = [] if location[-1] in _LISTS else None
    return True


_LISTS = {"openings", "budget", "by_neutral", "estimates"}
