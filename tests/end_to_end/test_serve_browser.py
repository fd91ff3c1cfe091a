"""The screen in a real browser: `breakerbench serve` as a process, opened in headless Chromium, led by its keys."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from tests.end_to_end.browser import browser
from tests.end_to_end.commands import COMMAND, breakerbench
from tui.serve import may_come_from


def free_port() -> int:
    """One that nobody has just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def serving(folder: Path, *arguments: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """`breakerbench serve` once it answers; the process and its page's address."""
    port = free_port()
    process = subprocess.Popen(
        [*COMMAND, "serve", "--port", str(port), *arguments],
        env={**os.environ, "BREAKERBENCH_HOME": str(folder)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
    )
    try:
        assert process.stdout is not None
        said = process.stdout.readline()
        url = next(word for word in said.split() if word.startswith("http"))
        while not answers(port):
            assert process.poll() is None, process.stdout.read()
        yield process, url
    finally:
        process.terminate()
        process.communicate(timeout=30)


def answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=0.5).close()
    except OSError:
        return False
    return True


def journals(folder: Path) -> list[Path]:
    return sorted((folder / "journals").glob("*.capture"))


def ends_interrupted(capture: Path) -> None:
    """Wait until the journal says that its session was interrupted."""
    deadline = time.monotonic() + 20
    while b'"interrupted"' not in capture.read_bytes()[-2_000:]:
        assert time.monotonic() < deadline, "the job goes on"
        time.sleep(0.05)


@pytest.mark.timeout(180)
def test_a_rehearsal_in_the_browser_counts_a_press_and_keeps_its_journal(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with serving(home, "--rehearse") as (process, url), browser(tmp_path) as chromium, chromium.page() as page:
        page.go(url)
        page.until("Act it yourself")
        page.press("ArrowDown")
        page.press("Enter")
        # The step's sentence, on a page that says what it is.
        shown = page.until("Turn the rotor at least one whole turn in its running direction")
        assert "REHEARSAL on a simulated unit – not for record" in shown
        page.until("[neutral]", by="PageDown")
        page.until("presses turning up to it  ○○ 0")
        page.until("standing")
        page.press(" ")
        page.until("presses turning up to it  ●○ 1")
        # A tablet's page shows the whole screen in letters as large as its window allows.
        columns, rows, pixels = page.value("[seenTerminal.cols, seenTerminal.rows, +seenTerminal.options.fontSize]")
        assert (columns >= 80, rows >= 24, pixels >= 18) == (True, True, True)
        # Nothing but this server was asked for anything, and nothing was refused.
        assert {urlsplit(asked).netloc for asked in page.asked} == {urlsplit(url).netloc}
        assert page.complaints == []
        # The tab is closed in the middle of it all: the job ends in good order.
        page.go("about:blank")
        (capture,) = journals(home)
        ends_interrupted(capture)
        process.terminate()
        assert process.wait(30) == 0
    assert breakerbench("replay", capture, "--json").document["error"]["code"] == "interrupted"


def test_a_job_does_not_outlive_its_server(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with (
        serving(home, "--rehearse", "exercise-worn-points") as (process, url),
        browser(tmp_path) as chromium,
        chromium.page() as page,
    ):
        page.go(url)
        page.until("standing")
        process.kill()
        process.wait(10)
        (capture,) = journals(home)
        ends_interrupted(capture)
        assert page.value("document.body.classList.contains('-closed')")


def test_without_the_extra_it_says_how_to_install_it() -> None:
    hiding = (
        "import sys; sys.modules['textual_serve'] = None; from tui.command_line import main; sys.exit(main(['serve']))"
    )
    done = subprocess.run([sys.executable, "-c", hiding], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert "pip install 'breakerbench[serve]'" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_port_that_is_taken_is_said_at_once() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = str(other.getsockname()[1])
        done = breakerbench("serve", "--port", port)
    assert done.status == 2
    assert port in done.err
    assert "--port" in done.err


def test_another_address_is_served_only_with_a_warning(tmp_path: Path) -> None:
    with serving(tmp_path, "--rehearse", "--host", "0.0.0.0") as (process, _):
        assert process.stdout is not None
        assert "no password" in process.stdout.readline()
    with serving(tmp_path, "--rehearse") as (process, _):
        process.terminate()
        assert process.stdout is not None
        assert "no password" not in process.stdout.read()


def test_another_page_cannot_press(tmp_path: Path) -> None:
    with serving(tmp_path, "--rehearse") as (_, url):
        assert b"-url=" in urllib.request.urlopen(url, timeout=20).read()
        for path, headers in (("", {"Host": "elsewhere.example"}), ("ws", {"Origin": "http://elsewhere.example"})):
            with pytest.raises(urllib.error.HTTPError, match="403"):
                urllib.request.urlopen(urllib.request.Request(url + path, headers=headers), timeout=20)


@pytest.mark.parametrize(
    ("host", "origin", "served", "may"),
    [
        ("127.0.0.1:8000", "http://127.0.0.1:8000", "127.0.0.1", True),
        ("localhost:8000", "http://localhost:8000", "127.0.0.1", True),
        ("127.0.0.1:8000", None, "127.0.0.1", True),
        ("192.0.2.7:8000", "http://192.0.2.7:8000", "0.0.0.0", True),
        ("[::1]:8000", "http://[::1]:8000", "::1", True),
        ("bench.example:8000", "http://bench.example:8000", "bench.example", True),
        ("127.0.0.1:8000", "http://elsewhere.example", "127.0.0.1", False),
        ("127.0.0.1:8000", "http://127.0.0.1:9000", "127.0.0.1", False),
        ("127.0.0.1:8000", "null", "127.0.0.1", False),
        # A name that was made to point here.
        ("elsewhere.example:8000", "http://elsewhere.example:8000", "127.0.0.1", False),
        ("[bad", None, "127.0.0.1", False),
        (None, None, "127.0.0.1", False),
    ],
)
def test_only_this_servers_own_page_is_answered(host: str | None, origin: str | None, served: str, may: bool) -> None:
    assert may_come_from(host, origin, served) is may
