"""A report as a PDF, set by typst. Text goes to it as data, so that nothing in it is ever taken for markup."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path

from bench.reports.layout import Report


def write(contents: Report) -> bytes:
    """The file's bytes; the same contents give the same bytes."""
    import typst

    given: dict[str, bytes] = {"main.typ": (files("bench.reports") / "templates" / "report.typ").read_bytes()}
    document = asdict(contents)
    for section in document["sections"]:
        for picture in section["pictures"]:
            given[f"{picture['name']}.svg"] = picture.pop("svg").encode("utf-8")
    if contents.code_svg:
        given["code.svg"] = document.pop("code_svg").encode("utf-8")
    given["report.json"] = json.dumps(document, ensure_ascii=False, allow_nan=False).encode("utf-8")
    # The package's own stub does not tell of several files at once, which its documentation does.
    set_pages: Callable[..., bytes] = typst.compile
    return set_pages(given, format="pdf", font_paths=[_fonts()], ignore_system_fonts=True, timestamp=0)


def _fonts() -> str:
    """A folder of fonts with every sign that a report needs, the same on every computer: the drawing library brings them."""
    # Found without being loaded, which takes a third of a second.
    spec = find_spec("matplotlib")
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError("matplotlib")
    return str(Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf")
