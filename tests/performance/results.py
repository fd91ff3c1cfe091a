"""What was measured, kept: figures in results/figures.json, pictures beside it, and RESULTS.md made from both.

Each measurement is a section with its own date, machine and load, so that one can be taken anew without the others.
"""

from __future__ import annotations

import importlib
import json
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.performance import machine
from tests.performance.figures import Figure
from tests.performance.growth import Growth, read_growth
from tests.performance.growth_plot import growth_svg

HERE = Path(__file__).parent
GROWING = "grow_"


@dataclass(frozen=True, slots=True)
class Section:
    """One measurement as it was taken; `about` is what its file says of itself. `load`: before and after, None where not known."""

    name: str
    about: str
    taken_at: str
    lasted_s: float
    load: tuple[float | None, float | None]
    machine: dict[str, str]
    figures: tuple[Figure, ...]
    growth: Growth | None = None
    #: Above zero: it stood back behind all other processes, and its latencies are the worse for it.
    niceness: int = 0

    def document(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


def read_section(document: dict[str, Any]) -> Section:
    """The opposite of `Section.document`."""
    growth = None if document["growth"] is None else read_growth(document["growth"])
    figures = tuple(Figure(**f) for f in document["figures"])
    return Section(**{**document, "figures": figures, "growth": growth, "load": tuple(document["load"])})


def take(name: str, measure: Callable[[], Any] | None = None) -> Section:
    """Carry out the measurement `name`: `grow_…` gives a growth, any other figures. `measure` in place of its own is for smaller ones."""
    module = importlib.import_module(f"tests.performance.{name if name.startswith(GROWING) else f'measure_{name}'}")
    before, at, began = machine.load(), datetime.now(UTC), time.monotonic()
    found = (measure or module.measure)()
    growth = found if isinstance(found, Growth) else None
    figures = tuple(growth.goals() if growth is not None else found)
    return Section(
        name,
        (module.__doc__ or "").strip(),
        at.isoformat(timespec="minutes"),
        round(time.monotonic() - began, 1),
        (before, machine.load()),
        machine.facts(),
        figures,
        growth,
        machine.niceness(),
    )


class Results:
    """The kept sections, in `folder`."""

    def __init__(self, folder: Path = HERE) -> None:
        self.page = folder / "RESULTS.md"
        self._folder = folder / "results"
        self._figures = self._folder / "figures.json"

    @property
    def sections(self) -> dict[str, Section]:
        """As they are in the file now: those of growth come last."""
        if not self._figures.exists():
            return {}
        found = map(read_section, json.loads(self._figures.read_text("utf-8"))["sections"])
        return {s.name: s for s in sorted(found, key=lambda s: (s.growth is not None, s.name))}

    def put(self, section: Section) -> None:
        """Keep a section in place of the one of its name, and write all that shows it.

        The others are read anew: another run may have taken them meanwhile.
        """
        from tests.performance.page import page

        kept = {**self.sections, section.name: section}
        document = {
            "format": "breakerbench-performance",
            "version": 1,
            "sections": [kept[name].document() for name in sorted(kept)],
        }
        self._folder.mkdir(exist_ok=True)
        fresh = self._figures.with_suffix(".new")
        fresh.write_text(json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n", "utf-8")
        fresh.replace(self._figures)
        if section.growth is not None:
            (self._folder / f"{section.name}.svg").write_bytes(growth_svg(section.growth))
        self.page.write_text(page(list(self.sections.values())), "utf-8")
