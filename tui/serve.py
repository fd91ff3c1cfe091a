"""`breakerbench serve`: the same screen in a browser, for a tablet at the bench."""

from __future__ import annotations

import argparse
import asyncio
import importlib.util
import ipaddress
import logging
import os
import shlex
import socket
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from bench.errors import UsageError
from tui import places

if TYPE_CHECKING:
    from textual_serve.server import Server

HOST, PORT = "127.0.0.1", 8000
PAGE = Path(__file__).with_name("serve_page.html")
#: The screen is laid out for at least so many characters; smaller ones than so many pixels are not drawn.
COLUMNS, ROWS, LEAST_PX = 80, 24, 11
MOST_PX = 80
MISSING = (
    "serve needs the extra of that name, which is not installed: pip install 'breakerbench[serve]'. "
    "In a terminal, measure and rehearse need nothing more."
)
NO_PASSWORD = (
    "Warning: this is open to the network and there is no password. Whoever reaches {url} can press, enter and end the job. "
    "Serve it so only on a network of your own."
)
#: Only the page's own files, and the socket that it came with.
POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self' {socket}; frame-ancestors 'none'"
)


def run(options: argparse.Namespace) -> int:
    """Serve until interrupted; gives the exit status. Raises UsageError without the extra, or if the address cannot be had."""
    if importlib.util.find_spec("textual_serve") is None:
        raise UsageError(MISSING)
    # Told here, where it can be put right, rather than on each page.
    places.bench_settings()
    _refuse_taken(options.host, options.port)
    address = f"[{options.host}]" if ":" in options.host else options.host
    url = f"http://{address}:{options.port}/"
    print(f"breakerbench is served at {url} – open it in a browser. Control-C ends it.", flush=True)
    if not _local(options.host):
        print(NO_PASSWORD.format(url=url), file=sys.stderr, flush=True)
    _server(_command(options.rehearse), options.host, options.port).serve()
    return 0


def _command(scenario: str | None) -> str:
    """What each page runs, for the shell."""
    words = [sys.executable, "-P", "-m", "tui.command_line"]
    words += ["measure"] if scenario is None else ["rehearse", "--scenario", scenario]
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)


def _local(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _refuse_taken(host: str, port: int) -> None:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as probe:
            if os.name == "posix":
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(address)
    except (OSError, OverflowError) as failure:
        reason = getattr(failure, "strerror", None) or failure
        raise UsageError(
            f"Nothing can be served at {host}, port {port} ({reason}). Name another --host or --port."
        ) from None


def may_come_from(host: str | None, origin: str | None, served: str) -> bool:
    """Whether a request with these headers comes from this server's own page.

    Other pages in the same browser could reach a local server too: their origin tells them, and where their name was made to point
    here, that name does. So the host has to be an address, or a name of this computer.
    """
    try:
        name = urlsplit(f"//{host or ''}").hostname or ""
        if origin is not None and urlsplit(origin).netloc.lower() != (host or "").lower():
            return False
    except ValueError:
        return False
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return name in {"localhost", served.lower(), socket.gethostname().lower()}
    return True


def _server(command: str, host: str, port: int) -> Server:
    """The extra's server with a page of our own: its own one asks another host for a font, and knows itself by one name only."""
    import jinja2
    from aiohttp import web
    from textual_serve.server import Server, to_int

    page = jinja2.Environment(autoescape=True).from_string(PAGE.read_text("utf-8"))

    class BenchServer(Server):
        def __init__(self) -> None:
            super().__init__(command, host, port, title="breakerbench")
            self._pages: set[asyncio.Task[Any]] = set()

        def initialize_logging(self) -> None:
            logging.basicConfig(level=logging.WARNING, format="%(message)s")

        async def on_startup(self, app: web.Application) -> None:
            """What there is to say was said."""

        async def on_shutdown(self, app: web.Application) -> None:  # noqa: ARG002
            """End the jobs that are still on a page; each keeps what it has."""
            for task in self._pages:
                task.cancel()
            await asyncio.gather(*self._pages, return_exceptions=True)

        async def handle_index(self, request: web.Request) -> web.Response:
            self._refuse_strangers(request)
            websocket = f"ws://{request.host}/ws"
            size = to_int(request.query.get("fontsize", ""), 0)
            text = page.render(
                websocket_url=websocket,
                font_size=min(max(size, LEAST_PX), MOST_PX) if size else 0,
                columns=COLUMNS,
                rows=ROWS,
                least=LEAST_PX,
            )
            headers = {"Content-Security-Policy": POLICY.format(socket=websocket), "Cache-Control": "no-store"}
            return web.Response(text=text, content_type="text/html", headers=headers)

        async def handle_websocket(self, request: web.Request) -> web.WebSocketResponse:
            self._refuse_strangers(request)
            task = asyncio.current_task()
            if task is None:
                return await super().handle_websocket(request)
            self._pages.add(task)
            try:
                return await super().handle_websocket(request)
            finally:
                self._pages.discard(task)

        def _refuse_strangers(self, request: web.Request) -> None:
            if not may_come_from(request.headers.get("Host"), request.headers.get("Origin"), host):
                raise web.HTTPForbidden(text="Open breakerbench by this computer's address, not from another page.")

    return BenchServer()
