"""One stretch of coverage-guided fuzzing of one target, in a process of its own: `python -m tests.fuzz.worker TARGET STATE …`.

The fuzzing library ends the process itself, so what was done is written to the file STATE while it goes on. What follows STATE goes to the
library as it is.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from random import Random

import atheris

with atheris.instrument_imports(include=["bench", "firmware_protocol", "sim"]):
    from tests.fuzz.targets import TARGETS

_TELL_EVERY_S = 1.0


class _Counted:
    """Runs a target's check and counts what was new; inputs read back from the corpus are not."""

    def __init__(self, name: str, state: Path) -> None:
        self._target = TARGETS[name]
        self._state = state
        self._changed = False
        self._bytes = self._executions = 0
        self._told_at = 0.0

    def change(self, data: bytes, longest: int, seed: int) -> bytes:
        """Another input, of one of the corpus."""
        self._changed = True
        draw = Random(seed)
        if draw.random() < self._target.keeping_form:
            return self._target.mutate(data, draw)[:longest]
        made: bytes = atheris.Mutate(data, longest)
        return made

    def run(self, data: bytes) -> None:
        """One execution."""
        if self._changed:
            self._changed = False
            self._executions += 1
            self._bytes += len(data)
        if time.monotonic() - self._told_at > _TELL_EVERY_S:
            self.tell()
        try:
            self._target.check(data)
        except BaseException:
            self.tell()
            raise

    def tell(self) -> None:
        """Write what was done so far."""
        self._told_at = time.monotonic()
        self._state.write_text(json.dumps({"bytes": self._bytes, "executions": self._executions}))


def main() -> None:
    """See the module's text; does not return."""
    name, state, *arguments = sys.argv[1:]
    counted = _Counted(name, Path(state))
    atheris.Setup([sys.argv[0], *arguments], counted.run, custom_mutator=counted.change)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
