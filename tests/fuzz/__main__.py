"""`python -m tests.fuzz [TARGET…] [--bytes N] [--seconds S] [--corpus DIR]`: the long run, which goes on where it was left.

Stretches of the targets take turns until each has had so many bytes, or the time is over. Needs the library atheris
(`pip install atheris`), which is no dependency otherwise.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import importlib.util
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import platformdirs

from tests.fuzz import chosen
from tests.fuzz.target import SUFFIX, Target, inputs
from tests.fuzz.targets import TARGETS
from tests.fuzz.totals import Totals

GOAL_BYTES = 100_000_000
STRETCH_S = 120
#: One input may take so long, and the process so much memory, before that is a crash.
INPUT_S = 20
MOST_MB = 1_500
_COVERAGE = re.compile(r"cov: (\d+) ft: \d+ corp: (\d+)")


def _stretch(target: Target, totals: Totals, seconds: int) -> None:
    """Fuzz one target for some time, and add up what was done."""
    home = totals.folder / target.name
    corpus, crashes, state = home / "corpus", home / "crashes", home / "state.json"
    for folder in (corpus, crashes):
        folder.mkdir(parents=True, exist_ok=True)
    for data in inputs(target):
        path = corpus / hashlib.sha1(data).hexdigest()
        if not path.exists():
            path.write_bytes(data)
    state.unlink(missing_ok=True)
    command = [sys.executable, "-m", "tests.fuzz.worker", target.name, str(state), str(corpus)]
    command += [f"-max_total_time={seconds}", f"-max_len={target.longest}", f"-timeout={INPUT_S}", "-len_control=0"]
    command += [f"-rss_limit_mb={MOST_MB}", f"-artifact_prefix={crashes}/", "-print_final_stats=0", "-verbosity=1"]
    before = set(crashes.iterdir())
    began = time.monotonic()
    total = totals.of(target.name)
    try:
        # The library keeps to its own limit, which counts from when all is loaded.
        done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
    finally:
        # Interrupted or not: what was done counts.
        total.add(state, time.monotonic() - began)
        totals.save()
    if found := _COVERAGE.findall(done.stderr):
        total.edges, total.corpus = int(found[-1][0]), int(found[-1][1])
    new = set(crashes.iterdir()) - before
    for path in new:
        (crashes / f"{path.name}.txt").write_text(done.stderr[-6000:] + done.stdout[-6000:])
    total.crashes = sum(1 for path in crashes.iterdir() if path.suffix != ".txt")
    totals.save()
    if new:
        print(f"{target.name}: {', '.join(sorted(str(path) for path in new))}", flush=True)
    elif done.returncode:
        raise SystemExit(f"{target.name}: the fuzzing process ended with {done.returncode}:\n{done.stderr[-3000:]}")


def _long_run(names: list[str], totals: Totals, goal: int, seconds: float | None) -> None:
    began = time.monotonic()
    while lacking := [name for name in names if totals.of(name).bytes < goal]:
        for name in lacking:
            left = float("inf") if seconds is None else seconds - (time.monotonic() - began)
            if left < 1:
                return
            share = STRETCH_S if seconds is None else max(seconds / len(names), 1.0)
            _stretch(TARGETS[name], totals, int(min(STRETCH_S, left, share)))
        print(totals.table(names, goal), flush=True)


def main() -> int:
    """Command line; exit status 1 if anything crashed."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("target", nargs="*", help=f"which targets (default: all): {', '.join(TARGETS)}")
    parser.add_argument("--bytes", type=int, default=GOAL_BYTES, help="bytes for each target (default: %(default)s)")
    parser.add_argument("--seconds", type=float, help="stop after that time, whatever was done")
    parser.add_argument("--corpus", type=Path, help="folder of corpus and totals (default: in the user's cache)")
    parser.add_argument("--table", action="store_true", help="only tell what was done so far")
    parser.add_argument(
        "--keep", action="store_true", help=f"only choose inputs worth keeping, as *{SUFFIX}, in place of those here"
    )
    options = parser.parse_args()
    if unknown := set(options.target) - set(TARGETS):
        parser.error(f"unknown target {', '.join(sorted(unknown))}; there are {', '.join(TARGETS)}")
    names = options.target or list(TARGETS)
    folder = options.corpus or platformdirs.user_cache_path("breakerbench") / "fuzz"
    folder.mkdir(parents=True, exist_ok=True)
    totals = Totals.load(folder)
    if options.keep:
        for name in names:
            print(f"{name}: {chosen.keep(TARGETS[name], folder / name / 'corpus')} inputs kept", flush=True)
        return 0
    if not options.table:
        if importlib.util.find_spec("atheris") is None:
            parser.error("the long run needs the library atheris: pip install atheris")
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        with contextlib.suppress(KeyboardInterrupt):
            _long_run(names, totals, options.bytes, options.seconds)
    print(totals.table(names, options.bytes))
    return int(any(totals.of(name).crashes for name in names))


if __name__ == "__main__":
    sys.exit(main())
