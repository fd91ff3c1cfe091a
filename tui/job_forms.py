"""A job as parts of a form: unit, limits, sets of points, differences; and what the job file's rules say to what was typed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from pydantic import ValidationError
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from bench.job_file import BreakerTable, DifferenceTable, JobFile, LimitsTable, UnitTable
from tui.intake_fields import Act, Choice, Field, chosen, number, numbers, typed

CHANNELS = tuple(map(str, range(8)))
ALL = "all"
NEEDED = "still needed"
#: How the form calls what the job file calls otherwise.
_LABELS = {
    "part_number": "part number",
    "serial_number": "serial number",
    "impulse_coupling": "impulse coupling",
    "opens_at_deg": "opens at",
    "minus_deg": "minus",
    "plus_deg": "plus",
    "offsets_deg": "offsets",
    "capacitor_uf": "capacitor",
    "[[difference]]": "difference",
}
_EXPECTED = {
    "lobes": 'all, or numbers of lobes such as "0, 2"',
    "offsets_deg": 'figures in degrees, one for each lobe, such as "0, 0.8, -0.6"',
    "between": "two different sets of points",
}
#: A rule that looks at several keys begins with the one it is about.
_NAMED = re.compile(r"((?:breaker|difference)\[\d+\](?:\.\w+)?|\w+)(?:, \w+)*(: | is )")
#: Where a rule names a table, this key of it shows what is wrong.
_SHOWN_AT = {"limits": "reference", "breaker": "name", "difference": "plus_deg"}


def problems(tables: dict[str, Any]) -> dict[str, str]:
    """What the job file's rules find wrong, by key ("unit.poles", "breaker[0].from"), in words for a form; empty if nothing."""
    try:
        JobFile.model_validate(tables)
    except ValidationError as failure:
        found: dict[str, str] = {}
        for error in failure.errors(include_url=False):
            if len(error["loc"]) == 1 and error["type"] == "too_short":
                # Says only that no set of points is without a fault; the faults are told one by one.
                continue
            key, words = _problem(error)
            found.setdefault(key, words)
        return found
    return {}


def _problem(error: Any) -> tuple[str, str]:
    location = error["loc"]
    depth = 3 if location[:1] in (("breaker",), ("difference",)) else 2
    key = ""
    for part in location[:depth]:
        key += f"[{part}]" if isinstance(part, int) else f".{part}" if key else str(part)
    name = str(location[depth - 1]) if len(location) >= depth else ""
    message = str(error["msg"])
    if error["type"] == "missing":
        words = NEEDED
    elif error["type"] == "value_error":
        words = message.removeprefix("Value error, ")
        named = _NAMED.match(words)
        if named and not name:
            about = named[1]
            key = about if not key or "[" in about else f"{key}.{about}"
            words = words[named.end() :] if named[2] == ": " else words
    elif name in _EXPECTED:
        words = f"{_EXPECTED[name]} expected"
    else:
        given = error.get("input")
        words = message.removeprefix("Input ").replace("String ", "")
        words = (
            words[:1].lower() + words[1:] + (f", not {given}" if isinstance(given, (str, int, float)) and given else "")
        )
    if "." not in key:
        key += "." + _SHOWN_AT.get(key.partition("[")[0], "")
    return key, _in_the_forms_words(words)


def _in_the_forms_words(text: str) -> str:
    for key, label in _LABELS.items():
        text = text.replace(key, label)
    return text


class Part(Vertical):
    """Some fields of a form, by the job file's keys, under a heading."""

    DEFAULT_CSS = """
    Part { height: auto; }
    Part .heading { height: 1; margin: 1 0 0 0; text-style: bold; }
    """

    def __init__(self, heading: str, fields: dict[str, Field]) -> None:
        super().__init__()
        self._heading = heading
        self.fields = fields

    def compose(self) -> ComposeResult:
        """Heading and fields."""
        yield Static(f"── {self._heading} ──", classes="heading", markup=False)
        yield from self.fields.values()

    def _texts(self, *keys: str) -> dict[str, Any]:
        return {key: self.fields[key].value for key in keys if self.fields[key].value}

    def _numbers(self, *keys: str) -> dict[str, Any]:
        return {key: number(self.fields[key].value) for key in keys if self.fields[key].value}


class UnitPart(Part):
    """The unit, as its data plate says."""

    def __init__(self) -> None:
        super().__init__(
            "Unit, as its data plate says",
            {
                "part_number": typed("part number", id="part-number"),
                "serial_number": typed("serial number", id="serial-number"),
                "rotation": chosen("rotation", ("clockwise", "counterclockwise"), id="rotation"),
                "poles": chosen("poles", ("2", "4", "6", "8"), id="poles"),
                "cam": chosen("cam", ("plain", "compensated"), id="cam", value="plain"),
                "cylinders": typed("cylinders", "if known; needed with a compensated cam", id="cylinders"),
                "impulse_coupling": chosen(
                    "impulse coupling", ("none", "removed", "secured", "fitted"), id="impulse-coupling"
                ),
            },
        )

    def hints(self) -> dict[str, str]:
        """Terms that need a word where nothing is wrong."""
        return {
            "rotation": "· running direction, seen from the drive end",
            "poles": "· flux reversals per turn of the rotating magnet",
        }

    def table(self) -> dict[str, Any]:
        """As the job file has it."""
        keys = ("part_number", "serial_number", "rotation", "cam", "impulse_coupling")
        return self._texts(*keys) | self._numbers("poles", "cylinders")

    def fill(self, unit: UnitTable) -> None:
        """Show a unit."""
        for key, field in self.fields.items():
            value = getattr(unit, key)
            field.value = "" if value is None else str(value)


class LimitsPart(Part):
    """The manual that the limits are taken from."""

    def __init__(self) -> None:
        super().__init__(
            "Limits, from your manual",
            {
                "reference": typed("manual", "title or number of the manual", id="manual"),
                "revision": typed("its revision", id="revision"),
            },
        )

    def table(self) -> dict[str, Any] | None:
        """As the job file has it; None if nothing is typed."""
        return self._texts("reference", "revision") or None

    def fill(self, limits: LimitsTable | None) -> None:
        """Show them."""
        self.fields["reference"].value = "" if limits is None else limits.reference
        self.fields["revision"].value = "" if limits is None else limits.revision


class BreakerPart(Part):
    """One set of points. `number` names it in the form, whatever it is called."""

    _FIGURES = ("opens_at_deg", "minus_deg", "plus_deg", "capacitor_uf")

    def __init__(self, number: int, name: str = "", channel: int = 0) -> None:
        self.number = number
        super().__init__(
            f"Set of points {number}",
            {
                "name": typed("name", "main, retard, left …", id=f"name-{number}", most=40, value=name),
                "channel": chosen("probe channel", CHANNELS, id=f"channel-{number}", value=str(channel)),
                "opens_at_deg": typed("opens at (°)", "no target: measuring only", id=f"opens-{number}"),
                "minus_deg": typed("minus (°)", "so much earlier at most", id=f"minus-{number}"),
                "plus_deg": typed("plus (°)", "so much later at most", id=f"plus-{number}"),
                "from": Field("counts from", Choice(()), id=f"from-{number}"),
                "lobes": typed("limited lobes", 'all, or such as "0, 2"', id=f"lobes-{number}", value=ALL),
                "offsets_deg": typed("offsets (°)", "of each lobe, such as 0, 0.8, -0.6", id=f"offsets-{number}"),
                "capacitor_uf": typed("capacitor (µF)", "across the points, if known", id=f"capacitor-{number}"),
            },
        )

    def compose(self) -> ComposeResult:
        """Fields, and the way to take the set out again."""
        yield from super().compose()
        yield Act("take this set of points out", id=f"remove-{self.number}")

    @property
    def called(self) -> str:
        """Its name, or how to call it while it has none."""
        return self.fields["name"].value or f"set {self.number}"

    def offer_references(self, others: Sequence[BreakerPart], compensated: bool) -> None:
        """What its angle can count from."""
        options = [("neutral", "neutral"), ("mark", "the manual's angle mark")]
        for other in others:
            if other is not self:
                options += [
                    (f"#{other.number}", f"{other.called}, measured"),
                    (f"#{other.number}.target", f"{other.called}, target"),
                ]
        control = self.fields["from"].control
        assert isinstance(control, Choice)
        control.offer(options)
        self.fields["offsets_deg"].display = compensated

    def table(self, names: dict[int, str], compensated: bool) -> dict[str, Any]:
        """As the job file has it; `names` of all sets of points by their numbers."""
        found = self._texts("name") | self._numbers("channel", *self._FIGURES)
        source = self.fields["from"].value
        if source.startswith("#"):
            place, dot, rest = source[1:].partition(".")
            source = names[int(place)] + dot + rest
        if source:
            found["from"] = source
        lobes, offsets = self.fields["lobes"].value, self.fields["offsets_deg"].value
        if lobes and lobes != ALL:
            found["lobes"] = numbers(lobes)
        if offsets and compensated:
            found["offsets_deg"] = numbers(offsets)
        return found

    def fill(self, breaker: BreakerTable, numbers_of: dict[str, int]) -> None:
        """Show a breaker; `numbers_of` all of them by their names."""
        self.fields["name"].value = breaker.name
        self.fields["channel"].value = str(breaker.channel)
        for key in self._FIGURES:
            self.fields[key].value = _figure(getattr(breaker, key))
        source = breaker.from_ or ""
        name, dot, rest = source.partition(".")
        self.fields["from"].value = f"#{numbers_of[name]}{dot}{rest}" if name in numbers_of else source
        self.fields["lobes"].value = ALL if breaker.lobes == ALL else ", ".join(map(str, breaker.lobes))
        self.fields["offsets_deg"].value = ", ".join(map(_figure, breaker.offsets_deg or ()))


class DifferencePart(Part):
    """Two sets of points that open together, or a stated angle apart."""

    _FIGURES = ("deg", "minus_deg", "plus_deg")

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(
            "Difference between two sets of points",
            {
                "first": Field("first", Choice(()), id=f"first-{number}"),
                "second": Field("second", Choice(()), id=f"second-{number}"),
                "deg": typed("second after first (°)", "0: together; signed", id=f"apart-{number}"),
                "minus_deg": typed("minus (°)", "so much less at most", id=f"apart-minus-{number}"),
                "plus_deg": typed("plus (°)", "so much more at most", id=f"apart-plus-{number}"),
            },
        )

    def compose(self) -> ComposeResult:
        """Fields, and the way to take it out again."""
        yield from super().compose()
        yield Act("take this difference out", id=f"remove-difference-{self.number}")

    def offer_sets(self, sets: Sequence[BreakerPart]) -> None:
        """Which sets of points there are."""
        for key in ("first", "second"):
            control = self.fields[key].control
            assert isinstance(control, Choice)
            control.offer([(f"#{one.number}", one.called) for one in sets])

    def table(self, names: dict[int, str]) -> dict[str, Any]:
        """As the job file has it."""
        found = self._numbers(*self._FIGURES)
        pair = [self.fields[key].value for key in ("first", "second")]
        if all(pair):
            found["between"] = [names[int(one[1:])] for one in pair]
        return found

    def fill(self, difference: DifferenceTable, numbers_of: dict[str, int]) -> None:
        """Show a difference."""
        for key, name in zip(("first", "second"), difference.between, strict=True):
            self.fields[key].value = f"#{numbers_of[name]}"
        for key in self._FIGURES:
            self.fields[key].value = _figure(getattr(difference, key))

    def field_of(self, key: str) -> Field:
        """Where a problem with `key` is shown."""
        if key == "between":
            return self.fields["second" if self.fields["first"].value else "first"]
        return self.fields[key]


def _figure(value: float | None) -> str:
    """A figure as it would be typed; none of its digits is lost."""
    return "" if value is None else repr(value).removesuffix(".0")
