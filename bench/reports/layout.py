"""What a report is made of, whatever it is printed with: sections of sentences, facts, tables and pictures, all of them finished text."""

from __future__ import annotations

from dataclasses import dataclass

DASH = "–"


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under a header. `figures` tells which columns hold figures, set to the right; `small`: many rows."""

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    figures: tuple[bool, ...]
    small: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture's SVG, what it shows for who does not see it, and its caption."""

    name: str
    svg: str
    alt: str
    caption: str


@dataclass(frozen=True, slots=True)
class Fact:
    """A name and what it is."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the evidence. Printed in this order: sentences, facts, pictures, tables, list."""

    title: str
    sentences: tuple[str, ...] = ()
    facts: tuple[Fact, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    items: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FirstPage:
    """The owner's page: what was measured, what was found, what was left, and the verdict, in one sentence each.

    `verdict` is one of inside, outside, undecided, none; `verdict_title` says it in capitals.
    """

    what: str
    found: str
    left: str
    verdict: str
    verdict_title: str
    verdict_sentence: str
    facts: tuple[Fact, ...]
    blanks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report.

    `mark` goes on every page where it is not empty; `not_for_record` holds the reasons. `code_text` is what the QR code says.
    """

    title: str
    subtitle: str
    made: str
    mark: str
    not_for_record: tuple[str, ...]
    first: FirstPage
    sections: tuple[Section, ...]
    code_svg: str
    code_text: str
    aid: str


def figure(value: float | None, places: int = 3, sign: bool = False) -> str:
    """A figure with so many places and a true minus sign, or a dash where it is not known."""
    if value is None:
        return DASH
    text = f"{value:+.{places}f}" if sign else f"{value:.{places}f}"
    if float(text) == 0:
        text = text.replace("-", "+" if sign else "")
    return text.replace("-", "−")


def general(value: float | None, digits: int = 6) -> str:
    """A figure as short as `digits` allow, or a dash."""
    return DASH if value is None else f"{value:.{digits}g}".replace("-", "−")


def joined(parts: list[str] | tuple[str, ...]) -> str:
    """Parts of a sentence: "a", "a and b", "a, b and c"."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""
