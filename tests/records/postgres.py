"""A real PostgreSQL server in a folder of its own, as Debian ships it; nothing on the machine is touched."""

from __future__ import annotations

import contextlib
import itertools
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

START_WITHIN_S = 40.0
#: initdb and postgres refuse to run as root.
USER = "postgres"
_numbers = itertools.count(1)


def programs() -> Path | None:
    """Where initdb and postgres are; None if they are not."""
    found = shutil.which("initdb")
    if found:
        return Path(found).parent
    newest = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    return newest[-1].parent if newest else None


class Server:
    """A server on a socket in its own folder. `kill` and `start` as often as wanted; `close` at the end."""

    def __init__(self, where: Path) -> None:
        self._programs = where
        self._as_user = {"user": USER, "group": USER, "extra_groups": []} if os.geteuid() == 0 else {}
        self.folder = Path(tempfile.mkdtemp(prefix="breakerbench-postgres-"))
        if self._as_user:
            entry = pwd.getpwnam(USER)
            os.chown(self.folder, entry.pw_uid, entry.pw_gid)
        self._process: subprocess.Popen[bytes] | None = None
        command = [
            str(where / "initdb"),
            "-D",
            str(self._data),
            "-A",
            "trust",
            "-U",
            USER,
            "-E",
            "UTF8",
            "--locale=C",
            "--no-sync",
        ]
        done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=self.folder, **self._as_user)
        assert done.returncode == 0, done.stderr
        self.start()

    @property
    def _data(self) -> Path:
        return self.folder / "data"

    def start(self) -> None:
        """Start it, and return when it answers."""
        deadline = time.monotonic() + START_WITHIN_S
        while True:
            command = [str(self._programs / "postgres"), "-D", str(self._data), "-k", str(self.folder)]
            command += ["-c", "listen_addresses=", "-c", "max_connections=60"]
            with (self.folder / "log").open("ab") as log:
                self._process = subprocess.Popen(command, stdout=log, stderr=log, cwd=self.folder, **self._as_user)
            while self._process.poll() is None and time.monotonic() < deadline:
                with contextlib.suppress(Exception):
                    self._connect(USER).close()
                    return
                time.sleep(0.02)
            # After a kill its children may still hold the memory; then it refuses, and is tried again.
            assert time.monotonic() < deadline, (self.folder / "log").read_text()[-2000:]

    def kill(self) -> None:
        """End it as a power cut would: no process of it says farewell."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()

    def close(self) -> None:
        """Stop it and remove all of it."""
        if self._process is not None and self._process.poll() is None:
            # Nothing of it is needed any more, so it need not write everything out first.
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)

    def new_database(self) -> str:
        """Address of an empty database."""
        name = f"store_{next(_numbers)}"
        with self._connect(USER) as connection:
            connection.execute(f"CREATE DATABASE {name}".encode())
        return self.address(name)

    def address(self, name: str) -> str:
        """Address of a database."""
        return f"postgresql://{USER}@/{name}?host={self.folder}"

    def _connect(self, name: str):  # type: ignore[no-untyped-def]
        import psycopg

        return psycopg.connect(self.address(name), autocommit=True)


def new_server() -> Server:
    """A server; the test is skipped where PostgreSQL is not installed, but fails in CI."""
    where = programs()
    if where is None:
        text = "PostgreSQL is not installed (Debian: apt-get install postgresql)"
        if os.environ.get("CI"):
            pytest.fail(text)
        pytest.skip(text)
    return Server(where)
