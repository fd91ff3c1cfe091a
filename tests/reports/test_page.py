"""The page: whole in one file, asks for nothing from any network, can be read by everyone, and takes no text for markup."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest

from bench.records.model import Amendment, Check, Finding
from bench.reports import contents, html_file, pdf_file
from bench.reports.palette import DARK, LIGHT, SHAPES, TEXTS
from tests.reports.support import AT, SOFTWARE, breaker, opening, source_of, stored

#: No markup of HTML, SVG, typst or a QR code may come of these.
HOSTILE = (
    "<script>alert(1)</script>",
    "</script><img src=x onerror=alert(1)>",
    '"><svg onload=alert(1)>',
    '#eval("1") $x$ *bold* `raw` @ref <label> = heading',
    '#image("secret.png") \\u{41} //comment',
    "{{ 7*7 }} {% raw %}",
    "&lt;b&gt; &amp;",
)
NAME = "<b onload='x'>#h & \"co\""


class Structure(HTMLParser):
    """What a page is built of."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.stray: list[str] = []
        self.feed(path.read_text("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in ("meta", "img", "br", "path", "use", "rect"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in ("path", "use", "rect"):
            return
        if not self.open or self.open.pop() != tag:
            self.stray.append(tag)

    def of(self, *names: str) -> list[dict[str, str]]:
        return [attributes for tag, attributes in self.tags if tag in names]


def hostile_source() -> contents.Source:
    text = " ".join(HOSTILE)
    made = stored(
        1,
        {
            "unit": {
                "part_number": text[:60],
                "serial_number": HOSTILE[0],
                "rotation": "clockwise",
                "poles": 4,
                "cam": "plain",
            },
            "limits": {"reference": HOSTILE[1], "revision": HOSTILE[3]},
            "notes": [{"code": "x", "text": one, "times": 2} for one in HOSTILE],
            "breakers": [
                breaker(NAME, opening(0, target_deg=10.0, lower_limit_deg=8.0, upper_limit_deg=12.0, verdict="inside"))
            ],
            "board": {"board_id": HOSTILE[2], "firmware": HOSTILE[5], "counts_per_turn": 10_000, "boot_counter": 1},
        },
        operator=text,
        findings=(Finding(text),),
        checks=(Check(text, 1.0, text, note=text),),
        skipped_steps=(text,),
        not_for_record=(text,),
    )
    amendment = Amendment(
        "A", made.record.id, made.hash, HOSTILE[0], AT, HOSTILE[3], (("remark", text), ("finding", text))
    )
    return source_of(type(made)(made.record, 1, made.hash, (amendment,)))


def test_a_text_from_user_or_board_is_never_markup_on_the_page(tmp_path: Path) -> None:
    source = hostile_source()
    path = tmp_path / "hostile.html"
    path.write_bytes(html_file.write(contents.report(source, AT, SOFTWARE), source))
    built = Structure(path)
    assert built.stray == []
    assert {a["type"] for a in built.of("script")} == {"application/x-breakerbench"}
    assert built.of("img", "b") == [{}]  # the one that says the verdict
    assert not [name for _, attributes in built.tags for name in attributes if name.startswith("on")]
    # And it can all be read.
    from tests.reports.test_figures import text_of_page

    shown = text_of_page(path)
    for text in (*HOSTILE, NAME):
        assert " ".join(text.split()) in shown, text


def test_a_text_from_user_or_board_is_never_markup_in_print(tmp_path: Path) -> None:
    path = tmp_path / "hostile.pdf"
    path.write_bytes(pdf_file.write(contents.report(hostile_source(), AT, SOFTWARE)))
    text = "".join("".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())
    for one in HOSTILE:
        assert "".join(one.split()) in text, one


def test_the_page_names_nothing_outside_itself(page: Path) -> None:
    source = page.read_text("utf-8")
    built = Structure(page)
    for tag, attributes in built.tags:
        for name in ("src", "href", "xlink:href", "data", "action", "poster", "srcset"):
            assert attributes.get(name, "#").startswith("#"), (tag, name)
    styles = re.sub(r'xmlns(:\w+)?="[^"]*"', "", re.sub(r"<script.*?</script>", "", source, flags=re.DOTALL))
    assert not re.search(r"https?:|//\w|@import", styles)
    assert set(re.findall(r"url\(([^)]*)\)", styles)) <= {f"#{a['id']}" for _, a in built.tags if "id" in a}
    policies = [a["content"] for a in built.of("meta") if a.get("http-equiv") == "Content-Security-Policy"]
    assert policies == ["default-src 'none'; style-src 'unsafe-inline'"]


def test_headings_come_in_order_and_language_is_told(page: Path) -> None:
    built = Structure(page)
    assert built.stray == []
    assert built.of("html")[0]["lang"] == "en"
    levels = [int(tag[1]) for tag, _ in built.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in zip(levels, levels[1:]))


def test_every_picture_is_told_in_words_and_every_table_has_headers(page: Path) -> None:
    built = Structure(page)
    pictures = [a for a in built.of("div", "span") if a.get("role") == "img"]
    assert len(pictures) == len(built.of("svg"))
    assert all(len(a["aria-label"]) > 30 for a in pictures)
    assert len(built.of("caption")) == len(built.of("table"))
    headers = built.of("th")
    assert headers
    assert all(a.get("scope") in ("col", "row") for a in headers)


def test_ids_are_unique(page: Path) -> None:
    ids = [a["id"] for _, a in Structure(page).tags if "id" in a]
    assert len(ids) == len(set(ids))


def _luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio."""
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_is_computed_as_wcag_says() -> None:
    # WCAG 2.2: black on white is 21:1; #767676 on white is the well-known limit of 4.54:1.
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert _contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_texts_and_shapes_stand_out_from_their_ground(palette: dict[str, str]) -> None:
    # WCAG 2.2: 1.4.3 text 4.5:1, 1.4.11 graphics 3:1.
    assert {
        pair: _contrast(palette[pair[0]], palette[pair[1]])
        for pair in TEXTS
        if _contrast(palette[pair[0]], palette[pair[1]]) < 4.5
    } == {}
    assert {pair for pair in SHAPES if _contrast(palette[pair[0]], palette[pair[1]]) < 3.0} == set()


def test_no_colour_of_the_page_is_outside_its_palettes(page: Path) -> None:
    source = re.sub(r"<script.*?</script>", "", page.read_text("utf-8"), flags=re.DOTALL)
    used = {colour.lower() for colour in re.findall(r"#[0-9a-fA-F]{6}\b", source)}
    # The QR code stays black on white; the mark and watermark of printed pages are on white paper.
    assert used - set(LIGHT.values()) - set(DARK.values()) <= {"#000000", "#e3e3e3", "#7a1010"}


def test_light_dark_and_print_have_their_styles(page: Path) -> None:
    source = page.read_text("utf-8")
    assert "@media screen and (prefers-color-scheme: dark)" in source
    assert "@media print" in source
    assert "@page" in source
    assert '<meta name="color-scheme" content="light dark">' in source


@pytest.mark.parametrize("verdict", ["inside", "outside", "undecided", "none"])
def test_a_verdict_is_told_in_words_not_by_colour_alone(verdict: str, tmp_path: Path) -> None:
    limits = {} if verdict == "none" else {"target_deg": 10.0, "lower_limit_deg": 8.0, "upper_limit_deg": 12.0}
    source = source_of(stored(1, {"breakers": [breaker("main", opening(0, verdict=verdict, **limits))]}))
    shown = contents.report(source, AT, SOFTWARE)
    words = {"inside": "INSIDE", "outside": "OUTSIDE", "undecided": "UNDECIDED", "none": "NO VERDICT"}
    assert shown.first.verdict_title == words[verdict]
    path = tmp_path / "report.pdf"
    path.write_bytes(pdf_file.write(shown))
    assert words[verdict] in pypdf.PdfReader(path).pages[0].extract_text()
