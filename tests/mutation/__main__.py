"""`python -m tests.mutation [MODULE…] [--json]`: which changes of an estimator do its tests not notice?

Each change is tried in a process forked from one that has the libraries loaded; the files on the disc stay as they are.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import CodeType, ModuleType

from tests.mutation.mutants import Mutant, mutants_of

ROOT = Path(__file__).parents[2]
#: Which tests answer for which module.
TESTS = {
    "bench.contacts": ["tests/statements/test_settling.py", "tests/statements/test_openings.py"],
    "bench.encoder": ["tests/science/test_encoder.py", "tests/statements/test_estimators.py"],
    "bench.encoder_lines": ["tests/statements/test_encoder_lines.py"],
    "bench.neutral": [
        "tests/science/test_neutral.py",
        "tests/statements/test_lifted.py",
        "tests/statements/test_openings.py",
    ],
    "bench.outliers": ["tests/science/test_outliers.py"],
    "bench.speed_fit": ["tests/science/test_speed_fit.py", "tests/statements/test_estimators.py"],
    "bench.steadiness": ["tests/science/test_steadiness.py", "tests/statements/test_steadiness.py"],
    "bench.student": ["tests/science/test_uncertainty.py"],
    "bench.swing": ["tests/science/test_swing.py"],
    "bench.uncertainty": ["tests/science/test_uncertainty.py", "tests/science/test_terms.py"],
    "bench.verdict": ["tests/science/test_uncertainty.py"],
    "bench.engine": ["tests/science/test_engine.py"],
    "bench.horizon": ["tests/wire/test_horizon.py"],
    "bench.jump": ["tests/science/test_jump.py", "tests/statements/test_jump.py"],
    "bench.monte_carlo": ["tests/science/test_monte_carlo.py"],
    "firmware_protocol.framing": ["tests/wire/test_frames.py", "tests/wire/test_stream.py"],
    "firmware_protocol.codec": ["tests/wire/test_vectors.py", "tests/wire/test_frames.py"],
}
#: Processor time, so that a change is not taken for noticed because the machine is busy.
WITHIN_S = 180
WORKERS = 2
#: Most of pytest's plugins take longer to load than a change takes to try.
FEW_PLUGINS = ["-p", "timeout", "-o", "timeout=1800", "-p", "no:cacheprovider"]
#: Libraries are loaded before the fork.
QUIET = ["-W", "ignore::pytest.PytestAssertRewriteWarning"]


class _Loader(importlib.abc.InspectLoader):
    def __init__(self, mutant: Mutant, path: str) -> None:
        self._mutant, self._path = mutant, path

    def get_source(self, fullname: str) -> str | None:  # noqa: ARG002 - the interface's
        return Path(self._path).read_text()

    def get_code(self, fullname: str) -> CodeType | None:  # noqa: ARG002 - the interface's
        return compile(self._mutant.tree, self._path, "exec")


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, name: str, mutant: Mutant, path: str) -> None:
        self._name, self._mutant, self._path = name, mutant, path

    def find_spec(
        self,
        fullname: str,
        path: Sequence[str] | None,  # noqa: ARG002 - the interface's
        target: ModuleType | None = None,  # noqa: ARG002 - the interface's
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self._name:
            return None
        return importlib.util.spec_from_file_location(fullname, self._path, loader=_Loader(self._mutant, self._path))


def _noticed(name: str, mutant: Mutant, path: str) -> int:
    """Start trying one change; gives the process's number. It ends with 0 if every test passed, that is, none noticed."""
    child = os.fork()
    if child:
        return child
    import pytest

    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    signal.setitimer(signal.ITIMER_PROF, WITHIN_S)
    sys.meta_path.insert(0, _Finder(name, mutant, path))
    status = 1
    with contextlib.suppress(BaseException):
        status = int(pytest.main(["-x", "-q", *FEW_PLUGINS, *QUIET, *TESTS[name]]))
    os._exit(min(status, 100))


def _survivors(name: str) -> tuple[int, list[Mutant]]:
    path = ROOT / (name.replace(".", "/") + ".py")
    source = path.read_text()
    _noticed(name, Mutant(0, "", "", ast.parse(source)), str(path))
    if os.wait()[1] != 0:
        raise SystemExit(
            f"{name}: its tests fail as it is, so that they tell nothing. Run: pytest {' '.join(TESTS[name])}"
        )
    waiting = mutants_of(source)
    tried, running, survived = len(waiting), {}, []
    while waiting or running:
        while waiting and len(running) < WORKERS:
            mutant = waiting.pop(0)
            running[_noticed(name, mutant, str(path))] = mutant
        ended, status = os.wait()
        mutant = running.pop(ended)
        if status == 0:
            survived.append(mutant)
            print(f"  {path.name}:{mutant.line}: {mutant.before}  →  {mutant.after}", file=sys.stderr, flush=True)
    return tried, sorted(survived, key=lambda m: m.line)


def main() -> int:
    """Try the modules that were asked for, or all; the exit status is 1 if a change survived."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("module", nargs="*", choices=[*TESTS, []], help="which modules (default: all)")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    os.chdir(ROOT)
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    # Loaded once, and then there in every process that is forked off. The project's own modules are not among them.
    for library in ("numpy", "scipy.stats", "scipy.optimize", "pytest", "pydantic", "tomlkit"):
        with contextlib.suppress(ImportError):
            importlib.import_module(library)
    found = {}
    for name in options.module or TESTS:
        began = time.monotonic()
        tried, survived = _survivors(name)
        found[name] = {
            "tried": tried,
            "survived": [{"line": m.line, "before": m.before, "after": m.after} for m in survived],
        }
        if not options.json:
            print(f"{name}: {tried} changes, {len(survived)} not noticed, {time.monotonic() - began:.0f} s", flush=True)
    if options.json:
        print(json.dumps(found, indent=1, ensure_ascii=False))
    return int(any(f["survived"] for f in found.values()))


if __name__ == "__main__":
    raise SystemExit(main())
