"""Text of several lines, of which only those that have changed are drawn anew: most of the screen stands still while the figures run."""

from __future__ import annotations

from rich.text import Text
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget


class Lines(Widget):
    """Shows a rich text, wrapped to its width."""

    def __init__(self, id: str) -> None:
        super().__init__(id=id)
        self._text = Text()
        self._lines: list[Text] = []
        self._wrapped_to = 0

    @property
    def plain(self) -> str:
        """What it shows, without styles."""
        return self._text.plain

    def update(self, text: Text) -> None:
        """Show `text`."""
        self._text = text
        before, width = self._lines, self._wrapped_to
        if not width or not self.size.width:
            self._wrapped_to = 0
            self.refresh(layout=True)
            return
        self._lines = self._wrap(width)
        if len(self._lines) != len(before):
            self.refresh(layout=True)
            return
        changed = [y for y, (old, new) in enumerate(zip(before, self._lines, strict=True)) if not _same(old, new)]
        if self._width_follows and self._widest(before) != self._widest(self._lines):
            self.refresh(layout=True)
        elif changed:
            self.refresh(*(Region(0, y, self.size.width, 1) for y in changed))

    @property
    def _width_follows(self) -> bool:
        width = self.styles.width
        return width is None or width.is_auto

    def get_content_width(self, container: Size, viewport: Size) -> int:  # noqa: ARG002
        """Of the longest line, unwrapped."""
        return max((line.cell_len for line in self._text.split()), default=0)

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:  # noqa: ARG002
        """Lines at `width`."""
        return len(self._wrap(width)) if self._text.plain else 0

    def render_line(self, y: int) -> Strip:
        """One line as the terminal wants it."""
        width, style = self.size.width, self.rich_style
        if width != self._wrapped_to:
            self._wrapped_to, self._lines = width, self._wrap(width)
        if y >= len(self._lines):
            return Strip.blank(width, style)
        line = Strip(self._lines[y].render(self.app.console)).apply_style(style)
        return line.adjust_cell_length(width, style)

    def _wrap(self, width: int) -> list[Text]:
        return list(self._text.wrap(self.app.console, max(width, 1)))

    @staticmethod
    def _widest(lines: list[Text]) -> int:
        return max((line.cell_len for line in lines), default=0)


def _same(one: Text, other: Text) -> bool:
    return one.plain == other.plain and one.style == other.style and one.spans == other.spans
