"""The screen's driver in a browser's server, which may be gone from one moment to the next."""

from __future__ import annotations

import contextlib

from textual import events
from textual.drivers.web_driver import WebDriver
from textual.messages import ExitApp


class ServedDriver(WebDriver):
    """Ends the screen when the server has gone, so that no job holds the port with nobody there to see it.

    Fields are ready to be typed into from the start. The page tells of its focus only once it was touched, and a screen that came up before
    that would be left without.
    """

    def start_application_mode(self) -> None:
        """Begin, with the focus that the framework takes away in a browser."""
        super().start_application_mode()
        self._app.call_later(self._app.post_message, events.AppFocus())

    def on_meta(self, packet_type: str, payload: dict[str, object]) -> None:
        """What the server tells, but not that the page has lost the focus."""
        if packet_type != "blur":
            super().on_meta(packet_type, payload)

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
