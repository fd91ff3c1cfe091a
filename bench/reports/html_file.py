"""A report as one HTML file that needs no network, with its result, record and journal inside."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

from bench.errors import CaptureError
from bench.files import printable
from bench.reports import embedded
from bench.reports.contents import Source
from bench.reports.layout import Report
from bench.reports.palette import DARK, LIGHT, PICTURE_VARIABLES

_DEFINED = re.compile(r'\sid="([^"]*)"')
_USED = re.compile(r'(?:href="#|url\(#)([^")]*)')


def write(contents: Report, source: Source) -> bytes:
    """The file's bytes. Raises CaptureError when the journal cannot be read."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: (files("bench.reports") / "templates" / name).read_text("utf-8")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page = environment.get_template("report.html").render(
        report=_themed(contents),
        blocks=_blocks(source),
        media_type=embedded.MEDIA_TYPE,
        no_hash=embedded.NO_HASH,
        light=LIGHT,
        dark=DARK,
    )
    return embedded.sealed(embedded.BEGIN + page.encode("utf-8"))


def _blocks(source: Source) -> tuple[embedded.Block, ...]:
    blocks = [embedded.block("result", source.result.to_json().encode("utf-8"))]
    if source.entry is not None:
        blocks.append(embedded.entry_block(source.entry))
    if source.journal is not None:
        blocks.append(embedded.block("journal", _journal(source.journal, source.journal_bytes)))
    return tuple(blocks)


def _journal(path: Path, size: int | None) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(-1 if size is None else size)
    except OSError as failure:
        raise CaptureError(
            f"{printable(str(path))}: the journal cannot be read ({failure.strerror or failure})."
        ) from None


def _themed(contents: Report) -> Report:
    """Pictures in the page's own colours, and their ids told apart."""
    sections = tuple(
        replace(s, pictures=tuple(replace(p, svg=inline_svg(p.svg, p.name)) for p in s.pictures))
        for s in contents.sections
    )
    return replace(contents, sections=sections)


def inline_svg(svg: str, name: str) -> str:
    """An SVG to stand inside a page: ids that nothing refers to left out, others with `name` before them, colours from the page."""
    used = set(_USED.findall(svg))
    svg = _DEFINED.sub(lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", svg)
    svg = _USED.sub(lambda m: m[0][: m.start(1) - m.start()] + f"{name}-{m[1]}", svg)
    # The size comes from the page, the shape from the viewBox.
    svg = re.sub(r'^(<svg[^>]*?) height="[^"]*"', r"\1", svg)
    svg = re.sub(r'^(<svg[^>]*?) width="[^"]*"', r'\1 aria-hidden="true" focusable="false"', svg)
    for colour, variable in PICTURE_VARIABLES.items():
        svg = re.sub(f"(?<=: ){re.escape(colour)}\\b", f"var(--{variable})", svg, flags=re.IGNORECASE)
    return svg
