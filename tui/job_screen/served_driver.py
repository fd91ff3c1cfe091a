"""The screen's driver in a browser's server, which may be gone from one moment to the next."""

from __future__ import annotations

import contextlib

from textual.drivers.web_driver import WebDriver
from textual.messages import ExitApp


class ServedDriver(WebDriver):
    """Ends the screen when the server has gone, so that no job holds the port with nobody there to see it."""

    def run_input_thread(self) -> None:
        """Hear the server; its end is that of the screen."""
        super().run_input_thread()
        if not self.exit_event.is_set():
            self._app.post_message(ExitApp())

    def write(self, data: str) -> None:
        """Draw; with nobody there it is no failure."""
        with contextlib.suppress(OSError):
            super().write(data)

    def write_meta(self, data: dict[str, object]) -> None:
        """Tell the server; with nobody there it is no failure."""
        with contextlib.suppress(OSError):
            super().write_meta(data)
