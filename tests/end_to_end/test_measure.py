"""`measure` through ports that work, and through every way in which they may not."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import threading
from pathlib import Path

import pytest

from bench.journal import JournalReader, Kind
from tests.contract.peers import stranger_port
from tests.end_to_end.commands import COMMAND, JOB, TWO, breakerbench, brisk, here, running, simulator, with_fault

STRANGER_JOB = """
[unit]
part_number = "DEMO"
serial_number = "STRANGER-1"
rotation = "clockwise"
poles = 2
impulse_coupling = "none"
[limits]
reference = "Demonstration manual, invented"
revision = "A"
[[breaker]]
name = "main"
channel = 0
opens_at_deg = 10
minus_deg = 2
plus_deg = 2
from = "neutral"
capacitor_uf = 0
"""


def test_measure_by_pty(tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    with simulator() as port:
        done = breakerbench("measure", JOB, "--port", port, "--headless", "--json", "--capture", capture)
    assert done.status == 0, done.err
    assert [n["code"] for n in done.document["notes"]] == ["sense-unchecked"]
    again = breakerbench("replay", capture, "--json")
    assert (again.status, again.out) == (0, done.out)


def test_measure_by_tcp_with_fewer_passes() -> None:
    with simulator(where=("--tcp", "127.0.0.1:0")) as port:
        done = breakerbench("measure", JOB, "--port", port, "--headless", "--json", "--passes", "3")
    assert done.status == 0, done.err
    assert {o["passes_used"] for o in done.document["breakers"][0]["openings"]} <= {3, 4}


def test_the_port_may_come_from_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with simulator(brisk(tmp_path)) as port:
        monkeypatch.setenv("BREAKERBENCH_PORT", port)
        assert breakerbench("measure", JOB, "--headless", "--json", *TWO).status == 0


def test_the_bench_file_states_sense_and_port(data_folder: Path) -> None:
    data_folder.mkdir()
    with simulator() as port:
        (data_folder / "bench.toml").write_text(f'encoder_sense = "counterclockwise"\n[link]\nport = "{port}"\n')
        done = breakerbench("measure", JOB, "--headless", "--json")
    assert done.status == 4
    assert done.document["error"]["code"] == "wrong-direction"


def test_a_board_written_from_the_document_alone_measures_its_unit_exactly(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text(STRANGER_JOB, "utf-8")
    with stranger_port() as port:
        done = breakerbench("measure", job, "--port", port, "--headless", "--json")
    assert done.status == 0, done.err
    # Its script: open from 10° on, presses symmetric about 0° to a tenth of a count.
    assert [o["angle_deg"] for o in done.document["breakers"][0]["openings"]] == pytest.approx([10.0, 10.0], abs=0.02)


# --- failures: exit 4, one sentence, a document, and a journal that replays to the same ------------------------------


def assert_failed_well(status: int, out: str, err: str, capture: Path, code: str) -> None:
    import json

    document = json.loads(out)
    assert status == 4
    assert document["valid"] is False
    assert document["error"]["code"] == code
    assert document["breakers"] == []
    assert document["journal"] == str(capture)
    text = document["error"]["text"]
    assert err.count(text) == 1
    again = here("replay", capture, "--json")
    assert (again.status, again.out) == (4, out)


def measure_failing(port: str, capture: Path, code: str) -> None:
    done = breakerbench("measure", JOB, "--port", port, "--headless", "--json", "--capture", capture)
    assert_failed_well(done.status, done.out, done.err, capture, code)


@pytest.mark.parametrize("port", ["/dev/no-such-port", "socket://127.0.0.1:1", "nonsense://x"])
def test_a_port_that_is_not_there(port: str, tmp_path: Path) -> None:
    measure_failing(port, tmp_path / "run.capture", "no-port")


def test_no_board_on_usb(tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    done = breakerbench("measure", JOB, "--headless", "--json", "--capture", capture)
    assert_failed_well(done.status, done.out, done.err, capture, "no-port")


def test_a_port_that_speaks_other_bytes(tmp_path: Path) -> None:
    with simulator(with_fault(tmp_path, "rubbish = true"), rate="1") as port:
        measure_failing(port, tmp_path / "run.capture", "no-board")


def test_a_port_that_says_nothing(tmp_path: Path) -> None:
    taken: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        accepting = threading.Thread(target=lambda: taken.append(server.accept()[0]), daemon=True)
        accepting.start()
        measure_failing(f"socket://127.0.0.1:{server.getsockname()[1]}", tmp_path / "run.capture", "no-board")
    accepting.join()
    taken[0].close()


def test_other_firmware(tmp_path: Path) -> None:
    with simulator(with_fault(tmp_path, "other_fingerprint = true")) as port:
        measure_failing(port, tmp_path / "run.capture", "wrong-firmware")


def test_a_board_that_falls_silent(tmp_path: Path) -> None:
    with simulator(with_fault(tmp_path, "silent_at_s = 12.0")) as port:
        measure_failing(port, tmp_path / "run.capture", "link-silent")


@pytest.mark.parametrize("where", [("--pty",), ("--tcp", "127.0.0.1:0")])
def test_a_port_that_goes_away(where: tuple[str, ...], tmp_path: Path) -> None:
    with simulator(with_fault(tmp_path, "close_at_s = 12.0"), where=where) as port:
        measure_failing(port, tmp_path / "run.capture", "link-lost")


def test_a_board_that_resets_is_started_again_and_the_zero_is_void(tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    with simulator(with_fault(tmp_path, "reset_at_s = 30.0")) as port:
        done = breakerbench("measure", JOB, "--port", port, "--headless", "--json", "--capture", capture)
    # The simulated hand does not mark neutral a second time.
    assert_failed_well(done.status, done.out, done.err, capture, "incomplete")
    assert "board-reset" in [n["code"] for n in done.document["notes"]]
    assert "press" in done.document["error"]["text"]
    assert "note: The board started anew" in done.err


def test_counts_that_the_board_lost_without_telling_void_the_zero(tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    with simulator(with_fault(tmp_path, "lost_counts = {at_s = 36.0, counts = 8}")) as port:
        done = breakerbench("measure", JOB, "--port", port, "--headless", "--json", "--capture", capture)
    assert_failed_well(done.status, done.out, done.err, capture, "incomplete")
    assert "count-doubtful" in [n["code"] for n in done.document["notes"]]


def test_two_programs_cannot_share_a_port(tmp_path: Path) -> None:
    with (
        simulator(rate="1") as port,
        running("measure", JOB, "--port", port, "--headless", "--capture", tmp_path / "first.capture") as first,
    ):
        assert first.stderr is not None
        while "step:" not in first.stderr.readline():
            pass
        measure_failing(port, tmp_path / "second.capture", "no-port")


def test_an_existing_capture_is_never_overwritten(tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    capture.write_bytes(b"precious")
    done = breakerbench("measure", JOB, "--port", "/dev/no-such-port", "--headless", "--json", "--capture", capture)
    assert done.status == 2
    assert str(capture) in done.document["error"]["text"]
    assert capture.read_bytes() == b"precious"


def test_when_the_program_is_killed_the_journal_is_closed_whole(tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    with (
        simulator(rate="1") as port,
        running("measure", JOB, "--port", port, "--headless", "--capture", capture) as process,
    ):
        assert process.stderr is not None
        while "step: neutral" not in process.stderr.readline():
            pass
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        entry = _last_entry(capture)
        assert entry == {"kind": "end"}
    again = breakerbench("replay", capture, "--json")
    assert again.status == 4
    assert again.document["error"]["code"] == "ended"


def _last_entry(capture: Path) -> dict[str, object]:
    """The entry that ends the journal; follows the file until it is there."""
    import time

    deadline = time.monotonic() + 20
    with JournalReader(capture) as reader:
        reader.header()
        while time.monotonic() < deadline:
            for record in reader.records():
                if record.kind is Kind.ENTRY:
                    return record.document()
    raise AssertionError("no entry")


# --- bad input: exit 2 with file, key and what was expected ------------------------------------------------------------

GOOD = JOB.read_text("utf-8")


def changed(old: str, new: str) -> str:
    assert old in GOOD
    return GOOD.replace(old, new)


BAD_JOBS = {
    "no reference": (changed("[limits]", "[limits_of_something]"), "limits"),
    "no from": ("\n".join(line for line in GOOD.splitlines() if not line.startswith("from")), "from"),
    "unknown key": (GOOD + '\ncolour = "red"\n', "colour"),
    "three poles": (changed("poles = 4", "poles = 3"), "poles"),
    "target of 400": (
        "\n".join("opens_at_deg = 400" if x.startswith("opens_at") else x for x in GOOD.splitlines()),
        "opens_at_deg",
    ),
    "not a number": (
        "\n".join("opens_at_deg = nan" if x.startswith("opens_at") else x for x in GOOD.splitlines()),
        "opens_at_deg",
    ),
    "no TOML": ("this is not TOML", "TOML"),
}


@pytest.mark.parametrize("case", list(BAD_JOBS))
def test_a_job_file_that_cannot_be_used(case: str, tmp_path: Path) -> None:
    text, key = BAD_JOBS[case]
    job = tmp_path / "job.toml"
    job.write_text(text, "utf-8")
    done = here("measure", job, "--port", "/dev/null", "--headless", "--json")
    assert done.status == 2
    said = done.document["error"]["text"]
    assert str(job) in said
    assert key in said
    assert said in done.err


def test_a_missing_job_file_and_binary_rubbish(tmp_path: Path) -> None:
    rubbish = tmp_path / "rubbish.toml"
    rubbish.write_bytes(bytes(range(256)) * 10)
    for path in (tmp_path / "missing.toml", rubbish, tmp_path):
        done = breakerbench("measure", path, "--port", "/dev/null", "--headless", "--json")
        assert done.status == 2
        assert str(path) in done.document["error"]["text"]


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("measure", "--json"),
        ("measure", JOB, "--passes", "1", "--json"),
        ("replay", "/nowhere", "--json"),
        ("simulate", "--tcp", "nonsense"),
        ("simulate", "--pty", "--rate", "-1"),
        ("rehearse", "--seed", "-1"),
        ("paint", "--json"),
    ],
)
def test_bad_usage_exits_2(arguments: tuple[str, ...]) -> None:
    done = breakerbench(*arguments)
    assert done.status == 2
    if "--json" in arguments:
        assert done.document["valid"] is False


def test_a_capture_that_is_none(tmp_path: Path) -> None:
    for name, content in (("empty", b""), ("rubbish", os.urandom(5_000))):
        path = tmp_path / name
        path.write_bytes(content)
        done = breakerbench("replay", path, "--json")
        assert done.status == 2
        assert done.document["error"]["code"] == "capture"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no full device")
def test_output_that_cannot_be_written_is_one_sentence_and_no_verdict(tmp_path: Path) -> None:
    capture = tmp_path / "run.capture"
    # The first makes the capture that the others replay.
    for command in (
        ("rehearse", "--headless", "--seed", "3", "--json", "--capture", capture),
        ("replay", capture, "--json"),
        ("replay", capture),
        ("rehearse", "--headless", "--capture", tmp_path / "again.capture"),
    ):
        with open("/dev/full", "w") as full:
            done = subprocess.run(
                [*COMMAND, *map(str, command)],
                stdout=full,
                stderr=subprocess.PIPE,
                stdin=subprocess.DEVNULL,
                text=True,
                check=False,
            )
        assert done.returncode == 4
        assert done.stderr.count("could not be written") == 1
        assert "Traceback" not in done.stderr


def test_an_address_without_port_number_says_what_was_expected() -> None:
    for url, words in (
        ("socket://127.0.0.1", "socket://HOST:PORT was expected"),
        ("127.0.0.1:7000", "write socket://127.0.0.1:7000"),
        ("hwgrep://x", "no kind of port"),
        (str(JOB), "no serial port"),
    ):
        done = breakerbench("measure", JOB, "--port", url, "--headless", "--json")
        assert done.status == 4
        assert words in done.document["error"]["text"]
