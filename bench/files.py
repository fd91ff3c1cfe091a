"""Reading the user's TOML files so that every mistake names file, key and what was expected."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from bench.errors import InputError

_Model = TypeVar("_Model", bound=BaseModel)

MOST_BYTES = 1_000_000
#: Longer keys, and longer words about them, are told with their beginning only.
MOST_KEY, MOST_TOLD = 120, 400


def read_bytes(path: Path, what: str, error: type[InputError]) -> bytes:
    """The file's bytes. Raises `error` when it is missing or larger than any such file of the user's."""
    shown = printable(str(path))
    try:
        if path.exists() and not path.is_file() and not path.is_dir():
            # A pipe without a writer would be waited for.
            raise error(f"{shown}: {what}: a regular file was expected.")
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except OSError as failure:
        raise error(f"{shown}: {what} cannot be read ({failure.strerror or failure}).") from None
    if len(raw) > MOST_BYTES:
        raise error(f"{shown}: more than {MOST_BYTES} bytes, which is no {what}.")
    return raw


def read_toml(path: Path, what: str, error: type[InputError]) -> dict[str, Any]:
    """The file's tables. Raises `error` when it is missing, too large, not UTF-8 or not TOML."""
    shown = printable(str(path))
    raw = read_bytes(path, what, error)
    try:
        return tomllib.loads(raw.decode("utf-8"))
    except UnicodeDecodeError:
        raise error(f"{shown}: not a text file in UTF-8; a {what} in TOML was expected.") from None
    except ValueError as failure:
        # Not only TOMLDecodeError: a number of thousands of digits ends in a plain ValueError.
        raise error(f"{shown}: not valid TOML: {cut(printable(str(failure)))}.") from None
    except RecursionError:
        raise error(f"{shown}: nested too deeply for a {what}.") from None


def validated(model: type[_Model], tables: object, name: str, error: type[InputError]) -> _Model:
    """`tables` as `model`. Raises `error` naming the first wrong key and what was expected there."""
    try:
        return model.model_validate(tables)
    except ValidationError as failure:
        first = failure.errors(include_url=False)[0]
        key = _key(first["loc"])
        more = failure.error_count() - 1
        tail = f" ({more} more)" if more else ""
        raise error(printable(f"{name}: {key}: {cut(_expectation(first))}{tail}.")) from None
    except RecursionError:
        raise error(f"{name}: nested too deeply.") from None


def printable(text: str) -> str:
    """`text` with everything that could steer a terminal replaced."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def _key(location: Sequence[int | str]) -> str:
    key = ""
    for part in location:
        key += f"[{part}]" if isinstance(part, int) else f".{part}" if key else str(part)
    return cut(key, MOST_KEY) or "file"


def cut(text: str, most: int = MOST_TOLD) -> str:
    """`text`, of which only the beginning is told if it is long."""
    return text if len(text) <= most else f"{text[:most]}…"


def _is_short(given: float | str) -> bool:
    # A hexadecimal number in TOML may be longer than Python is willing to write in decimals.
    return abs(given) < 1e18 if isinstance(given, int) else len(repr(given)) < 60


def _expectation(failure: Any) -> str:
    kind, message = failure["type"], failure["msg"]
    if kind == "extra_forbidden":
        return "this key is not known; check its spelling against the list of keys"
    if kind == "missing":
        return "missing, but needed"
    given = failure.get("input")
    shown = f", not {given!r}" if isinstance(given, (int, float, str, bool)) and _is_short(given) else ""
    text = str(message).removeprefix("Value error, ").removeprefix("Input ")
    return text[0].lower() + text[1:] + (shown if kind != "value_error" else "")
