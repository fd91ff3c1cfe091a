"""Rehearsals on the embedded simulator, by the real path: process, port, journal, result."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.end_to_end.commands import Outcome, board_bytes, breakerbench, here, running


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Path]:
    """One rehearsal of seed 3: what it printed, and its capture. Nothing here writes to either."""
    folder = tmp_path_factory.mktemp("rehearsed")
    capture = folder / "run.capture"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BREAKERBENCH_HOME", str(folder / "home"))
        return breakerbench("rehearse", "--headless", "--json", "--seed", "3", "--capture", capture), capture


def test_a_rehearsal_ends_inside_and_replays_to_the_same_document(rehearsed: tuple[Outcome, Path]) -> None:
    live, capture = rehearsed
    assert live.status == 0
    assert live.document["valid"] is True
    assert live.document["simulated"] is True
    assert {o["verdict"] for b in live.document["breakers"] for o in b["openings"]} == {"inside"}
    again = breakerbench("replay", capture, "--json")
    assert (again.status, again.out) == (live.status, live.out)


def test_the_truth_is_shown_only_when_asked_for_and_lies_within_the_interval(rehearsed: tuple[Outcome, Path]) -> None:
    assert "truth" not in rehearsed[0].document
    told = breakerbench("rehearse", "--headless", "--json", "--seed", "2", "--show-truth").document
    truth = {(o["breaker"], o["lobe"]): o for o in told["truth"]["openings"]}
    for breaker in told["breakers"]:
        for opening in breaker["openings"]:
            true = truth[breaker["name"], opening["lobe"]]
            assert true["angle_deg"] == true["from_neutral_deg"]
            assert abs(opening["angle_deg"] - true["angle_deg"]) < opening["expanded_uncertainty_deg"]


def test_the_same_seed_gives_the_same_bytes(rehearsed: tuple[Outcome, Path], tmp_path: Path) -> None:
    again = tmp_path / "again.capture"
    breakerbench("rehearse", "--headless", "--seed", "3", "--capture", again)
    captures = [board_bytes(rehearsed[1]), board_bytes(again)]
    shorter = min(map(len, captures))
    assert shorter > 100_000
    # How much follows the last pass depends on when Stop arrives; all before it is the same.
    assert captures[0][: shorter - 20_000] == captures[1][: shorter - 20_000]


@pytest.mark.parametrize(
    ("scenario", "status"),
    [("with-retard", 0), ("dual", 0), ("jerky-hand", 0), ("outside", 1), ("high-friction", 3)],
)
def test_scenarios_end_as_they_are_named(scenario: str, status: int, tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    done = breakerbench("rehearse", "--scenario", scenario, "--headless", "--json", "--seed", "3", "--capture", capture)
    assert done.status == status, done.err
    assert done.document["valid"] is True
    again = (breakerbench if status else here)("replay", capture, "--json")
    assert (again.status, again.out) == (done.status, done.out)
    if scenario == "high-friction":
        assert "neutral-band-wide" in [n["code"] for n in done.document["notes"]]


@pytest.mark.parametrize(
    ("scenario", "code", "words"),
    [
        ("coil-lead-on", "no-opening", "coil lead is still on the points"),
        ("impulse-fitted", "impulse-coupling", "impulse coupling is still at work"),
    ],
)
def test_what_cannot_be_measured_says_why(scenario: str, code: str, words: str, tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    done = breakerbench("rehearse", "--scenario", scenario, "--headless", "--json", "--seed", "3", "--capture", capture)
    assert done.status == 4
    assert done.document["valid"] is False
    assert done.document["error"]["code"] == code
    assert words in done.document["error"]["text"]
    assert done.document["journal"] == str(capture)
    assert done.err.count(words) == 1
    again = breakerbench("replay", capture, "--json")
    assert (again.status, again.out) == (4, done.out)


def test_explain_tells_one_openings_story(rehearsed: tuple[Outcome, Path]) -> None:
    live, capture = rehearsed[0].document, rehearsed[1]
    story = breakerbench("replay", capture, "--explain", "main:0")
    assert story.status == 0
    opening = live["breakers"][0]["openings"][0]
    for words in (
        "raw frame",
        "boundary",
        "place on the disc",
        "Neutral by presses",
        "repeatability of passes",
        f"Angle from neutral: {opening['angle_deg']:.4f}°",
        f"U = {opening['expanded_uncertainty_deg']:.4f}°",
        "Verdict: inside",
    ):
        assert words in story.out
    missing = here("replay", capture, "--explain", "main:9")
    assert missing.status == 2
    assert "main:0, main:1, main:2, main:3" in missing.err


def test_without_a_terminal_the_words_say_that_it_is_a_rehearsal() -> None:
    done = breakerbench("rehearse", "--seed", "3")
    assert done.status == 0
    assert "not for record" in done.out
    assert "licensed person" in done.err
    assert "INSIDE the limits" in done.out


def test_scenarios_are_listed() -> None:
    done = breakerbench("rehearse", "--list-scenarios")
    names = [line.split()[0] for line in done.out.splitlines()]
    expected = {
        "plain-single",
        "with-retard",
        "dual",
        "outside",
        "coil-lead-on",
        "impulse-fitted",
        "jerky-hand",
        "high-friction",
    }
    assert expected <= set(names)


@pytest.mark.parametrize("scenario", ["no-such-thing", "/nowhere/at-all.toml"])
def test_an_unknown_scenario_is_bad_usage(scenario: str) -> None:
    done = breakerbench("rehearse", "--headless", "--json", "--scenario", scenario)
    assert done.status == 2
    assert done.document["valid"] is False
    assert scenario in done.document["error"]["text"]


def test_an_interrupted_rehearsal_keeps_what_it_has(tmp_path: Path) -> None:
    import signal

    capture = tmp_path / "run.capture"
    with running("rehearse", "--headless", "--json", "--seed", "3", "--capture", capture) as process:
        assert process.stderr is not None
        while "step: neutral" not in process.stderr.readline():
            pass
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
        assert "Traceback" not in err
        assert process.returncode == 130
    again = breakerbench("replay", capture, "--json")
    assert (again.status, again.out) == (130, out)
