"""Every command of these tests keeps its data in a folder of its own."""

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BREAKERBENCH_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("BREAKERBENCH_PORT", raising=False)
    return tmp_path / "home"
