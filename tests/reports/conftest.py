"""One job with two breakers, reported once, for all tests that only look."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.records.model import Check, Tool
from bench.reports import contents, html_file, pdf_file
from bench.reports.layout import Report
from tests.reports.support import AT, SOFTWARE, Kept, keep


@pytest.fixture(autouse=True)
def data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BREAKERBENCH_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("BREAKERBENCH_DATABASE", raising=False)
    return tmp_path / "home"


@pytest.fixture(scope="session")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    tool = Tool("spring scale", "S-17", "2027-01-31")
    return keep(
        tmp_path_factory.mktemp("kept"),
        "with-retard",
        operator="A. Learner",
        service_hours=1234.5,
        checks=(
            Check("primary resistance at 21 °C", 0.83, "Ω", 0.7, 1.1, "inside", Tool("ohmmeter", "Q-3", "2027-03-31")),
            Check("spring tension", 5.25, "N", 4.5, 6.5, "inside", tool, "of the main points"),
        ),
        tools=(tool,),
    )


@pytest.fixture(scope="session")
def shown(kept: Kept) -> Report:
    return contents.report(kept.source(), AT, SOFTWARE)


@pytest.fixture(scope="session")
def page(kept: Kept, shown: Report, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_bytes(html_file.write(shown, kept.source()))
    return path


@pytest.fixture(scope="session")
def printed(shown: Report, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.pdf"
    path.write_bytes(pdf_file.write(shown))
    return path
