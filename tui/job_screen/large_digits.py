"""Figures large enough to be read from a metre away: full blocks, five lines high.

The framework's own digits are three lines high and drawn with thin lines, which do not carry so far.
"""

from __future__ import annotations

HEIGHT = 5
_ROWS = {
    "0": ("███", "█ █", "█ █", "█ █", "███"),
    "1": (" █ ", "██ ", " █ ", " █ ", "███"),
    "2": ("███", "  █", "███", "█  ", "███"),
    "3": ("███", "  █", "███", "  █", "███"),
    "4": ("█ █", "█ █", "███", "  █", "  █"),
    "5": ("███", "█  ", "███", "  █", "███"),
    "6": ("███", "█  ", "███", "█ █", "███"),
    "7": ("███", "  █", "  █", "  █", "  █"),
    "8": ("███", "█ █", "███", "█ █", "███"),
    "9": ("███", "█ █", "███", "  █", "███"),
    "-": ("   ", "   ", "███", "   ", "   "),
    ".": (" ", " ", " ", " ", "█"),
    "°": ("██", "██", "  ", "  ", "  "),
    " ": ("  ", "  ", "  ", "  ", "  "),
}


def large(text: str, scale: int = 1, block: str = "█") -> str:
    """`text` (figures, sign, point, degree sign) in five times `scale` lines, each cell `2·scale` characters wide."""
    lines = []
    for row in range(HEIGHT):
        line = " ".join(
            "".join(cell * (2 * scale) for cell in _ROWS[character][row]) for character in text if character in _ROWS
        )
        lines += [line.replace("█", block).rstrip()] * scale
    return "\n".join(lines)
