"""Drawing one frozen snapshot, without any session behind it."""

from __future__ import annotations

import html
import re

from textual.app import App, ComposeResult
from textual.widgets import Footer

from bench.snapshot import Snapshot
from tui.screen import MeasuringScreen, View


class OneView(App[None]):
    """The view and the key line, showing `shot`."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS = MeasuringScreen.BINDINGS

    def __init__(self, shot: Snapshot, title: str) -> None:
        super().__init__()
        self._shot = shot
        self._view = View(title)

    def compose(self) -> ComposeResult:
        yield self._view
        yield Footer()

    def on_mount(self) -> None:
        self._view.show(self._shot)


async def picture(shot: Snapshot, size: tuple[int, int], title: str) -> str:
    """The screen as SVG."""
    app = OneView(shot, title)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        return app.export_screenshot(title="breakerbench")


def text_of(svg: str) -> str:
    """What can be read on a picture, line by line."""
    rows: dict[float, list[tuple[float, str]]] = {}
    for x, y, text in re.findall(r'<text [^>]*x="([\d.]+)" y="([\d.]+)"[^>]*>([^<]*)</text>', svg):
        rows.setdefault(float(y), []).append((float(x), html.unescape(text).replace("\xa0", " ")))
    return "\n".join("".join(t for _, t in sorted(rows[y])) for y in sorted(rows))
