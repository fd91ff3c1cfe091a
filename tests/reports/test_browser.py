"""The page in a real browser: drawn in light and dark, printed with the mark on every sheet, and nothing asked of any network."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pypdf
import pytest

MARK = "REHEARSAL"


@pytest.fixture(scope="session")
def browser() -> str:
    for name in ("chromium", "chromium-browser", "google-chrome"):
        if (found := shutil.which(name)) is not None:
            return found
    if os.environ.get("CI"):
        pytest.fail("chromium is not there, and in CI it must be")
    pytest.skip("chromium is not there")


def run(browser: str, folder: Path, *options: str) -> str:
    """Everything the browser says."""
    command = [
        browser,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--hide-scrollbars",
        f"--user-data-dir={folder / 'profile'}",
    ]
    done = subprocess.run([*command, *options], capture_output=True, text=True, timeout=100, check=True)
    return done.stdout + done.stderr


def test_a_sheet_printed_from_the_browser_carries_the_mark_and_fits(browser: str, page: Path, tmp_path: Path) -> None:
    printed = tmp_path / "printed.pdf"
    run(browser, tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={printed}", page.as_uri())
    sheets = pypdf.PdfReader(printed).pages
    assert len(sheets) >= 5
    # Letters that the watermark is turned by stand apart; the words of the margin do not.
    texts = ["".join(sheet.extract_text().split()) for sheet in sheets]
    assert [number for number, text in enumerate(texts, 1) if MARK not in text] == []
    # The owner's page is one sheet: the blanks and the code are on it, the evidence is not.
    assert "Returntoservice" in texts[0]
    assert "breakerbenchrecord" in texts[0]
    assert "Openings" not in texts[0]


def test_light_and_dark_are_drawn_as_their_palettes_say(browser: str, page: Path, tmp_path: Path) -> None:
    from bench.reports.palette import DARK, LIGHT

    asking = page.read_text("utf-8").replace(
        "style-src 'unsafe-inline'", "style-src 'unsafe-inline'; script-src 'unsafe-inline'"
    )
    probe = (
        "<script>const s = getComputedStyle(document.body); document.title = s.color + '|' + s.backgroundColor + '|' + "
        "document.querySelectorAll('figure svg').length + '|' + performance.getEntriesByType('resource').length + '|' + "
        "(document.documentElement.scrollWidth <= window.innerWidth)</script></body>"
    )
    path = tmp_path / "asking.html"
    path.write_text(asking.replace("</body>", probe), "utf-8")
    for scheme, palette in (("1", LIGHT), ("0", DARK)):
        drawn = run(
            browser,
            tmp_path,
            f"--blink-settings=preferredColorScheme={scheme}",
            "--window-size=1000,900",
            "--dump-dom",
            path.as_uri(),
        )
        title = re.search(r"<title>(.*?)</title>", drawn)
        assert title is not None
        colour, ground, pictures, asked, fits = title[1].split("|")
        assert (colour, ground) == (_rgb(palette["ink"]), _rgb(palette["page"]))
        assert (int(pictures), int(asked), fits) == (5, 0, "true")


def _rgb(colour: str) -> str:
    return "rgb({}, {}, {})".format(*(int(colour[at : at + 2], 16) for at in (1, 3, 5)))
