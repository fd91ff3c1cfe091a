"""One capture against another by the real command: documents, words, exit status, refusals."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.end_to_end.commands import BRISK_HAND, SCENARIOS, breakerbench, here


def capture(folder: Path, name: str, opens_deg: float, changes: tuple[tuple[str, str], ...] = ()) -> Path:
    """A rehearsal of one simulated unit whose points open where they are told to; `changes` go into its job file."""
    scenario, job = folder / f"{name}.toml", folder / f"{name}.job.toml"
    lines = (SCENARIOS / "plain-single.toml").read_text("utf-8").splitlines()
    lines = [f"opens_deg = {opens_deg}" if line.startswith("opens_deg") else line for line in lines]
    scenario.write_text("\n".join(lines).replace("plain-single.job.toml", job.name) + BRISK_HAND, "utf-8")
    text = (SCENARIOS / "plain-single.job.toml").read_text("utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    job.write_text(text, "utf-8")
    bench = "rehearsal.bench.toml"
    (folder / bench).write_text((SCENARIOS / bench).read_text("utf-8"), "utf-8")
    path = folder / f"{name}.capture"
    done = breakerbench("rehearse", "--headless", "--scenario", scenario, "--seed", "3", "--capture", path)
    assert done.status in (0, 1, 3), done.err
    return path


@pytest.fixture(scope="module")
def captures(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The same unit before and after an adjustment, and another unit."""
    folder = tmp_path_factory.mktemp("captures")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BREAKERBENCH_HOME", str(folder / "home"))
        return {
            "before": capture(folder, "before", 12.6),
            "after": capture(folder, "after", 10.2),
            "other": capture(folder, "other", 10.2, (("SIM-0001", "SIM-0002"),)),
        }


def test_the_change_is_told_as_one_document_with_the_exit_status_of_the_first(captures: dict[str, Path]) -> None:
    done = breakerbench("replay", captures["before"], "--against", captures["after"], "--json")
    found = done.document
    assert found["format"] == "breakerbench-comparison"
    assert found["valid"] is True
    assert found["before"]["simulated"] is True
    assert (found["before"]["verdict"], found["after"]["verdict"]) == ("outside", "inside")
    assert [c["lobe_before"] for c in found["changes"]] == [0, 1, 2, 3]
    for change in found["changes"]:
        # The same seed draws the same unit: the points were set 2.4° earlier, and each interval is one of 95 %.
        assert abs(change["change_deg"] + 2.4) < 2 * change["expanded_uncertainty_deg"]
        assert change["larger_than_uncertainty"] is True
    assert found["sensitivity"] is None
    assert done.status == here("replay", captures["before"], "--json").status == 1
    assert here("replay", captures["after"], "--against", captures["before"]).status == 0


def test_the_same_captures_give_the_same_bytes(captures: dict[str, Path]) -> None:
    command = ("replay", captures["before"], "--against", captures["after"], "--json", "--moved", "0.15 mm")
    assert breakerbench(*command).out == here(*command).out


def test_in_words_each_row_and_the_sensitivity_are_told(captures: dict[str, Path]) -> None:
    done = here("replay", captures["before"], "--against", captures["after"], "--moved", "0.15 mm")
    assert done.out.startswith("SIMULATED UNIT")
    assert "it opens earlier in the running direction" in done.out
    assert "common, cancels" in done.out
    assert "independent, adds" in done.out
    assert "Sensitivity of main: 16." in done.out
    assert "earlier per mm more, from one adjustment" in done.out


@pytest.mark.parametrize("as_json", [True, False])
def test_another_unit_is_refused_in_one_sentence(captures: dict[str, Path], as_json: bool) -> None:
    done = breakerbench("replay", captures["after"], "--against", captures["other"], *(["--json"] if as_json else []))
    assert done.status == 2
    assert "differ in serial number (SIM-0001 and SIM-0002)" in done.err
    if as_json:
        assert done.document["valid"] is False
    else:
        assert done.out == ""


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--moved", "0.05 mm"), "name the later one by --against"),
        (("--against", "AFTER", "--explain", "main:0"), "one of them at a time"),
        (("--against", "AFTER", "--moved", "a bit"), "takes an amount and its unit"),
        (("--against", "missing.capture"), "missing.capture"),
    ],
)
def test_what_makes_no_sense_is_refused(captures: dict[str, Path], arguments: tuple[str, ...], said: str) -> None:
    told = [str(captures["after"]) if a == "AFTER" else a for a in arguments]
    done = here("replay", captures["before"], *told)
    assert done.status == 2
    assert said in done.err
    assert done.out == ""


def test_a_later_capture_without_a_measurement_cannot_be_compared_with(
    captures: dict[str, Path], tmp_path: Path
) -> None:
    torn = tmp_path / "torn.capture"
    torn.write_bytes(captures["after"].read_bytes()[:60_000])
    done = here("replay", captures["before"], "--against", torn)
    assert done.status == 2
    assert "no valid measurement, so there is nothing to compare with" in done.err
    # An earlier one without keeps its own failure and exit status.
    first = breakerbench("replay", torn, "--against", captures["after"], "--json")
    assert first.status == 4
    assert first.document["valid"] is False
