"""A real headless browser, led over its DevTools protocol: pages opened, keys pressed, a terminal in the page read."""

from __future__ import annotations

import itertools
import json
import os
import shutil
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from websockets.sync.client import ClientConnection, connect

WITHIN_S = 40.0
#: The page keeps its terminal to itself; its making is seen by the assignment to a property of that name.
SEE_TERMINAL = """
Object.defineProperty(Object.prototype, "terminal", {configurable: true, set(value) {
  Object.defineProperty(this, "terminal", {value, writable: true, configurable: true, enumerable: true});
  if (value && value.buffer) window.seenTerminal = value;
}});
"""
READ_TERMINAL = """(() => { const t = window.seenTerminal; if (!t) return "";
  const b = t.buffer.active; const lines = [];
  for (let y = 0; y < t.rows; y++) lines.push(b.getLine(b.viewportY + y)?.translateToString(true) ?? "");
  return lines.join("\\n"); })()"""
#: Key name to code, number and text as the protocol wants them.
KEYS = {
    "Enter": ("Enter", 13, "\r"),
    "ArrowDown": ("ArrowDown", 40, ""),
    "Tab": ("Tab", 9, ""),
    "F2": ("F2", 113, ""),
    "PageDown": ("PageDown", 34, ""),
    " ": ("Space", 32, " "),
}


def chromium() -> str:
    """The system's browser; skips where there is none, which in CI is a failure."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        if (found := shutil.which(name)) is not None:
            return found
    if os.environ.get("CI"):
        pytest.fail("chromium is not there, and in CI it must be")
    pytest.skip("chromium is not there")


class Page:
    """One tab."""

    def __init__(self, connection: ClientConnection) -> None:
        self._connection = connection
        self._numbers = itertools.count(1)
        #: Every address that the page asked for, sockets too.
        self.asked: list[str] = []
        #: What it complained of.
        self.complaints: list[str] = []
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.call(f"{domain}.enable")
        self.call("Page.addScriptToEvaluateOnNewDocument", source=SEE_TERMINAL)
        # As if somebody sat before it.
        self.call("Emulation.setFocusEmulationEnabled", enabled=True)

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One command and its answer; events that come before it are taken note of."""
        number = next(self._numbers)
        self._connection.send(json.dumps({"id": number, "method": method, "params": parameters}))
        while True:
            message = json.loads(self._connection.recv(timeout=WITHIN_S))
            if message.get("id") == number:
                assert "error" not in message, message
                return dict(message["result"])
            self._note(message)

    def _note(self, event: dict[str, Any]) -> None:
        told = event.get("params", {})
        if event.get("method") == "Network.requestWillBeSent":
            self.asked.append(told["request"]["url"])
        elif event.get("method") == "Network.webSocketCreated":
            self.asked.append(told["url"])
        elif event.get("method") == "Log.entryAdded" and told["entry"]["level"] == "error":
            self.complaints.append(f"{told['entry']['text']} {told['entry'].get('url', '')}")
        elif event.get("method") == "Runtime.exceptionThrown":
            self.complaints.append(json.dumps(told["exceptionDetails"])[:500])

    def go(self, url: str) -> None:
        """Open `url`."""
        self.call("Page.navigate", url=url)

    def value(self, script: str) -> Any:
        """What `script` gives in the page."""
        return self.call("Runtime.evaluate", expression=script, returnByValue=True)["result"].get("value")

    def text(self) -> str:
        """What the terminal in the page shows."""
        return str(self.value(READ_TERMINAL))

    def until(self, *words: str, by: str | None = None) -> str:
        """Wait until the terminal shows one of `words`; `by` is a key pressed again meanwhile, as a person would."""
        deadline = time.monotonic() + WITHIN_S
        shown, pressed = "", 0.0
        while time.monotonic() < deadline:
            shown = self.text()
            if any(word in shown for word in words):
                return shown
            if by is not None and time.monotonic() - pressed > 1.0:
                self.press(by)
                pressed = time.monotonic()
        raise AssertionError(f"none of {words} came; complaints: {self.complaints}; the page shows:\n{shown}")

    def press(self, key: str, shift: bool = False) -> None:
        """One key, down and up."""
        code, number, text = KEYS.get(key, (f"Key{key.upper()}", ord(key.upper()[0]), key))
        about = {"key": key, "code": code, "windowsVirtualKeyCode": number, "modifiers": 8 * shift}
        down = {**about, "type": "keyDown", "text": text} if text else {**about, "type": "rawKeyDown"}
        self.call("Input.dispatchKeyEvent", **down)
        self.call("Input.dispatchKeyEvent", **about, type="keyUp")


@contextmanager
def browser(folder: Path, width: int = 1280, height: int = 800) -> Iterator[Browser]:
    """A browser with a profile of its own in `folder`; the size is that of a tablet."""
    profile = folder / "profile"
    process = subprocess.Popen(
        [
            chromium(),
            *("--headless", "--no-sandbox", "--hide-scrollbars", "--no-first-run", "--disable-background-networking"),
            *("--enable-unsafe-swiftshader", "--remote-debugging-port=0", f"--user-data-dir={profile}"),
            *(f"--window-size={width},{height}", "about:blank"),
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield Browser(_debugging_port(profile, process))
    finally:
        process.terminate()
        process.wait(20)


def _debugging_port(profile: Path, process: subprocess.Popen[bytes]) -> int:
    told = profile / "DevToolsActivePort"
    deadline = time.monotonic() + WITHIN_S
    while time.monotonic() < deadline and process.poll() is None:
        lines = told.read_text("ascii").splitlines() if told.exists() else []
        if len(lines) > 1:
            return int(lines[0])
        time.sleep(0.05)
    raise AssertionError("the browser did not come up")


class Browser:
    """Opens tabs."""

    def __init__(self, port: int) -> None:
        self._port = port

    @contextmanager
    def page(self) -> Iterator[Page]:
        """A new tab, closed at the end."""
        question = urllib.request.Request(f"http://127.0.0.1:{self._port}/json/new?about:blank", method="PUT")
        with urllib.request.urlopen(question, timeout=WITHIN_S) as answer:
            about = json.loads(answer.read())
        with connect(about["webSocketDebuggerUrl"], max_size=None, ping_interval=None) as connection:
            page = Page(connection)
            yield page
            page.call("Page.close")
