"""Text of several lines, of which only those that have changed are drawn anew: most of the screen stands still while the figures run."""

from __future__ import annotations

from rich.segment import Segment
from rich.text import Text
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget


class Lines(Widget):
    """Shows a rich text, wrapped to its width. Where its width follows from the text, it grows but does not shrink again."""

    def __init__(self, id: str) -> None:
        super().__init__(id=id)
        self._text = Text()
        self._lines: list[Text] = []
        self._wrapped_to = 0
        self._widest = 0

    @property
    def plain(self) -> str:
        """What it shows, without styles."""
        return self._text.plain

    def update(self, text: Text) -> None:
        """Show `text`. The screen is laid out anew, which is dear, only where the number of lines changes, or a width that follows."""
        self._text = text
        widest, before = self._widest, self._lines
        self._widest = max(widest, max((line.cell_len for line in text.split()), default=0))
        if not self._wrapped_to:
            self.refresh(layout=True)
            return
        self._lines = self._wrap(self._wrapped_to)
        if len(self._lines) != len(before) or (self._width_follows and self._widest > max(widest, self._least_width)):
            self.refresh(layout=True)
            return
        changed = [y for y, (old, new) in enumerate(zip(before, self._lines, strict=True)) if not _same(old, new)]
        if changed:
            self.refresh(*(Region(0, y, self.size.width, 1) for y in changed))

    def get_content_width(self, container: Size, viewport: Size) -> int:  # noqa: ARG002
        """Of the longest line so far, unwrapped."""
        return self._widest

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:  # noqa: ARG002
        """Lines at `width`."""
        return len(self._wrap(width)) if self._text.plain else 0

    def render_line(self, y: int) -> Strip:
        """One line as the terminal wants it."""
        width, style, console = self.size.width, self.rich_style, self.app.console
        if width != self._wrapped_to:
            self._wrapped_to, self._lines = width, self._wrap(width)
        if y >= len(self._lines):
            return Strip.blank(width, style)
        line = self._lines[y].copy()
        base = style + console.get_style(line.style)
        line.style, line.end = "", ""
        # A line without spans gives segments without any style: they would stand in the terminal's own colours.
        return Strip(Segment.apply_style(line.render(console), base)).adjust_cell_length(width, style)

    def _wrap(self, width: int) -> list[Text]:
        lines = list(self._text.split(allow_blank=True))
        if all(line.cell_len <= width for line in lines):
            return lines
        return list(self._text.wrap(self.app.console, max(width, 1)))

    @property
    def _width_follows(self) -> bool:
        width = self.styles.width
        return width is None or width.is_auto

    @property
    def _least_width(self) -> float:
        least = self.styles.min_width
        return 0 if least is None else least.value


def _same(one: Text, other: Text) -> bool:
    return one.plain == other.plain and one.style == other.style and one.spans == other.spans
