"""What all studies share: the document, how a study is told, and small words."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict, Field

from bench.agreement_study import LIMITS_AT
from bench.result import ErrorRow, NoteRow, Number
from bench.study_files import Source
from tui.places import software

FORMAT = "breakerbench-study"
VERSION = 1
CAUTION = (
    "These figures tell how readings scattered and differed in this study, on these units, by these people. They are no verdict of "
    "a tool's fitness; the shop decides what is good enough, by its own procedures and its authority's rules."
)
#: Two readings of one thing lie within this many standard deviations in 95 % of cases: 1.96 √2 (ISO 5725-6, 4.1.4).
APART = LIMITS_AT * math.sqrt(2)

Interval = tuple[Number, Number]


class Model(BaseModel):
    """A table of the document."""

    model_config = ConfigDict(frozen=True, from_attributes=True)


class SourceRow(Model):
    """The file of readings."""

    name: str
    sha256: str

    @classmethod
    def of(cls, source: Source) -> SourceRow:
        """A source for the document."""
        return cls.model_validate(source)


class StudyDocument(Model):
    """The whole document; each study adds its table."""

    format: str = FORMAT
    version: int = VERSION
    study: str
    valid: bool
    error: ErrorRow | None = None
    software: str = Field(default_factory=software)
    source: SourceRow | None = None
    notes: tuple[NoteRow, ...] = ()
    conclusion: tuple[str, ...] = ()
    caution: str = CAUTION

    def to_json(self) -> str:
        """One JSON text. The error is left out where there is none."""
        document = self.model_dump(mode="json")
        if document["error"] is None:
            del document["error"]
        return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)


@dataclass(frozen=True, slots=True)
class Told:
    """A study told in both ways, its picture, not yet drawn, and what is to be done once that is written."""

    document: StudyDocument
    tables: list[str]
    draw: Callable[[], bytes]
    sources: tuple[Source, ...]
    finish: Callable[[], None] = lambda: None


def probability(p: float | None) -> str:
    if p is None:
        return ""
    return "<0.0001" if p < 1e-4 else f"{p:.4f}"
