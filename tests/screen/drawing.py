"""Drawing one frozen state, without any session behind it, and reading a picture."""

from __future__ import annotations

import html
import re

from textual.app import App, ComposeResult
from textual.widgets import Footer

from tui.job_screen.app import JobScreen
from tui.job_screen.keys import Now, offered
from tui.job_screen.state import JobState
from tui.job_screen.view import JobView

#: Width of a character in a picture.
COLUMN = 12.2


class OneState(App[None]):
    """The view of one frozen state over the key line that the job's screen has then."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS = JobScreen.BINDINGS

    def __init__(self, state: JobState, light: bool = False) -> None:
        super().__init__()
        self.state = state
        self.view = JobView()
        self._light = light

    def compose(self) -> ComposeResult:
        yield self.view
        yield Footer()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        state = self.state
        acted = state.rehearsal
        now = Now(
            step=state.step,
            connected=state.snap.connected,
            over=state.can_begin_again,
            failed=state.snap.failure is not None,
            concluded=state.can_begin_again,
            simulated=acted is not None,
            acting=acted is not None and acted.acting,
            can_look=acted is not None and acted.can_look,
            overflows=self.view.is_mounted and self.view.overflows,
        )
        return offered(now, action, *(str(given) for given in parameters[:1]))

    def on_mount(self) -> None:
        if self._light:
            self.theme = "textual-light"
        self.view.show(self.state)


async def picture(state: JobState, size: tuple[int, int], light: bool = False) -> str:
    """The screen as SVG."""
    app = OneState(state, light)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        app.view.show(state)
        app.refresh_bindings()
        await pilot.pause()
        return app.export_screenshot(title="breakerbench")


def text_of(svg: str) -> str:
    """What can be read on a picture, line by line, each piece in its column."""
    rows: dict[float, list[tuple[int, str]]] = {}
    for x, y, text in re.findall(r'<text (?![^>]*-title")[^>]*x="([\d.]+)" y="([\d.]+)"[^>]*>([^<]*)</text>', svg):
        said = html.unescape(text).replace("\xa0", " ").rstrip("\n")
        rows.setdefault(float(y), []).append((round(float(x) / COLUMN), said))
    lines = []
    for y in sorted(rows):
        line = ""
        for column, said in sorted(rows[y]):
            line = line.ljust(column) + said
        lines.append(line)
    return "\n".join(lines)


def flat(text: str) -> str:
    """The same without line ends and columns."""
    return " ".join(text.split())
