"""The page's colours, for light and dark; the contrast of every pair that meets is computed in a test."""

from __future__ import annotations

LIGHT = {
    "page": "#ffffff",
    "ink": "#1a1a1a",
    "soft": "#4d4d4d",
    "rule": "#b9b9b9",
    "head": "#eef1f4",
    "link": "#0b4f8a",
    "inside": "#0b5d1e",
    "outside": "#9b1c1c",
    "undecided": "#6b4a00",
    "none": "#444444",
    "mark": "#7a1010",
    "mark-ground": "#fff1d6",
    "picture-line": "#0072b2",
    "picture-other": "#b34e00",
    "picture-band": "#56b4e9",
    "picture-grid": "#b0b0b0",
}
DARK = {
    "page": "#14181c",
    "ink": "#ececec",
    "soft": "#b8bec4",
    "rule": "#59626b",
    "head": "#222930",
    "link": "#8cc4ff",
    "inside": "#7fd694",
    "outside": "#ff9d9d",
    "undecided": "#f0c674",
    "none": "#c8c8c8",
    "mark": "#ffd9a0",
    "mark-ground": "#4a1414",
    "picture-line": "#6db9f2",
    "picture-other": "#ff9a57",
    "picture-band": "#2f7fb5",
    "picture-grid": "#59626b",
}
#: The drawing's own colours, and what stands for them in a page.
PICTURE_VARIABLES = {
    "#000000": "ink",
    "#0072b2": "picture-line",
    "#d55e00": "picture-other",
    "#56b4e9": "picture-band",
    "#b0b0b0": "picture-grid",
}
#: Text on ground that occurs in the page; each needs a contrast of 4.5 to 1.
TEXTS = (
    ("ink", "page"),
    ("ink", "head"),
    ("soft", "page"),
    ("link", "page"),
    ("inside", "page"),
    ("outside", "page"),
    ("undecided", "page"),
    ("none", "page"),
    ("mark", "mark-ground"),
)
#: Shapes that carry meaning; each needs 3 to 1.
SHAPES = (("picture-line", "page"), ("picture-other", "page"))
