"""What has been fuzzed so far, kept in a small file beside the corpus and added to by every stretch."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path

from tui.columns import columns

FILE = "totals.json"


@dataclass
class Total:
    """Of one target. `edges` is the coverage after the latest stretch, branches of the program's own bytecode that were taken."""

    bytes: int = 0
    executions: int = 0
    seconds: float = 0.0
    edges: int = 0
    corpus: int = 0
    crashes: int = 0

    def add(self, state: Path, seconds: float) -> None:
        """One more stretch; its process wrote `state`, unless it never began."""
        told = json.loads(state.read_text()) if state.exists() else {"bytes": 0, "executions": 0}
        self.bytes += told["bytes"]
        self.executions += told["executions"]
        self.seconds += seconds


@dataclass
class Totals:
    """Of all targets, in the folder of the corpus."""

    folder: Path
    targets: dict[str, Total] = field(default_factory=dict)

    @classmethod
    def load(cls, folder: Path) -> Totals:
        """As they were left; empty where nothing was fuzzed yet."""
        path = folder / FILE
        kept = json.loads(path.read_text()) if path.exists() else {}
        return cls(folder, {name: Total(**total) for name, total in kept.items()})

    def of(self, name: str) -> Total:
        """The total of one target."""
        return self.targets.setdefault(name, Total())

    def save(self) -> None:
        """Write them, whole or not at all."""
        written = self.folder / (FILE + ".new")
        written.write_text(json.dumps({name: asdict(total) for name, total in self.targets.items()}, indent=1) + "\n")
        written.replace(self.folder / FILE)

    def table(self, names: list[str], goal: int) -> str:
        """For a reader: what was done of `goal` bytes a target."""
        rows = [("target", "bytes", "of goal", "executions", "seconds", "edges", "corpus", "crashes")]
        shown = [(name, self.of(name)) for name in names]
        if len(shown) > 1:
            every = [total for _, total in shown]
            shown.append(
                (
                    "all",
                    Total(
                        sum(t.bytes for t in every),
                        sum(t.executions for t in every),
                        sum(t.seconds for t in every),
                        sum(t.edges for t in every),
                        sum(t.corpus for t in every),
                        sum(t.crashes for t in every),
                    ),
                )
            )
        for name, t in shown:
            share = t.bytes / (goal * (len(names) if name == "all" else 1))
            row = (name, f"{t.bytes:,}", f"{share:.1%}", f"{t.executions:,}", f"{t.seconds:.0f}")
            rows.append((*row, str(t.edges), str(t.corpus), str(t.crashes)))
        return columns(rows, right=range(1, len(rows[0])))
