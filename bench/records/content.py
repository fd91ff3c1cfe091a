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
#: Each round fills one level more; no document is that deep.
_MOST_ROUNDS = 20


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
    """A stored result as a ResultDocument; keys that came into being after it was written are null or empty. Raises StoreError."""
    document = json.loads(json.dumps(document))
    for _ in range(_MOST_ROUNDS):
        try:
            return ResultDocument.model_validate(document)
        except ValidationError as failure:
            # All of one round, or a long document would take as many rounds as it has openings.
            filled = [_fill(document, e["type"], e["loc"]) for e in failure.errors(include_url=False)]
            if not all(filled):
                break
    raise StoreError("The result in this record cannot be read by this version. The record itself is kept as it is.")


def _fill(document: Any, kind: str, location: tuple[int | str, ...]) -> bool:
    """Put null where a key is missing, then an empty list where null will not do; false if it is something else."""
    at = document
    for part in location[:-1]:
        at = at[part]
    key = location[-1]
    if kind == "missing" and isinstance(at, dict) and key not in at:
        at[key] = None
        return True
    if kind == "tuple_type" and isinstance(at, dict) and at.get(key, 0) is None:
        at[key] = []
        return True
    return False
