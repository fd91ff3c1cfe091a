"""Rows of text as columns."""

from __future__ import annotations

from collections.abc import Container, Sequence


def columns(rows: Sequence[Sequence[str]], right: Container[int] = ()) -> str:
    """One line for each row, every column as wide as its widest cell; those in `right` end, all others begin, at the same place.

    A character counts as one place wide.
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return "\n".join(
        "  ".join(
            c.rjust(w) if n in right else c.ljust(w) for n, (c, w) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    )
