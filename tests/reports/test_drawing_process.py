"""The process that draws beside: the same pictures as drawn here, none left behind, and a report also when it fails."""

from __future__ import annotations

import pickle
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from bench.reports import contents, drawing_process, pictures
from bench.reports.drawing_process import DrawingProcess
from bench.reports.drawn import RingPicture, Wanted
from bench.reports.evidence import gather
from bench.reports.figure_sections import wanted
from bench.reports.layout import Report
from tests.reports.support import AT, SOFTWARE, Kept


@pytest.fixture(scope="session")
def asked(kept: Kept) -> dict[str, Wanted]:
    source = kept.source()
    assert source.run is not None
    return wanted(source.result, gather(kept.journal, source.run, source.result))


def test_a_report_drawn_beside_is_the_same_to_the_byte(kept: Kept, shown: Report) -> None:
    with DrawingProcess() as beside:
        assert contents.report(kept.source(), AT, SOFTWARE, beside) == shown


def test_all_pictures_of_a_report_are_drawn_beside(asked: dict[str, Wanted], monkeypatch: pytest.MonkeyPatch) -> None:
    """And not here after all, in silence."""
    here = pictures.draw(asked)
    assert sorted(here) == ["close-up", "passes-0", "passes-1", "ring-0", "ring-1"]
    with DrawingProcess() as beside, monkeypatch.context() as without:
        without.delattr(pictures, "draw")
        beside.begin(asked)
        assert beside.finish() == here


def test_pictures_may_be_wanted_piece_by_piece_and_more_than_once(asked: dict[str, Wanted]) -> None:
    with DrawingProcess() as beside:
        for name, picture in asked.items():
            beside.begin({name: picture})
            beside.begin(asked if name == "close-up" else {name: picture})
        assert beside.finish() == pictures.draw(asked)


def test_neither_waits_for_the_other_when_more_is_wanted_than_a_pipe_holds(asked: dict[str, Wanted]) -> None:
    # A pipe holds 64 KiB; each piece's pictures are more than that, and so are all pieces together.
    ring = asked["ring-0"]
    assert isinstance(ring, RingPicture)
    long = replace(ring, breaker=replace(ring.breaker, name="x" * 100_000))
    with DrawingProcess() as beside:
        for number in range(3):
            beside.begin({**{f"{name}-{number}": p for name, p in asked.items()}, f"long-{number}": long})
        assert len(beside.finish()) == 3 * (len(asked) + 1)


def test_a_process_that_dies_leaves_its_pictures_to_this_one(
    asked: dict[str, Wanted], monkeypatch: pytest.MonkeyPatch
) -> None:
    # A program that ends at once, as one that the system has stopped.
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with DrawingProcess() as beside:
        beside.begin(asked)
        assert beside.finish() == pictures.draw(asked)


def test_no_process_at_all_leaves_the_pictures_to_this_one(
    asked: dict[str, Wanted], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", str(tmp_path / "no such program"))
    with DrawingProcess() as beside:
        beside.begin(asked)
        assert beside.finish() == pictures.draw(asked)


@pytest.mark.parametrize("begun", [True, False])
def test_a_report_that_comes_to_nothing_leaves_no_process(asked: dict[str, Wanted], begun: bool) -> None:
    with DrawingProcess() as beside:
        if begun:
            beside.begin(asked)
        process = beside._process
        assert process is not None
    assert process.returncode is not None
    assert process.stdin is not None
    assert process.stdin.closed


def test_the_process_ends_by_itself_when_its_parent_is_gone() -> None:
    # Standard input ends: nobody wants anything any more.
    command = [sys.executable, "-P", "-m", drawing_process.__name__]
    done = subprocess.run(command, input=b"", capture_output=True, timeout=60, check=False)
    assert (done.returncode, pickle.loads(done.stdout), done.stderr) == (0, {}, b"")


def test_the_process_loads_what_it_draws_with_and_no_more() -> None:
    """Else it would be no sooner ready than the one that replays."""
    command = "import sys; from bench.reports import drawing_process; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, check=True).stdout.split()
    assert "bench.reports.pictures" in loaded
    assert not {"pydantic", "numpy", "bench.run", "bench.result", "jinja2", "typst"} & set(loaded)
