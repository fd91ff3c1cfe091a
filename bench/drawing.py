"""How pictures are drawn: one library, one look, SVG out. The library is loaded when a picture is asked for, not before."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Shapes and dashes; together 9 × 4 before a pair of them comes again.
SHAPES = ("o", "s", "^", "D", "v", "P", "X", "<", ">")
DASHES = ("-", "--", "-.", ":")
#: Told apart with any colour vision (Okabe & Ito).
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000", "#E69F00", "#56B4E9")
_STYLE: dict[Any, Any] = {
    "svg.hashsalt": "breakerbench",
    "svg.fonttype": "none",
    # Names from the user's file are names, even with dollar signs in them.
    "text.parse_math": False,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.alpha": 0.3,
}


def svg(
    size_inch: tuple[float, float], draw: Callable[[Figure], None], see_through: bool = False, fitted: bool = True
) -> bytes:
    """What `draw` puts on a figure of this size, as SVG; the same figure gives the same bytes.

    `see_through`: no white ground. `fitted`: room is found for all words, which takes time; else `draw` places the axes itself.
    """
    import matplotlib
    from matplotlib.figure import Figure

    picture = io.BytesIO()
    with matplotlib.rc_context(_STYLE), warnings.catch_warnings():
        # A letter that this machine's font lacks is still written as text, and the reader's font may have it.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure = Figure(figsize=size_inch, layout="constrained" if fitted else None)
        draw(figure)
        figure.savefig(picture, format="svg", metadata={"Date": None, "Creator": None}, transparent=see_through)
    return picture.getvalue()
