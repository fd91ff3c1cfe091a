"""Pictures drawn in a process of their own: it loads the drawing library while this one loads the rest and replays the journal."""

from __future__ import annotations

import contextlib
import pickle
import subprocess
import sys
from collections.abc import Mapping

from bench.reports import pictures
from bench.reports.drawn import Wanted


class DrawingProcess:
    """Started when made. `begin` says what is wanted, `finish` gives it. As a context it leaves no process behind."""

    def __init__(self) -> None:
        self._wanted: dict[str, Wanted] = {}
        self._process: subprocess.Popen[bytes] | None = None
        # Without it, pictures are drawn here: slower, but the same.
        with contextlib.suppress(OSError):
            # -P: the user's current folder must not be searched for modules.
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "bench.reports.drawing_process"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                # Control-C goes to this process alone; the other one ends when its standard input does.
                start_new_session=True,
            )

    def begin(self, wanted: Mapping[str, Wanted]) -> None:
        """Draw these too, those that were wanted before left out. Does not wait for them."""
        new = {name: picture for name, picture in wanted.items() if name not in self._wanted}
        self._wanted.update(new)
        if self._process is not None and self._process.stdin is not None:
            with contextlib.suppress(OSError):
                pickle.dump(new, self._process.stdin)
                self._process.stdin.flush()

    def finish(self) -> dict[str, str]:
        """The SVG of every picture that was wanted, under the same names."""
        process = self._process
        if process is not None and process.stdin is not None and process.stdout is not None:
            with contextlib.suppress(OSError, EOFError, pickle.UnpicklingError):
                process.stdin.close()
                found: dict[str, str] = pickle.load(process.stdout)
                return found
        return pictures.draw(self._wanted)

    def __enter__(self) -> DrawingProcess:
        return self

    def __exit__(self, *_: object) -> None:
        process = self._process
        if process is None:
            return
        process.kill()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        process.wait()


def main() -> int:
    """The process: what is wanted comes on standard input, piece by piece; the pictures go to standard output when that ends.

    Nothing is written before all is read, so that neither waits for the other.
    """
    pictures.load()
    drawn: dict[str, str] = {}
    with contextlib.suppress(EOFError):
        while True:
            drawn |= pictures.draw(pickle.load(sys.stdin.buffer))
    # Nobody is there to take them when the report came to nothing.
    with contextlib.suppress(OSError):
        pickle.dump(drawn, sys.stdout.buffer)
        sys.stdout.buffer.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
