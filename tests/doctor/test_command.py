"""`breakerbench doctor`: the real command on boards behind real ports."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from bench.conformance import JOURNAL_FORMAT, Conformance, document
from bench.journal import JournalReader
from tests.contract.peers import stranger_port
from tests.doctor.bench_board import HELLO
from tests.end_to_end.commands import Outcome, breakerbench, here, running, simulator, with_fault
from tests.link.boards import Conversation, talk, tcp_server


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BREAKERBENCH_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("BREAKERBENCH_PORT", raising=False)
    return tmp_path / "home"


def statuses(told: dict[str, object]) -> dict[str, str]:
    findings = told["findings"]
    assert isinstance(findings, list)
    return {f["code"]: f["status"] for f in findings}


def test_the_board_written_from_the_document_alone_fails_nothing(home: Path) -> None:
    with stranger_port() as port:
        ran = breakerbench("doctor", "--port", port, "--json", "--seconds", "5")
    told = ran.document
    found = statuses(told)
    assert "fail" not in found.values(), told
    assert {code for code, status in found.items() if status == "pass"} >= {
        "line",
        "identity",
        "fingerprint",
        "resets",
        "position-rate",
        "latency",
        "troubles",
        "index",
        "illegal-transitions",
        "edges",
        "probe-0",
        "probe-order",
        "pedal",
        "levels",
    }
    # It turns one way only, and does not keep real time.
    assert (found["turning"], found["tick-rate"]) == ("not tried", "not tried")
    assert ran.status == 3
    assert told["valid"] is True
    assert "Step 1 of" in ran.err
    assert Path(str(told["journal"])).parent == home / "journals"


def test_the_journal_gives_the_same_findings_again(tmp_path: Path) -> None:
    capture = tmp_path / "board.capture"
    with simulator("with-retard") as port:
        told = breakerbench("doctor", "--port", port, "--json", "--seconds", "1", "--capture", capture).document
    again = Conformance()
    with JournalReader(capture) as reader:
        head = reader.header()
        assert head["format"] == JOURNAL_FORMAT
        for record in reader.records():
            again.feed(record)
    assert json.loads(document(again, head, str(capture)).to_json()) == told


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Path]:
    """A short run in words on the simulated board, and its journal."""
    folder = tmp_path_factory.mktemp("doctor")
    capture = folder / "board.capture"
    with pytest.MonkeyPatch.context() as patch, simulator() as port:
        patch.setenv("BREAKERBENCH_HOME", str(folder / "home"))
        return breakerbench("doctor", "--port", port, "--seconds", "0.1", "--capture", capture), capture


def test_a_measurement_is_not_replayed_from_a_doctors_journal(short: tuple[Outcome, Path]) -> None:
    ran = here("replay", short[1])
    assert ran.status == 2
    assert "not that of a breakerbench journal" in ran.err


def test_in_words_every_state_has_a_word_and_a_shape(short: tuple[Outcome, Path]) -> None:
    ran, capture = short
    assert "[+] PASS: Fingerprint" in ran.out
    assert "[ ] NOT TRIED: " in ran.out
    assert "What to do: " in ran.out
    assert f"Journal: {capture}" in ran.out


def test_a_silent_port_fails_with_one_sentence_and_findings() -> None:
    silent = Conversation(HELLO)
    silent.answers = False
    with tcp_server(talk(silent)) as port:
        ran = breakerbench("doctor", "--port", port, "--json")
    told = ran.document
    assert ran.status == 4
    assert told["valid"] is False
    assert told["error"]["code"] == "no-board"
    assert statuses(told)["line"] == "fail"
    assert ran.err.count("breakerbench: ") == 1


class _Noisy(Conversation):
    """Greets well, then sends what no frame is."""

    def position(self) -> bytes:
        return b"\x05\x10\x01\x07\x09\x00"


def test_a_session_that_cannot_be_read_ends_and_says_so() -> None:
    with tcp_server(talk(_Noisy(HELLO), positions_per_answer=2)) as port:
        ran = breakerbench("doctor", "--port", port, "--json")
    assert ran.status == 4
    assert ran.document["error"]["code"] == "link-unreadable"
    assert [c for c, s in statuses(ran.document).items() if s == "fail"] == ["line"]


@pytest.mark.parametrize(("fault", "code"), [("close_at_s = 2.0", "link-lost"), ("silent_at_s = 2.0", "link-silent")])
def test_a_port_that_goes_away_leaves_the_findings_so_far(tmp_path: Path, fault: str, code: str) -> None:
    with simulator(with_fault(tmp_path, fault)) as port:
        ran = breakerbench("doctor", "--port", port, "--json")
    assert ran.status == 4
    assert ran.document["error"]["code"] == code
    assert [c for c, s in statuses(ran.document).items() if s == "fail"] == ["line"]
    assert statuses(ran.document)["position-rate"] == "pass"


def test_other_firmware_is_told_with_both_fingerprints(tmp_path: Path) -> None:
    with simulator(with_fault(tmp_path, "other_fingerprint = true")) as port:
        ran = breakerbench("doctor", "--port", port, "--json")
    assert ran.status == 4
    assert [c for c, s in statuses(ran.document).items() if s == "fail"] == ["fingerprint"]


def test_after_a_reset_the_run_goes_on(tmp_path: Path) -> None:
    with simulator(with_fault(tmp_path, "reset_at_s = 2.0")) as port:
        ran = breakerbench("doctor", "--port", port, "--json", "--seconds", "0.1")
    assert [c for c, s in statuses(ran.document).items() if s == "fail"] == ["resets"]
    assert statuses(ran.document)["latency"] == "pass"


def test_no_such_port_is_one_sentence(tmp_path: Path) -> None:
    ran = breakerbench("doctor", "--port", tmp_path / "none", "--json")
    assert ran.status == 4
    assert ran.document["error"]["code"] == "no-port"


@pytest.mark.parametrize("given", ["0", "-1", "nan", "soon"])
def test_a_time_limit_that_is_none_is_bad_usage(given: str) -> None:
    assert (breakerbench if given == "0" else here)("doctor", "--seconds", given).status == 2


def test_a_journal_is_never_overwritten(tmp_path: Path) -> None:
    capture = tmp_path / "kept.capture"
    capture.write_text("precious", "utf-8")
    ran = breakerbench("doctor", "--port", "/dev/null", "--capture", capture)
    assert ran.status == 2
    assert capture.read_text("utf-8") == "precious"


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_stopped_by_the_user_keeps_what_was_seen(tmp_path: Path) -> None:
    capture = tmp_path / "board.capture"
    with simulator(rate="1") as port, running("doctor", "--port", port, "--json", "--capture", capture) as process:
        assert process.stderr is not None
        while "Step 1" not in process.stderr.readline():
            pass
        process.send_signal(signal.SIGINT)
        out, _ = process.communicate(timeout=60)
        assert process.returncode == 130
    told = json.loads(out)
    assert told["error"]["code"] == "interrupted"
    assert statuses(told)["fingerprint"] == "pass"


def test_the_port_may_come_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port = f"socket://127.0.0.1:{closed.getsockname()[1]}"
    monkeypatch.setenv("BREAKERBENCH_PORT", port)
    ran = breakerbench("doctor", "--json")
    assert ran.document["port"] == port
    assert ran.status == 4


def test_the_command_does_not_load_the_simulator_or_the_screen() -> None:
    command = [sys.executable, "-c", "import tui.doctor, sys; print(*sys.modules)"]
    loaded = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    assert not {"sim", "textual"} & {name.split(".")[0] for name in loaded}
